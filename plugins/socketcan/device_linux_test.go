// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build canguest

package socketcan

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1939"
)

// configured makes the adapter with a configuration.
func configured(t *testing.T, text string) adapter.Adapter {
	t.Helper()
	a := New()
	use, err := a.Configure(t.Context(), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	use()
	return a
}

func opened(t *testing.T, a adapter.Adapter, name string) *device {
	t.Helper()
	conn, err := a.Open(t.Context(), idOf(name))
	if err != nil {
		t.Fatal(err)
	}
	d, ok := conn.(*device)
	if !ok {
		t.Fatalf("opening gives a %T", conn)
	}
	return d
}

// asked sends a request, again where an emulated machine was too slow for the time-outs of the standard.
func asked(t *testing.T, d *device, target int64, payload ...byte) []adapter.Answer {
	t.Helper()
	var last error
	for range 10 {
		answers, err := d.Request(t.Context(), adapter.Request{Payload: payload, Target: target, Timeout: 3 * time.Second})
		if err == nil {
			check(t, &answers)
			slices.SortFunc(answers.Answers, func(a, b adapter.Answer) int { return int(a.Source - b.Source) })
			return answers.Answers
		}
		last = err
	}
	t.Fatalf("% X to %X: %v", payload, target, last)
	return nil
}

// check looks at what is said of times.
func check(t *testing.T, answers *adapter.Answers) {
	t.Helper()
	for _, a := range answers.Answers {
		if a.Received != 0 && (a.Received < answers.Sent || a.Received > adapter.Now() || a.Uncertainty <= 0) {
			t.Errorf("sent at %d, and answered at %d ± %v; now it is %d", answers.Sent, a.Received, a.Uncertainty, adapter.Now())
		}
	}
}

// Requests of every length of answer, to all control units and to one, are answered alike through the kernel's ISO-TP and ours,
// with identifiers of 11 and of 29 bits.
func TestTransportsDisagree(t *testing.T) {
	for _, extended := range []bool{false, true} {
		c := newCar(t, extended)
		engine := pairOf(canlink.Bits11, 0)
		if extended {
			engine = pairOf(canlink.Bits29, 0x10)
		}
		one := int64(engine.Send)
		if extended {
			one |= canlink.Wide
		}
		got := map[string][]string{}
		for _, transport := range []string{transportOwn, transportKernel} {
			d := opened(t, configured(t, fmt.Sprintf(`{"transport": %q}`, transport)), c.name)
			for _, request := range []struct {
				target  int64
				payload []byte
			}{
				{0, []byte{0x01, 0x00}}, {0, []byte{0x01, 0x00, 0x20, 0x40}}, {one, []byte{0x01, 0x00}}, {one, []byte{0x09, 0x02}}, {one, []byte{0x09, 0x0A}},
				{one, []byte{0x09, 0x55}}, {one, []byte{0x22, 0xF4, 0x00, 0xF4, 0x20, 0xF4, 0x40, 0xF8, 0x02}}, {one, []byte{0x03}},
			} {
				var answers bytes.Buffer
				for _, a := range asked(t, d, request.target, request.payload...) {
					fmt.Fprintf(&answers, "%X: % X; ", a.Source, a.Payload)
				}
				got[transport] = append(got[transport], fmt.Sprintf("% X to %X gives %s", request.payload, request.target, answers.String()))
			}
			if err := d.Close(); err != nil {
				t.Error(err)
			}
		}
		for i, own := range got[transportOwn] {
			if kernel := got[transportKernel][i]; own != kernel {
				t.Errorf("ours: %s\nthe kernel's: %s", own, kernel)
			}
		}
		t.Logf("%s", strings.Join(got[transportOwn], "\n"))
	}
}

func TestRequestThatWritesIsSent(t *testing.T) {
	c := newCar(t, false)
	for _, transport := range []string{transportOwn, transportKernel} {
		d := opened(t, configured(t, fmt.Sprintf(`{"transport": %q}`, transport)), c.name)
		for _, payload := range [][]byte{{0x04}, {0x14, 0xFF, 0xFF, 0xFF}, {0x31, 1, 2, 3}, {0x2E, 0xF4, 0x0C, 0}, {}} {
			if _, err := d.Request(t.Context(), adapter.Request{Payload: payload}); !errors.Is(err, adapter.ErrNotReadOnly) {
				t.Errorf("%s: % X gives %v", transport, payload, err)
			}
		}
		if n := c.asked.Load(); n > 0 {
			t.Errorf("%s: %d frames were sent", transport, n)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}

// While it is open in each transport, and while it only listens, the interface goes away and comes back. That is told as such,
// and it can be opened again as soon as it is back; nothing is left behind.
func TestPullingThePlugLeavesSomethingBehind(t *testing.T) {
	c := newCar(t, false)
	var adapters []adapter.Adapter
	for _, text := range []string{`{}`, `{"transport": "kernel"}`, `{"heavy": true}`} {
		adapters = append(adapters, configured(t, text))
	}
	if d := opened(t, adapters[0], c.name); d.Close() != nil {
		t.Fatal("it cannot be closed")
	}
	descriptors, goroutines := openFiles(t), runtime.NumGoroutine()
	for n := range 12 {
		a := adapters[n%len(adapters)]
		d := opened(t, a, c.name)
		if n%len(adapters) < 2 {
			asked(t, d, 0, 0x01, 0x00)
		}
		if err := c.unplug(); err != nil {
			t.Fatal(err)
		}
		<-d.bus.Done()
		if n%len(adapters) < 2 {
			if _, err := d.Request(t.Context(), adapter.Request{Payload: []byte{0x01, 0x0C}, Timeout: time.Second}); !errors.Is(err, adapter.ErrUnplugged) {
				t.Fatalf("round %d: a request gives %v", n, err)
			}
		}
		if _, err := a.Open(t.Context(), c.name); !errors.Is(err, adapter.ErrUnplugged) {
			t.Fatalf("round %d: opening gives %v", n, err)
		}
		if err := d.Close(); err != nil {
			t.Errorf("round %d: closing gives %v", n, err)
		}
		if err := c.replug(); err != nil {
			t.Fatal(err)
		}
		d = opened(t, a, c.name)
		if n%len(adapters) < 2 {
			asked(t, d, 0, 0x01, 0x00)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
	for late := time.Now().Add(patienceOfTests); (runtime.NumGoroutine() > goroutines || openFiles(t) > descriptors) && time.Now().Before(late); {
		time.Sleep(10 * time.Millisecond)
	}
	if files, routines := openFiles(t), runtime.NumGoroutine(); files > descriptors || routines > goroutines {
		t.Errorf("%d descriptors and %d goroutines, before there were %d and %d", files, routines, descriptors, goroutines)
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

// truck sends what the engine of a heavy vehicle broadcasts.
func truck(ctx context.Context, b *socket.Bus) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		for _, f := range []*isotp.Frame{
			broadcast(j1939.AirFlow, 0, 0xFF, 0xFF, 0x20, 0x1C),                 // 100 g/s
			broadcast(j1939.EngineSpeed, 0, 0xFF, 0xFF, 0xFF, 0x00, 0x40),       // 2048 rpm
			broadcast(j1939.EngineTemperatures, 0, 130),                         // 90 °C
			broadcast(j1939.ActiveCodes, 0, 0x04, 0xFF, 132, 0, 0x0D, 1),        // the air flow is out of calibration
			broadcast(j1939.EngineSpeed, 3, 0xFF, 0xFF, 0xFF, 0x00, 0x20, 0xFF), // of somebody else
		} {
			if _, err := b.Send(ctx, f); err != nil {
				return
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

func TestHeavyVehicleIsNotHeard(t *testing.T) {
	c := newCar(t, true)
	c.silence()
	sender, err := socket.Open(c.name, socket.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), patienceOfTests)
	ended := make(chan struct{})
	go func() { defer close(ended); truck(ctx, sender) }()
	defer func() { cancel(); _ = sender.Close(); <-ended }()
	conn, stop, err := adapter.Local(configured(t, `{"heavy": true}`), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer stop()
	client := adapterv1beta1.NewAdapterServiceClient(conn)
	if _, err := client.Configure(ctx, &adapterv1beta1.ConfigureRequest{ConfigurationJson: `{"heavy": true}`}); err != nil {
		t.Fatal(err)
	}
	if _, err := client.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: c.name}); err != nil {
		t.Fatal(err)
	}
	if _, err := client.SendRequest(ctx, &adapterv1beta1.SendRequestRequest{DeviceId: c.name, Payload: []byte{0x01, 0x00}}); err == nil {
		t.Error("a request is answered in listening")
	}
	stream, err := client.Feed(ctx)
	if err != nil {
		t.Fatal(err)
	}
	wants := map[string]float64{"Vehicle.OBD.MAF": 100, "Vehicle.OBD.EngineSpeed": 2048, "Vehicle.OBD.CoolantTemperature": 90}
	subscribe := &adapterv1beta1.FeedRequest{DeviceId: c.name}
	for path := range wants {
		subscribe.Signals = append(subscribe.Signals, &adapterv1beta1.WantedSignal{Path: path})
	}
	subscribe.Signals = append(subscribe.Signals, &adapterv1beta1.WantedSignal{Path: "Vehicle.OBD.ShortTermFuelTrim1"})
	if err := stream.Send(subscribe); err != nil {
		t.Fatal(err)
	}
	got := map[string]int{}
	var signals []*adapterv1beta1.FeedSignal
	for len(got) < len(wants) || got["Vehicle.OBD.MAF"] < 20 {
		m, err := stream.Recv()
		if err != nil {
			t.Fatalf("after %v: %v", got, err)
		}
		if s := m.GetSubscribed(); s != nil {
			signals = s.GetSignals()
			if len(signals) != len(wants) || len(s.GetUnavailable()) != 1 {
				t.Fatalf("available are %v, and not %v", signals, s.GetUnavailable())
			}
		}
		b := m.GetBatch()
		for i, value := range b.GetValue() {
			path := signals[b.GetSignal()[i]].GetPath()
			got[path]++
			if d := value - wants[path]; d > 1e-6 || d < -1e-6 {
				t.Fatalf("%s is %v, want %v", path, value, wants[path])
			}
		}
	}
}
