// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
)

// roleArgument makes the test's own program play the adapter, for a host that starts it.
const roleArgument = "play-the-adapter"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == roleArgument {
		adapter.Serve(New())
	}
	goleak.VerifyTestMain(m)
}

const (
	speedPath = "Vehicle.OBD.EngineSpeed"
	flowPath  = "Vehicle.OBD.MAF"
)

var drives = filepath.Join("..", "..", "examples", "drives")

// lines collects a log.
type lines struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

func (l *lines) await(t *testing.T, text string) {
	t.Helper()
	for began := time.Now(); !strings.Contains(l.String(), text); time.Sleep(time.Millisecond) {
		if time.Since(began) > 5*time.Second {
			t.Fatalf("the log lacks %q:\n%s", text, l)
		}
	}
}

// bench is the adapter within the process, and its client.
type bench struct {
	adapterv1beta1.AdapterServiceClient

	t       *testing.T
	adapter *replay
	dir     string
	log     *lines
}

// newBench serves an adapter that is configured for a folder, with more of the configuration as JSON.
func newBench(t *testing.T, dir, more string) *bench {
	t.Helper()
	log := &lines{}
	before := slog.Default()
	slog.SetDefault(slog.New(adapter.NewLogHandler(log, slog.LevelDebug)))
	r, ok := New().(*replay)
	if !ok {
		t.Fatal("New gives another type")
	}
	conn, stop, err := adapter.Local(r, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); slog.SetDefault(before) })
	b := &bench{adapterv1beta1.NewAdapterServiceClient(conn), t, r, dir, log}
	if _, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: configure(t, dir, more)}); err != nil {
		t.Fatal(err)
	}
	return b
}

func configure(t *testing.T, dir, more string) string {
	t.Helper()
	absolute, err := filepath.Abs(dir)
	if err != nil {
		t.Fatal(err)
	}
	if more != "" {
		more = ", " + more
	}
	return fmt.Sprintf(`{"directory": %q%s}`, absolute, more)
}

// folder makes a folder with files, given by their names and contents.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		put(t, dir, name, text)
	}
	return dir
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// evenly is a recording of engine speed and air flow at the same instants. The speed counts the first 16000 rows.
func evenly(rows int, every time.Duration) string {
	var b strings.Builder
	b.WriteString("time_s,EngineSpeed,MAF\n")
	for i := range rows {
		fmt.Fprintf(&b, "%.6f,%d,%d.5\n", (time.Duration(i) * every).Seconds(), i%16000, i%100)
	}
	return b.String()
}

func (b *bench) list() []*adapterv1beta1.Device {
	b.t.Helper()
	answer, err := b.ListDevices(b.t.Context(), &adapterv1beta1.ListDevicesRequest{})
	if err != nil {
		b.t.Fatal(err)
	}
	return answer.GetDevices()
}

func (b *bench) ids() string {
	b.t.Helper()
	var ids []string
	for _, d := range b.list() {
		ids = append(ids, d.GetId())
	}
	return strings.Join(ids, " ")
}

func (b *bench) open(id string) (*adapterv1beta1.OpenDeviceResponse, error) {
	return b.OpenDevice(b.t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: id})
}

func (b *bench) mustOpen(id string) {
	b.t.Helper()
	answer, err := b.open(id)
	if err != nil {
		b.t.Fatal(err)
	}
	if answer.GetTimeSource() != adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED {
		b.t.Fatalf("the times of %s are %v", id, answer.GetTimeSource())
	}
}

func (b *bench) mustClose(id string) {
	b.t.Helper()
	if _, err := b.CloseDevice(b.t.Context(), &adapterv1beta1.CloseDeviceRequest{DeviceId: id}); err != nil {
		b.t.Fatal(err)
	}
}

func wants(id string, paths ...string) *adapterv1beta1.FeedRequest {
	r := &adapterv1beta1.FeedRequest{DeviceId: id}
	for _, p := range paths {
		r.Signals = append(r.Signals, &adapterv1beta1.WantedSignal{Path: p})
	}
	return r
}

