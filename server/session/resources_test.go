// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

const requestID = "b4a3c2d1-0000-4000-8000-000000000001"

func TestRepeatOfACreateMakesNothingNew(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		v1, err := f.CreateVehicle(ctx, shop, sedan(), requestID)
		f.must(err)
		v2, err := f.CreateVehicle(ctx, shop, sedan(), strings.ToUpper(requestID))
		f.must(err)
		if !proto.Equal(v1, v2) {
			t.Errorf("the repeat gave %v, the first call %v", v2, v1)
		}
		other := sedan()
		other.DisplayName = "red one"
		_, err = f.CreateVehicle(ctx, shop, other, requestID)
		wantKind(t, err, session.ErrRequestIDReused)
		if _, err = f.CreateVehicle(ctx, "elsewhere", other, requestID); err != nil {
			t.Errorf("another shop's request id is not free: %v", err)
		}
		s1, err := f.CreateSession(ctx, shop, &pb.Session{Vehicle: v1.GetName()}, requestID)
		f.must(err)
		s2, err := f.CreateSession(ctx, shop, &pb.Session{Vehicle: v1.GetName()}, requestID)
		f.must(err)
		c1, err := f.CreateCapture(ctx, shop, s1.GetName(), meter(), requestID)
		f.must(err)
		_, _, err = f.CloseSession(ctx, shop, s1.GetName())
		f.must(err)
		c2, err := f.CreateCapture(ctx, shop, s1.GetName(), meter(), requestID)
		f.must(err)
		if s1.GetName() != s2.GetName() || c1.GetName() != c2.GetName() {
			t.Errorf("repeats made %s beside %s, %s beside %s", s2.GetName(), s1.GetName(), c2.GetName(), c1.GetName())
		}
		r1, err := f.ReassessSession(ctx, shop, s1.GetName(), requestID)
		f.must(err)
		r2, err := f.ReassessSession(ctx, shop, s1.GetName(), requestID)
		f.must(err)
		all, _, err := f.ListVerdicts(ctx, shop, s1.GetName(), session.ListOptions{})
		f.must(err)
		if !proto.Equal(r1, r2) || len(all) != 2 {
			t.Errorf("two reassessments with one request id, %d verdicts instead of 2", len(all))
		}
	})
}

func meter() *pb.Capture {
	return &pb.Capture{
		Clock:   pb.ClockKind_CLOCK_KIND_HOST,
		Signals: []*pb.SignalDefinition{{Path: "Vehicle.OBD.MAF", Unit: "g/s"}, {Path: "Vehicle.Own.Thing", Unit: "furlong"}},
	}
}

func TestRepeatsAtTheSameTimeMakeOneVehicle(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		names := make([]string, 16)
		var wg sync.WaitGroup
		for i := range names {
			wg.Go(func() {
				v, err := f.CreateVehicle(t.Context(), shop, sedan(), requestID)
				if err != nil {
					t.Error(err)
				}
				names[i] = v.GetName()
			})
		}
		wg.Wait()
		if slices.Sort(names); names[0] != names[len(names)-1] {
			t.Errorf("one request made %v", slices.Compact(names))
		}
	})
}

func TestPagesHoldEverySessionOnce(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		a, b := f.vehicle(), f.vehicle()
		var want []string
		for i := range 25 {
			v, reference := a, "even"
			if i%2 == 1 {
				v, reference = b, "odd"
			}
			s := f.sessionOf(&pb.Session{Vehicle: v.GetName(), ExternalReference: reference})
			if i%2 == 1 {
				want = append(want, s.GetName())
			}
			if i == 3 {
				_, _, err := f.CloseSession(ctx, shop, s.GetName())
				f.must(err)
				want = want[:1]
			}
		}
		filter := `state = OPEN AND vehicle="` + b.GetName() + `" AND external_reference = "odd"`
		var got []string
		o := session.ListOptions{PageSize: 4, Filter: filter}
		for {
			page, next, err := f.ListSessions(ctx, shop, o)
			f.must(err)
			for _, s := range page {
				got = append(got, s.GetName())
			}
			if next == "" {
				break
			}
			f.sessionOf(&pb.Session{Vehicle: a.GetName()})
			o.PageToken = next
		}
		if !slices.Equal(got, want) {
			t.Errorf("pages hold %v, want %v", got, want)
		}
		_, token, err := f.ListSessions(ctx, shop, session.ListOptions{PageSize: 1})
		f.must(err)
		for name, o := range map[string]session.ListOptions{
			"of another filter": {PageToken: token, Filter: "state = OPEN"},
			"made up":           {PageToken: "abc"},
			"damaged":           {PageToken: token[:len(token)-2] + "zz", Filter: "state=CLOSED"},
		} {
			if _, _, err := f.ListSessions(ctx, shop, o); err == nil {
				t.Errorf("a token %s was taken", name)
			} else {
				wantKind(t, err, session.ErrPageToken)
			}
		}
		_, _, err = f.ListVehicles(ctx, shop, session.ListOptions{PageToken: token})
		wantKind(t, err, session.ErrPageToken)
		_, _, err = f.ListSessions(ctx, shop, session.ListOptions{PageSize: session.MaxPageSize + 1})
		wantKind(t, err, session.ErrInvalid)
	})
}

