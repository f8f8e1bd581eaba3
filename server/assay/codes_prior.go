// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// Trouble codes are context: what a control unit suspects, by monitors that are blind to what the assay measures and
// that accuse sound parts often enough. They move what is probable before the drive is looked at, and prove nothing
// [DOMAIN 1.5, 6.4]. A code never makes anything less probable: control units are silent about most faults.

// mostByCodes caps what all codes together multiply a prior by. Without a drive no condition then reaches leaderAt, which
// a firm word needs, and the meter's together stay well below condemnAt: whatever the codes, the drive must still
// speak for it. Codes of one cause also come in company: P0101, P0171 and P0174 are one observation and not three. Trade
// judgement.
const mostByCodes = 5.0

// CodeFavour is what a trouble code makes more probable before the drive is looked at.
type CodeFavour struct {
	Condition Condition
	// Cause within the condition; CauseUnspecified for all.
	Cause Cause
	// Factor on the prior, above 1. All codes together multiply by no more than 5.
	Factor float64
}

// CodeUse is what became of one trouble code.
type CodeUse struct {
	// Code as SAE J2012 writes it.
	Code string
	// Favours is empty where the code says nothing about what is judged here.
	Favours []CodeFavour
}

// codeRule is what codes speak for.
type codeRule struct {
	// codes of which one is enough; with both all are needed.
	codes   []string
	both    bool
	favours []CodeFavour
	// why the factor is what it is: 3 where a monitor looks at just this, 4 where a line's voltage tells, 2 where several
	// causes are as likely.
	why string
}

func favour(factor float64, conditions ...Condition) (fs []CodeFavour) {
	for _, c := range conditions {
		fs = append(fs, CodeFavour{Condition: c, Factor: factor})
	}
	return fs
}

func favourCause(factor float64, c Condition, causes ...Cause) (fs []CodeFavour) {
	for _, cause := range causes {
		fs = append(fs, CodeFavour{Condition: c, Cause: cause, Factor: factor})
	}
	return fs
}

var (
	atTheMeter = []Condition{ConditionMeterReadsLow, ConditionMeterReadsHigh, ConditionMeterSignalFault}
	leanShared = []Condition{ConditionMeterReadsLow, ConditionLeakAfterMeter, ConditionFuelWeak}
	richShared = []Condition{ConditionMeterReadsHigh, ConditionFuelRich}
)

// codeRules are those of DOMAIN 6.4 and others in the same spirit; trade judgement, no published source.
var codeRules = []codeRule{
	{
		codes: []string{"P0101", "P010B"}, favours: favour(3, atTheMeter...),
		why: "the meter does not fit the control unit's model of the air: meter, duct or model",
	},
	{
		codes: []string{"P0100", "P0102", "P0103", "P0104", "P010A", "P010C", "P010D", "P010E"}, favours: favour(4, ConditionMeterSignalFault),
		why: "the meter's line is out of its range or comes and goes",
	},
	{
		codes: []string{"P00BC", "P00BE"}, favours: favour(2, ConditionMeterReadsLow, ConditionLeakAfterMeter, ConditionIntakeRestricted),
		why: "less metered flow than expected",
	},
	{
		codes: []string{"P00BD", "P00BF", "P010F"}, favours: favour(2, ConditionMeterReadsHigh),
		why: "more metered flow than expected, or two meters that do not agree",
	},
	{
		codes: []string{"P0068", "P006A"}, favours: favour(2, ConditionMeterReadsLow, ConditionMeterReadsHigh, ConditionLeakAfterMeter, ConditionManifoldPressureFault),
		why: "air flow, manifold pressure and throttle do not fit each other",
	},
	{
		codes: []string{"P0171", "P0174"}, both: true, favours: favour(2, leanShared...),
		why: "both banks are lean: a cause that they share",
	},
	{
		codes: []string{"P0172", "P0175"}, both: true, favours: favour(2, richShared...),
		why: "both banks are rich: a cause that they share",
	},
	{
		codes: []string{"P2187", "P2189"}, favours: favour(3, ConditionLeakAfterMeter),
		why: "lean at idle: false air is the larger share the less air is drawn",
	},
	{codes: []string{"P2279"}, favours: favour(3, ConditionLeakAfterMeter), why: "the control unit computes false air"},
	{codes: []string{"P0507"}, favours: favour(1.5, ConditionLeakAfterMeter), why: "false air raises the idle, as much else does"},
	{
		codes: []string{"P2177", "P2179", "P2191", "P2193"}, favours: favour(2, ConditionMeterReadsLow, ConditionFuelWeak),
		why: "lean off idle: too small a reading or too little fuel",
	},
	{
		codes: []string{"P2178", "P2180", "P2188", "P2190", "P2192", "P2194"}, favours: favour(2, richShared...),
		why: "rich: too large a reading or too much fuel",
	},
	{
		codes: []string{"P0110", "P0112", "P0113", "P0114", "P0095", "P0097", "P0098", "P0099"}, favours: favour(4, ConditionAirTemperatureFault),
		why: "the sensor's line is open, shorted or comes and goes",
	},
	{
		codes: []string{"P0111", "P0096", "P011B", "P011C"}, favours: favour(3, ConditionAirTemperatureFault),
		why: "the temperature does not fit the others after a rest, or does not move",
	},
	{
		codes: []string{"P0105", "P0107", "P0108", "P0109"}, favours: favour(4, ConditionManifoldPressureFault),
		why: "the sensor's line is out of its range or comes and goes",
	},
	{codes: []string{"P0106"}, favours: favour(3, ConditionManifoldPressureFault), why: "the pressure does not fit the control unit's model"},
	{
		codes: []string{"P0069"}, favours: favour(2, ConditionManifoldPressureFault, ConditionBarometerFault),
		why: "the two pressures differ with the engine at rest",
	},
	{
		codes: []string{"P2226", "P2227", "P2228", "P2229", "P2230"}, favours: favour(3, ConditionBarometerFault),
		why: "the barometer's line or reading is out of what it can be",
	},
	{
		codes: []string{"P0299"}, favours: favourCause(3, ConditionMeterReadsHigh, CauseChargeAirLost),
		why: "less boost than wanted: charge air that was metered gets lost, as one cause among others",
	},
	{
		codes: []string{"P0087"}, favours: append(favourCause(3, ConditionFuelWeak, CauseFuelDeliveryLimit), favourCause(2, ConditionFuelWeak, CauseFuelPressureLow)...),
		why: "rail pressure falls short, mostly where much fuel is drawn",
	},
	{codes: []string{"P0088"}, favours: favourCause(3, ConditionFuelRich, CauseFuelPressureHigh), why: "rail pressure is too high"},
	{
		codes: []string{"P2119", "P2135", "P0121", "P0122", "P0123", "P0221", "P0222", "P0223"}, favours: favour(3, ConditionThrottleLimited),
		why: "plate or its sensors: many control units then hold the plate back",
	},
	{codes: []string{"P0016", "P0017", "P0018", "P0019"}, favours: favourCause(3, ConditionUnknown, CauseValveTiming), why: "crankshaft and camshaft do not fit"},
	{codes: []string{"P0402"}, favours: favourCause(2, ConditionUnknown, CauseRecirculationLeaks), why: "more recirculation than wanted"},
	{
		codes: []string{"P0441", "P0496"}, favours: favourCause(2, ConditionLeakAfterMeter, CausePurgeOrCrankcaseFlow),
		why: "flow from the tank where none is wanted",
	},
}

