// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"encoding/hex"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

const (
	ms = time.Millisecond
	// frameTime is that of a frame of 8 bytes with 11 bits at 500 kbit/s, rounded.
	frameTime = 250 * time.Microsecond
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// wire is a bus in memory, with control units on it.
type wire struct {
	t        testing.TB
	incoming chan delivery
	closed   chan struct{}
	once     sync.Once

	mu    sync.Mutex
	nodes []*node
	sent  []string // what the tester sent
	fail  error    // of Send
	stuck bool     // Send blocks
}

type delivery struct {
	frame isotp.Frame
	at    adapter.Time
	err   error
}

func newWire(t testing.TB) *wire {
	t.Helper()
	return &wire{t: t, incoming: make(chan delivery, 4096), closed: make(chan struct{})}
}

func (w *wire) Send(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	if err := f.Check(); err != nil {
		w.t.Errorf("%v cannot be sent: %v", f, err)
	}
	w.mu.Lock()
	fail, stuck := w.fail, w.stuck
	w.mu.Unlock()
	if fail != nil {
		return 0, fail
	}
	if stuck {
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-w.closed:
			return 0, net.ErrClosed
		}
	}
	time.Sleep(frameTime)
	w.mu.Lock()
	w.sent = append(w.sent, f.String())
	nodes := w.nodes
	w.mu.Unlock()
	for _, n := range nodes {
		n.receive(*f)
	}
	return adapter.Now(), nil
}

func (w *wire) Receive(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	select {
	case <-w.closed:
		return 0, net.ErrClosed
	default:
	}
	select {
	case d := <-w.incoming:
		*f = d.frame
		return d.at, d.err
	case <-w.closed:
		return 0, net.ErrClosed
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

func (w *wire) Close() error {
	w.once.Do(func() { close(w.closed) })
	return nil
}

// say puts a frame on the bus that some node sends.
func (w *wire) say(f isotp.Frame) { w.incoming <- delivery{frame: f, at: adapter.Now()} }

// happen makes Receive fail.
func (w *wire) happen(err error) { w.incoming <- delivery{err: err} }

func (w *wire) log() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.sent...)
}

func (w *wire) setFail(err error, stuck bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail, w.stuck = err, stuck
}

// reply is what a control unit answers, and when.
type reply struct {
	after   time.Duration
	payload string
}

// node is a control unit.
type node struct {
	t      testing.TB
	wire   *wire
	number byte
	kind   Addressing

	mu     sync.Mutex
	end    *isotp.Endpoint
	answer func(request string) []reply
	// mangle turns the n-th frame of an answer into what goes on the bus; nil for itself.
	mangle func(n int, f isotp.Frame) []isotp.Frame
	frames int
}

// join puts a control unit on the bus that answers by a table of payloads in hex.
func (w *wire) join(a Addressing, number byte, answer func(request string) []reply) *node {
	w.t.Helper()
	end, err := isotp.NewEndpoint(isotp.Config{Address: a.pair(number).Mirror(), Fill: 0xAA, BlockSize: 1})
	if err != nil {
		w.t.Fatal(err)
	}
	n := &node{t: w.t, wire: w, number: number, kind: a, end: end, answer: answer}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.nodes = append(w.nodes, n)
	return n
}

func since(t adapter.Time) time.Duration { return time.Duration(t) * time.Microsecond }

func (n *node) receive(f isotp.Frame) {
	n.mu.Lock()
	defer n.mu.Unlock()
	group := n.kind.functional()
	if f.ID == group.Send && f.Extended == group.Extended {
		f.ID = n.kind.pair(n.number).Send
	}
	complete, _ := n.end.Receive(since(adapter.Now()), &f)
	if complete {
		for _, r := range n.answer(strings.ToUpper(hex.EncodeToString(n.end.Message()))) {
			time.AfterFunc(r.after, func() { n.start(unhex(n.t, r.payload)) })
		}
	}
	n.pump()
}

func (n *node) start(payload []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.end.Sender().Abort()
	n.frames = 0
	if err := n.end.Start(since(adapter.Now()), payload); err != nil {
		n.t.Error(err)
	}
	n.pump()
}

// pump sends what is due, without taking time.
func (n *node) pump() {
	var f isotp.Frame
	for n.end.Next(since(adapter.Now()), &f) {
		n.end.Sent(since(adapter.Now()))
		out := []isotp.Frame{f}
		if n.mangle != nil {
			out = n.mangle(n.frames, f)
		}
		n.frames++
		for _, f := range out {
			n.wire.say(f)
		}
	}
}

// table answers by a fixed table.
func table(latency time.Duration, rows map[string]string) func(string) []reply {
	return func(request string) []reply {
		if payload, ok := rows[request]; ok {
			return []reply{{latency, payload}}
		}
		return nil
	}
}

// usual is what an engine's control unit answers.
var usual = map[string]string{
	"0100": "4100BE3FA813", "010C": "410C1F40", "010D": "410D32", "0902": "4902013141314141413131414131413131313131",
	"010C10040B110F": "410C1F40101AF804D90B6211D00F46",
}

var quiet = slog.New(slog.DiscardHandler)

// link makes a link over the bus that is closed at the end.
func (w *wire) link(o Options) *Link {
	w.t.Helper()
	if o.Log == nil {
		o.Log = quiet
	}
	l, err := New(w, o)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if err := l.Close(); err != nil {
			w.t.Error(err)
		}
	})
	return l
}

func ask(t testing.TB, l *Link, payload string) (adapter.Answers, error) {
	t.Helper()
	return l.Request(t.Context(), adapter.Request{Payload: unhex(t, payload), Timeout: 200 * ms})
}

// mustAsk fails unless exactly these control units answer with these payloads, in this order.
func mustAsk(t testing.TB, l *Link, payload string, want ...string) adapter.Answers {
	t.Helper()
	answers, err := ask(t, l, payload)
	if err != nil {
		t.Fatalf("%s: %v", payload, err)
	}
	if got := said(answers); strings.Join(got, " ") != strings.Join(want, " ") {
		t.Fatalf("%s: %v, want %v", payload, got, want)
	}
	return answers
}

func said(a adapter.Answers) []string {
	var s []string
	for _, one := range a.Answers {
		s = append(s, strings.ToUpper(hex.EncodeToString([]byte{byte(one.Source)})+":"+hex.EncodeToString(one.Payload)))
	}
	return s
}