func TestUpdateTouchesWhatTheMaskNames(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		v := f.vehicle()
		f.clock.advance(time.Second)
		changed, err := f.UpdateVehicle(ctx, shop, &pb.Vehicle{Name: v.GetName(), Etag: v.GetEtag(), Cylinders: proto.Int32(6)}, []string{"cylinders", "display_name"})
		f.must(err)
		want := proto.CloneOf(v)
		want.Cylinders, want.DisplayName, want.Etag, want.UpdateTime = proto.Int32(6), "", changed.GetEtag(), changed.GetUpdateTime()
		if !proto.Equal(changed, want) || changed.GetEtag() == v.GetEtag() || !changed.GetUpdateTime().AsTime().After(v.GetUpdateTime().AsTime()) {
			t.Errorf("got %v, want %v with another etag and a later time", changed, want)
		}
		_, err = f.UpdateVehicle(ctx, shop, v, []string{"cylinders"})
		wantKind(t, err, session.ErrEtagMismatch)
		wantKind(t, f.DeleteVehicle(ctx, shop, v.GetName(), v.GetEtag()), session.ErrEtagMismatch)
		for _, path := range []string{"name", "create_time", "wheels", "cylinders.count", "", "*"} {
			_, err = f.UpdateVehicle(ctx, shop, &pb.Vehicle{Name: v.GetName()}, []string{path, "fuel"})
			wantKind(t, err, session.ErrInvalid)
		}
		all, err := f.UpdateVehicle(ctx, shop, &pb.Vehicle{Name: v.GetName(), DisplayName: "bare"}, nil)
		f.must(err)
		if all.GetDisplayName() != "bare" || all.Cylinders != nil || all.GetCreateTime() == nil {
			t.Errorf("an empty mask replaces what a caller may set and nothing else, got %v", all)
		}
	})
}

func TestUpdateOfASessionReachesIntoTheDayAndNotBeyond(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	ctx := t.Context()
	s := f.sessionOf(&pb.Session{Vehicle: f.vehicle().GetName(), DayConditions: &pb.DayConditions{AltitudeM: proto.Float64(430), Complaint: "weak"}})
	u := &pb.Session{Name: s.GetName(), SecondPersonConfirmed: true, DayConditions: &pb.DayConditions{AmbientC: proto.Float64(12)}}
	got, err := f.UpdateSession(ctx, shop, u, []string{"day_conditions.ambient_c", "second_person_confirmed"})
	f.must(err)
	if d := got.GetDayConditions(); d.GetAmbientC() != 12 || d.GetAltitudeM() != 430 || d.GetComplaint() != "weak" || !got.GetSecondPersonConfirmed() {
		t.Errorf("got %v", got)
	}
	for _, path := range []string{"vehicle", "state", "day_conditions.inspections.outcome", "vehicle_snapshot.fuel"} {
		_, err = f.UpdateSession(ctx, shop, u, []string{path})
		wantKind(t, err, session.ErrInvalid)
	}
	_, _, err = f.CloseSession(ctx, shop, s.GetName())
	f.must(err)
	_, err = f.UpdateSession(ctx, shop, u, nil)
	wantKind(t, err, session.ErrSessionClosed)
}

