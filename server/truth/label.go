// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"math"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

// offAtFullLoad is the error of a meter in percent from which it must be detected.
const offAtFullLoad = 10.0

// Right is one answer that counts as right; an empty cause stands for any.
type Right struct {
	Condition string `json:"condition"`
	Cause     string `json:"cause,omitempty"`
}

// Label is the truth of a case in the words of the benchmark. All of it is decided
// before the assay has seen the drive.
type Label struct {
	Condition string                `json:"condition"`
	Cause     string                `json:"cause"`
	Severity  string                `json:"severity"`
	Amount    float64               `json:"amount"`
	Unit      string                `json:"unit,omitempty"`
	Second    *scenario.SecondFault `json:"second_fault,omitempty"`
	WrongFact string                `json:"wrong_fact,omitempty"`
	// Right holds the true conditions, and those that these signals cannot tell from them.
	Right []Right `json:"right"`
	// Sufficient is the simulator's word, Why its reason against it. DriveSufficient
	// leaves out whether a fault can be seen in the signals.
	Sufficient      bool   `json:"sufficient"`
	DriveSufficient bool   `json:"drive_sufficient"`
	Why             string `json:"insufficient_why,omitempty"`
	// MeterTrue: there is an air meter, and its element and the duct to the throttle
	// are sound. ThermistorTrue is the same for the intake air temperature sensor.
	MeterTrue      bool `json:"meter_true"`
	ThermistorTrue bool `json:"thermistor_true"`
	// DuctOpen: air enters or leaves between meter and throttle; the element is sound.
	DuctOpen bool `json:"duct_open"`
	// FullLoad was driven, with enough samples. MeterError is the error of the metered
	// air in percent at the highest flow.
	FullLoad   bool     `json:"full_load"`
	MeterError *float64 `json:"meter_error_percent,omitempty"`
	// MeterFlow is the flow at which it was measured, in g/s.
	MeterFlow float64 `json:"meter_error_flow_g_per_s,omitempty"`
	// Trims of one bank, Pressure and air flow together were recorded.
	Trims    bool `json:"trims"`
	Pressure bool `json:"pressure"`
}

var meterConditions = []string{"CONDITION_METER_READS_LOW", "CONDITION_METER_READS_HIGH", "CONDITION_METER_SIGNAL_FAULT"}

const thermistorCondition = "CONDITION_AIR_TEMPERATURE_FAULT"

// elementSound: the fault is not in the meter's element or wires.
func elementSound(condition, cause string) bool {
	return !slices.Contains(meterConditions, condition) || ductCause(cause)
}

func ductCause(cause string) bool {
	return cause == "CAUSE_AIR_BETWEEN_METER_AND_THROTTLE" || cause == "CAUSE_CHARGE_AIR_LOST"
}

// LabelOf states the truth of a drive.
func LabelOf(d *Drive) Label {
	c, t := &d.Case, &d.Truth
	has := func(s engine.Signal) bool { return slices.Contains(c.Signals, s) }
	l := Label{
		Condition: t.Condition, Cause: t.Cause, Severity: t.Severity, Amount: t.Amount, Unit: t.Unit, Second: t.Second,
		WrongFact: t.WrongFact, Sufficient: t.Sufficient, Why: t.InsufficientWhy,
		DriveSufficient: t.EngineWarm && (t.HasFullLoad || t.HasSteadyCruise), FullLoad: t.HasFullLoad,
		Trims:    has(engine.ShortTermFuelTrim1) && has(engine.LongTermFuelTrim1),
		Pressure: has(engine.ManifoldPressure) && has(engine.MAF),
	}
	second := scenario.SecondFault{}
	if t.Second != nil {
		second = *t.Second
	}
	l.DuctOpen = ductCause(t.Cause) || ductCause(second.Cause)
	l.MeterTrue = c.Spec.Meter != engine.NoMeter && !l.DuctOpen &&
		elementSound(t.Condition, t.Cause) && elementSound(second.Condition, second.Cause)
	l.ThermistorTrue = has(engine.IntakeTemp) && t.Condition != thermistorCondition && second.Condition != thermistorCondition
	if t.ErrorAtTopFlow != nil {
		l.MeterError, l.MeterFlow = &t.ErrorAtTopFlow.Error, t.ErrorAtTopFlow.Flow
	}
	l.Right = rightAnswers(d, has)
	return l
}

// Detectable tells of a meter that is off and must be found. One that is misled by another
// sensor's temperature or pressure is not.
func (l *Label) Detectable() bool {
	return l.Sufficient && l.FullLoad && !l.MeterTrue && l.MeterError != nil && math.Abs(*l.MeterError) >= offAtFullLoad
}

