// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// line is a bus between two endpoints on virtual time, which may lose, repeat and swap.
type line struct {
	t      *testing.T
	rng    *rand.Rand
	now    time.Duration
	ends   [2]*Endpoint
	flying []flight
	// loss and dup are how likely a frame gets lost or comes twice; late is the most by which one is delayed.
	loss, dup float64
	late      time.Duration
	// sent and got are what each end sends now and has received of it.
	sent [2][]byte
	got  [2]int
}

type flight struct {
	at    time.Duration
	to    int
	frame Frame
}

// slot is how long a frame takes at 500 kbit/s, rounded.
const slot = 250 * time.Microsecond

func (l *line) put(to int, f *Frame) {
	if err := f.Check(); err != nil {
		l.t.Fatalf("%v could not be sent: %v", f, err)
	}
	l.now += slot
	for range 2 {
		if l.rng.Float64() >= l.loss {
			at := l.now
			if l.late > 0 {
				at += time.Duration(l.rng.Int64N(int64(l.late)))
			}
			l.flying = append(l.flying, flight{at, to, *f})
		}
		if l.rng.Float64() >= l.dup {
			break
		}
	}
}

// step lets both ends send what is due, and goes on to the next event; false once nothing more can happen.
func (l *line) step() bool {
	var f Frame
	for i, e := range l.ends {
		_ = e.Tick(l.now)
		for e.Next(l.now, &f) {
			l.put(1-i, &f)
			e.Sent(l.now)
		}
	}
	next, waits := time.Duration(0), false
	for _, e := range l.ends {
		if at, ok := e.Deadline(); ok && (!waits || at < next) {
			next, waits = at, true
		}
	}
	first := -1
	for i, f := range l.flying {
		if first < 0 || f.at < l.flying[first].at {
			first = i
		}
	}
	if first < 0 || waits && next < l.flying[first].at {
		l.now = max(l.now, next)
		return waits
	}
	arrived := l.flying[first]
	l.flying = slices.Delete(l.flying, first, first+1)
	l.now = max(l.now, arrived.at)
	complete, _ := l.ends[arrived.to].Receive(l.now, &arrived.frame)
	if complete {
		l.got[arrived.to]++
		if got := l.ends[arrived.to].Message(); !bytes.Equal(got, l.sent[1-arrived.to]) {
			l.t.Errorf("end %d received %d bytes that nobody sent: %X, sent %X", arrived.to, len(got), got, l.sent[1-arrived.to])
		}
	}
	return true
}

func randomConfig(rng *rand.Rand) Config {
	c := Config{Address: Normal11(0x7E0, 0x7E8), BlockSize: byte(rng.IntN(20)), STmin: byte(rng.IntN(4)), Fill: byte(rng.IntN(256))}
	if rng.IntN(8) == 0 {
		c.STmin = byte(rng.IntN(256))
	}
	switch rng.IntN(3) {
	case 0:
		c.Address = NormalFixed(0x10, 0xF1)
	case 1:
		c.Address = Normal29(0x12345, 0x12346).ByByte(1, 2)
	}
	c.NoPadding = rng.IntN(2) == 0
	if c.FD = rng.IntN(2) == 0; c.FD {
		c.FrameLength = []int{0, 8, 12, 16, 20, 24, 32, 48, 64}[rng.IntN(9)]
	}
	if !c.NoPadding {
		c.Check = PaddingCheck(rng.IntN(3))
	}
	c.MaxMessage = 6000
	return c
}

