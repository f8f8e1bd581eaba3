// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// virtual runs a test on a bus in virtual time.
func virtual(t *testing.T, o canbus.Options, test func(t *testing.T, b *canbus.Bus)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := canbus.New(o)
		defer func() { _ = b.Close() }()
		test(t, b)
	})
}

// take receives frames until the bus has been silent for a second.
func take(n *canbus.Node) (frames []stamped, failures []error) {
	for {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		var f stamped
		var err error
		f.at, err = n.Receive(ctx, &f.Frame)
		cancel()
		switch {
		case err == nil:
			frames = append(frames, f)
		case errors.Is(err, context.DeadlineExceeded):
			return frames, failures
		default:
			failures = append(failures, err)
			if busError(err) == nil {
				return frames, failures
			}
		}
	}
}

func busError(err error) *canlink.BusError {
	e, _ := errors.AsType[*canlink.BusError](err)
	return e
}

func TestAFrameTakesTheTimeOfItsBits(t *testing.T) {
	for _, tc := range []struct {
		rate     int
		extended bool
		want     time.Duration
	}{
		// 135 and 160 bits at worst, less the intermission, which no longer belongs to the frame.
		{canbus.Rate500k, false, 132 * 2 * time.Microsecond}, {canbus.Rate500k, true, 157 * 2 * time.Microsecond},
		{canbus.Rate250k, false, 132 * 4 * time.Microsecond}, {canbus.Rate250k, true, 157 * 4 * time.Microsecond},
	} {
		virtual(t, canbus.Options{BitRate: tc.rate, Stuffing: canbus.WorstStuffing}, func(t *testing.T, b *canbus.Bus) {
			from, to := b.Attach(canbus.NodeOptions{}), b.Attach(canbus.NodeOptions{})
			begin := adapter.Now()
			sent := must[adapter.Time](t)(from.Send(t.Context(), single(0x100, tc.extended, 1)))
			var f isotp.Frame
			got := must[adapter.Time](t)(to.Receive(t.Context(), &f))
			if got != sent || sent.Sub(begin) != tc.want || f != *single(0x100, tc.extended, 1) {
				t.Errorf("%+v: sent after %v, received after %v: %v", tc, sent.Sub(begin), got.Sub(begin), f.String())
			}
		})
	}
}

func TestTheLowerIdentifierWinsTheBus(t *testing.T) {
	virtual(t, canbus.Options{Stuffing: canbus.NoStuffing}, func(t *testing.T, b *canbus.Bus) {
		to := b.Attach(canbus.NodeOptions{})
		ids := []uint32{0x700, 0x123, 0x7FF, 0x001, 0x456}
		var sending sync.WaitGroup
		for _, id := range ids {
			n := b.Attach(canbus.NodeOptions{})
			sending.Go(func() {
				for range 3 {
					if _, err := n.Send(context.Background(), single(id, false, 1)); err != nil {
						t.Error(err)
					}
				}
			})
		}
		sending.Wait()
		frames, _ := take(to)
		if len(frames) != 15 {
			t.Fatalf("%d frames came, want 15", len(frames))
		}
		// Each node has its next frame ready before the intermission is over: the lowest goes on until it has no more.
		if !slices.IsSortedFunc(frames, func(a, b stamped) int { return int(a.ID) - int(b.ID) }) {
			t.Error("a higher identifier went before a lower one")
		}
		for i := 1; i < len(frames); i++ {
			if d := frames[i].at.Sub(frames[i-1].at); d != 111*2*time.Microsecond {
				t.Errorf("frame %d came %v after the one before, want 222 µs", i, d)
			}
		}
		if load := b.Load(); load.Frames != 15 || load.Busy != 15*222*time.Microsecond {
			t.Errorf("load %+v", load)
		}
	})
}

func TestAloneOnTheBusASenderIsPassiveAndWaits(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		n := b.Attach(canbus.NodeOptions{})
		b.Attach(canbus.NodeOptions{ListenOnly: true}) // acknowledges nothing
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		begin := time.Now()
		if _, err := n.Send(ctx, single(0x7DF, false, 1, 0)); !errors.Is(err, context.DeadlineExceeded) || time.Since(begin) > 101*time.Millisecond {
			t.Errorf("a frame that nobody acknowledges: %v after %v", err, time.Since(begin))
		}
		_, failures := take(n)
		last := busError(failures[len(failures)-1])
		if last == nil || !last.Passive || last.Off {
			t.Errorf("what went wrong: %v", failures)
		}
		if len(failures) > 3 {
			t.Errorf("the same is told %d times", len(failures))
		}
		other := b.Attach(canbus.NodeOptions{})
		if _, err := n.Send(t.Context(), single(0x7DF, false, 1, 0)); err != nil {
			t.Errorf("with somebody there: %v", err)
		}
		if frames, _ := take(other); len(frames) != 1 {
			t.Errorf("%d frames came, want the one that was not given up", len(frames))
		}
	})
}

