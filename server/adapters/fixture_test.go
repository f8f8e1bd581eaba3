// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/server/adapters"
	"github.com/airassay/airassay/server/rpc"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/memory"
)

const asAdapter = "as-adapter"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == asAdapter {
		adapter.Serve(&bench{})
	}
	goleak.VerifyTestMain(m)
}

const shop = "here"

// rig is a server's domain with adapters that are processes.
type rig struct {
	t        testing.TB
	store    store.Store
	sessions *session.Manager
	adapters *adapters.Manager
	all      []adapters.Adapter
	log      *logBook
}

// logBook keeps the log.
type logBook struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logBook) has(part string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Contains(l.text.String(), part)
}

func (l *logBook) count(part string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.text.String(), part)
}

// self is the test's own program, and its sum, computed once.
var self = sync.OnceValues(func() (string, string) {
	path, err := os.Executable()
	if err != nil {
		panic(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		panic(err)
	}
	sum := sha256.Sum256(data)
	return path, hex.EncodeToString(sum[:])
})

// benchAdapter is the tests' adapter under a name.
func benchAdapter(t testing.TB, s settings) adapters.Adapter {
	t.Helper()
	configuration, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	path, sum := self()
	return adapters.Adapter{Manifest: &manifest.Manifest{
		Name: s.Name, Version: "1.0.0", Executable: path, Arguments: []string{asAdapter, s.Name}, Files: map[string]string{path: sum},
		ProtocolVersions: host.Versions(), Configuration: configuration, Dir: filepath.Dir(path),
	}}
}

// bench makes the settings of an adapter with a folder of its own.
func benchSettings(t *testing.T, name string, boxes int) settings {
	return settings{Name: name, Boxes: boxes, Folder: t.TempDir()}
}

func newRig(t *testing.T, all ...adapters.Adapter) *rig {
	t.Helper()
	return newRigOn(t, memory.New(), all...)
}

func newRigOn(t *testing.T, on store.Store, all ...adapters.Adapter) *rig {
	t.Helper()
	r := &rig{t: t, store: on, all: all, log: &logBook{}}
	r.begin()
	t.Cleanup(func() {
		r.end()
		if t.Failed() {
			t.Log(r.log.text.String())
		}
	})
	return r
}

func (r *rig) begin() {
	r.t.Helper()
	log := slog.New(slog.NewTextHandler(r.log, nil))
	var err error
	if r.sessions, err = session.New(session.Config{Store: r.store, Facts: rpc.FactsFromProto, Convert: rpc.AssessmentToProto, Logger: log}); err != nil {
		r.t.Fatal(err)
	}
	r.adapters, err = adapters.New(adapters.Config{
		Sessions: r.sessions, Adapters: r.all, Logger: log, Restart: host.Restart{MinBackoff: 10 * time.Millisecond, MaxBackoff: 50 * time.Millisecond},
	})
	if err != nil {
		r.t.Fatal(err)
	}
	r.sessions.SetSources(r.adapters)
	r.adapters.Start()
}

func (r *rig) end() {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	r.adapters.Close(ctx)
	if err := r.sessions.Close(ctx); err != nil {
		r.t.Error(err)
	}
}

// session opens one.
func (r *rig) session() *pb.Session {
	r.t.Helper()
	v, err := r.sessions.CreateVehicle(r.t.Context(), shop, &pb.Vehicle{DisplayName: "bench"}, "")
	if err != nil {
		r.t.Fatal(err)
	}
	s, err := r.sessions.CreateSession(r.t.Context(), shop, &pb.Session{Vehicle: v.GetName()}, "")
	if err != nil {
		r.t.Fatal(err)
	}
	return s
}

func device(adapter, box string) string { return "adapters/" + adapter + "/devices/" + box }

func (r *rig) start(s *pb.Session, device string) *pb.Capture {
	r.t.Helper()
	c, err := r.adapters.StartCapture(r.t.Context(), shop, &pb.StartCaptureRequest{Parent: s.GetName(), Device: device})
	if err != nil {
		r.t.Fatal(err)
	}
	return c
}

func (r *rig) capture(name string) *pb.Capture {
	r.t.Helper()
	c, err := r.sessions.GetCapture(r.t.Context(), shop, name)
	if err != nil {
		r.t.Fatal(err)
	}
	return c
}

// until waits for something, at most for as long as it may take on a loaded machine.
func (r *rig) until(what string, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(15 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			r.t.Fatalf("waited in vain until %s", what)
		}
	}
}

// grows waits until a capture has more samples than it has now.
func (r *rig) grows(name string) {
	r.t.Helper()
	before := r.capture(name).GetSampleCount()
	r.until("samples come in", func() bool { return r.capture(name).GetSampleCount() > before+40 })
}

// batches reads a finished capture, and checks that its sequences have no hole.
func (r *rig) batches(name string) []*pb.SampleBatch {
	r.t.Helper()
	var all []*pb.SampleBatch
	for b, err := range r.sessions.WatchSamples(r.t.Context(), shop, name, 0) {
		if err != nil {
			r.t.Fatal(err)
		}
		if all = append(all, b); b.GetSequence() != int64(len(all)) {
			r.t.Fatalf("batch %d has sequence %d", len(all), b.GetSequence())
		}
	}
	return all
}

func (r *rig) finish(name string) *pb.Capture {
	r.t.Helper()
	c, err := r.sessions.FinishCapture(r.t.Context(), shop, name)
	if err != nil {
		r.t.Fatal(err)
	}
	return c
}

func gaps(batches []*pb.SampleBatch) []*pb.SampleGap {
	var found []*pb.SampleGap
	for _, b := range batches {
		if b.GetGap() != nil {
			found = append(found, b.GetGap())
		}
	}
	return found
}

func (s settings) put(t *testing.T, name string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(s.Folder, name), nil, 0o600); err != nil {
		t.Fatal(err)
	}
}

func (s settings) take(t *testing.T, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(s.Folder, name)); err != nil {
		t.Fatal(err)
	}
}

// kill ends the adapter's process without a warning.
func (s settings) kill(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(s.Folder, filePID))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(string(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.Kill(pid, unix.SIGKILL); err != nil {
		t.Fatal(err)
	}
}