func rightAnswers(d *Drive, has func(engine.Signal) bool) []Right {
	t := &d.Truth
	out := []Right{{Condition: t.Condition}}
	out = append(out, inseparable(d, t.Condition, t.Cause, has)...)
	if t.Second != nil {
		out = append(out, Right{Condition: t.Second.Condition})
		out = append(out, inseparable(d, t.Second.Condition, t.Second.Cause, has)...)
	}
	if t.WrongFact != "" {
		out = append(out, Right{Condition: "CONDITION_VEHICLE_FACTS_WRONG"})
	}
	return out
}

// knowledge is what of the signals and facts separates causes that look alike.
type knowledge struct {
	// plate: the throttle's position was recorded at full load.
	plate bool
	// air: metered air stands beside pressure, or beside the barometer at full load of an
	// engine that is not charged, and displacement is entered: that tells air from fuel.
	air bool
	// rest: the meter was recorded before the engine started.
	rest bool
	// height of the place was entered.
	height bool
}

// pair is a cause that looks like another condition where something is not known.
type pair struct {
	condition string
	causes    []string // nil for all
	known     func(k *knowledge) bool
	like      Right
}

func never(*knowledge) bool         { return false }
func plateKnown(k *knowledge) bool  { return k.plate }
func airKnown(k *knowledge) bool    { return k.air }
func restKnown(k *knowledge) bool   { return k.rest }
func heightKnown(k *knowledge) bool { return k.height }

var (
	flatMeter = []string{"CAUSE_GAIN", "CAUSE_WRONG_PART_OR_HOUSING", "CAUSE_AIR_BETWEEN_METER_AND_THROTTLE"}
	flatFuel  = []string{"CAUSE_FUEL_PRESSURE_LOW", "CAUSE_FUEL_PRESSURE_HIGH", "CAUSE_FUEL_BLEND"}
	offset    = []string{"CAUSE_OFFSET"}
	vapour    = []string{"CAUSE_FUEL_VAPOUR"}
	bias      = []string{"CAUSE_BIAS"}
)

// pairs lists what no judge can tell from the truth; README.md gives the physics.
var pairs = []pair{
	{"CONDITION_INTAKE_RESTRICTED", nil, plateKnown, Right{Condition: "CONDITION_THROTTLE_LIMITED"}},
	{"CONDITION_THROTTLE_LIMITED", nil, plateKnown, Right{Condition: "CONDITION_INTAKE_RESTRICTED"}},
	{"CONDITION_METER_READS_LOW", offset, never, Right{Condition: "CONDITION_LEAK_AFTER_METER"}},
	{"CONDITION_LEAK_AFTER_METER", nil, never, Right{"CONDITION_METER_READS_LOW", "CAUSE_OFFSET"}},
	{"CONDITION_METER_READS_HIGH", offset, restKnown, Right{"CONDITION_FUEL_RICH", "CAUSE_FUEL_VAPOUR"}},
	{"CONDITION_FUEL_RICH", vapour, restKnown, Right{"CONDITION_METER_READS_HIGH", "CAUSE_OFFSET"}},
	{"CONDITION_METER_READS_LOW", flatMeter, airKnown, Right{Condition: "CONDITION_FUEL_WEAK"}},
	{"CONDITION_FUEL_WEAK", flatFuel, airKnown, Right{Condition: "CONDITION_METER_READS_LOW"}},
	{"CONDITION_METER_READS_HIGH", flatMeter, airKnown, Right{Condition: "CONDITION_FUEL_RICH"}},
	{"CONDITION_FUEL_RICH", flatFuel, airKnown, Right{Condition: "CONDITION_METER_READS_HIGH"}},
	{"CONDITION_MANIFOLD_PRESSURE_FAULT", bias, heightKnown, Right{Condition: "CONDITION_BAROMETER_FAULT"}},
	{"CONDITION_BAROMETER_FAULT", bias, heightKnown, Right{Condition: "CONDITION_MANIFOLD_PRESSURE_FAULT"}},
}

func inseparable(d *Drive, condition, cause string, has func(engine.Signal) bool) (list []Right) {
	natural := d.Case.Spec.Aspiration == engine.Natural
	full := func(s engine.Signal) bool { return has(s) && slices.Contains(d.Truth.SeenAtFullLoad, s.Define().Path) }
	k := knowledge{
		plate:  full(engine.ThrottlePosition) || full(engine.RelativeThrottle),
		air:    d.Truth.FactsEntered.Displacement != nil && has(engine.MAF) && (has(engine.ManifoldPressure) || natural && d.Truth.HasFullLoad),
		rest:   has(engine.MAF) && seenAtRest(d.Recording),
		height: d.Truth.FactsEntered.Height != nil,
	}
	for _, p := range pairs {
		if p.condition == condition && (p.causes == nil || slices.Contains(p.causes, cause)) && !p.known(&k) {
			list = append(list, p.like)
		}
	}
	return list
}

// seenAtRest: the recording begins before the engine is started.
func seenAtRest(rec *recording.Recording) bool {
	for _, s := range rec.Samples {
		if rec.Signals[s.Signal].Path == j1979.Prefix+"EngineSpeed" {
			return s.Value == 0
		}
	}
	return false
}
