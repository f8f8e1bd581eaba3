// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"fmt"
	"math"
	"slices"
)

// MaxReferences is the most reference drives of one assay: what one more teaches shrinks
// fast, what it costs grows with the cube.
const MaxReferences = 4

const (
	// referenceSound is how probable it is, before its own numbers are looked at, that
	// nothing was wrong on a drive that somebody names as a reference. Trade judgement: more
	// than the 0.85 of a routine check [DOMAIN 6.4], for somebody stands up for it.
	referenceSound = 0.90
	// unrelatedVehicle and unrelatedEngine are how often such a drive is not of this
	// vehicle or engine after all, or the engine has changed since. Trade judgement.
	unrelatedVehicle = 0.02
	unrelatedEngine  = 0.05
	// doubtedBelow and believedFrom are the probabilities below which a reference is
	// reported as not believed, and from which as believed.
	doubtedBelow = 0.50
	believedFrom = 0.80
)

// Reference is what an earlier drive of the same engine tells: a few numbers of fixed
// size, not its samples. It never changes, and may be used by any number of assays.
type Reference struct {
	facts    Facts
	fs       []feature
	m        *model
	hs       []hypothesis
	nominal  engine
	vehicle  int
	unusable bool
}

// ReferenceFacts are the facts that an assay of a reference drive must be made with: the
// engine of the vehicle under test, so that what is entered wrongly is wrong in both and
// cancels, and the rest of the reference drive's own.
func ReferenceFacts(tested, reference Facts) Facts {
	f := reference
	f.DisplacementL, f.Cylinders, f.Banks, f.Valves = tested.DisplacementL, tested.Cylinders, tested.Banks, tested.Valves
	f.Aspiration, f.Fuel, f.Cycle, f.Location = tested.Aspiration, tested.Fuel, tested.Cycle, tested.Location
	f.RatedPowerRPM = tested.RatedPowerRPM
	return f
}

// BeforeFacts are the facts that an assay of the drive before a repair must be made with, so
// that Compare can compare it with the one after: ReferenceFacts, unless the two are of
// different engines, which Compare then says.
func BeforeFacts(after, before Facts) Facts {
	if len(EngineDifferences(after, before)) > 0 {
		return before
	}
	return ReferenceFacts(after, before)
}

// VehicleOnly are the facts without those that are true of one day only.
func VehicleOnly(f Facts) Facts {
	n := math.NaN()
	f.AltitudeM, f.AmbientC, f.HumidityPercent, f.HoursSinceRun = n, n, n, n
	f.Purpose, f.Inspections, f.Cleanings, f.Codes = PurposeUnspecified, nil, 0, nil
	return f
}

// displacementTolerance is how far the displacements of two descriptions of one engine
// differ by rounding.
const displacementTolerance = 0.03

// EngineDifferences names the facts, as fields of the API's Vehicle, in which two
// descriptions cannot be of the same engine. Unknown facts differ from nothing.
func EngineDifferences(a, b Facts) []string {
	var ds []string
	add := func(differ bool, field string) {
		if differ {
			ds = append(ds, field)
		}
	}
	both := func(x, y float64) bool { return known(x) && known(y) }
	add(both(a.DisplacementL, b.DisplacementL) && math.Abs(math.Log(a.DisplacementL/b.DisplacementL)) > displacementTolerance, "displacement_l")
	add(both(a.Cylinders, b.Cylinders) && a.Cylinders != b.Cylinders, "cylinders")
	add(both(a.Valves, b.Valves) && a.Valves != b.Valves, "valves_per_cylinder")
	add(a.Aspiration != b.Aspiration && a.Aspiration != AspirationUnspecified && b.Aspiration != AspirationUnspecified, "aspiration")
	add(a.Cycle != b.Cycle && a.Cycle != CycleUnspecified && b.Cycle != CycleUnspecified, "combustion_cycle")
	add((a.Fuel == FuelDiesel) != (b.Fuel == FuelDiesel) && a.Fuel != FuelUnspecified && b.Fuel != FuelUnspecified, "fuel")
	return ds
}

// AsReference sums up the drive so far as a reference for other assays. The assay must
// have been made with ReferenceFacts of the vehicle under test, and stays as it is.
// vehicle is 0 for an earlier drive of the vehicle under test, and another number for
// each other vehicle with the same engine.
func (a *Assay) AsReference(vehicle int) *Reference {
	b := *a
	b.references = nil
	b.finish()
	r := b.past(func(k featureKind) bool {
		switch k {
		case featAir, featFuel, featRate, featTable, featLambda:
			return true
		}
		return false
	})
	r.vehicle = vehicle
	assertSound(r.hs)
	signs := b.meterSigns()
	r.unusable = !b.ran || !r.comparable() || signs.weight >= strongSign ||
		b.comparable > 20 && float64(b.notSimultaneous) > 0.5*float64(b.comparable)
	return r
}

// past sums up an assay that has taken in everything, by the kinds of numbers that are wanted.
func (a *Assay) past(wanted func(featureKind) bool) *Reference {
	a.engine = a.nominal
	a.engine.boosted = a.boosted()
	r := &Reference{facts: a.facts, nominal: nominalEngine(&a.given), m: a.model()}
	for _, f := range a.features() {
		if wanted(f.kind) {
			r.fs = append(r.fs, f)
		}
	}
	r.m.trimLevel = trimLevel(r.fs)
	r.hs = a.hypotheses(r.m)
	return r
}

