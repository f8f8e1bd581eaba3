// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
	"github.com/airassay/airassay/server/session"
)

// driven is a session of a vehicle with a whole drive in it, closed where it is to be.
func (f *fixture) driven(s *pb.Session, d *assaytest.Drive, closed bool) *pb.Session {
	f.t.Helper()
	s = f.sessionOf(s)
	w := f.writer(f.capture(s.GetName(), d).GetName(), 0)
	f.pushAll(w, cut(d.Samples, always(2000)))
	if !closed {
		return s
	}
	s, _, err := f.CloseSession(f.t.Context(), shop, s.GetName())
	f.must(err)
	return s
}

// pushed is the assay of a drive that went through no session.
func pushed(t *testing.T, d *assaytest.Drive, facts assay.Facts) *assay.Assay {
	t.Helper()
	a := assay.New(facts)
	if err := a.Declare(0, d.Clock, d.Defs); err != nil {
		t.Fatal(err)
	}
	for _, x := range d.Samples {
		x.Capture, x.UncertaintyUS = 0, -1
		a.Push(x)
	}
	return a
}

// A verdict beside references must not depend on how the samples came or what was in memory.
func TestReferenceSessionsGiveTheSameBytesAsTheSamples(t *testing.T) {
	low := assaytest.Make(assaytest.Spec{Seed: 2, Fault: assaytest.Fault{Gain: -0.15}})
	onEachStore(t, func(t *testing.T, f *fixture) {
		own, other := f.vehicle(), f.vehicle()
		first := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), true)
		second := f.driven(&pb.Session{Vehicle: other.GetName()}, drive(), true)
		s := f.driven(&pb.Session{Vehicle: own.GetName(), ReferenceSessions: []string{first.GetName(), second.GetName()}}, low, false)
		tested := factsOf(s.GetVehicleSnapshot(), nil)
		a := pushed(t, low, tested)
		for i := range 2 {
			f.must(a.Use(pushed(t, drive(), assay.ReferenceFacts(tested, tested)).AsReference(i)))
		}
		want := f.bytes(assessmentOf(a.Assess()))
		f.same("open", f.assess(s.GetName()), want)
		f.restart()
		f.same("after a restart", f.assess(s.GetName()), want)
		_, verdict, err := f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		v, err := f.GetVerdict(t.Context(), shop, verdict)
		f.must(err)
		f.same("closed", f.bytes(v.GetAssessment()), want)
	})
}

func TestReferencesCanBeNamedAfterwards(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	own := f.vehicle()
	ref := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), true)
	s := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), false)
	before := f.assess(s.GetName())
	s.ReferenceSessions = []string{ref.GetName()}
	_, err := f.UpdateSession(t.Context(), shop, s, []string{"reference_sessions"})
	f.must(err)
	v, err := f.AssessSession(t.Context(), shop, s.GetName())
	f.must(err)
	if len(v.GetAssessment().GetReferences()) != 1 {
		t.Error("the reference is not used")
	}
	_, err = f.UpdateSession(t.Context(), shop, &pb.Session{Name: s.GetName()}, []string{"reference_sessions"})
	f.must(err)
	f.same("without references again", f.assess(s.GetName()), before)
}

func TestSessionsThatCannotBeReferencesAreRefused(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	own := f.vehicle()
	v := sedan()
	v.DisplacementL = proto.Float64(1.4)
	small, err := f.CreateVehicle(t.Context(), shop, v, "")
	f.must(err)
	good := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), true)
	open := f.session()
	otherEngine := f.driven(&pb.Session{Vehicle: small.GetName()}, drive(), true)
	for name, x := range map[string]struct {
		names []string
		kind  *session.Error
		text  string
	}{
		"unknown":      {[]string{"sessions/aaaa"}, session.ErrInvalid, "not there"},
		"no name":      {[]string{"aaaa"}, session.ErrInvalid, "expected sessions/"},
		"open":         {[]string{open.GetName()}, session.ErrSessionOpen, "close it"},
		"other engine": {[]string{good.GetName(), otherEngine.GetName()}, session.ErrInvalid, "displacement_l differs"},
		"twice":        {[]string{good.GetName(), good.GetName()}, session.ErrInvalid, "twice"},
		"too many":     {strings.Split(strings.Repeat(good.GetName()+",", 4)+good.GetName(), ","), session.ErrInvalid, "at most 4"},
	} {
		_, err := f.CreateSession(t.Context(), shop, &pb.Session{Vehicle: own.GetName(), ReferenceSessions: x.names}, "")
		if e := details(t, err, x.kind); !strings.Contains(e.Error(), x.text) {
			t.Errorf("%s: %v", name, e)
		}
		s := f.sessionOf(&pb.Session{Vehicle: own.GetName()})
		s.ReferenceSessions = x.names
		_, err = f.UpdateSession(t.Context(), shop, s, []string{"reference_sessions"})
		wantKind(t, err, x.kind)
	}
	// What another shop has is not there.
	theirs, err := f.CreateVehicle(t.Context(), "other", sedan(), "")
	f.must(err)
	_, err = f.CreateSession(t.Context(), "other", &pb.Session{Vehicle: theirs.GetName(), ReferenceSessions: []string{good.GetName()}}, "")
	wantKind(t, err, session.ErrInvalid)
}

func TestComparisonOfSessionsIsThatOfTheirSamples(t *testing.T) {
	low := assaytest.Make(assaytest.Spec{Seed: 2, Fault: assaytest.Fault{Gain: -0.2}})
	onEachStore(t, func(t *testing.T, f *fixture) {
		own := f.vehicle()
		before := f.driven(&pb.Session{Vehicle: own.GetName()}, low, true)
		after := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), true)
		facts := factsOf(after.GetVehicleSnapshot(), nil)
		want := assay.Compare(pushed(t, low, assay.ReferenceFacts(facts, facts)), pushed(t, drive(), facts))
		for range 2 {
			got, err := f.CompareSessions(t.Context(), shop, before.GetName(), after.GetName())
			f.must(err)
			if !reflect.DeepEqual(got, want) || got.Outcome != assay.ComparedRestored {
				t.Fatalf("outcome %d", got.Outcome)
			}
			f.restart()
		}
	})
}

func TestSessionsThatCannotBeComparedAreRefused(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	own := f.vehicle()
	closed := f.driven(&pb.Session{Vehicle: own.GetName()}, drive(), true).GetName()
	open := f.sessionOf(&pb.Session{Vehicle: own.GetName()}).GetName()
	other := f.driven(&pb.Session{Vehicle: f.vehicle().GetName()}, drive(), true).GetName()
	for name, x := range map[string]struct {
		shop, before, after string
		kind                *session.Error
	}{
		"open before":   {shop, open, closed, session.ErrSessionOpen},
		"open after":    {shop, closed, open, session.ErrSessionOpen},
		"unknown":       {shop, closed, "sessions/aaaa", session.ErrNotFound},
		"no name":       {shop, "aaaa", closed, session.ErrInvalid},
		"itself":        {shop, closed, closed, session.ErrInvalid},
		"other vehicle": {shop, closed, other, session.ErrInvalid},
		"other shop":    {"other", closed, closed, session.ErrNotFound},
	} {
		if _, err := f.CompareSessions(t.Context(), x.shop, x.before, x.after); err == nil {
			t.Errorf("%s: compared", name)
		} else {
			wantKind(t, err, x.kind)
		}
	}
}
