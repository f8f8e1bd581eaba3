// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

var (
	nameForm = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)
	idForm   = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)
	// versionForm is semantic versioning 2.0.0.
	versionForm = regexp.MustCompile(`^(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?$`)
)

// formChecks look at what the comments of the messages ask for.
func formChecks() []check {
	return []check{
		{Item: core("M1", "the description is well formed", "M1"), needs: needDescribed, run: describedWell},
		{Item: core("M2", "devices are well formed", "M2"), needs: needDevice, run: devicesWell},
		{Item: core("M3", "what is said of an open device is well formed", "M3"), needs: needDevice, run: openedWell},
	}
}

func describedWell(_ context.Context, b *bench) error {
	d := b.about
	const advice = "see the comments of DescribeResponse"
	switch {
	case !nameForm.MatchString(d.GetName()):
		return fails("a name of lower-case letters, digits and hyphens, at most 40", advice, "%q", d.GetName())
	case !versionForm.MatchString(d.GetVersion()):
		return fails("a semantic version, such as 1.4.0", advice, "%q", d.GetVersion())
	case d.GetSummary() == "":
		return fails("a summary", advice, "none")
	case len(d.GetAbilities()) == 0:
		return fails("at least one ability", advice, "none")
	}
	for i, a := range d.GetAbilities() {
		if a != adapterv1beta1.Ability_ABILITY_FEED && a != adapterv1beta1.Ability_ABILITY_LINK || slices.Contains(d.GetAbilities()[:i], a) {
			return fails("ABILITY_FEED, ABILITY_LINK or both", advice, "%v", d.GetAbilities())
		}
	}
	for i, path := range d.GetFeedSignals() {
		if path == "" || slices.Contains(d.GetFeedSignals()[:i], path) {
			return fails("each signal once, by its VSS path", advice, "%q at position %d", path, i)
		}
	}
	return nil
}

func devicesWell(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	devices, err := l.list(ctx)
	if err != nil {
		return unproven("ListDevices ended with %s", describe(err))
	}
	const advice = "see the comments of Device"
	for _, d := range devices {
		if !idForm.MatchString(d.GetId()) {
			return fails("an id of lower-case letters, digits, hyphens and dots, at most 60", advice, "%q", d.GetId())
		}
	}
	return nil
}

func openedWell(ctx context.Context, b *bench) error {
	_, answer, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "see the comments of OpenDeviceResponse"
	if _, known := adapterv1beta1.TimeSource_name[int32(answer.GetTimeSource())]; !known || answer.GetTimeSource() == 0 {
		return fails("a time source", advice, "%s", answer.GetTimeSource())
	}
	if rate := answer.GetMaxRequestsPerS(); !(rate >= 0 && rate < 1e9) { // not so for what is no number either
		return fails("a rate of requests, or 0", advice, "%v", rate)
	}
	return nil
}

// feedProblem says what is wrong with the form of a feed's messages; empty for nothing.
func (r *recording) feedProblem() string {
	var known []*adapterv1beta1.FeedSignal
	for i, a := range r.arrivals {
		switch m := a.message.GetMessage().(type) {
		case *adapterv1beta1.FeedResponse_Subscribed:
			known = m.Subscribed.GetSignals()
			if problem := subscribedProblem(m.Subscribed, r.wanted); problem != "" {
				return problem
			}
		case *adapterv1beta1.FeedResponse_Batch:
			if problem := batchProblem(m.Batch, len(known)); problem != "" {
				return fmt.Sprintf("batch %d: %s", m.Batch.GetSequence(), problem)
			}
		case *adapterv1beta1.FeedResponse_LinkState:
			if m.LinkState.GetCondition() == 0 {
				return "a link state without a condition"
			}
		default:
			return fmt.Sprintf("message %d holds nothing", i+1)
		}
		if i == 0 && a.message.GetSubscribed() == nil {
			return "the first message is not the answer to the subscription"
		}
	}
	return ""
}

func subscribedProblem(s *adapterv1beta1.FeedSubscribed, wanted []string) string {
	answered := map[string]bool{}
	for _, one := range s.GetSignals() {
		switch {
		case one.GetPath() == "" || answered[one.GetPath()]:
			return fmt.Sprintf("the answer to the subscription lists the path %q twice, or empty", one.GetPath())
		case one.GetResolution() < 0 || one.GetTimeUncertaintyUs() < 0 || one.GetRefreshIntervalUs() < 0:
			return fmt.Sprintf("a number of %s is below 0", one.GetPath())
		}
		if vss, known := j1979.ByPath(one.GetPath()); known && !strings.EqualFold(one.GetUnit(), vss.Unit) {
			return fmt.Sprintf("the unit of %s is %q, which in VSS is %q; a host refuses another", one.GetPath(), one.GetUnit(), vss.Unit)
		}
		answered[one.GetPath()] = true
	}
	for _, one := range s.GetUnavailable() {
		if one.GetStatus().GetCode() == 0 {
			return fmt.Sprintf("%s cannot be had, without a status that says why", one.GetPath())
		}
		answered[one.GetPath()] = true
	}
	for _, path := range wanted {
		if !answered[path] {
			return fmt.Sprintf("the answer to the subscription says nothing of %s", path)
		}
	}
	return ""
}

func batchProblem(m *adapterv1beta1.FeedBatch, signals int) string {
	n := len(m.GetValue())
	switch {
	case len(m.GetOffsetUs()) != n || len(m.GetSignal()) != n:
		return fmt.Sprintf("its columns have %d offsets, %d signals and %d values; they must be of equal length", len(m.GetOffsetUs()), len(m.GetSignal()), n)
	case len(m.GetTimeUncertaintyUs()) != 0 && len(m.GetTimeUncertaintyUs()) != n:
		return fmt.Sprintf("its column of uncertainties has %d numbers for %d values; it is empty or as long as the others", len(m.GetTimeUncertaintyUs()), n)
	case n == 0 && m.GetGap() == nil:
		return "it has neither samples nor a gap"
	}
	for i, position := range m.GetSignal() {
		if position < 0 || int(position) >= signals {
			return fmt.Sprintf("a sample is of signal %d, but there are %d", position, signals)
		}
		if v := m.GetValue()[i]; v-v != 0 { // neither a number nor finite
			return fmt.Sprintf("a value is %v", v)
		}
	}
	if gap := m.GetGap(); gap != nil && (gap.GetStartUs() > gap.GetEndUs() || gap.GetReason() == 0) {
		return fmt.Sprintf("its gap from %d to %d µs has the reason %s; it ends after it starts, and has a reason", gap.GetStartUs(), gap.GetEndUs(), gap.GetReason())
	}
	return ""
}