// comparable: there is something to learn from it of how the engine breathes.
func (r *Reference) comparable() bool {
	n := 0
	for i := range r.fs {
		if r.fs[i].kind == featAir {
			n++
		}
	}
	return n >= 2
}

// assertSound gives "no fault" the weight that somebody's word for it has.
func assertSound(hs []hypothesis) {
	rest := 0.0
	for i := range hs {
		if hs[i].condition != ConditionNoFault {
			rest += hs[i].prior
		}
	}
	for i := range hs {
		if hs[i].condition == ConditionNoFault {
			hs[i].prior = referenceSound
		} else {
			hs[i].prior *= (1 - referenceSound) / rest
		}
	}
}

// Use makes the assay compare its drive with a reference. It returns an error, and
// uses nothing, where there are MaxReferences already, or where the reference was made
// with other facts of the engine than ReferenceFacts gives.
func (a *Assay) Use(r *Reference) error {
	if len(a.references) >= MaxReferences {
		return fmt.Errorf("%d reference drives are in use already", MaxReferences)
	}
	if n := nominalEngine(&a.given); r.nominal != n && !sameNaN(r.nominal, n) {
		return fmt.Errorf("the reference drive was assayed as another engine")
	}
	a.references = append(slices.Clip(slices.Clone(a.references)), r)
	return nil
}

// sameNaN compares engines whose numbers may be unknown.
func sameNaN(a, b engine) bool {
	same := func(x, y float64) bool { return x == y || !known(x) && !known(y) }
	return same(a.volumeL, b.volumeL) && same(a.scaleSD, b.scaleSD) && same(a.veTop, b.veTop) && same(a.peakRPM, b.peakRPM) &&
		same(a.peakSD, b.peakSD) && a.boosted == b.boosted && a.diesel == b.diesel && a.location == b.location
}

// pasts are the usable references, as seen with the engine that the present drive is judged with.
func (a *Assay) pasts(m *model) []past {
	var ps []past
	for _, r := range a.references {
		if r.unusable {
			continue
		}
		unrelated := unrelatedVehicle
		if r.vehicle != 0 {
			unrelated = unrelatedEngine
		}
		ps = append(ps, r.seenWith(a, m, unrelated))
	}
	return ps
}

// seenWith brings a drive's numbers to the engine of the present model.
func (r *Reference) seenWith(a *Assay, m *model, unrelated float64) past {
	own := *r.m
	own.engine, own.boosted, own.rated, own.idleFlow = m.engine, m.boosted, m.rated, m.idleFlow
	p := past{m: &own, fs: slices.Clone(r.fs), hs: r.hs, vehicle: r.vehicle, unrelated: unrelated}
	for i := range p.fs {
		switch p.fs[i].kind {
		case featAir, featTable:
			p.fs[i].y += math.Log(a.nominal.volumeL / m.engine.volumeL * a.nominal.veTop / m.engine.veTop)
		}
	}
	return p
}

// ReferenceUse is what became of one reference drive.
type ReferenceUse struct {
	// Index is its place among the references as they were given, from 0.
	Index       int
	SameVehicle bool
	Belief      ReferenceBelief
	// Probability that the reference is of this engine and its sensors were true.
	Probability float64
	// Flow is the highest metered flow that pressure was compared with, in g/s; BeforePct and
	// AfterPct are the standard uncertainty of a sound engine's volumetric efficiency there,
	// without and with all references, in percent. NaN where nothing was learned.
	Flow, BeforePct, AfterPct float64
}

// referenceUse reports on each reference.
func (r *result) referenceUse() {
	k := 0
	for i, ref := range r.a.references {
		nan := math.NaN()
		u := ReferenceUse{Index: i, SameVehicle: ref.vehicle == 0, Belief: ReferenceNotUsable, Flow: nan, BeforePct: nan, AfterPct: nan}
		if !ref.unusable && k < len(r.p.believed) {
			u.Probability = r.p.believed[k]
			k++
			u.Belief = ReferenceUndecided
			switch {
			case u.Probability < doubtedBelow:
				u.Belief = ReferenceNotBelieved
			case u.Probability >= believedFrom:
				u.Belief = ReferenceBelieved
			}
			if l := r.p.learned; l != nil && known(l.flow) {
				u.Flow, u.BeforePct, u.AfterPct = l.flow, 100*l.before, 100*l.after
			}
		}
		r.out.References = append(r.out.References, u)
	}
}

// baseVariant is the covariance that causes are told apart with.
func (r *result) baseVariant() *variant {
	if k := r.p.learned; k != nil {
		return &variant{chol: k.chol}
	}
	return &r.a.variants(r.m, r.fs, 0)[0]
}

// pressureExpectation is the covariance of the features of a sound vehicle and what is
// expected of them beyond the prior.
func (r *result) pressureExpectation() (matrix, []float64) {
	cov, _ := r.m.covariance(r.fs, false)
	k := r.p.learned
	if k == nil {
		return cov, make([]float64, len(r.fs))
	}
	for i := range r.fs {
		for q := range i + 1 {
			sum := 0.0
			for x := range q + 1 {
				sum += k.chol.get(i, x) * k.chol.get(q, x)
			}
			cov.set(i, q, sum)
		}
	}
	return cov, k.shift
}
