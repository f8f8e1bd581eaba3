// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"math"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// MagnitudeKind names the quantity that the size of a fault is stated in.
func (c Catalogue) MagnitudeKind(code pb.MagnitudeKind) string {
	return lookup(c, c.l.magnitudes, code, whole)
}

// signedMagnitudes are errors, which read wrongly without their sign.
var signedMagnitudes = map[pb.MagnitudeKind]bool{
	pb.MagnitudeKind_MAGNITUDE_KIND_METER_ERROR_AT_HIGHEST_FLOW: true, pb.MagnitudeKind_MAGNITUDE_KIND_METER_ERROR_AT_IDLE: true,
	pb.MagnitudeKind_MAGNITUDE_KIND_FUEL_MISSING: true, pb.MagnitudeKind_MAGNITUDE_KIND_TEMPERATURE_ERROR: true,
	pb.MagnitudeKind_MAGNITUDE_KIND_PRESSURE_ERROR: true, pb.MagnitudeKind_MAGNITUDE_KIND_PRESSURE_ERROR_SHARE: true,
	pb.MagnitudeKind_MAGNITUDE_KIND_DISPLACEMENT_ERROR: true, pb.MagnitudeKind_MAGNITUDE_KIND_ONE_BANK: true,
}

// Magnitude is the size of a fault in one quantity.
func (c Catalogue) Magnitude(m *pb.Magnitude) string {
	value := c.Quantity(m.GetValue(), m.GetUnit())
	if signedMagnitudes[m.GetKind()] {
		value = c.Deviation(m.GetValue(), m.GetUnit())
	}
	return fmt.Sprintf(c.l.phrases.magnitude, c.MagnitudeKind(m.GetKind()), value)
}

// Alternative is an explanation that does not lead, with the size that would fit best, for a list.
func (c Catalogue) Alternative(a *pb.Alternative) string {
	a = orEmpty(a)
	var sizes []string
	for _, m := range a.GetMagnitudes()[:min(len(a.GetMagnitudes()), 2)] {
		sizes = append(sizes, c.Magnitude(m))
	}
	name := c.Condition(a.GetCondition())
	if a.GetCondition() == pb.Condition_CONDITION_UNKNOWN && a.GetCause() != pb.Cause_CAUSE_UNSPECIFIED {
		name = c.Cause(a.GetCause())
	}
	if len(sizes) == 0 {
		return name
	}
	return fmt.Sprintf(c.l.phrases.inBrackets, name, strings.Join(sizes, ", "))
}

// AlternativeFailed says what an explanation would have shown where it fits worst, as a clause; all is the evidence of
// the assessment. Where nothing speaks clearly against it, it says so.
func (c Catalogue) AlternativeFailed(a *pb.Alternative, all []*pb.Evidence) string {
	if a.GetFailedEvidence() < 0 || a.FailedEvidence == nil || int(a.GetFailedEvidence()) >= len(all) {
		return c.l.phrases.nothingAgainst
	}
	for _, p := range a.GetPredictions() {
		if p.GetEvidence() == a.GetFailedEvidence() {
			return c.PredictionFailed(p, all)
		}
	}
	return c.l.phrases.nothingAgainst
}

// PredictionFailed says what an explanation would have shown beside what was measured, and how far that speaks for or
// against it; empty where the evidence is not there.
func (c Catalogue) PredictionFailed(p *pb.Prediction, all []*pb.Evidence) string {
	i := int(p.GetEvidence())
	if i < 0 || i >= len(all) {
		return ""
	}
	e := orEmpty(all[i])
	show := c.Quantity
	if signedEvidence[e.GetKind()] {
		show = c.Deviation
	}
	predicted, measured := show(p.GetPredicted(), e.GetUnit()), show(e.GetMeasured(), e.GetUnit())
	if predicted == measured {
		return fmt.Sprintf(c.l.phrases.wouldShowAlike, c.evidenceName(e), predicted, c.leans(p.GetLogLikelihoodRatioShare()))
	}
	return fmt.Sprintf(c.l.phrases.wouldShow, c.evidenceName(e), predicted, measured, c.leans(p.GetLogLikelihoodRatioShare()))
}

// leans says which way a logarithm of a likelihood ratio speaks, and how far.
func (c Catalogue) leans(ratio float64) string {
	switch {
	case math.IsNaN(ratio):
		return c.l.labels.Unknown
	case math.Abs(ratio) < neutralBelow:
		return c.l.labels.Neutral
	case ratio > 0:
		return c.l.labels.For + " " + c.Odds(ratio)
	}
	return c.l.labels.Against + " " + c.Odds(ratio)
}

// NextTest names a test that is worth making, for a list.
func (c Catalogue) NextTest(t *pb.NextTest) string {
	t = orEmpty(t)
	switch {
	case t.GetManoeuvre() != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED:
		return c.Manoeuvre(t.GetManoeuvre())
	case t.GetInspection() != pb.Inspection_INSPECTION_UNSPECIFIED:
		return c.Inspection(t.GetInspection())
	case t.GetFact() != "":
		return fmt.Sprintf(c.l.phrases.findOut, c.Fact(t.GetFact()))
	}
	return c.l.labels.Unknown
}

// NextTestReason says why a test is worth making: what it tells apart and how long it takes, as a clause.
func (c Catalogue) NextTestReason(t *pb.NextTest) string {
	t = orEmpty(t)
	length := finiteOr(t.GetMinutes(), 0)
	digits := 0
	if length != math.Trunc(length) {
		digits = 1
	}
	minutes := c.format(length, digits, false) + unitSuffix("min")
	if len(t.GetTellsApart()) < 2 {
		return fmt.Sprintf(c.l.phrases.testTakes, minutes)
	}
	one, other := t.GetTellsApart()[0], t.GetTellsApart()[1]
	return fmt.Sprintf(c.l.phrases.testTells, c.apart(one), c.apart(other), minutes)
}

func (c Catalogue) apart(m *pb.AmbiguousCause) string {
	m = orEmpty(m)
	switch m.GetCause() {
	case pb.Cause_CAUSE_NONE, pb.Cause_CAUSE_UNFILTERED_AIR, pb.Cause_CAUSE_NOT_MODELLED:
		return c.Condition(m.GetCondition())
	}
	return c.CauseOf(m)
}

// AdviceReason says why an advice comes now, where it is one of the tests that are worth making; else it is empty.
func (c Catalogue) AdviceReason(a *pb.Advice, tests []*pb.NextTest) string {
	switch a.GetAction() {
	case pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, pb.AdviceAction_ADVICE_ACTION_INSPECT,
		pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE, pb.AdviceAction_ADVICE_ACTION_REPAIR_WIRING:
	default:
		return ""
	}
	for _, t := range tests {
		if t.GetManoeuvre() == a.GetManoeuvre() && t.GetInspection() == a.GetInspection() && t.GetFact() == "" {
			return Sentence(c.NextTestReason(t))
		}
	}
	return ""
}

func finiteOr(x, otherwise float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return otherwise
	}
	return x
}