// sample is one that arrived.
type sample struct {
	path    string
	us      int64
	value   float64
	uncertS float64
}

// listener is a feed of which all is kept.
type listener struct {
	grpc.BidiStreamingClient[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]

	t        *testing.T
	cancel   context.CancelFunc
	signals  []*adapterv1beta1.FeedSignal
	missing  []*adapterv1beta1.UnavailableSignal
	answers  int
	sequence int64
	samples  []sample
	gaps     []*adapterv1beta1.FeedGap
	gapAt    []int // how many samples stood before each gap
	links    []adapterv1beta1.LinkCondition
}

// feed subscribes and takes the answer.
func (b *bench) feed(r *adapterv1beta1.FeedRequest) *listener {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.t.Context(), 30*time.Second)
	b.t.Cleanup(cancel)
	stream, err := b.Feed(ctx)
	if err == nil {
		err = stream.Send(r)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	l := &listener{BidiStreamingClient: stream, t: b.t, cancel: cancel}
	l.until("the subscription", func() bool { return l.answers > 0 })
	return l
}

// take receives one message.
func (l *listener) take() error {
	m, err := l.Recv()
	if err != nil {
		return err
	}
	switch m := m.GetMessage().(type) {
	case *adapterv1beta1.FeedResponse_Subscribed:
		l.answers++
		l.signals, l.missing = m.Subscribed.GetSignals(), m.Subscribed.GetUnavailable()
	case *adapterv1beta1.FeedResponse_LinkState:
		l.links = append(l.links, m.LinkState.GetCondition())
	case *adapterv1beta1.FeedResponse_Batch:
		l.batch(m.Batch)
	}
	return nil
}

func (l *listener) batch(b *adapterv1beta1.FeedBatch) {
	if l.sequence++; b.GetSequence() != l.sequence {
		l.t.Errorf("batch %d came where %d was due", b.GetSequence(), l.sequence)
	}
	if b.GetGap() != nil {
		l.gaps, l.gapAt = append(l.gaps, b.GetGap()), append(l.gapAt, len(l.samples))
	}
	for i, at := range b.GetSignal() {
		s := l.signals[at]
		uncertain := s.GetTimeUncertaintyUs()
		if len(b.GetTimeUncertaintyUs()) > 0 {
			uncertain = b.GetTimeUncertaintyUs()[i]
		}
		l.samples = append(l.samples, sample{s.GetPath(), b.GetBaseTimeUs() + b.GetOffsetUs()[i], b.GetValue()[i], float64(uncertain) / 1e6})
	}
}

func (l *listener) until(what string, f func() bool) {
	l.t.Helper()
	for !f() {
		if err := l.take(); err != nil {
			l.t.Fatalf("before %s: %v", what, err)
		}
	}
}

func (l *listener) untilSamples(n int) {
	l.t.Helper()
	l.until(fmt.Sprintf("sample %d", n), func() bool { return len(l.samples) >= n })
}

func (l *listener) untilOver() {
	l.t.Helper()
	l.until("the end of the recording", func() bool {
		return len(l.links) > 0 && l.links[len(l.links)-1] == adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT
	})
}

// end cancels the feed and waits for its end.
func (l *listener) end() {
	l.t.Helper()
	l.cancel()
	began := time.Now()
	for ended := false; !ended; {
		ended = l.take() != nil
	}
	if took := time.Since(began); took > time.Second {
		l.t.Errorf("the feed ended %v after it was cancelled", took)
	}
}

// refused checks code, reason and parts of the text of an error.
func refused(t *testing.T, err error, code codes.Code, reason string, parts ...string) {
	t.Helper()
	s, _ := status.FromError(err)
	got := ""
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			got = info.GetReason()
		}
	}
	if s.Code() != code || got != reason {
		t.Errorf("got %v (%s) and the reason %q, want %v and %s", s.Code(), s.Message(), got, code, reason)
	}
	for _, p := range parts {
		if !strings.Contains(s.Message(), p) {
			t.Errorf("%q lacks %q", s.Message(), p)
		}
	}
}
