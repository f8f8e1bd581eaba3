// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// car is a vehicle behind a cable that carries one request at a time.
type car struct {
	mu       sync.Mutex
	units    []carUnit
	latency  time.Duration
	physical bool // units answer at addresses of their own
	err      error
	garbled  bool // answers come beside adapter.ErrGarbled
	silent   bool
	closed   bool
	requests []adapter.Request
	at       []adapter.Time
	busy     bool
	overlap  bool
}

type carUnit struct {
	source  int64
	coding  j1979.Coding
	support j1979.Support
	answer  func(pids []byte) []byte // replaces what is usual
}

func newCar(pids ...byte) *car {
	u := carUnit{source: 0x7E8}
	u.support.Add(pids...)
	return &car{units: []carUnit{u}, latency: 5 * time.Millisecond, physical: true}
}

func (c *car) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	c.mu.Lock()
	c.overlap = c.overlap || c.busy
	c.busy = true
	r.Payload = slices.Clone(r.Payload)
	c.requests = append(c.requests, r)
	c.at = append(c.at, adapter.Now())
	silent, err, garbled := c.silent, c.err, c.garbled
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		c.busy = false
		c.mu.Unlock()
	}()
	out := adapter.Answers{Sent: adapter.Now()}
	if err != nil {
		return out, err
	}
	if !silent {
		out.Answers = c.answers(r)
	}
	wait := c.latency
	if n := len(out.Answers); n == 0 || n < r.Expected || r.Expected == 0 {
		wait = r.Timeout
		if n > 0 {
			wait = 50 * time.Millisecond
		}
	}
	if err := sleep(ctx, wait); err != nil {
		return out, err
	}
	for i := range out.Answers {
		out.Answers[i].Received = out.Sent.Add(c.latency)
	}
	switch {
	case garbled:
		return out, adapter.ErrGarbled
	case len(out.Answers) == 0:
		return out, adapter.ErrSilent
	}
	return out, nil
}

func (c *car) answers(r adapter.Request) (out []adapter.Answer) {
	for _, u := range c.units {
		if r.Target != 0 && (!c.physical || r.Target != physical(u.source)) {
			continue
		}
		if payload := u.respond(r.Payload); len(payload) > 0 {
			out = append(out, adapter.Answer{Source: u.source, Payload: payload})
		}
	}
	return out
}

func (u *carUnit) respond(request []byte) []byte {
	pids, err := u.coding.Dialect.ReadRequest(nil, request)
	if err != nil {
		return nil
	}
	if u.answer != nil {
		if payload := u.answer(pids); payload != nil {
			return payload // empty for silence
		}
	}
	payload := u.coding.BeginAnswer(nil)
	empty := len(payload)
	for _, pid := range pids {
		switch {
		case pid%32 == 0:
			payload = u.coding.AppendBitmap(payload, pid, &u.support)
		case u.support.Has(pid):
			payload, _ = u.coding.AppendParameter(payload, pid, func(id j1979.ID) (float64, bool) {
				s := id.Signal()
				return s.Min + math.Mod(float64(adapter.Now()/20_000), 100)*s.Step, true
			})
		}
	}
	if len(payload) == empty {
		return nil
	}
	return payload
}

func (c *car) Close() error { c.closed = true; return nil }

// set changes the car while it is asked.
func (c *car) set(change func(*car)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	change(c)
}

func (c *car) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.requests)
}

// sheet keeps samples.
type sheet struct {
	mu      sync.Mutex
	wanted  []adapter.Wanted
	changed chan struct{}
	samples map[string][]adapter.Sample
}

func newSheet(wanted ...adapter.Wanted) *sheet {
	return &sheet{wanted: wanted, changed: make(chan struct{}), samples: map[string][]adapter.Sample{}}
}

func (s *sheet) Wanted() ([]adapter.Wanted, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wanted, s.changed
}

func (s *sheet) Send(samples ...adapter.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, one := range samples {
		if math.IsNaN(one.Value) || math.IsInf(one.Value, 0) || one.Uncertainty < time.Microsecond || one.Path == "" {
			return errors.New("a sample that breaks the contract")
		}
		if all := s.samples[one.Path]; len(all) > 0 && one.Time < all[len(all)-1].Time {
			return errors.New("a sample that is earlier than the one before")
		}
		s.samples[one.Path] = append(s.samples[one.Path], one)
	}
	return nil
}

