// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package fit

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// sdkBench is an adapter as an author writes it, without hardware.
type sdkBench struct{}

func (sdkBench) Describe() adapter.Description {
	return adapter.Description{Name: "bench", Version: "1.0.0", Summary: "A bench.", Abilities: []adapter.Ability{adapter.AbilityLink}}
}

func (sdkBench) Configure(context.Context, []byte) (func(), error) { return nil, nil } //nolint:nilnil // the contract of the interface

func (sdkBench) Devices(context.Context) ([]adapter.Device, error) {
	return []adapter.Device{{ID: "bench-1", Name: "Bench"}}, nil
}

func (sdkBench) Open(context.Context, string) (adapter.Conn, error) {
	return nil, errors.New("a bench without hardware")
}

// role makes the test's own program an adapter. It is one of its own because the SDK takes the standard streams from
// every program that is started as an adapter.
const role = "play-adapter"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == role {
		adapter.Serve(sdkBench{})
	}
	goleak.VerifyTestMain(m)
}

func bench(t *testing.T) host.Options {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	m := &manifest.Manifest{
		Name: "bench", Version: "1.0.0", Executable: program, Arguments: []string{role}, ProtocolVersions: host.Versions(), Dir: t.TempDir(),
	}
	if err := m.Seal(); err != nil {
		t.Fatal(err)
	}
	return host.Options{Manifest: m}
}

func run(t *testing.T, o host.Options) (*host.Adapter, *host.Connection) {
	t.Helper()
	a, err := host.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Shutdown(context.Background()) })
	a.Start()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	c, err := a.Ready(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return a, c
}

// Both halves of the SDK must fit each other.
func TestAdapterOfTheSDKRunsAndEndsByItself(t *testing.T) {
	log := &bytes.Buffer{}
	o := bench(t)
	o.Logger = slog.New(slog.NewTextHandler(log, nil))
	a, c := run(t, o)
	if answer, err := c.Client.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{}); err != nil || len(answer.GetDevices()) != 1 {
		t.Errorf("devices %v, %v", answer, err)
	}
	a.Shutdown(context.Background())
	if strings.Contains(log.String(), "killed") {
		t.Errorf("it did not end by itself:\n%s", log)
	}
}

func TestReattachToAnAdapterInADebugger(t *testing.T) {
	debugged := exec.Command(os.Args[0], role, "--debug")
	out, err := debugged.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := debugged.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = debugged.Process.Kill()
		_ = debugged.Wait() // it was killed
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	o := bench(t)
	o.Reattach, o.Development = line, true
	o.Restart = host.Restart{MinBackoff: time.Hour}
	_, c := run(t, o)
	if c.PID != debugged.Process.Pid {
		t.Errorf("process %d, want %d", c.PID, debugged.Process.Pid)
	}
	_ = debugged.Process.Kill()
	select {
	case <-c.Dead():
	case <-time.After(10 * time.Second):
		t.Fatal("its end was not noticed")
	}
}