func TestUpdatesWithoutEtagAreNotLost(t *testing.T) {
	f := newFixture(t, "sqlite", session.Limits{})
	v := f.vehicle()
	var wg sync.WaitGroup
	for _, field := range []string{"banks", "cylinders", "valves_per_cylinder"} {
		wg.Go(func() {
			u := &pb.Vehicle{Name: v.GetName(), Banks: proto.Int32(2), Cylinders: proto.Int32(8), ValvesPerCylinder: proto.Int32(3)}
			if _, err := f.UpdateVehicle(t.Context(), shop, u, []string{field}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	got, err := f.GetVehicle(t.Context(), shop, v.GetName())
	f.must(err)
	if got.GetBanks() != 2 || got.GetCylinders() != 8 || got.GetValvesPerCylinder() != 3 {
		t.Errorf("one of three changes is lost: %v", got)
	}
}

func TestVehicleOfASessionStays(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		for range 20 {
			v := f.vehicle()
			var wg sync.WaitGroup
			var created, deleted error
			wg.Go(func() { _, created = f.CreateSession(ctx, shop, &pb.Session{Vehicle: v.GetName()}, "") })
			wg.Go(func() { deleted = f.DeleteVehicle(ctx, shop, v.GetName(), "") })
			wg.Wait()
			if created == nil {
				wantKind(t, deleted, session.ErrVehicleHasSessions)
			} else {
				wantKind(t, created, session.ErrNotFound)
				f.must(deleted)
			}
		}
	})
}

func TestSessionKeepsTheFactsOfItsVehicle(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	u := &pb.Vehicle{Name: s.GetVehicle(), DisplacementL: proto.Float64(3)}
	_, err := f.UpdateVehicle(t.Context(), shop, u, []string{"displacement_l"})
	f.must(err)
	got, err := f.GetSession(t.Context(), shop, s.GetName())
	f.must(err)
	if got.GetVehicleSnapshot().GetDisplacementL() != 2 {
		t.Errorf("the session's vehicle has %v litres; it had 2 when the session began", got.GetVehicleSnapshot().GetDisplacementL())
	}
}

func TestAnotherShopFindsNothing(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	ctx := t.Context()
	s := f.session()
	c := f.capture(s.GetName(), drive())
	_, verdict, err := f.CloseSession(ctx, shop, s.GetName())
	f.must(err)
	const other = "elsewhere"
	for what, call := range map[string]func() error{
		"GetVehicle": func() error { _, err := f.GetVehicle(ctx, other, s.GetVehicle()); return err },
		"UpdateVehicle": func() error {
			_, err := f.UpdateVehicle(ctx, other, &pb.Vehicle{Name: s.GetVehicle()}, nil)
			return err
		},
		"DeleteVehicle": func() error { return f.DeleteVehicle(ctx, other, s.GetVehicle(), "") },
		"CreateSession": func() error {
			_, err := f.CreateSession(ctx, other, &pb.Session{Vehicle: s.GetVehicle()}, "")
			return err
		},
		"GetSession":      func() error { _, err := f.GetSession(ctx, other, s.GetName()); return err },
		"UpdateSession":   func() error { _, err := f.UpdateSession(ctx, other, &pb.Session{Name: s.GetName()}, nil); return err },
		"CloseSession":    func() error { _, _, err := f.CloseSession(ctx, other, s.GetName()); return err },
		"CreateCapture":   func() error { _, err := f.CreateCapture(ctx, other, s.GetName(), meter(), ""); return err },
		"GetCapture":      func() error { _, err := f.GetCapture(ctx, other, c.GetName()); return err },
		"ListCaptures":    func() error { _, _, err := f.ListCaptures(ctx, other, s.GetName(), session.ListOptions{}); return err },
		"FinishCapture":   func() error { _, err := f.FinishCapture(ctx, other, c.GetName()); return err },
		"OpenWriter":      func() error { _, err := f.OpenWriter(ctx, other, c.GetName(), 0); return err },
		"AssessSession":   func() error { _, err := f.AssessSession(ctx, other, s.GetName()); return err },
		"GetVerdict":      func() error { _, err := f.GetVerdict(ctx, other, verdict); return err },
		"ListVerdicts":    func() error { _, _, err := f.ListVerdicts(ctx, other, s.GetName(), session.ListOptions{}); return err },
		"ReassessSession": func() error { _, err := f.ReassessSession(ctx, other, s.GetName(), ""); return err },
		"WatchSamples":    func() error { return firstError(f.WatchSamples(ctx, other, c.GetName(), 0)) },
		"WatchProgress":   func() error { return firstError(f.WatchProgress(ctx, other, s.GetName())) },
		"WatchVerdict":    func() error { return firstError(f.WatchVerdict(ctx, other, s.GetName())) },
	} {
		t.Run(what, func(t *testing.T) { wantKind(t, call(), session.ErrNotFound) })
	}
	if n := f.Stats(); n.Sessions > n.Assays || n.Writers != 0 || n.Watchers != 0 {
		t.Errorf("what was not found is still in memory: %+v", n)
	}
}

func firstError[S any](states func(func(S, error) bool)) (first error) {
	for _, err := range states {
		if err != nil {
			return err
		}
	}
	return nil
}

func TestEveryBrokenFieldIsNamed(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	ctx := t.Context()
	v := f.vehicle()
	s := f.session()
	nan := 0.0
	nan /= nan
	vehicle := func(v *pb.Vehicle) error { _, err := f.CreateVehicle(ctx, shop, v, ""); return err }
	day := func(d *pb.DayConditions) error {
		_, err := f.CreateSession(ctx, shop, &pb.Session{Vehicle: v.GetName(), DayConditions: d}, "")
		return err
	}
	signals := func(s ...*pb.SignalDefinition) *pb.Capture {
		return &pb.Capture{Clock: pb.ClockKind_CLOCK_KIND_HOST, Signals: s}
	}
	capture := func(c *pb.Capture) error { _, err := f.CreateCapture(ctx, shop, s.GetName(), c, ""); return err }
	for _, c := range []struct {
		err  error
		want []string
	}{
		{vehicle(&pb.Vehicle{DisplacementL: proto.Float64(31), Cylinders: proto.Int32(0)}), []string{"displacement_l", "cylinders"}},
		{vehicle(&pb.Vehicle{DisplacementL: new(nan)}), []string{"displacement_l"}},
		{vehicle(&pb.Vehicle{Fuel: 99, DisplayName: strings.Repeat("ä", 201), ExternalReference: "a\x00"}), []string{"display_name", "fuel", "external_reference"}},
		{day(&pb.DayConditions{AltitudeM: proto.Float64(-500), Complaint: strings.Repeat("x", 2001)}), []string{"day_conditions.altitude_m", "day_conditions.complaint"}},
		{day(&pb.DayConditions{Inspections: []*pb.InspectionResult{{Inspection: 1}, {Inspection: 77, Outcome: 1}}}), []string{"day_conditions.inspections[0].outcome", "day_conditions.inspections[1].inspection"}},
		{day(&pb.DayConditions{Inspections: make([]*pb.InspectionResult, 101)}), []string{"day_conditions.inspections"}},
		{capture(signals()), []string{"signals"}},
		{capture(signals(&pb.SignalDefinition{}, nil)), []string{"signals[0].path", "signals[1].path"}},
		{capture(signals(&pb.SignalDefinition{Path: "Vehicle.X", Resolution: new(nan), TimeUncertaintyUs: -1, RefreshIntervalUs: proto.Int64(0)})), []string{"signals[0].resolution", "signals[0].time_uncertainty_us", "signals[0].refresh_interval_us"}},
		{capture(&pb.Capture{Signals: meter().GetSignals()}), []string{"clock"}},
		{capture(&pb.Capture{Signals: meter().GetSignals(), Clock: 9}), []string{"clock"}},
	} {
		var got []string
		for _, v := range details(t, c.err, session.ErrInvalid).Violations {
			got = append(got, v.Field)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%v names %v, want %v", c.err, got, c.want)
		}
	}
	e := details(t, capture(signals(&pb.SignalDefinition{Path: "Vehicle.Y"}, &pb.SignalDefinition{Path: "Vehicle.OBD.MAF", Unit: "kg/h"})), session.ErrWrongUnit)
	if e.Metadata["expected_unit"] != "g/s" || len(e.Violations) != 1 || e.Violations[0].Field != "signals[1].unit" {
		t.Errorf("the wrong unit is told as %v, %v", e.Metadata, e.Violations)
	}
	if err := capture(signals(&pb.SignalDefinition{Path: "Vehicle.OBD.CoolantTemperature", Unit: "Celsius"}, &pb.SignalDefinition{Path: "Vehicle.OBD.IntakeTemp", Unit: "celsius"})); err != nil {
		t.Errorf("both spellings of Celsius are fine: %v", err)
	}
}

func TestNamesOfOtherShapesAreRefused(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	for _, name := range []string{"", "vehicles/", "vehicles/A", "vehicles/a/b", "sessions/a", "vehicles/" + strings.Repeat("a", 41), "vehicles/ä", "a"} {
		_, err := f.GetVehicle(t.Context(), shop, name)
		wantKind(t, err, session.ErrInvalid)
	}
	for _, name := range []string{"", "sessions/a", "sessions/a/captures/", "sessions//captures/a", "sessions/a/verdicts/b", "sessions/a/captures/b/c"} {
		_, err := f.GetCapture(t.Context(), shop, name)
		wantKind(t, err, session.ErrInvalid)
	}
}

func TestSessionHoldsALimitedNumberOfCaptures(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	for i := range session.MaxCaptures {
		_, err := f.CreateCapture(t.Context(), shop, s.GetName(), meter(), fmt.Sprint(i))
		f.must(err)
	}
	_, err := f.CreateCapture(t.Context(), shop, s.GetName(), meter(), "")
	if e := details(t, err, session.ErrTooMany); e.Int("limit") != session.MaxCaptures {
		t.Errorf("metadata %v", e.Metadata)
	}
}