func (s *sheet) want(wanted ...adapter.Wanted) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wanted = wanted
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *sheet) count(name string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.samples[j1979.Prefix+name])
}

func signal(name string, rate float64, group int) adapter.Wanted {
	return adapter.Wanted{Path: j1979.Prefix + name, RateHz: rate, Group: group}
}

// feeding runs a feed for a while of a clock of its own.
func feeding(t *testing.T, f *Feeder, s *sheet, d time.Duration, during ...func()) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx, s) }()
	for _, do := range during {
		time.Sleep(d / time.Duration(len(during)+1))
		do()
	}
	err := <-done
	if ctx.Err() != nil && errors.Is(err, context.DeadlineExceeded) {
		return nil
	}
	return err
}

func quiet() LinkOptions { return LinkOptions{Log: slog.New(slog.DiscardHandler)} }

func TestAFeedComesAsWanted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x04, 0x0B, 0x0C, 0x0F, 0x10, 0x24, 0x87)
		f := Over(c, quiet())
		wanted := []adapter.Wanted{signal("EngineSpeed", 10, 1), signal("MAF", 10, 1), signal("IntakeTemp", 0.5, 0), signal("O2WR.Sensor1.Lambda", 2, 0), signal("O2WR.Sensor1.Voltage", 2, 0), signal("MAPHighRes", 4, 0)}
		signals, err := f.Signals(t.Context(), append(wanted, signal("Speed", 1, 0), adapter.Wanted{Path: "Vehicle.Exterior.Humidity"}, signal("Nothing", 1, 0)))
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range signals {
			if missing := i >= len(wanted); missing != errors.Is(s.Err, adapter.ErrUnsupportedSignal) || !missing && (s.Uncertainty <= 0 || s.Resolution <= 0 || s.Unit == "") {
				t.Errorf("%+v", s)
			}
		}
		before := c.count()
		s := newSheet(wanted...)
		if err := feeding(t, f, s, 20*time.Second); err != nil {
			t.Fatal(err)
		}
		for name, want := range map[string]int{"EngineSpeed": 200, "MAF": 200, "IntakeTemp": 10, "O2WR.Sensor1.Lambda": 40, "O2WR.Sensor1.Voltage": 40, "MAPHighRes": 80} {
			if n := s.count(name); n < want-2 || n > want+60 {
				t.Errorf("%s came %d times, want %d", name, n, want)
			}
		}
		if n := c.count() - before; n > 330 {
			t.Errorf("%d requests in 20 s, where 14 a second do", n)
		}
		last := c.requests[len(c.requests)-1]
		if last.Target != 0x7E0 || last.Expected != 1 {
			t.Errorf("the engine's control unit is asked by %+v", last)
		}
		for _, st := range f.Report() {
			if st.Reason != NoTrouble || st.Source != 0x7E8 {
				t.Errorf("%+v", st)
			}
		}
		after := c.count()
		time.Sleep(10 * time.Second)
		if c.count() != after {
			t.Error("requests go on after the end of the feed")
		}
	})
}

func TestAControlUnitWithoutAnAddressOfItsOwnIsAskedWithAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10)
		gearbox := carUnit{source: 0x7E9}
		gearbox.support.Add(0x0C, 0x0D)
		c.units = append([]carUnit{gearbox}, c.units...)
		c.physical = false
		f := Over(c, quiet())
		s := newSheet(signal("EngineSpeed", 0, 1), signal("MAF", 0, 1), signal("Speed", 1, 0))
		if err := feeding(t, f, s, 5*time.Second); err != nil {
			t.Fatal(err)
		}
		// Both have the engine speed, so both answer.
		if r := c.requests[len(c.requests)-1]; r.Target != 0 || r.Expected != 2 {
			t.Errorf("asked by %+v, want target 0 and two answers", r)
		}
		if n := s.count("MAF"); n < 300 {
			t.Errorf("%d samples in 5 s; each waits for those who do not answer", n)
		}
		if n := s.count("Speed"); n < 4 {
			t.Errorf("%d samples of the other control unit", n)
		}
	})
}

