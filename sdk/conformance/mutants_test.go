// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"context"
	"net"
	"path"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	grpctap "google.golang.org/grpc/tap"
	"google.golang.org/grpc/test/bufconn"
)

// mutant is a fake with one flaw, and the one check that must find it.
type mutant struct {
	flaw, check string
	env         []string
	process     bool   // the flaw is one of the process
	hands       bool   // found only by who pulls plugs or counts frames
	besides     string // a check that cannot be run beside the flaw
	few         bool   // every start takes long
}

func mutants() []mutant {
	return []mutant{
		{flaw: "serves without a host", check: "H1", process: true},
		{flaw: "takes the highest version", check: "H2", process: true},
		{flaw: "serves without TLS", check: "H3", process: true},
		{flaw: "lets everybody in", check: "H3", process: true},
		{flaw: "lets any certificate in", check: "H3", process: true},
		{flaw: "listens elsewhere", check: "H4", process: true},
		{flaw: "is not well", check: "H5", process: true},
		{flaw: "logs plain text", check: "H6", process: true},
		{flaw: "errors say nothing", check: "E1"},
		{flaw: "has a name with a space", check: "M1"},
		{flaw: "has an id with a space", check: "M2"},
		{flaw: "does not say what its times are", check: "M3"},
		{flaw: "makes columns of two lengths", check: "M4"},
		{flaw: "greets too early", check: "C1", process: true},
		{flaw: "greets too late", check: "C1", process: true},
		{flaw: "starts slowly", check: "C2", process: true, few: true},
		{flaw: "sits out a cancelled request", check: "C3"},
		{flaw: "forgets its configuration over a bad one", check: "C4"},
		{flaw: "ends the feed when a second is asked for", check: "C4"},
		{flaw: "refuses unknown fields", check: "C5"},
		{flaw: "reads standard input", check: "C6", process: true},
		{flaw: "describes itself anew", check: "D1"},
		{flaw: "offers more than it describes", check: "D2", env: []string{abilitiesEnv + "=feed"}},
		{flaw: "takes any configuration", check: "F1"},
		{flaw: "does not say what is wrong", check: "F1"},
		{flaw: "uses what it should check", check: "F2"},
		{flaw: "needs no configuration", check: "F3"},
		{flaw: "configures while open", check: "F4"},
		{flaw: "gives two devices one id", check: "L1"},
		{flaw: "gives new ids at each look", check: "L1"},
		{flaw: "loses samples while it looks", check: "L2"},
		{flaw: "looks on the bus", check: "L2", hands: true},
		{flaw: "finds nothing and fails", check: "L3", hands: true},
		{flaw: "calls a strange id a defect", check: "O1"},
		{flaw: "opens twice", check: "O2"},
		{flaw: "calls an unplugged device a defect", check: "O3", hands: true},
		{flaw: "holds what it could not open", check: "O4", hands: true},
		{flaw: "closes once", check: "X1"},
		{flaw: "closes before the feed has ended", check: "X2"},
		{flaw: "holds what it has closed", check: "X3", env: []string{exclusiveEnv + "=1"}, process: true},
		{flaw: "leaks a file with each opening", check: "X3-100", process: true},
		{flaw: "skips a number", check: "S1"},
		{flaw: "goes back in time", check: "S2"},
		{flaw: "tells the time of day", check: "S2"},
		{flaw: "drops in silence", check: "S3"},
		{flaw: "repeats values", check: "S4"},
		{flaw: "has no uncertainty", check: "S5"},
		{flaw: "keeps all for a slow reader", check: "S6", process: true},
		{flaw: "sends late", check: "S7"},
		{flaw: "fills batches without end", check: "S7"},
		{flaw: "ends the feed over a signal", check: "S8"},
		{flaw: "numbers anew after a change", check: "S9"},
		{flaw: "feeds without the device", check: "S10", hands: true},
		{flaw: "ends the feed when the vehicle is silent", check: "S10-silent", hands: true},
		{flaw: "feeds twice", check: "S11"},
		{flaw: "keeps a cancelled feed", check: "S12"},
		{flaw: "polls on after the feed", check: "S12", hands: true},
		{flaw: "reads anything", check: "R1"},
		{flaw: "sends what it refuses", check: "R1", hands: true},
		{flaw: "clears trouble codes", check: "R1-all"},
		{flaw: "leaves the header on", check: "R2"},
		{flaw: "calls a refusal an error", check: "R3"},
		{flaw: "calls silence an answer", check: "R4"},
		{flaw: "passes on what is garbled", check: "R5"},
		{flaw: "sends all requests at once", check: "R6"},
		{flaw: "stamps requests with the time of day", check: "R7"},
		{flaw: "outlives its host", check: "K1", process: true},
		{flaw: "hangs on a log that nobody reads", check: "K1", process: true},
		{flaw: "ends without letting go", check: "K1", env: []string{exclusiveEnv + "=1"}, process: true, besides: "Q1"},
		{flaw: "waits for a host for ever", check: "K2", process: true},
		{flaw: "takes every call for a lifeline", check: "K2", process: true},
		{flaw: "beats once", check: "K3"},
		{flaw: "goes on after Shutdown", check: "Q1", process: true},
		{flaw: "shuts down once", check: "Q2"},
	}
}

