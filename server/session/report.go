// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"reflect"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// PutVehicleReport keeps in a session, given by its name, what the control units of its vehicle said, in place of what was
// kept before. Where nobody answered now and somebody did before, the older one stays. It gives the report as it is kept.
// Errors: ErrInvalid, ErrNotFound, ErrSessionClosed.
func (m *Manager) PutVehicleReport(ctx context.Context, shop, name string, report *pb.VehicleReport) (*pb.VehicleReport, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("session", "sessions", name)
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, id})
	defer l.release()
	leave, err := take(ctx, l.admin)
	if err != nil {
		return nil, err
	}
	defer leave()
	return l.putReport(ctx, report)
}

// putReport is PutVehicleReport; the caller is in admin.
func (l *live) putReport(ctx context.Context, report *pb.VehicleReport) (*pb.VehicleReport, error) {
	s, f, err := l.m.session(ctx, l.key)
	switch {
	case err != nil:
		return nil, err
	case s.GetState() == pb.SessionState_SESSION_STATE_CLOSED:
		return nil, sessionClosed(l.name())
	case len(report.GetControlUnits()) == 0 && len(s.GetVehicleReport().GetControlUnits()) > 0:
		return s.GetVehicleReport(), nil
	}
	before, said := codesOf(s), saidBy(s.GetVehicleReport())
	s.VehicleReport, s.UpdateTime = proto.CloneOf(report), timestamppb.New(l.m.now())
	fact, err := sessionFact(l.key, s)
	if err != nil {
		return nil, err
	}
	fact.Version = f.Version
	stored, err := store.Update(ctx, l.m.store, fact)
	if err != nil {
		l.changed(nil, true) // It may have been made all the same.
		return nil, l.m.explain(l.name(), err)
	}
	if s, err = sessionOf(stored); err != nil {
		return nil, err
	}
	l.changed(s, !slices.Equal(before, codesOf(s)) || !reflect.DeepEqual(said, saidBy(s.GetVehicleReport())))
	return proto.CloneOf(s.GetVehicleReport()), nil
}

// codesOf lists the trouble codes that a session knows of, each once and in order: those that somebody entered, and those
// that the control units hold as confirmed or pending. A code that is only permanent is of a fault that no control unit
// sees any more.
func codesOf(s *pb.Session) []string {
	codes := slices.Clone(s.GetDayConditions().GetTroubleCodes())
	for _, u := range s.GetVehicleReport().GetControlUnits() {
		for _, c := range u.GetTroubleCodes() {
			if c.GetConfirmed() || c.GetPending() {
				codes = append(codes, c.GetCode())
			}
		}
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

// factsOf translates all that is known of a session's vehicle and day for the assay.
func (m *Manager) factsOf(s *pb.Session) assay.Facts {
	day := s.GetDayConditions()
	if codes := codesOf(s); len(codes) > 0 {
		if day = proto.CloneOf(day); day == nil {
			day = &pb.DayConditions{}
		}
		day.TroubleCodes = codes
	}
	facts := m.facts(s.GetVehicleSnapshot(), day)
	facts.Said = saidBy(s.GetVehicleReport())
	return facts
}

// saidBy is what the control units say of the facts. The first that names a fuel is the engine's.
func saidBy(report *pb.VehicleReport) assay.Said {
	var said assay.Said
	for _, u := range report.GetControlUnits() {
		if said.Fuel == assay.FuelUnspecified {
			said.Fuel = assay.Fuel(u.GetFuel())
		}
		said.Signals = append(said.Signals, u.GetSupportedSignals()...)
	}
	said.Asked = len(said.Signals) > 0
	return said
}