func TestDiagnosticsOnUDSAreFoundByThemselves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0F, 0x10, 0x11)
		c.units[0].coding.Dialect = j1979.UDS
		c.units[0].source = 0x98DAF110
		most := 0
		c.units[0].answer = func(pids []byte) []byte {
			if len(pids) > 3 {
				return j1979.AppendNegative(nil, 0x22, j1979.CodeAnswerTooLong)
			}
			most = max(most, len(pids))
			return nil
		}
		f := Over(c, quiet())
		s := newSheet(signal("EngineSpeed", 0, 1), signal("MAF", 0, 1), signal("MAP", 0, 1), signal("EngineLoad", 0, 0), signal("ThrottlePosition", 0, 0))
		if err := feeding(t, f, s, 30*time.Second); err != nil {
			t.Fatal(err)
		}
		if r := c.requests[len(c.requests)-1]; r.Target != 0x98DA10F1 || r.Payload[0] != 0x22 {
			t.Errorf("asked by %+v", r)
		}
		if n := s.count("MAF"); n < 1000 || most < 2 {
			t.Errorf("%d samples in 30 s, and at most %d identifiers a request", n, most)
		}
	})
}

func TestSilenceIsToldAndEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10)
		f := Over(c, quiet())
		s := newSheet(signal("EngineSpeed", 10, 1), signal("MAF", 10, 1))
		begin := time.Now()
		err := feeding(t, f, s, time.Minute, func() { c.set(func(c *car) { c.silent = true }) })
		if took := time.Since(begin); !errors.Is(err, adapter.ErrSilent) || took > 33*time.Second {
			t.Fatalf("after %v: %v", took, err)
		}
		if err := feeding(t, f, s, 10*time.Second); !errors.Is(err, adapter.ErrSilent) {
			t.Fatalf("still silent, and the feed ends by %v", err)
		}
		if _, err := f.Signals(t.Context(), s.wanted); err != nil {
			t.Errorf("what is known of the vehicle is forgotten: %v", err)
		}
		c.set(func(c *car) { c.silent = false })
		before := s.count("MAF")
		if err := feeding(t, f, s, 5*time.Second); err != nil {
			t.Fatal(err)
		}
		if n := s.count("MAF") - before; n < 45 {
			t.Errorf("%d samples in 5 s after the silence", n)
		}
	})
}

func TestWhatEndsTheLinkEndsTheFeed(t *testing.T) {
	for _, why := range []error{adapter.ErrUnplugged, adapter.ErrBusy, errors.New("no table")} {
		synctest.Test(t, func(t *testing.T) {
			c := newCar(0x0C)
			s := newSheet(signal("EngineSpeed", 10, 0))
			err := feeding(t, Over(c, quiet()), s, time.Minute, func() { c.set(func(c *car) { c.err = why }) })
			if !errors.Is(err, why) {
				t.Errorf("got %v, want %v", err, why)
			}
		})
	}
}

// known is a cable that tells when it is gone.
type known struct {
	*car
	gone chan struct{}
}

func (k known) Done() <-chan struct{} { return k.gone }
func (k known) Err() error            { return adapter.ErrUnplugged }

func TestALinkThatIsGoneEndsAFeedOfWhichNothingIsWanted(t *testing.T) {
	for _, share := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			k := known{newCar(0x0C), make(chan struct{})}
			f := Over(k, quiet())
			if share {
				f = Over(Share(k), quiet())
			}
			begin := time.Now()
			err := feeding(t, f, newSheet(), time.Minute, func() { close(k.gone) })
			if !errors.Is(err, adapter.ErrUnplugged) || time.Since(begin) > 31*time.Second {
				t.Errorf("after %v: %v", time.Since(begin), err)
			}
		})
	}
}

func TestASoundAnswerBesideAGarbledOneIsTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C)
		c.garbled = true
		s := newSheet(signal("EngineSpeed", 10, 0))
		if err := feeding(t, Over(c, quiet()), s, 10*time.Second); err != nil || s.count("EngineSpeed") < 90 {
			t.Errorf("%d samples, %v", s.count("EngineSpeed"), err)
		}
	})
}

