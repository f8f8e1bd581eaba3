// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"slices"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// progressOf lays out how far a drive has come. Where neither a second person nor a dynamometer was
// confirmed it holds nothing that asks for a full-load pull, and held tells whether something did: a pull is
// driven at the limit of the road and the car, and whoever drives it cannot read a screen.
func progressOf(a *pb.Assessment, latestUS int64, confirmed bool) (p *pb.SessionProgress, held bool) {
	p = &pb.SessionProgress{
		LatestTimeUs: latestUS,
		Manoeuvres:   a.GetManoeuvres(),
		Gaps:         a.GetGaps(),
		Next:         a.GetAdvice(),
		Conditions:   a.GetConditions(),
		Conclusive:   a.GetConclusive(),
		SampleUse:    a.GetSampleUse(),
		NextTests:    a.GetNextTests(),
	}
	if confirmed {
		return p, false
	}
	var heldGaps, heldTests, heldAdvice bool
	p.Gaps, heldGaps = withoutPulls(a.GetGaps())
	p.NextTests, heldTests = withoutPullTests(a.GetNextTests())
	p.Next, heldAdvice = withoutPullAdvice(a.GetAdvice(), wantedDrives(p))
	return p, heldGaps || heldTests || heldAdvice
}

// wantedDrives are the drives that promise something, and then those that the gaps ask for.
func wantedDrives(p *pb.SessionProgress) (kinds []pb.ManoeuvreKind) {
	for _, t := range p.GetNextTests() {
		kinds = append(kinds, t.GetManoeuvre())
	}
	for _, g := range p.GetGaps() {
		kinds = append(kinds, g.GetManoeuvre())
	}
	return kinds
}

func withoutPullTests(tests []*pb.NextTest) (out []*pb.NextTest, held bool) {
	for _, t := range tests {
		if t.GetManoeuvre() != pull {
			out = append(out, t)
		}
	}
	return out, len(out) < len(tests)
}

const pull = pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL

// withoutPulls keeps the facts that are missing, but names no pull, and puts what only a pull would supply last.
func withoutPulls(gaps []*pb.Gap) (out []*pb.Gap, held bool) {
	var last []*pb.Gap
	for _, g := range gaps {
		if g.GetManoeuvre() != pull {
			out = append(out, g)
			continue
		}
		last = append(last, &pb.Gap{Kind: g.GetKind(), Inspection: g.GetInspection(), Signal: g.GetSignal()})
	}
	return append(out, last...), len(last) > 0
}

// withoutPullAdvice leaves out the advice to drive a pull; the first of the wanted drives stands in for it where no
// other drive is advised. A retest after a cleaning stays, and names no manoeuvre.
func withoutPullAdvice(advice []*pb.Advice, wanted []pb.ManoeuvreKind) (out []*pb.Advice, held bool) {
	var instead *pb.Advice
	for _, a := range advice {
		switch {
		case a.GetManoeuvre() != pull:
			out = append(out, a)
		case a.GetAction() == pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN:
			held = true
			if instead = otherDrive(a, wanted); instead != nil {
				out = append(out, instead)
			}
		default:
			held = true
			out = append(out, withoutManoeuvre(a))
		}
	}
	drives := func(a *pb.Advice) bool {
		return a != instead && a.GetAction() == pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN
	}
	if instead != nil && slices.ContainsFunc(out, drives) {
		out = slices.DeleteFunc(out, func(a *pb.Advice) bool { return a == instead })
	}
	return out, held
}

func withoutManoeuvre(a *pb.Advice) *pb.Advice {
	return &pb.Advice{
		Action: a.GetAction(), Sensor: a.GetSensor(), Bank: a.GetBank(), Inspection: a.GetInspection(),
		Condition: a.GetCondition(), ExpectedRegret: a.GetExpectedRegret(), Cautions: a.GetCautions(),
	}
}

// otherDrive is the first wanted drive that is no pull; nil where there is none.
func otherDrive(a *pb.Advice, wanted []pb.ManoeuvreKind) *pb.Advice {
	for _, k := range wanted {
		if k != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED && k != pull {
			other := withoutManoeuvre(a)
			other.Manoeuvre, other.Cautions = k, driveCautions(k)
			return other
		}
	}
	return nil
}

// driveCautions are what to mind in a drive that takes the place of a pull. On the road somebody else reads the
// screen, at any load.
func driveCautions(k pb.ManoeuvreKind) []pb.Caution {
	out := []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST}
	switch k {
	case pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE, pb.ManoeuvreKind_MANOEUVRE_KIND_HIGH_LOAD, pb.ManoeuvreKind_MANOEUVRE_KIND_OVERRUN:
		return append(out, pb.Caution_CAUTION_SECOND_PERSON, pb.Caution_CAUTION_STOP_ON_WARNING)
	case pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE, pb.ManoeuvreKind_MANOEUVRE_KIND_RAISED_IDLE, pb.ManoeuvreKind_MANOEUVRE_KIND_SNAP:
		return append(out, pb.Caution_CAUTION_EXHAUST_EXTRACTION, pb.Caution_CAUTION_HOT_AND_MOVING_PARTS)
	}
	return out
}

// ofOne gives each watcher a message of its own to fill in the prompt.
func ofOne(p *pb.SessionProgress) *pb.SessionProgress {
	return &pb.SessionProgress{
		LatestTimeUs: p.GetLatestTimeUs(), Manoeuvres: p.GetManoeuvres(), Gaps: p.GetGaps(), Next: p.GetNext(),
		Conditions: p.GetConditions(), Conclusive: p.GetConclusive(), SampleUse: p.GetSampleUse(),
		NextTests: p.GetNextTests(),
	}
}
