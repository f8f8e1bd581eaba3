// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

func vehicleKey(shop, id string) store.Key { return store.Key{Shop: shop, Kind: kindVehicle, ID: id} }

func vehicleOf(f store.Fact) (*pb.Vehicle, error) {
	v := new(pb.Vehicle)
	err := decode(vehicleName(f.ID), f, v)
	v.Etag = etagOf(f)
	return v, err
}

func vehicleFact(shop, id string, v *pb.Vehicle) (store.Fact, error) {
	v.Name, v.Etag = vehicleName(id), ""
	blob, err := encode(v)
	return store.Fact{Key: vehicleKey(shop, id), Reference: v.GetExternalReference(), Blob: blob}, err
}

// CreateVehicle stores a vehicle. A repeat with the same requestID and body gives the
// vehicle of the first call, as it is now. Errors: ErrInvalid, ErrRequestIDReused.
func (m *Manager) CreateVehicle(ctx context.Context, shop string, v *pb.Vehicle, requestID string) (*pb.Vehicle, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	v = callers(v)
	r, err := newRequest(shop, "CreateVehicle", requestID, v)
	if err != nil {
		return nil, err
	}
	before, err := m.recall(ctx, r)
	if err != nil {
		return nil, err
	}
	if before == "" {
		if err := check(v); err != nil {
			return nil, err
		}
		id := newID()
		v.CreateTime = timestamppb.New(m.now())
		v.UpdateTime = v.GetCreateTime()
		fact, err := vehicleFact(shop, id, v)
		if err != nil {
			return nil, err
		}
		made, repeated, err := m.create(ctx, r, id, store.Change{Create: []store.Fact{fact}})
		if err != nil {
			return nil, m.explain(vehicleName(id), err)
		}
		if repeated == "" {
			return vehicleOf(made)
		}
		before = repeated
	}
	v, _, err = m.vehicle(ctx, shop, before)
	return v, err
}

func (m *Manager) vehicle(ctx context.Context, shop, id string) (*pb.Vehicle, store.Fact, error) {
	f, err := m.store.Get(ctx, vehicleKey(shop, id))
	if err != nil {
		return nil, f, m.explain(vehicleName(id), err)
	}
	v, err := vehicleOf(f)
	return v, f, err
}

// GetVehicle reads a vehicle, or gives ErrNotFound.
func (m *Manager) GetVehicle(ctx context.Context, shop, name string) (*pb.Vehicle, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("name", "vehicles", name)
	if err != nil {
		return nil, err
	}
	v, _, err := m.vehicle(ctx, shop, id)
	return v, err
}

// ListVehicles lists vehicles in the order of their creation, and gives the next page's token. The
// filter takes external_reference. Errors: ErrInvalid, ErrPageToken.
func (m *Manager) ListVehicles(ctx context.Context, shop string, o ListOptions) ([]*pb.Vehicle, string, error) {
	if err := m.begin(); err != nil {
		return nil, "", err
	}
	defer m.tasks.Done()
	terms, err := parseFilter(o.Filter, "external_reference")
	if err != nil {
		return nil, "", err
	}
	q := store.Query{Shop: shop, Kind: kindVehicle, Reference: terms["external_reference"].value}
	return listAs(ctx, m, q, o, vehicleOf)
}

// listAs reads one page and turns its facts into messages.
func listAs[M any](ctx context.Context, m *Manager, q store.Query, o ListOptions, of func(store.Fact) (M, error)) ([]M, string, error) {
	facts, next, err := m.list(ctx, q, o)
	if err != nil {
		return nil, "", err
	}
	out := make([]M, len(facts))
	for i, f := range facts {
		if out[i], err = of(f); err != nil {
			return nil, "", err
		}
	}
	return out, next, nil
}

// updateTries is how often a change without an etag is tried again when others change the same fact at the same time.
const updateTries = 10

// UpdateVehicle changes the fields of mask; all that a caller may set where it is empty or "*".
// Errors: ErrInvalid, ErrNotFound, ErrEtagMismatch where v has an etag that is not the current one.
func (m *Manager) UpdateVehicle(ctx context.Context, shop string, v *pb.Vehicle, mask []string) (*pb.Vehicle, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("vehicle.name", "vehicles", v.GetName())
	if err != nil {
		return nil, err
	}
	for try := 1; ; try++ {
		changed, err := m.tryUpdateVehicle(ctx, shop, id, v, mask)
		switch {
		case !errors.Is(err, store.ErrConflict):
			return changed, m.explain(v.GetName(), err)
		case v.GetEtag() != "" || try == updateTries:
			return nil, staleEtag(v.GetName(), v.GetEtag())
		}
	}
}

func (m *Manager) tryUpdateVehicle(ctx context.Context, shop, id string, v *pb.Vehicle, mask []string) (*pb.Vehicle, error) {
	now, f, err := m.vehicle(ctx, shop, id)
	if err != nil {
		return nil, err
	}
	if err := checkEtag(v.GetName(), v.GetEtag(), f); err != nil {
		return nil, err
	}
	if err := applyMask(now, v, mask); err != nil {
		return nil, err
	}
	if err := check(now); err != nil {
		return nil, err
	}
	now.UpdateTime = timestamppb.New(m.now())
	fact, err := vehicleFact(shop, id, now)
	if err != nil {
		return nil, err
	}
	fact.Version = f.Version
	stored, err := store.Update(ctx, m.store, fact)
	if err != nil {
		return nil, err
	}
	return vehicleOf(stored)
}

// DeleteVehicle removes a vehicle that has no sessions. Errors: ErrNotFound,
// ErrEtagMismatch where etag is given and not the current one, ErrVehicleHasSessions.
func (m *Manager) DeleteVehicle(ctx context.Context, shop, name, etag string) error {
	if err := m.begin(); err != nil {
		return err
	}
	defer m.tasks.Done()
	id, err := topID("name", "vehicles", name)
	if err != nil {
		return err
	}
	m.deleting.Lock()
	defer m.deleting.Unlock()
	_, f, err := m.vehicle(ctx, shop, id)
	if err != nil {
		return err
	}
	if err := checkEtag(name, etag, f); err != nil {
		return err
	}
	page, err := m.store.List(ctx, store.Query{Shop: shop, Kind: kindSession, Parent: id, Limit: 1})
	if err != nil {
		return m.explain(name, err)
	}
	if len(page.Facts) > 0 {
		return &Error{
			Reason: pb.ErrorReason_ERROR_REASON_VEHICLE_HAS_SESSIONS, Resource: name,
			Message: "sessions refer to the vehicle; it cannot be deleted",
		}
	}
	if etag == "" {
		f.Version = 0
	}
	err = store.Delete(ctx, m.store, f.Key, f.Version)
	if errors.Is(err, store.ErrConflict) {
		return staleEtag(name, etag)
	}
	return m.explain(name, err)
}