func TestAControlUnitWhoseFirstAnswerIsLostIsFound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0D)
		engine := carUnit{source: 0x7E9}
		engine.support.Add(0x0C, 0x10)
		n := 0
		engine.answer = func([]byte) []byte {
			if n++; n == 1 {
				return []byte{}
			}
			return nil
		}
		c.units = append(c.units, engine)
		signals, err := Over(c, quiet()).Signals(t.Context(), []adapter.Wanted{signal("MAF", 0, 0)})
		if err != nil || signals[0].Err != nil {
			t.Errorf("%+v, %v", signals, err)
		}
	})
}

func TestWhatIsKnownOfAVehicleOutlastsASilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10)
		f := Over(c, quiet())
		s := newSheet(signal("EngineSpeed", 10, 1), signal("MAF", 10, 1))
		_ = feeding(t, f, s, time.Minute, func() { c.set(func(c *car) { c.silent = true }) })
		before := f.Report()
		c.set(func(c *car) { c.silent = false })
		if err := feeding(t, f, s, 200*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if now := f.Report(); len(now) == 0 || now[0].Samples < before[0].Samples || before[0].Samples == 0 {
			t.Errorf("before %+v, after %+v", before, now)
		}
	})
}

func TestARefusedRequestIsRecorded(t *testing.T) {
	var log bytes.Buffer
	c := newCar(0x0C)
	f := Over(c, LinkOptions{Log: slog.New(slog.NewTextHandler(&log, nil))})
	if _, _, _, err := f.send(t.Context(), adapter.Request{Payload: []byte{0x2E, 0xF4, 0x0C, 1}, Target: 0x7E0}); !errors.Is(err, adapter.ErrNotReadOnly) {
		t.Error(err)
	}
	if !strings.Contains(log.String(), "service=2E") || !strings.Contains(log.String(), "target=7E0") || c.count() > 0 {
		t.Errorf("%d requests were sent, and the log says %q", c.count(), log.String())
	}
}

func TestAGarbledLinkIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C)
		s := newSheet(signal("EngineSpeed", 10, 0))
		err := feeding(t, Over(c, quiet()), s, time.Minute, func() { c.set(func(c *car) { c.err = adapter.ErrGarbled }) })
		if !errors.Is(err, adapter.ErrGarbled) {
			t.Errorf("got %v", err)
		}
	})
}

func TestWhatIsRefusedIsToldWithItsCode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10, 0x0F)
		c.units[0].answer = func(pids []byte) []byte {
			if slices.Contains(pids, 0x0F) {
				return j1979.AppendNegative(nil, 0x01, j1979.CodeOutOfRange)
			}
			return nil
		}
		log := &strings.Builder{}
		f := Over(c, LinkOptions{Log: slog.New(slog.NewTextHandler(log, nil))})
		s := newSheet(signal("EngineSpeed", 10, 1), signal("MAF", 10, 1), signal("IntakeTemp", 1, 0))
		if err := feeding(t, f, s, 10*time.Second); err != nil {
			t.Fatal(err)
		}
		signals, err := f.Signals(t.Context(), s.wanted)
		var refused *adapter.NegativeResponseError
		if err != nil || signals[1].Err != nil || !errors.As(signals[2].Err, &refused) || refused.Code != 0x31 || refused.Source != 0x7E8 {
			t.Errorf("%+v, %v", signals, err)
		}
		if text := log.String(); strings.Count(text, "a signal is not had") != 1 || !strings.Contains(text, "IntakeTemp") {
			t.Errorf("the log says %s", text)
		}
		if n := s.count("MAF"); n < 95 {
			t.Errorf("%d samples of what is answered", n)
		}
	})
}

func TestTheScalingIsAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x10, 0x0B, 0x4F, 0x50)
		c.units[0].answer = func(pids []byte) []byte {
			switch pids[0] {
			case 0x4F:
				return []byte{0x41, 0x4F, 0, 0, 0, 51} // pressure to 510 kPa
			case 0x50:
				return []byte{0x41, 0x50, 131, 0, 0, 0} // flow to 1310 g/s
			case 0x10:
				return []byte{0x41, 0x10, 0x80, 0x00}
			}
			return nil
		}
		f := Over(c, quiet())
		s := newSheet(signal("MAF", 5, 0))
		signals, err := f.Signals(t.Context(), append(s.wanted, signal("MAP", 1, 0)))
		if err != nil || math.Abs(signals[0].Resolution-1310.0/65535) > 1e-6 || math.Abs(signals[1].Resolution-2) > 1e-6 {
			t.Errorf("%+v, %v", signals, err)
		}
		if err := feeding(t, f, s, time.Second); err != nil {
			t.Fatal(err)
		}
		if got := s.samples[j1979.Prefix+"MAF"][0].Value; math.Abs(got-1310*32768.0/65535) > 1e-6 {
			t.Errorf("%v g/s", got)
		}
	})
}