// mixtureOfOneBank are lean and rich codes of one bank. On an engine with a second bank that is silent they are no shared
// cause; on one with a single bank the code of the bank is that of the engine.
var mixtureOfOneBank = []struct {
	first, second string
	shared        []Condition
}{{"P0171", "P0174", leanShared}, {"P0172", "P0175", richShared}}

// codeUses lists the codes that are known, in order and each once, with what they speak for.
func (a *Assay) codeUses() []CodeUse {
	codes := slices.Clone(a.facts.Codes)
	slices.Sort(codes)
	codes = slices.Compact(codes)
	uses := make([]CodeUse, len(codes))
	for i, c := range codes {
		uses[i] = CodeUse{Code: c, Favours: a.codeFavours(codes, c)}
	}
	return uses
}

func (a *Assay) codeFavours(codes []string, code string) (fs []CodeFavour) {
	has := func(c string) bool { return slices.Contains(codes, c) }
	for i := range codeRules {
		rule := &codeRules[i]
		if slices.Contains(rule.codes, code) && (!rule.both || has(rule.codes[0]) && has(rule.codes[1])) {
			fs = append(fs, rule.favours...)
		}
	}
	for _, m := range mixtureOfOneBank {
		switch {
		case code != m.first && code != m.second || has(m.first) && has(m.second):
		case a.hasTwoBanks():
			fs = append(fs, favourCause(2, ConditionUnknown, CauseOneBank)...)
		default:
			fs = append(fs, favour(2, m.shared...)...)
		}
	}
	return fs
}

func (a *Assay) hasTwoBanks() bool {
	return a.tracks[sigShortTrim2].seen() || a.tracks[sigLongTrim2].seen() || a.facts.Banks >= 2
}

// weighByCodes moves the priors by trouble codes. Codes that say the same thing count once.
func (a *Assay) weighByCodes(hs []hypothesis) {
	uses := a.codeUses()
	if len(uses) == 0 {
		return
	}
	for i := range hs {
		hs[i].prior *= factorByCodes(uses, hs[i].condition, hs[i].cause)
	}
}

// factorByCodes is what all codes together multiply the prior of a cause by.
func factorByCodes(uses []CodeUse, condition Condition, cause Cause) float64 {
	product := 1.0
	var counted []CodeFavour
	for _, u := range uses {
		for _, f := range u.Favours {
			if f.Condition != condition || f.Cause != CauseUnspecified && f.Cause != cause || slices.Contains(counted, f) {
				continue
			}
			counted = append(counted, f)
			product *= f.Factor
		}
	}
	return math.Min(product, mostByCodes)
}