func TestTheWrongBitRateEndsBusOffAndDisturbsOnlyForAWhile(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		a, z := b.Attach(canbus.NodeOptions{}), b.Attach(canbus.NodeOptions{})
		wrong := b.Attach(canbus.NodeOptions{BitRate: canbus.Rate250k})
		_, err := wrong.Send(t.Context(), single(0x7DF, false, 1, 0))
		if e := busError(err); e == nil || !e.Off {
			t.Fatalf("sending at the wrong bit rate: %v", err)
		}
		if _, err := wrong.Send(t.Context(), single(0x7DF, false, 1, 0)); busError(err) == nil {
			t.Errorf("sending while bus-off: %v", err)
		}
		if _, err := a.Send(t.Context(), single(0x123, false, 1)); err != nil {
			t.Errorf("the others: %v", err)
		}
		frames, failures := take(z)
		if len(frames) != 1 || frames[0].ID != 0x123 || len(failures) == 0 {
			t.Errorf("the others see %v and %v", frames, failures)
		}
		frames, failures = take(wrong)
		if len(frames) != 0 || len(failures) == 0 {
			t.Errorf("the node at the wrong bit rate sees %v and %v", frames, failures)
		}
	})
}

func TestListeningAtTheWrongBitRateDisturbsNobody(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		a := b.Attach(canbus.NodeOptions{})
		b.Attach(canbus.NodeOptions{})
		wrong := b.Attach(canbus.NodeOptions{BitRate: canbus.Rate250k, ListenOnly: true})
		for range 50 {
			must[adapter.Time](t)(a.Send(t.Context(), single(0x123, false, 1)))
		}
		if load := b.Load(); load.Errors != 0 || load.Frames != 50 {
			t.Errorf("load %+v", load)
		}
		if frames, failures := take(wrong); len(frames) != 0 || len(failures) == 0 {
			t.Errorf("it hears %v and %v, want nothing but errors", frames, failures)
		}
		if _, err := wrong.Send(t.Context(), single(0x123, false, 1)); err == nil {
			t.Error("a node that only listens has sent")
		}
	})
}

func TestBusOffEndsByRestart(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		n := b.Attach(canbus.NodeOptions{RestartAfter: 50 * time.Millisecond})
		stays := b.Attach(canbus.NodeOptions{})
		n.BusOff()
		if _, err := n.Send(t.Context(), single(1, false, 1)); busError(err) == nil || !busError(err).Off {
			t.Errorf("while bus-off: %v", err)
		}
		time.Sleep(51 * time.Millisecond)
		if _, err := n.Send(t.Context(), single(1, false, 1)); err != nil {
			t.Errorf("after the restart: %v", err)
		}
		stays.BusOff()
		time.Sleep(time.Minute)
		if _, err := stays.Send(t.Context(), single(1, false, 1)); busError(err) == nil {
			t.Errorf("without a restart: %v", err)
		}
		stays.Restart()
		if _, err := stays.Send(t.Context(), single(1, false, 1)); err != nil {
			t.Errorf("restarted: %v", err)
		}
	})
}

func TestErrorFramesAreRepairedBySendingAgain(t *testing.T) {
	faults := canbus.FrameFaults{Chances: canbus.FrameChances{canbus.ErrorFrame: 0.08}}
	virtual(t, canbus.Options{Faults: faults, Seed: 3}, func(t *testing.T, b *canbus.Bus) {
		a, z := b.Attach(canbus.NodeOptions{}), b.Attach(canbus.NodeOptions{})
		for range 500 {
			must[adapter.Time](t)(a.Send(t.Context(), single(0x123, false, 1)))
		}
		frames, _ := take(z)
		if load := b.Load(); len(frames) != 500 || load.Errors < 20 || load.Errors > 80 {
			t.Errorf("%d frames came, load %+v", len(frames), load)
		}
	})
}

func TestFramesAreLostAndDuplicatedAsOrdered(t *testing.T) {
	faults := canbus.FrameFaults{Script: []canbus.ScriptedFrame{
		{Trouble: canbus.FrameLost, From: time.Second, For: time.Second}, {Trouble: canbus.FrameDuplicated, From: 3 * time.Second},
	}}
	virtual(t, canbus.Options{Faults: faults}, func(t *testing.T, b *canbus.Bus) {
		a, z := b.Attach(canbus.NodeOptions{}), b.Attach(canbus.NodeOptions{})
		for i := range 5 {
			must[adapter.Time](t)(a.Send(t.Context(), single(0x100+uint32(i), false, 1)))
			time.Sleep(time.Second)
		}
		frames, _ := take(z)
		var ids []uint32
		for _, f := range frames {
			ids = append(ids, f.ID)
		}
		if !slices.Equal(ids, []uint32{0x100, 0x102, 0x103, 0x103, 0x104}) {
			t.Errorf("%X came", ids)
		}
	})
}