func TestWhatIsWantedMayChangeAtAnyTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10, 0x0D)
		f := Over(c, quiet())
		s := newSheet()
		err := feeding(t, f, s, 40*time.Second,
			func() { s.want(signal("Speed", 1, 0)) },
			func() { s.want(signal("EngineSpeed", 0, 1), signal("MAF", 0, 1)) },
			func() { s.want() })
		if err != nil {
			t.Fatal(err)
		}
		if n := s.count("Speed"); n < 9 || n > 11 {
			t.Errorf("%d samples of the first 10 s", n)
		}
		if n := s.count("MAF"); n < 950 || n > 1005 {
			t.Errorf("%d samples of the next 10 s at the default cap of 100 requests a second", n)
		}
	})
}

func TestACableIsSharedOneRequestAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10)
		line := Share(c)
		f := Over(line, quiet())
		s := newSheet(signal("EngineSpeed", 0, 1), signal("MAF", 0, 1))
		ask := func() {
			for range 50 {
				if _, err := line.Request(t.Context(), adapter.Request{Payload: []byte{1, 0x0C}, Timeout: time.Second, Expected: 1}); err != nil {
					t.Error(err)
				}
			}
		}
		if err := feeding(t, f, s, 6*time.Second, ask, ask); err != nil {
			t.Fatal(err)
		}
		if c.overlap {
			t.Error("two requests at once")
		}
		if err := errors.Join(line.Close(), line.Close()); err != nil || !c.closed {
			t.Errorf("closing: %v", err)
		}
	})
}

func TestRequestsOfADiscoveryCountAgainstTheCap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCar(0x0C, 0x10, 0x20, 0x40, 0x4F, 0x50, 0x61)
		o := quiet()
		o.MaxRequestsPerS = 5
		if err := feeding(t, Over(c, o), newSheet(signal("MAF", 0, 0)), 10*time.Second); err != nil {
			t.Fatal(err)
		}
		for i := 5; i < len(c.at); i++ {
			if c.at[i].Sub(c.at[i-5]) < time.Second {
				t.Fatalf("more than 5 requests within a second, before %d", i)
			}
		}
	})
}

// Whatever control units answer, a feed neither panics nor sends what breaks the contract.
func FuzzAnswers(f *testing.F) {
	f.Add([]byte{0x41, 0x0C, 0x1F, 0x40, 0x10, 0x1A, 0xF8}, uint8(3))
	f.Add([]byte{0x7F, 0x01, 0x78}, uint8(1))
	f.Add([]byte{0x41, 0x00, 0xFF, 0xFF, 0xFF, 0xFF}, uint8(0))
	f.Fuzz(func(t *testing.T, raw []byte, from uint8) {
		synctest.Test(t, func(t *testing.T) {
			c := newCar(0x0C, 0x10, 0x0B, 0x24, 0x34, 0x66, 0x87)
			n := uint8(0)
			c.units[0].answer = func([]byte) []byte {
				if n++; n < from || len(raw) == 0 {
					return nil
				}
				at := int(n) % len(raw)
				return append(slices.Clone(raw[at:]), raw[:at]...)
			}
			s := newSheet(signal("EngineSpeed", 0, 1), signal("MAF", 0, 1), signal("MAFA", 0, 1), signal("O2WR.Sensor1.Lambda", 5, 0), signal("O2WR.Sensor1.Current", 5, 0), signal("MAPHighRes", 5, 2))
			if err := feeding(t, Over(c, quiet()), s, 5*time.Second); err != nil && !isAny(err, adapter.ErrSilent, adapter.ErrGarbled) && !refuses(err) {
				t.Fatal(err)
			}
		})
	})
}
