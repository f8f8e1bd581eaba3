// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package adapternode

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
)

const (
	// roleEnv makes the test's own program a host, which the test can kill.
	roleEnv = "ADAPTER_NODE_TEST_ROLE"

	name        = "airflow-node"
	box         = "box-1"
	flow        = "Vehicle.OBD.MAF"
	engineSpeed = "Vehicle.OBD.EngineSpeed"
)

// adapters is the folder into which the adapter is installed, once for all tests.
var adapters string

func TestMain(m *testing.M) {
	if os.Getenv(roleEnv) == "host" {
		playHost()
		return
	}
	os.Exit(run(m))
}

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "adapters")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	adapters = dir
	return m.Run()
}

// node finds Node, and the packages of the adapter.
func node(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("node")
	if err == nil {
		path, err = filepath.EvalSymlinks(path)
	}
	if err == nil {
		_, err = os.Stat(filepath.Join("node_modules", "@grpc", "grpc-js"))
	}
	if err == nil {
		return path
	}
	const missing = "needs Node.js and its packages: npm ci in examples/adapter-node"
	if os.Getenv("CI") == "true" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

var install = sync.OnceValue(func() error {
	for folder, flag := range map[string]string{"program": "--configuration={}", "script": "--script"} {
		if out, err := exec.Command("node", "install.js", flag, filepath.Join(adapters, folder)).CombinedOutput(); err != nil {
			return fmt.Errorf("install.js: %w\n%s", err, out)
		}
	}
	return nil
})

// installed loads the manifest that install.js wrote: "program" starts Node, "script" the file with its first line.
func installed(t testing.TB, form string) *manifest.Manifest {
	t.Helper()
	node(t)
	err := install()
	if err == nil {
		var m *manifest.Manifest
		if m, err = manifest.Load(filepath.Join(adapters, form, name)); err == nil {
			return m
		}
	}
	t.Fatal(err)
	return nil
}

// hostile is an adapter of testdata/hostile.js, which does one thing that an author may do wrong.
func hostile(t testing.TB, role string) *manifest.Manifest {
	t.Helper()
	program, err := filepath.Abs(filepath.Join("testdata", "hostile.js"))
	if err != nil {
		t.Fatal(err)
	}
	m := &manifest.Manifest{
		Name: "hostile", Version: "1.0.0", Executable: node(t), Arguments: []string{program, role},
		ProtocolVersions: []int{1}, Dir: t.TempDir(),
	}
	if err := m.Seal(program); err != nil {
		t.Fatal(err)
	}
	return m
}

// journal is a log that a test can read while it is written.
type journal struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.String()
}

// bench is a host with the adapter ready.
type bench struct {
	adapterv1beta1.AdapterServiceClient

	t       testing.TB
	cable   string
	log     *journal
	adapter *host.Adapter
	pid     int
}

func options(m *manifest.Manifest, log *journal) host.Options {
	return host.Options{
		Manifest: m, Logger: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})), LogLevel: slog.LevelDebug,
		Restart: host.Restart{MinBackoff: time.Millisecond, MaxBackoff: 5 * time.Millisecond},
	}
}

// start runs an adapter until the end of the test.
func start(t testing.TB, m *manifest.Manifest) *bench {
	t.Helper()
	b := &bench{t: t, log: &journal{}}
	a, err := host.New(options(m, b.log))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Shutdown(context.Background()) })
	a.Start()
	c, err := a.Ready(within(t))
	if err != nil {
		t.Fatal(err)
	}
	b.AdapterServiceClient, b.adapter, b.pid = c.Client, a, c.PID
	return b
}

// ready starts the installed adapter with a cable that the test can pull.
func ready(t testing.TB) *bench {
	t.Helper()
	m := installed(t, "program")
	cable := plug(t)
	m.Configuration = configuration(t, map[string]any{"cable": cable})
	b := start(t, m)
	b.cable = cable
	return b
}

// plug makes the file that stands for the cable.
func plug(t testing.TB) string {
	t.Helper()
	cable := filepath.Join(t.TempDir(), "cable")
	say(t, cable, "on")
	return cable
}

func say(t testing.TB, cable, word string) {
	t.Helper()
	if err := os.WriteFile(cable, []byte(word), 0o600); err != nil {
		t.Fatal(err)
	}
}

