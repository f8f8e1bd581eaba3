// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/server/session"
)

// described is what is remembered of an adapter beyond its present state.
type described struct {
	description *adapterv1beta1.DescribeResponse // the last one
	failed      time.Time                        // when it failed last
	version     string                           // that of the manifest
}

var states = map[host.State]pb.AdapterState{
	host.StateIdle:       pb.AdapterState_ADAPTER_STATE_IDLE,
	host.StateStarting:   pb.AdapterState_ADAPTER_STATE_STARTING,
	host.StateReady:      pb.AdapterState_ADAPTER_STATE_READY,
	host.StateBackingOff: pb.AdapterState_ADAPTER_STATE_BACKING_OFF,
	host.StateFailed:     pb.AdapterState_ADAPTER_STATE_FAILED,
	host.StateBroken:     pb.AdapterState_ADAPTER_STATE_BROKEN,
	host.StateShutDown:   pb.AdapterState_ADAPTER_STATE_SHUT_DOWN,
}

var failureReasons = map[host.Reason]pb.AdapterFailureReason{
	host.ReasonFiles:           pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_FILES,
	host.ReasonNotExecutable:   pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_NOT_EXECUTABLE,
	host.ReasonProtocolVersion: pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_PROTOCOL_VERSION,
	host.ReasonConfiguration:   pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_CONFIGURATION,
	host.ReasonDescription:     pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_DESCRIPTION,
	host.ReasonHandshake:       pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_HANDSHAKE,
	host.ReasonTimeout:         pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_TIMEOUT,
	host.ReasonExited:          pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_EXITED,
	host.ReasonCall:            pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_CALL,
	host.ReasonHost:            pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_HOST,
}

const collection = "adapters/"

func (e *entry) message() *pb.Adapter {
	s := e.adapter.Status()
	e.mu.Lock()
	d, failed, version := e.describe.description, e.describe.failed, e.describe.version
	e.mu.Unlock()
	a := &pb.Adapter{
		Name: collection + e.id(), Version: version, Summary: clip(d.GetSummary()),
		State: states[s.State], StateTime: timestamppb.New(s.Since), FeedSignals: clipAll(d.GetFeedSignals(), session.MaxSignals),
		Deprecations:       clipAll(d.GetDeprecations(), maxDeprecations),
		RecentFailureCount: int32(s.Failures), StartCount: int32(s.Starts), BuiltIn: e.about.BuiltIn,
	}
	for _, ability := range []adapterv1beta1.Ability{adapterv1beta1.Ability_ABILITY_FEED, adapterv1beta1.Ability_ABILITY_LINK} {
		if slices.Contains(d.GetAbilities(), ability) {
			a.Abilities = append(a.Abilities, pb.AdapterAbility(ability))
		}
	}
	if !s.RetryAt.IsZero() {
		a.RetryTime = timestamppb.New(s.RetryAt)
	}
	if f := s.Failure; f != nil {
		a.Failure = &pb.AdapterFailure{Reason: failureReasons[f.Reason], Message: f.Err.Error(), Exit: f.Exit, Time: timestamppb.New(failed)}
	}
	return a
}

// List gives all adapters in the order of their names.
func (m *Manager) List() []*pb.Adapter {
	all := make([]*pb.Adapter, len(m.adapters))
	for i, e := range m.adapters {
		all[i] = e.message()
	}
	return all
}

// Get gives one adapter by its name, adapters/{adapter}.
func (m *Manager) Get(name string) (*pb.Adapter, error) {
	e, err := m.entry(name)
	if err != nil {
		return nil, err
	}
	return e.message(), nil
}

// Reset starts an adapter again that is failed, broken or backing off. Its manifest is read anew; where that cannot be
// used, the error says why, and nothing is started.
func (m *Manager) Reset(name string) (*pb.Adapter, error) {
	e, err := m.entry(name)
	if err != nil {
		return nil, err
	}
	if err := e.reset(); err != nil {
		m.log.Error("the adapter is not reset: its manifest cannot be used", "adapter", e.id(), "error", err.Error())
		return nil, refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE, name, fmt.Sprintf("its manifest cannot be used: %v; mend it, then call ResetAdapter again", err))
	}
	return e.message(), nil
}

