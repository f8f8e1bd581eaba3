// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Outcome says what came of a repair, as a clause.
func (c Catalogue) Outcome(code pb.Outcome) string { return lookup(c, c.l.outcomesOf, code, whole) }

// ComparisonConcern says what stands between two drives, as a clause.
func (c Catalogue) ComparisonConcern(code pb.ComparisonConcern) string {
	return lookup(c, c.l.concerns, code, whole)
}

// ComparisonText renders a comparison in the language that fits a BCP 47 tag best.
func ComparisonText(x *pb.Comparison, languageCode string) *pb.VerdictText {
	c := For(languageCode)
	return &pb.VerdictText{LanguageCode: c.LanguageCode(), Headline: c.ComparisonHeadline(x), Summary: c.ComparisonSummary(x)}
}

// ComparisonHeadline is the outcome in one sentence, with what prevents one.
func (c Catalogue) ComparisonHeadline(x *pb.Comparison) string {
	if x == nil {
		return Sentence(c.l.phrases.nothingAssessed)
	}
	text := c.Outcome(x.GetOutcome())
	p, stated := 0.0, true
	switch x.GetOutcome() {
	case pb.Outcome_OUTCOME_RESTORED, pb.Outcome_OUTCOME_PARTLY:
		p = x.GetBetterProbability()
	case pb.Outcome_OUTCOME_UNCHANGED:
		p = x.GetUnchangedProbability()
	case pb.Outcome_OUTCOME_WORSE:
		p = x.GetWorseProbability()
	default:
		stated = false
	}
	if stated {
		return Sentence(fmt.Sprintf(c.l.phrases.inBrackets, text, c.Probability(p)))
	}
	var why []string
	for _, o := range x.GetObstacles() {
		if o.GetPrevents() {
			why = append(why, c.ComparisonConcern(o.GetConcern()))
		}
	}
	if len(why) > 0 {
		text = fmt.Sprintf(c.l.phrases.prevents, text, strings.Join(why, "; "))
	}
	return Sentence(text)
}

// ComparisonSummary is the outcome and its reasons in one paragraph that can be read to a customer.
func (c Catalogue) ComparisonSummary(x *pb.Comparison) string {
	parts := []string{c.ComparisonHeadline(x), c.Deviations(x), c.Repeatability(x)}
	if remaining := c.remaining(x); remaining != "" {
		parts = append(parts, fmt.Sprintf(c.l.phrases.remains, remaining))
	}
	for _, o := range x.GetObstacles() {
		if !o.GetPrevents() {
			parts = append(parts, c.ComparisonConcern(o.GetConcern()))
		}
	}
	var missing []string
	for _, g := range x.GetGaps()[:min(len(x.GetGaps()), 3)] {
		missing = append(missing, c.gapName(g))
	}
	parts = append(parts, c.phraseList(c.l.phrases.wouldHelp, missing))
	var sentences []string
	for _, part := range compact(parts) {
		sentences = append(sentences, Sentence(part))
	}
	return strings.Join(sentences, " ")
}

// Deviations says how far the vehicle was from a sound one before and after, or "".
func (c Catalogue) Deviations(x *pb.Comparison) string {
	if x.GetDeviationBefore() == nil || x.GetDeviationAfter() == nil || x.GetImprovement() == nil {
		return ""
	}
	i := x.GetImprovement()
	return fmt.Sprintf(c.l.phrases.deviation, c.Quantity(x.GetDeviationBefore().GetValuePercent(), "%"), c.Quantity(x.GetDeviationAfter().GetValuePercent(), "%"),
		c.Deviation(i.GetValuePercent(), "%"), c.Range(i.GetLowPercent(), i.GetHighPercent(), "%"))
}

// Repeatability says which change is none, or "" where that is not stated.
func (c Catalogue) Repeatability(x *pb.Comparison) string {
	if !(x.GetRepeatabilityPercent() > 0) {
		return ""
	}
	return fmt.Sprintf(c.l.phrases.repeatability, c.Quantity(x.GetRepeatabilityPercent(), "%"))
}

// remainsFrom is the probability from which a fault after a repair is worth a word.
const remainsFrom = 0.10

// Remaining are the conditions after that are worth a word, no fault left out.
func Remaining(x *pb.Comparison) []*pb.ConditionProbability {
	var out []*pb.ConditionProbability
	for _, p := range x.GetConditionsAfter() {
		if p.GetCondition() != pb.Condition_CONDITION_NO_FAULT && p.GetProbability() >= remainsFrom && len(out) < 3 {
			out = append(out, p)
		}
	}
	return out
}

func (c Catalogue) remaining(x *pb.Comparison) string {
	var names []string
	for _, p := range Remaining(x) {
		names = append(names, fmt.Sprintf(c.l.phrases.conditionSure, c.Condition(p.GetCondition()), c.Probability(p.GetProbability())))
	}
	return strings.Join(names, ", ")
}