func configuration(t testing.TB, fields map[string]any) []byte {
	t.Helper()
	text, err := json.Marshal(fields)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func within(t testing.TB) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func eventually(t testing.TB, what string, limit time.Duration, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after %v still not: %s", limit, what)
		}
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// gone says that a process runs no more; one that nobody has reaped, state Z after the name in parentheses, counts as gone.
func gone(pid int) bool {
	if errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return true
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	_, state, _ := strings.Cut(string(text), ") ")
	return err == nil && strings.HasPrefix(state, "Z")
}

func (b *bench) held() bool { return exists(b.cable + ".lock") }

func (b *bench) open() *bench {
	b.t.Helper()
	if _, err := b.OpenDevice(within(b.t), &adapterv1beta1.OpenDeviceRequest{DeviceId: box}); err != nil {
		b.t.Fatal(err)
	}
	return b
}

func (b *bench) close() error {
	_, err := b.CloseDevice(within(b.t), &adapterv1beta1.CloseDeviceRequest{DeviceId: box})
	return err
}

func (b *bench) ask(payload ...byte) (*adapterv1beta1.SendRequestResponse, error) {
	return b.SendRequest(within(b.t), &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: payload})
}

// refused checks an error against the contract: one code, one reason, the domain.
func refused(t testing.TB, err error, code codes.Code, reason string) {
	t.Helper()
	var reasons []string
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == "adapter.airassay.dev" {
			reasons = append(reasons, info.GetReason())
		}
	}
	if status.Code(err) != code || len(reasons) != 1 || reasons[0] != reason {
		t.Errorf("error %v with reasons %q, want %v with %s", err, reasons, code, reason)
	}
}

// violations lists the fields that an error complains of.
func violations(err error) []string {
	var fields []string
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range r.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	return fields
}

// feed is one stream, and what has been read of it.
type feed struct {
	adapterv1beta1.AdapterService_FeedClient

	t        testing.TB
	end      context.CancelFunc
	dict     []*adapterv1beta1.FeedSignal
	none     []*adapterv1beta1.UnavailableSignal
	values   map[string][]float64
	last     map[string]int64
	gaps     []*adapterv1beta1.FeedGap
	states   []adapterv1beta1.LinkCondition
	sequence int64
	answers  int // subscriptions answered
	err      error
}

func (b *bench) feed(wanted ...string) *feed {
	b.t.Helper()
	ctx, end := context.WithCancel(within(b.t))
	b.t.Cleanup(end)
	f := &feed{t: b.t, end: end, values: map[string][]float64{}, last: map[string]int64{}}
	f.AdapterService_FeedClient, f.err = b.Feed(ctx)
	if f.err != nil {
		b.t.Fatal(f.err)
	}
	f.want(0, wanted...)
	return f
}

func (f *feed) want(rate float64, paths ...string) {
	f.t.Helper()
	r := &adapterv1beta1.FeedRequest{DeviceId: box}
	for _, path := range paths {
		r.Signals = append(r.Signals, &adapterv1beta1.WantedSignal{Path: path, RateHz: rate})
	}
	if err := f.Send(r); err != nil {
		f.t.Fatal(err)
	}
}

// until reads until something holds or the stream ends, and holds S1, S2, S5 and S7 on the way.
func (f *feed) until(holds func() bool) *feed {
	f.t.Helper()
	for f.err == nil && !holds() {
		var m *adapterv1beta1.FeedResponse
		if m, f.err = f.Recv(); f.err == nil {
			f.take(m)
		}
	}
	return f
}

func (f *feed) take(m *adapterv1beta1.FeedResponse) {
	f.t.Helper()
	if s := m.GetSubscribed(); s != nil {
		f.dict, f.none = s.GetSignals(), s.GetUnavailable()
		f.answers++
	}
	if l := m.GetLinkState(); l != nil {
		f.states = append(f.states, l.GetCondition())
	}
	b := m.GetBatch()
	if b == nil {
		return
	}
	if f.sequence++; b.GetSequence() != f.sequence {
		f.t.Fatalf("S1: sequence %d, want %d", b.GetSequence(), f.sequence)
	}
	if len(b.GetValue()) > 4096 {
		f.t.Errorf("S7: %d samples in a batch", len(b.GetValue()))
	}
	if b.GetGap() != nil {
		f.gaps = append(f.gaps, b.GetGap())
	}
	for i, value := range b.GetValue() {
		s := f.dict[b.GetSignal()[i]]
		at := b.GetBaseTimeUs() + b.GetOffsetUs()[i]
		if at < f.last[s.GetPath()] {
			f.t.Fatalf("S2: %s at %d after %d", s.GetPath(), at, f.last[s.GetPath()])
		}
		width := s.GetTimeUncertaintyUs()
		if len(b.GetTimeUncertaintyUs()) > 0 {
			width = b.GetTimeUncertaintyUs()[i]
		}
		if width < 1 {
			f.t.Fatalf("S5: %s has no uncertainty", s.GetPath())
		}
		f.last[s.GetPath()] = at
		f.values[s.GetPath()] = append(f.values[s.GetPath()], value)
	}
}

func (f *feed) samples(path string, n int) func() bool {
	n += len(f.values[path])
	return func() bool { return len(f.values[path]) >= n }
}