func randomMessage(rng *rand.Rand) []byte {
	n := 1 + rng.IntN(90)
	if rng.IntN(10) == 0 {
		n = 1 + rng.IntN(6000)
	}
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

func newLine(t *testing.T, seed uint64) *line {
	t.Helper()
	l := &line{t: t, rng: rand.New(rand.NewPCG(seed, 15765))}
	c := randomConfig(l.rng)
	mirrored := c
	mirrored.Address = c.Mirror()
	mirrored.BlockSize, mirrored.STmin = byte(l.rng.IntN(20)), byte(l.rng.IntN(3))
	for i, c := range []Config{c, mirrored} {
		e, err := NewEndpoint(c)
		if err != nil {
			t.Fatal(err)
		}
		l.ends[i] = e
	}
	return l
}

// exchange sends one message each way at the same time and lets the line fall still.
func (l *line) exchange() {
	l.got = [2]int{}
	for i, e := range l.ends {
		l.sent[i] = randomMessage(l.rng)
		if err := e.Start(l.now, l.sent[i]); err != nil {
			l.t.Fatal(err)
		}
	}
	for steps := 0; l.step(); steps++ {
		if steps > 100_000 {
			l.t.Fatal("the exchange does not end")
		}
	}
}

func TestSoundBusDeliversEveryMessage(t *testing.T) {
	for seed := range uint64(100) {
		l := newLine(t, seed)
		for range 5 {
			l.exchange()
			if l.got != [2]int{1, 1} || l.ends[0].Sender().State() != Delivered || l.ends[1].Sender().State() != Delivered {
				t.Fatalf("seed %d: received %v; %v, %v", seed, l.got, l.ends[0].Sender().Err(), l.ends[1].Sender().Err())
			}
		}
	}
}

func TestBadBusDeliversNoWrongMessage(t *testing.T) {
	delivered, lost := 0, 0
	for seed := range uint64(200) {
		l := newLine(t, seed)
		l.loss, l.dup = l.rng.Float64()*0.1, l.rng.Float64()*0.1
		// A frame overtakes at most 7 others: the sequence number tells 16 apart.
		l.late = time.Duration(l.rng.Int64N(int64(8 * slot)))
		for range 5 {
			l.exchange()
			for i := range l.got {
				delivered += min(l.got[i], 1)
				lost += 1 - min(l.got[i], 1)
			}
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
	if delivered == 0 || lost == 0 {
		t.Errorf("%d delivered, %d lost: the bus is not what the test wants", delivered, lost)
	}
}

// A bus that does what it likes between two endpoints: all that is asked is that every exchange ends.
func TestChaosEnds(t *testing.T) {
	for seed := range uint64(200) {
		l := newLine(t, seed)
		for range 3 {
			for i, e := range l.ends {
				if e.Sending() {
					e.Sender().Abort()
				}
				if err := e.Start(l.now, randomMessage(l.rng)); err != nil {
					t.Fatal(err)
				}
				l.sent[i] = nil
			}
			for range 200 {
				var f Frame
				l.noise(&f)
				for _, e := range l.ends {
					_, _ = e.Receive(l.now, &f)
					_ = e.Tick(l.now)
					for e.Next(l.now, &f) {
						e.Sent(l.now)
					}
				}
				l.now += slot
			}
		}
		for range 3 { // with nothing more on the bus, the time-outs end all
			for _, e := range l.ends {
				l.now += 200 * time.Second
				_ = e.Tick(l.now)
				_ = e.Tick(l.now)
				for e.Next(l.now, &Frame{}) {
					e.Sent(l.now)
				}
			}
		}
	}
}

// noise makes frames that are nearly right.
func (l *line) noise(f *Frame) {
	a := l.ends[l.rng.IntN(2)].in.config.Address
	*f = Frame{ID: a.Receive, Extended: a.Extended, FD: l.rng.IntN(2) == 0, Length: uint8(l.rng.IntN(70))}
	for i := range f.Data {
		f.Data[i] = byte(l.rng.Uint32())
	}
	if a.WithByte {
		f.Data[0] = a.ReceiveByte
	}
	at := a.head()
	f.Data[at] = []byte{0x02, 0x10, 0x20, 0x30}[l.rng.IntN(4)] | byte(l.rng.IntN(3))
}

func FuzzReceiver(f *testing.F) {
	f.Add([]byte{0, 8, 0x10, 0x0F, 0x41, 0x0C, 0x1F, 0x40, 0x10, 0x1A, 0, 8, 0x21, 0xF8, 4, 0xD9, 0x0B, 0x62, 0x11, 0xD0, 0, 8, 0x22, 0x0F, 0x46, 0, 0, 0, 0, 0}, byte(0))
	f.Add([]byte{1, 12, 0x00, 0x0A, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, byte(1))
	f.Add([]byte{0, 3, 0x30, 1, 0xF1, 0, 3, 0x31, 0, 0, 2, 3, 0x32, 0, 0}, byte(2))
	f.Fuzz(func(t *testing.T, script []byte, shape byte) {
		c := Config{Address: Normal11(0x7E0, 0x7E8), FD: shape&1 != 0, MaxMessage: 300, BlockSize: shape >> 1 & 3, Check: PaddingCheck(shape >> 3 % 3)}
		if shape&64 != 0 {
			c.Address = c.ByByte(0x10, 0xF1)
		}
		e, err := NewEndpoint(c)
		if err != nil {
			t.Fatal(err)
		}
		now := time.Duration(0)
		if err := e.Start(now, counted(100)); err != nil {
			t.Fatal(err)
		}
		for len(script) >= 2 {
			now = feed(t, e, now, &script)
		}
	})
}

// feed takes a frame off the script, gives it to the endpoint and looks whether it keeps its bounds.
func feed(t *testing.T, e *Endpoint, now time.Duration, script *[]byte) time.Duration {
	t.Helper()
	s := *script
	f := Frame{ID: 0x7E8, FD: s[0]&1 != 0, Length: s[1]}
	now += time.Duration(s[0]>>1) * 10 * time.Millisecond
	*script = s[2+copy(f.Data[:min(int(s[1]), MaxFD)], s[2:]):]
	complete, _ := e.Receive(now, &f)
	if n := len(e.Message()); n > 300 || complete && n == 0 {
		t.Fatalf("%d bytes after %v", n, &f)
	}
	_ = e.Tick(now)
	var out Frame
	for range 100 {
		if !e.Next(now, &out) {
			break
		}
		if err := out.Check(); err != nil || out.ID != 0x7E0 {
			t.Fatalf("%v goes out: %v", &out, err)
		}
		e.Sent(now)
	}
	return now
}

// transfer carries a message across without a bus.
func transfer(s *Sender, r *Receiver, message []byte) error {
	var f Frame
	if err := s.Start(0, message); err != nil {
		return err
	}
	for s.State() == Sending {
		if !s.Next(0, &f) {
			return fmt.Errorf("nothing is due after %v", f.String())
		}
		s.Sent(0)
		if _, err := r.Receive(0, &f); err != nil {
			return err
		}
		if r.Next(0, &f) {
			r.Sent(0)
			if err := s.Receive(0, &f); err != nil {
				return err
			}
		}
	}
	return nil
}

func TestTransferAllocatesNothing(t *testing.T) {
	s, r := newSender(t, unit), newReceiver(t, tester)
	message := counted(200)
	if n := testing.AllocsPerRun(100, func() {
		if err := transfer(s, r, message); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations for a message", n)
	}
}

func BenchmarkTransfer(b *testing.B) {
	for _, n := range []int{7, 15, 200, 4095} {
		for _, fd := range []bool{false, true} {
			b.Run(fmt.Sprintf("bytes=%d/fd=%v", n, fd), func(b *testing.B) {
				out, in := unit, tester
				out.FD, in.FD = fd, fd
				s, r := newSender(b, out), newReceiver(b, in)
				message := counted(n)
				b.ReportAllocs()
				b.SetBytes(int64(n))
				for b.Loop() {
					if err := transfer(s, r, message); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
