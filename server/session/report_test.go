// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

func said(codes ...*pb.TroubleCode) *pb.VehicleReport {
	return &pb.VehicleReport{
		ReadTime: timestamppb.Now(), Device: "adapters/bench/devices/one",
		ControlUnits: []*pb.ControlUnit{{Address: "7E8", Vin: "0AS1234567T000001", TroubleCodes: codes}},
	}
}

func TestAVehicleReportSurvivesARestartAndIsOfItsShopAlone(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		s := f.session()
		want := said(&pb.TroubleCode{Code: "P0101", Confirmed: true})
		kept, err := f.PutVehicleReport(t.Context(), shop, s.GetName(), want)
		f.must(err)
		if !proto.Equal(kept, want) {
			t.Errorf("kept %v, want %v", kept, want)
		}
		_, err = f.PutVehicleReport(t.Context(), "elsewhere", s.GetName(), want)
		wantKind(t, err, session.ErrNotFound)
		f.restart()
		got, err := f.GetSession(t.Context(), shop, s.GetName())
		f.must(err)
		if !proto.Equal(got.GetVehicleReport(), want) || got.GetEtag() == s.GetEtag() {
			t.Errorf("after a restart the session holds %v", got)
		}
		_, err = f.PutVehicleReport(t.Context(), shop, s.GetName(), &pb.VehicleReport{Unread: []*pb.UnreadItem{{}}})
		f.must(err)
		if got, err = f.GetSession(t.Context(), shop, s.GetName()); err != nil || !proto.Equal(got.GetVehicleReport(), want) {
			t.Errorf("a reading that nobody answered left %v (%v)", got, err)
		}
		_, _, err = f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		_, err = f.PutVehicleReport(t.Context(), shop, s.GetName(), want)
		wantKind(t, err, session.ErrSessionClosed)
	})
}

func TestACallerCannotWriteAReport(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.sessionOf(&pb.Session{Vehicle: f.vehicle().GetName(), VehicleReport: said()})
	if s.GetVehicleReport() != nil {
		t.Error("a caller's report was taken with the session")
	}
	s.VehicleReport = said()
	_, err := f.UpdateSession(t.Context(), shop, s, []string{"vehicle_report"})
	wantKind(t, err, session.ErrInvalid)
	got, err := f.UpdateSession(t.Context(), shop, s, nil)
	f.must(err)
	if got.GetVehicleReport() != nil {
		t.Error("a caller's report was taken with an update")
	}
}

func TestTroubleCodesMustBeThoseOfSAEJ2012(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	vehicle := f.vehicle().GetName()
	many := slices.Repeat([]string{"P0101"}, 101)
	for text, codes := range map[string][]string{
		"such as P0101": {"p0101"}, "trouble_codes[1]": {"P0101", "P0101"}, "at most 100": many, `""`: {""}, "P4000": {"P4000"},
	} {
		_, err := f.CreateSession(t.Context(), shop, &pb.Session{Vehicle: vehicle, DayConditions: &pb.DayConditions{TroubleCodes: codes}}, "")
		if e := details(t, err, session.ErrInvalid); !strings.Contains(e.Error(), text) {
			t.Errorf("%v: %v, want %q", codes[:1], e, text)
		}
	}
	s := f.sessionOf(&pb.Session{Vehicle: vehicle, DayConditions: &pb.DayConditions{TroubleCodes: []string{"P0101", "U3FFF"}}})
	s, err := f.UpdateSession(t.Context(), shop, &pb.Session{Name: s.GetName(), DayConditions: &pb.DayConditions{TroubleCodes: []string{"P0171"}}}, []string{"day_conditions.trouble_codes"})
	f.must(err)
	if got := s.GetDayConditions().GetTroubleCodes(); !slices.Equal(got, []string{"P0171"}) {
		t.Errorf("the update left %v", got)
	}
}
