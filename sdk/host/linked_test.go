// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"
	"errors"
	"log/slog"
	"testing"

	"google.golang.org/grpc"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// still is an adapter without devices.
type still struct{}

func (still) Describe() adapter.Description {
	return adapter.Description{Name: "still", Version: "1.0.0", Summary: "Nothing.", Abilities: []adapter.Ability{adapter.AbilityFeed}}
}

func (still) Configure(_ context.Context, text []byte) (func(), error) {
	var c struct{}
	return nil, adapter.Decode(text, &c)
}
func (still) Devices(context.Context) ([]adapter.Device, error) { return nil, nil }
func (still) Open(context.Context, string) (adapter.Conn, error) {
	return nil, adapter.ErrNoSuchDevice
}

func linked(configuration string) Options {
	return Options{
		Manifest: &manifest.Manifest{Name: "still", Configuration: []byte(configuration)},
		Local:    func(log *slog.Logger) (*grpc.ClientConn, func(), error) { return adapter.Local(still{}, log) },
	}
}

func TestALinkedAdapterIsUsedAsAProcessIs(t *testing.T) {
	a, err := New(linked("{}"))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	c, err := a.Ready(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if c.Description.GetName() != "still" || c.ClockZero().IsZero() {
		t.Errorf("it is %v", c.Description)
	}
	if _, err := c.Client.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{}); err != nil {
		t.Error(err)
	}
	a.Shutdown(t.Context())
	select {
	case <-c.Dead():
	default:
		t.Error("it is alive after Shutdown")
	}
}

func TestALinkedAdapterThatRefusesItsConfigurationFails(t *testing.T) {
	a, err := New(linked(`{"nonsense": 1}`))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	_, err = a.Ready(t.Context())
	if f, ok := errors.AsType[*Failure](err); !ok || f.Reason != ReasonConfiguration {
		t.Errorf("the error is %v", err)
	}
}