// slow says that the check waits for long.
func (m mutant) slow() bool { return m.hands || slices.Contains([]string{"H1", "K1", "K2"}, m.check) }

// options choose the checks: all that are cheap, and the mutant's own.
func (m mutant) options(folder string) Options {
	o := fullOptions(folder)
	if !m.hands {
		o.Hardware = Hardware{}
	}
	o.Parallel, o.Attempts = 8, 1
	if slices.Contains(m.env, exclusiveEnv+"=1") {
		o.Parallel = 1
	}
	// The race detector makes everything so slow that times mean little; there, only the flaw's own check is run.
	if raced {
		o.Only = []string{m.check}
		return o
	}
	for _, c := range catalogue() {
		if c.ID == m.check || c.ID != "K2" && c.ID != m.besides && (!m.few || c.needs < needDevice) {
			o.Only = append(o.Only, c.ID)
		}
	}
	return o
}

func (m mutant) limits() limits {
	l := testLimits()
	if m.check == "C2" {
		l.start = 2 * time.Second
	}
	return l
}

// served is a fake within this process.
type served struct {
	flaw, abilities, folder string
	calls                   *tally // of each method; may be nil
}

// tally counts calls.
type tally struct{ counts sync.Map }

func (c *tally) note(method string) {
	if c == nil {
		return
	}
	n, _ := c.counts.LoadOrStore(path.Base(method), new(atomic.Int64))
	n.(*atomic.Int64).Add(1) //nolint:errcheck // nothing else is stored
}

func (c *tally) of(method string) int64 {
	n, ok := c.counts.Load(method)
	if !ok {
		return 0
	}
	return n.(*atomic.Int64).Load() //nolint:errcheck // nothing else is stored
}

func (s served) String() string          { return s.flaw }
func (s served) usable() (Target, error) { return s, nil }
func (s served) hosted() bool            { return false }
func (s served) alone() bool             { return false }

func (s served) start(_ context.Context, k *kit, how launch) (*life, error) {
	f := newFake(s.flaw, func() {})
	f.abilities, f.folder = s.abilities, s.folder
	listener := bufconn.Listen(64 << 10)
	server := grpc.NewServer(grpc.InTapHandle(func(ctx context.Context, info *grpctap.Info) (context.Context, error) {
		s.calls.note(info.FullMethodName)
		return f.ticket(ctx, info)
	}))
	adapterv1beta1.RegisterAdapterServiceServer(server, f)
	over := make(chan struct{})
	go func() {
		defer close(over)
		_ = server.Serve(listener)
	}()
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }),
	}
	if how.window > 0 {
		options = append(options, grpc.WithInitialWindowSize(how.window))
	}
	conn, err := grpc.NewClient("passthrough:///fake", options...)
	if err != nil {
		return nil, err
	}
	l := newLife(k, nil)
	l.connection = conn
	l.stop = func() {
		f.end()
		server.Stop()
		<-over
	}
	l.use(conn)
	return l, nil
}

// run checks the mutant, and says what the report got wrong.
func (m mutant) run(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	var target Target = fakeProcess(t, m.flaw, folder, m.env...)
	if !m.process {
		abilities := ""
		for _, e := range m.env {
			abilities = strings.TrimPrefix(e, abilitiesEnv+"=")
		}
		target = served{flaw: m.flaw, abilities: abilities, folder: folder}
	}
	r, err := run(t.Context(), target, m.options(folder), m.limits())
	if err != nil {
		return err.Error()
	}
	var wrong []string
	for _, one := range r.Results {
		if want := one.ID == m.check; want != (one.Status == Failed) || one.Status == Unproven {
			wrong = append(wrong, one.ID)
		}
	}
	if len(wrong) == 0 {
		return ""
	}
	return strings.Join(wrong, ", ") + ":\n" + shown(t, r)
}

func TestEachFlawFailsExactlyItsCheck(t *testing.T) {
	t.Parallel()
	all := mutants()
	wrong := make([]string, len(all))
	var running sync.WaitGroup
	// What takes long comes first, and is waited for beside the others.
	slots := make(chan struct{}, 10)
	for _, slow := range []bool{true, false} {
		for i, m := range all {
			if m.slow() != slow {
				continue
			}
			slots <- struct{}{}
			running.Go(func() {
				defer func() { <-slots }()
				wrong[i] = m.run(t)
			})
		}
	}
	running.Wait()
	for i, m := range all {
		t.Run(m.flaw, func(t *testing.T) {
			for range 3 { // The others were in its way, perhaps: again, alone.
				if wrong[i] != "" {
					wrong[i] = m.run(t)
				}
			}
			if wrong[i] != "" {
				t.Errorf("want that %s fails and no other does, but not as expected are %s", m.check, wrong[i])
			}
		})
	}
}

func TestEveryCheckHasAFlawThatItFinds(t *testing.T) {
	for _, item := range Items() {
		if !slices.ContainsFunc(mutants(), func(m mutant) bool { return m.check == item.ID }) {
			t.Errorf("no mutant fails %s", item.ID)
		}
	}
}
