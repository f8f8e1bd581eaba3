// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// Pairs that the data link cannot separate [DOMAIN 4.3].
func TestInseparablePairsStandTogether(t *testing.T) {
	type F = assaytest.Fault
	plate := []string{assaytest.PathThrottle}
	for _, c := range []struct {
		name  string
		spec  assaytest.Spec
		pair  []assay.Cause
		first assay.Inspection
	}{
		{
			"a meter with a wrong scale is told from a torn duct", assaytest.Spec{Fault: F{Gain: -0.18}},
			[]assay.Cause{assay.CauseGain, assay.CauseAirBetweenMeterAndThrottle}, assay.InspectDuctBetweenMeterAndThrottle,
		},
		{
			"a torn duct is told from a meter with a wrong scale", assaytest.Spec{Fault: F{DuctShare: 0.18}},
			[]assay.Cause{assay.CauseGain, assay.CauseAirBetweenMeterAndThrottle}, assay.InspectDuctBetweenMeterAndThrottle,
		},
		{
			"a clogged filter is told from a throttle nobody recorded", assaytest.Spec{Fault: F{FilterKPa: 6.5}, Omit: plate},
			[]assay.Cause{assay.CauseFilterOrDuct, assay.CauseThrottlePlate}, assay.InspectAirFilterAndBox,
		},
		{
			"a throttle that does not open is told from a filter without its position", assaytest.Spec{Fault: F{ThrottleKPa: 7.5}, Omit: plate},
			[]assay.Cause{assay.CauseFilterOrDuct, assay.CauseThrottlePlate}, assay.InspectAirFilterAndBox,
		},
		{
			"weak fuel pressure is told from ethanol", assaytest.Spec{Fault: F{FuelError: -0.13}},
			[]assay.Cause{assay.CauseFuelPressureLow, assay.CauseFuelBlend}, assay.InspectFuelBlend,
		},
		{
			"no fault is told from air that passes the filter by", assaytest.Spec{},
			[]assay.Cause{assay.CauseNone, assay.CauseUnfilteredAir}, assay.InspectDustBehindFilter,
		},
		{
			"a pressure offset is told from a wrong displacement at one pressure",
			assaytest.Spec{
				Fault: F{MAPOffset: 12}, Only: []assay.ManoeuvreKind{assay.ManoeuvreWarmIdle},
				Omit: []string{assaytest.PathLoadAbsolute, assaytest.PathLoad, assaytest.PathBaro},
			},
			[]assay.Cause{assay.CauseBias, assay.CauseDisplacement}, assay.InspectVehicleFacts,
		},
		{
			"a wrong displacement is told from a pressure offset at one pressure",
			assaytest.Spec{
				EnteredLitres: 3, Only: []assay.ManoeuvreKind{assay.ManoeuvreWarmIdle},
				Omit: []string{assaytest.PathLoadAbsolute, assaytest.PathLoad, assaytest.PathBaro},
			},
			[]assay.Cause{assay.CauseBias, assay.CauseDisplacement}, assay.InspectVehicleFacts,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			v := assaytest.Make(c.spec).Assess()
			g := ambiguityOf(v, c.pair...)
			if g == nil {
				t.Fatalf("no ambiguity of causes %v%s", c.pair, verdict(v))
			}
			if len(g.Inspections) == 0 || g.Inspections[0] != c.first {
				t.Errorf("inspections %v, want %d first%s", g.Inspections, c.first, verdict(v))
			}
		})
	}
}

// Without pedal, plate and with a filter that keeps the manifold below the barometer,
// nobody knows that the driver asked for everything.
func TestCloggedFilterIsNotFirmlyCalledSoundWithoutThrottleAndPedal(t *testing.T) {
	for _, f := range []assaytest.Fault{{FilterKPa: 6.5}, {ThrottleKPa: 7.5}} {
		v := assaytest.Make(assaytest.Spec{Fault: f, Omit: []string{assaytest.PathThrottle, assaytest.PathPedal}}).Assess()
		if ambiguityOf(v, assay.CauseFilterOrDuct, assay.CauseThrottlePlate) == nil {
			t.Errorf("%+v: no ambiguity of filter and plate%s", f, verdict(v))
		}
		if v.Conclusive && v.Conditions[0].Condition == assay.ConditionNoFault {
			t.Errorf("%+v: firmly called sound at %.2f%s", f, v.Conditions[0].Probability, verdict(v))
		}
	}
}

// A barometer and a manifold sensor that disagree at rest accuse each other. Without a
// height neither is firmly condemned alone; with one the odd one is named.
func TestBarometerThatIsOffIsNotFirmlyBlamedOnTheManifoldSensor(t *testing.T) {
	for _, offset := range []float64{-8, -6, 6, 8} {
		d := assaytest.Make(assaytest.Spec{Fault: assaytest.Fault{BaroOffset: offset}})
		v := d.Assess()
		if wrong, _ := firmlyWrong(v, assay.ConditionBarometerFault); wrong {
			t.Errorf("%+g kPa without a height: firmly condition %d%s", offset, v.Conditions[0].Condition, verdict(v))
		}
		d.Facts.AltitudeM = 153
		if v = d.Assess(); v.Conditions[0].Condition != assay.ConditionBarometerFault {
			t.Errorf("%+g kPa at a known height: condition %d leads%s", offset, v.Conditions[0].Condition, verdict(v))
		}
	}
}
