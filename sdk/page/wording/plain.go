// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"slices"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Probabilities from which a customer is told that something is very sure, fairly sure, or likelier than not.
const (
	verySureFrom   = 0.95
	fairlySureFrom = 0.80
	likelierFrom   = 0.60
)

// PlainCondition is a condition as a clause in everyday words.
func (c Catalogue) PlainCondition(code pb.Condition) string {
	return lookup(c, c.l.plainConditions, code, whole)
}

// PlainAction is what comes next, as a sentence in everyday words.
func (c Catalogue) PlainAction(code pb.AdviceAction) string {
	return lookup(c, c.l.plainActions, code, whole)
}

// PlainSummary is the finding, how sure it is and what comes next, in everyday words: one short paragraph for somebody
// who owns a car and does not repair it.
func (c Catalogue) PlainSummary(a *pb.Assessment) string {
	lead := leader(a)
	if lead == nil {
		return Sentence(c.l.phrases.nothingAssessed)
	}
	var parts []string
	if a.Conclusive {
		parts = c.plainFinding(a, lead)
	} else {
		parts = c.plainOpen(a, lead)
	}
	if slices.ContainsFunc(a.GetGaps(), Contradicts) {
		parts = append(parts, c.l.phrases.plainEntryWrong)
	}
	parts = append(parts, c.plainNext(plainStep(a, lead)))
	var sentences []string
	for _, part := range compact(parts) {
		sentences = append(sentences, Sentence(part))
	}
	return strings.Join(sentences, " ")
}

func (c Catalogue) plainFinding(a *pb.Assessment, lead *pb.ConditionProbability) []string {
	clause := c.PlainCondition(lead.Condition)
	if lead.Condition == pb.Condition_CONDITION_METER_READS_LOW || lead.Condition == pb.Condition_CONDITION_METER_READS_HIGH {
		if e := highestError(a, faultyBank(a, lead)); e != nil {
			clause = fmt.Sprintf(c.l.phrases.plainOffBy, clause, c.Quantity(abs(e.ErrorPercent), "%"))
		}
	}
	p, alike := lead.Probability, ""
	if m := ambiguityOf(a, lead); m != nil && lead.Condition != pb.Condition_CONDITION_NO_FAULT {
		p, alike = m.GetProbability(), c.l.phrases.plainAlike
	}
	fine := ""
	if lead.Condition != pb.Condition_CONDITION_NO_FAULT && meterTrue(a) {
		fine = c.l.phrases.plainMeterFine
	}
	return []string{fmt.Sprintf(c.l.phrases.plainFound, clause), c.plainSure(p), fine, alike}
}

// Contradicts tells whether the gap is a fact that was entered and cannot be right.
func Contradicts(g *pb.Gap) bool {
	return g.GetKind() == pb.GapKind_GAP_KIND_FUEL_CONTRADICTED || g.GetKind() == pb.GapKind_GAP_KIND_ASPIRATION_CONTRADICTED
}

// meterTrue: every air meter reads true.
func meterTrue(a *pb.Assessment) bool {
	found := false
	for _, s := range a.GetSensors() {
		if s.GetSensor() != pb.Sensor_SENSOR_AIR_METER {
			continue
		}
		if s.GetFinding() != pb.Finding_FINDING_READS_TRUE {
			return false
		}
		found = true
	}
	return found
}

func (c Catalogue) plainSure(p float64) string {
	text := c.l.phrases.plainUnsure
	switch {
	case p >= verySureFrom:
		text = c.l.phrases.plainVerySure
	case p >= fairlySureFrom:
		text = c.l.phrases.plainFairlySure
	case p >= likelierFrom:
		text = c.l.phrases.plainLikelier
	}
	return fmt.Sprintf(text, c.Probability(p))
}

// plainOpen says that nothing is certain yet, and what is likeliest where anything is.
func (c Catalogue) plainOpen(a *pb.Assessment, lead *pb.ConditionProbability) []string {
	parts := []string{c.l.phrases.plainOpen}
	switch {
	case a.GetSampleUse().GetUsed() == 0:
		return parts
	case lead.Condition == pb.Condition_CONDITION_UNKNOWN:
		return append(parts, c.l.phrases.plainNothingFits)
	}
	return append(parts, fmt.Sprintf(c.l.phrases.plainSoFar, c.PlainCondition(lead.Condition), c.Probability(lead.Probability)))
}

// plainStep is the advice that comes next. Where something is wrong it is not that another part be left alone, which would be
// heard of the one that is wrong.
func plainStep(a *pb.Assessment, lead *pb.ConditionProbability) *pb.Advice {
	for _, step := range a.GetAdvice() {
		if lead.Condition == pb.Condition_CONDITION_NO_FAULT || step.GetAction() != pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE {
			return step
		}
	}
	return nil
}

func (c Catalogue) plainNext(step *pb.Advice) string {
	if step == nil {
		return ""
	}
	text := c.PlainAction(step.GetAction())
	switch step.GetAction() {
	case pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE, pb.AdviceAction_ADVICE_ACTION_INSPECT:
		switch i := step.GetInspection(); i {
		case pb.Inspection_INSPECTION_UNSPECIFIED:
		case pb.Inspection_INSPECTION_VEHICLE_FACTS:
			return c.l.phrases.plainCorrect
		default:
			return fmt.Sprintf(c.l.phrases.inBrackets, text, c.Inspection(i))
		}
	}
	return text
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