func TestBackgroundTrafficLoadsTheBus(t *testing.T) {
	// 150 frames of 111 bits in 100 ms: a third of a bus at 500 kbit/s.
	var background []canbus.Periodic
	for i := range 15 {
		background = append(background, canbus.Periodic{Frame: isotp.Frame{ID: 0x100 + uint32(i), Length: 8}, Every: 10 * time.Millisecond})
	}
	virtual(t, canbus.Options{Background: background, Stuffing: canbus.NoStuffing}, func(t *testing.T, b *canbus.Bus) {
		heard := b.Attach(canbus.NodeOptions{Accept: func(f *isotp.Frame) bool { return f.ID == 0x105 }})
		time.Sleep(10 * time.Second)
		load := b.Load()
		if share := load.Busy.Seconds() / 10; share < 0.32 || share > 0.345 || load.Frames < 14900 || load.Frames > 15015 {
			t.Errorf("the bus is busy for %v of the time, %+v", share, load)
		}
		if n := heard.Overruns(); n != 0 {
			t.Errorf("%d of 1000 frames were lost to a node that holds 1024", n)
		}
	})
}

func TestASlowReaderLosesFramesAndIsToldHowMany(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		a, z := b.Attach(canbus.NodeOptions{}), b.Attach(canbus.NodeOptions{})
		for range 1500 {
			must[adapter.Time](t)(a.Send(t.Context(), single(0x123, false, 1)))
		}
		if frames, _ := take(z); len(frames) != 1024 || z.Overruns() != 1500-1024 {
			t.Errorf("%d frames came, %d were lost", len(frames), z.Overruns())
		}
	})
}

func TestWhatIsClosedEndsAsClosed(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		n := b.Attach(canbus.NodeOptions{})
		waiting := make(chan error, 2)
		go func() {
			_, err := n.Receive(context.Background(), new(isotp.Frame))
			for busError(err) != nil {
				_, err = n.Receive(context.Background(), new(isotp.Frame))
			}
			waiting <- err
		}()
		go func() {
			_, err := n.Send(context.Background(), single(1, false, 1)) // nobody is there to acknowledge
			waiting <- err
		}()
		time.Sleep(10 * time.Millisecond)
		if err := errors.Join(n.Close(), n.Close()); err != nil {
			t.Error(err)
		}
		for range 2 {
			if err := <-waiting; !errors.Is(err, net.ErrClosed) {
				t.Errorf("ended with %v", err)
			}
		}
		if _, err := n.Send(t.Context(), single(1, false, 1)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("sending afterwards: %v", err)
		}
	})
}

func TestAFrameThatCannotBeIsRefused(t *testing.T) {
	virtual(t, canbus.Options{}, func(t *testing.T, b *canbus.Bus) {
		n := b.Attach(canbus.NodeOptions{})
		if _, err := n.Send(t.Context(), &isotp.Frame{ID: 0x800}); err == nil {
			t.Error("an identifier of twelve bits was taken")
		}
	})
}

// Pulled out while it rests, sends, waits for an answer and receives one, an interface ends everything with the same
// error, cannot be opened until it is back, and then works.
func TestUnplugAndReplugAtEveryState(t *testing.T) {
	for _, after := range []time.Duration{0, 100 * time.Microsecond, 5 * time.Millisecond, 10*time.Millisecond + 100*time.Microsecond, 11 * time.Millisecond, time.Second} {
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				v := slowVehicle()
				port := v.Tester()
				for range 100 {
					unplugOnce(t, port, after)
				}
				if err := v.Close(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

func unplugOnce(t *testing.T, port *canbus.Port, after time.Duration) {
	t.Helper()
	n := must[*canbus.Node](t)(port.Open())
	pulled := time.AfterFunc(after, port.Unplug)
	defer pulled.Stop()
	_, err := n.Send(t.Context(), single(0x7E0, false, 0x09, 0x02))
	for err == nil {
		var f isotp.Frame
		if _, err = n.Receive(t.Context(), &f); err == nil && f.Data[0]>>4 == 1 {
			_, err = n.Send(t.Context(), control(0x7E0, false))
		}
	}
	if !errors.Is(err, adapter.ErrUnplugged) {
		t.Fatalf("pulled out after %v: %v", after, err)
	}
	if _, err := port.Open(); !errors.Is(err, adapter.ErrUnplugged) {
		t.Fatalf("opened while it was pulled out: %v", err)
	}
	port.Replug()
	if _, err := n.Receive(t.Context(), new(isotp.Frame)); !errors.Is(err, adapter.ErrUnplugged) {
		t.Fatalf("what was open before works again: %v", err)
	}
	again := must[*canbus.Node](t)(port.Open())
	if _, frames := converse(t, again, single(0x7DF, false, 0x01, 0x0C), 100*time.Millisecond); len(frames) == 0 {
		t.Fatal("no answer after it was plugged in again")
	}
	_ = again.Close()
}