func (m *Manager) entry(name string) (*entry, error) {
	id, ok := strings.CutPrefix(name, collection)
	if e := m.find(id); ok && e != nil {
		return e, nil
	}
	return nil, notFound(name, fmt.Sprintf("there is no such adapter; those that there are: %s", m.names()))
}

func (m *Manager) names() string {
	var names []string
	for _, e := range m.adapters {
		names = append(names, collection+e.id())
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// listTime bounds how long an adapter may look for hardware.
const listTime = 10 * time.Second

// Devices asks an adapter, by its name, for its devices, or all with adapters/-; then those that could not be asked are
// named. They come in the order of their names.
func (m *Manager) Devices(ctx context.Context, shop, parent string) (devices []*pb.Device, unreachable []string, err error) {
	if parent != collection+"-" {
		e, err := m.entry(parent)
		if err != nil {
			return nil, nil, err
		}
		devices, err = m.devicesOf(ctx, shop, e)
		return devices, nil, err
	}
	found, failed := make([][]*pb.Device, len(m.adapters)), make([]error, len(m.adapters))
	var all sync.WaitGroup
	for i, e := range m.adapters {
		all.Go(func() { found[i], failed[i] = m.devicesOf(ctx, shop, e) })
	}
	all.Wait()
	for i, e := range m.adapters {
		if failed[i] != nil {
			unreachable = append(unreachable, collection+e.id())
			m.log.Warn("an adapter could not be asked for devices", "adapter", e.id(), "error", failed[i].Error())
		}
	}
	return slices.Concat(found...), unreachable, ctx.Err()
}

func (m *Manager) devicesOf(ctx context.Context, shop string, e *entry) ([]*pb.Device, error) {
	c, err := e.ready(ctx)
	if err != nil {
		return nil, err
	}
	limited, cancel := context.WithTimeout(ctx, listTime)
	defer cancel()
	answer, err := c.Client.ListDevices(limited, &adapterv1beta1.ListDevicesRequest{})
	if err != nil {
		return nil, callFailed(ctx, e.id(), "ListDevices", err)
	}
	var devices []*pb.Device
	var leftOut []string
	seen := make(map[string]bool)
	for _, d := range answer.GetDevices() {
		if !deviceForm.MatchString(d.GetId()) || seen[d.GetId()] {
			leftOut = append(leftOut, d.GetId())
			continue
		}
		seen[d.GetId()] = true
		out := &pb.Device{
			Name: deviceName(e.id(), d.GetId()), DisplayName: clip(d.GetDisplayName()),
			Location: clip(d.GetLocation()), SerialNumber: clip(d.GetSerialNumber()),
		}
		m.describeUse(shop, out)
		devices = append(devices, out)
	}
	if len(leftOut) > 0 {
		e.log.Warn("devices are left out: an id is no id, or comes twice", "devices", len(leftOut), "first_id", clip(leftOut[0]))
	}
	slices.SortFunc(devices, func(a, b *pb.Device) int { return strings.Compare(a.GetName(), b.GetName()) })
	return devices, nil
}

func (m *Manager) describeUse(shop string, d *pb.Device) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r, taken := m.devices[d.GetName()]
	d.InUse = taken
	if r != nil && r.shop == shop {
		d.Capture = r.capture
	}
}

const (
	// maxWords bounds, in characters, one thing that an adapter says.
	maxWords = 200
	// maxDeprecations bounds how many things an adapter may say that will stop working.
	maxDeprecations = 20
)

// clipAll clips texts, and bounds how many there are.
func clipAll(texts []string, most int) []string {
	var all []string
	for _, s := range texts[:min(most, len(texts))] {
		all = append(all, clip(s))
	}
	return all
}

// clip bounds foreign text and takes out what is no text.
func clip(s string) string {
	s = strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s), "�")
	if runes := []rune(s); len(runes) > maxWords {
		return string(runes[:maxWords]) + "…"
	}
	return s
}
