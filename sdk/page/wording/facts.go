// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"strconv"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// FactProposal says what the vehicle implies of a fact, beside what was entered, what that rests on, and that the two
// contradict each other where they do.
func (c Catalogue) FactProposal(f *pb.FactProposal) string {
	f = orEmpty(f)
	implied := c.factValue(f.GetField(), f.GetValue(), f.GetUncertainty())
	if f.GetSource() == pb.FactSource_FACT_SOURCE_METER_SIGNAL {
		implied = c.l.phrases.someMeter
	}
	text := fmt.Sprintf(c.l.phrases.implied, c.Fact(f.GetField()), implied)
	if f.Entered != nil {
		text = fmt.Sprintf(c.l.phrases.enteredImplied, c.Fact(f.GetField()), c.factValue(f.GetField(), f.GetEntered(), 0), implied)
	}
	if f.GetSource() != pb.FactSource_FACT_SOURCE_UNSPECIFIED {
		text = fmt.Sprintf(c.l.phrases.proposalRests, text, c.FactSource(f.GetSource()))
	}
	if f.GetContradictsEntry() {
		text = fmt.Sprintf(c.l.phrases.proposalClashes, text)
	}
	return Sentence(text)
}

// factValue is the value of a field of Vehicle or DayConditions, in words where it is a code.
func (c Catalogue) factValue(field string, value, uncertainty float64) string {
	switch field {
	case "fuel":
		return c.Fuel(pb.Fuel(int32(value)))
	case "aspiration":
		return c.Aspiration(pb.Aspiration(int32(value)))
	case "air_meter":
		return c.AirMeterTechnology(pb.AirMeterTechnology(int32(value)))
	case "banks", "cylinders":
		return c.format(value, 0, false)
	}
	if uncertainty == 0 {
		return c.Quantity(value, factUnits[field])
	}
	return c.Interval(value, uncertainty, factUnits[field], false)
}

// TroubleCode says what a trouble code means and what it makes more probable before the drive.
func (c Catalogue) TroubleCode(u *pb.TroubleCodeUse) string {
	u = orEmpty(u)
	code := u.GetCode()
	if u.GetMeaning() != "" {
		code = fmt.Sprintf(c.l.phrases.codeMeaning, code, u.GetMeaning())
	}
	if len(u.GetFavours()) == 0 {
		return Sentence(fmt.Sprintf(c.l.phrases.codeSilent, code))
	}
	var favours []string
	for _, f := range u.GetFavours() {
		what := c.Condition(f.GetCondition())
		if f.GetCause() != pb.Cause_CAUSE_UNSPECIFIED {
			what = c.Cause(f.GetCause())
		}
		favours = append(favours, fmt.Sprintf(c.l.phrases.codeFavour, what, strconv.FormatFloat(f.GetFactor(), 'g', 3, 64)))
	}
	return Sentence(fmt.Sprintf(c.l.phrases.codeFavours, code, strings.Join(favours, ", ")))
}

// CodesProve says how much trouble codes count.
func (c Catalogue) CodesProve() string { return c.l.phrases.codesProve }
