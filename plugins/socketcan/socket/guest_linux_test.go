// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build canguest

package socket

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long anything may take in an emulated machine. It is no measure of anything.
const patience = 20 * time.Second

var interfaces atomic.Int32

// ip runs the command of an administrator.
func ip(t *testing.T, words string) {
	t.Helper()
	if out, err := exec.Command("ip", strings.Fields(words)...).CombinedOutput(); err != nil {
		t.Fatalf("ip %s: %v: %s", words, err, out)
	}
}

// vcan makes an emulated bus of its own for a test.
func vcan(t *testing.T) string {
	t.Helper()
	name := fmt.Sprintf("test%d", interfaces.Add(1))
	plug(t, name)
	t.Cleanup(func() { _ = exec.Command("ip", "link", "del", name).Run() })
	return name
}

func plug(t *testing.T, name string) {
	t.Helper()
	ip(t, "link add "+name+" type vcan")
	ip(t, fmt.Sprintf("link set %s mtu %d", name, fdMTU))
	ip(t, "link set "+name+" up")
}

// setUp does what ip link set up and down do, without a process.
func setUp(t *testing.T, name string, up bool) {
	t.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = unix.Close(fd) }()
	r, err := unix.NewIfreq(name)
	if err != nil {
		t.Fatal(err)
	}
	if up {
		r.SetUint16(unix.IFF_UP)
	}
	if err := unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r); err != nil {
		t.Fatalf("setting %s up, %t: %v", name, up, err)
	}
}

func open(t *testing.T, name string, o Options) *Bus {
	t.Helper()
	b, err := Open(name, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	return b
}

func within(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return ctx
}

// none is a context in which nothing is to come.
func none(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	t.Cleanup(cancel)
	return ctx
}

func TestFrameGetsLost(t *testing.T) {
	name := vcan(t)
	a, b := open(t, name, Options{FD: true}), open(t, name, Options{FD: true})
	fd := frameOf(0x18DA10F1, make([]byte, 64)...)
	fd.FD, fd.BitRateSwitch = true, true
	for _, sent := range []isotp.Frame{frameOf(0x7DF, 2, 1, 0), frameOf(0x18DB33F1, 2, 1, 0x0C, 0, 0, 0, 0, 0), frameOf(0), fd} {
		before := adapter.Now()
		at, err := a.Send(within(t), &sent)
		if err != nil {
			t.Fatal(err)
		}
		var got isotp.Frame
		came, err := b.Receive(within(t), &got)
		if err != nil || got != sent {
			t.Fatalf("%v came as %v: %v", &sent, &got, err)
		}
		// The kernel stamps a frame once, so that both ends agree to within the conversion.
		if at < before || at > adapter.Now() || came.Sub(at).Abs() > time.Millisecond {
			t.Errorf("sent between %d and %d, by its echo at %d, received at %d", before, adapter.Now(), at, came)
		}
	}
}

func TestOwnFramesAreReceived(t *testing.T) {
	a := open(t, vcan(t), Options{})
	f := frameOf(0x7DF, 2, 1, 0)
	for range 3 {
		if _, err := a.Send(within(t), &f); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Receive(none(t), &f); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("received %v: %v", &f, err)
	}
}

// late says whether an echo came too late, as it may in an emulated machine. The frame was sent all the same.
func late(err error) bool {
	e, ok := errors.AsType[*canlink.BusError](err)
	return ok && e.NoAcknowledge
}

// Frames that come while a sender waits for its echo are not lost, and sending works while somebody receives.
func TestSendingAndReceivingDisturbEachOther(t *testing.T) {
	name := vcan(t)
	a, b := open(t, name, Options{}), open(t, name, Options{})
	const frames = 500
	failed := make(chan error, 2)
	go func() {
		for n := range uint32(frames) {
			f := frameOf(0x100+n%8, byte(n), byte(n>>8))
			if _, err := b.Send(t.Context(), &f); err != nil && !late(err) {
				failed <- err
				return
			}
		}
		failed <- nil
	}()
	go func() {
		for n := range uint32(frames) {
			f := frameOf(0x200+n%8, byte(n), byte(n>>8))
			if _, err := a.Send(t.Context(), &f); err != nil && !late(err) {
				failed <- err
				return
			}
		}
		failed <- nil
	}()
	last := adapter.Time(0)
	for n := range uint32(frames) {
		var f isotp.Frame
		at, err := a.Receive(within(t), &f)
		if want := frameOf(0x100+n%8, byte(n), byte(n>>8)); err != nil || f != want {
			t.Fatalf("frame %d came as %v: %v", n, &f, err)
		}
		if at < last {
			t.Fatalf("frame %d is of %d, the one before of %d", n, at, last)
		}
		last = at
	}
	if err := errors.Join(<-failed, <-failed); err != nil || a.Lost() != 0 {
		t.Errorf("%d lost: %v", a.Lost(), err)
	}
}

func TestFilterLetsTooMuchThrough(t *testing.T) {
	name := vcan(t)
	a := open(t, name, Options{})
	b := open(t, name, Options{Filters: []Filter{{ID: 0x7E8, Mask: 0x7F8}, {ID: 0x18DAF100, Mask: 0x1FFFFF00, Extended: true}}})
	send := func(ids ...uint32) {
		for _, id := range ids {
			f := frameOf(id, 1)
			if _, err := a.Send(within(t), &f); err != nil {
				t.Fatal(err)
			}
		}
	}
	expect := func(ids ...uint32) {
		t.Helper()
		var f isotp.Frame
		for _, id := range ids {
			if _, err := b.Receive(within(t), &f); err != nil || f.ID != id {
				t.Fatalf("received %v: %v; want %X", &f, err, id)
			}
		}
		if _, err := b.Receive(none(t), &f); err == nil {
			t.Fatalf("received %v as well", &f)
		}
	}
	extended := frameOf(0x7E8, 9)
	extended.Extended = true
	if _, err := a.Send(within(t), &extended); err != nil {
		t.Fatal(err)
	}
	send(0x7E0, 0x7E8, 0x7EF, 0x7F0, 0x18DAF110, 0x18DAF210)
	expect(0x7E8, 0x7EF, 0x18DAF110)
	// The echo of what it sends itself comes whatever the filters are.
	f := frameOf(0x7E0, 2)
	if err := b.SetFilters(nil); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Send(within(t), &f); err != nil {
		t.Fatal(err)
	}
	send(0x7F0)
	expect(0x7F0)
}

// A sender that goes on reading after its echo waits for nothing.
func TestEchoIsOverlooked(t *testing.T) {
	b := open(t, vcan(t), Options{})
	const frames = 40
	begun := time.Now()
	for n := range uint32(frames) {
		f := frameOf(0x7E0, byte(n))
		if _, err := b.Send(within(t), &f); err != nil {
			t.Fatal(err)
		}
	}
	if took := time.Since(begun); took > frames*echoTimeout/4 {
		t.Errorf("%d frames took %v", frames, took)
	}
}

func TestEchoIsFilteredAway(t *testing.T) {
	b := open(t, vcan(t), Options{Filters: []Filter{{ID: 0x7E8, Mask: 0x7F8}}})
	f := frameOf(0x7E0, 2)
	if _, err := b.Send(within(t), &f); err != nil {
		t.Error(err)
	}
}

func TestListenerSends(t *testing.T) {
	name := vcan(t)
	b, monitor := open(t, name, Options{ListenOnly: true}), open(t, name, Options{})
	f := frameOf(0x7DF, 1)
	if _, err := b.Send(within(t), &f); !errors.Is(err, ErrListenOnly) {
		t.Errorf("sending gave %v", err)
	}
	if _, err := monitor.Receive(none(t), &f); err == nil {
		t.Errorf("%v was sent", &f)
	}
}

func TestControllersReportIsNotTold(t *testing.T) {
	name := vcan(t)
	a, b := open(t, name, Options{}), open(t, name, Options{})
	inject(t, a, classOff)
	var f isotp.Frame
	for _, heard := range []*Bus{a, b} {
		_, err := heard.Receive(within(t), &f)
		var bus *canlink.BusError
		if !errors.As(err, &bus) || !bus.Off {
			t.Errorf("a controller that has left its bus gave %v", err)
		}
	}
	inject(t, a, classRestarted)
	f = frameOf(0x123, 4)
	if _, err := a.Send(within(t), &f); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Receive(within(t), &f); err != nil || f.ID != 0x123 {
		t.Errorf("after it had come back, %v was received: %v", &f, err)
	}
}

// inject puts an error frame on an emulated bus, as a controller's driver would.
func inject(t *testing.T, b *Bus, class uint32) {
	t.Helper()
	var buffer [fdSize]byte
	f := isotp.Frame{Length: 8}
	message, err := encode(&buffer, &f)
	if err != nil {
		t.Fatal(err)
	}
	setFlag(message, flagError|class)
	if _, err := b.file.Write(message); err != nil {
		t.Fatal(err)
	}
}

func TestMissingInterfaceIsOpened(t *testing.T) {
	if _, err := Open("nothing0", Options{}); !errors.Is(err, adapter.ErrUnplugged) || !strings.Contains(err.Error(), "nothing0") {
		t.Errorf("a missing interface gave %v", err)
	}
	if _, err := Open("lo", Options{}); !errors.Is(err, adapter.ErrUnplugged) {
		t.Errorf("an interface that is no CAN gave %v", err)
	}
	name := vcan(t)
	ip(t, "link set "+name+" down")
	if _, err := Open(name, Options{}); !errors.Is(err, adapter.ErrUnplugged) || !strings.Contains(err.Error(), "ip link set "+name+" up") {
		t.Errorf("an interface that is down gave %v", err)
	}
}

func TestContextDoesNotEndReceive(t *testing.T) {
	b := open(t, vcan(t), Options{})
	var f isotp.Frame
	for range 20 {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
		if _, err := b.Receive(ctx, &f); !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("receiving gave %v", err)
		}
		cancel()
	}
	cause := errors.New("enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(cause)
	if _, err := b.Receive(ctx, &f); !errors.Is(err, cause) {
		t.Errorf("receiving gave %v", err)
	}
}

func TestCloseLeavesSomebodyWaiting(t *testing.T) {
	b := open(t, vcan(t), Options{})
	ended := make(chan error)
	for range 2 {
		go func() {
			var f isotp.Frame
			_, err := b.Receive(t.Context(), &f)
			ended <- err
		}()
	}
	time.Sleep(10 * time.Millisecond) // so that one of them may be in the system call
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	for range 2 {
		if err := <-ended; !errors.Is(err, net.ErrClosed) {
			t.Errorf("receiving ended with %v", err)
		}
	}
	f := frameOf(1)
	if _, err := b.Send(within(t), &f); !errors.Is(err, net.ErrClosed) {
		t.Errorf("sending gave %v", err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

// A hundred times the interface goes down or away while somebody receives; each time that is told, the interface works again
// at once when it is back, and nothing is left behind.
func TestUnpluggingLeavesSomethingBehind(t *testing.T) {
	name := vcan(t)
	descriptors, goroutines := openFiles(t), runtime.NumGoroutine()
	for n := range 100 {
		a, b := open(t, name, Options{}), open(t, name, Options{})
		ended := make(chan error, 1)
		go func() {
			var f isotp.Frame
			_, err := b.Receive(context.Background(), &f)
			ended <- err
		}()
		if n%10 > 0 {
			setUp(t, name, false)
		} else {
			ip(t, "link del "+name)
		}
		select {
		case err := <-ended:
			if !errors.Is(err, adapter.ErrUnplugged) {
				t.Fatalf("round %d: receiving ended with %v", n, err)
			}
		case <-time.After(patience):
			t.Fatalf("round %d: receiving goes on", n)
		}
		f := frameOf(1)
		if _, err := a.Send(within(t), &f); !errors.Is(err, adapter.ErrUnplugged) {
			t.Fatalf("round %d: sending gave %v", n, err)
		}
		if _, err := Open(name, Options{}); !errors.Is(err, adapter.ErrUnplugged) {
			t.Fatalf("round %d: opening gave %v", n, err)
		}
		if n%10 > 0 {
			setUp(t, name, true)
		} else {
			plug(t, name)
		}
		c := open(t, name, Options{})
		if _, err := c.Send(within(t), &f); err != nil {
			t.Fatalf("round %d: sending after it is back: %v", n, err)
		}
		for _, bus := range []*Bus{a, b, c} {
			_ = bus.Close()
		}
	}
	if now := openFiles(t); now > descriptors {
		t.Errorf("%d descriptors are open, %d were before", now, descriptors)
	}
	// A goroutine that has handed over its result may still be on its way out.
	for late := time.Now().Add(patience); runtime.NumGoroutine() > goroutines && time.Now().Before(late); {
		time.Sleep(time.Millisecond)
	}
	if now := runtime.NumGoroutine(); now > goroutines {
		t.Errorf("%d goroutines run, %d did before", now, goroutines)
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

func TestInterfacesAreListedWrongly(t *testing.T) {
	name := vcan(t)
	ip(t, "link set "+name+" down")
	all, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, i := range all {
		names = append(names, i.Name)
		if i.Name == name && (i.Up || i.Kind != "vcan" || !i.FD() || i.Hardware()) {
			t.Errorf("it is listed as %+v", i)
		}
		if i.Name == "vcan0" && !i.Up {
			t.Errorf("it is listed as %+v", i)
		}
	}
	if listed := strings.Join(names, " "); !strings.Contains(listed, name) || strings.Contains(listed, "lo") {
		t.Errorf("listed are %s", listed)
	}
}

func TestChangeDoesNotReachTheKernel(t *testing.T) {
	name := vcan(t)
	state := func() *Interface {
		t.Helper()
		all, err := Interfaces()
		if err != nil {
			t.Fatal(err)
		}
		i, err := find(all, name)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	for _, up := range []bool{false, true, false} {
		if err := (&Change{Up: up}).Apply(t.Context(), state()); err != nil {
			t.Fatal(err)
		}
		if i := state(); i.Up != up {
			t.Errorf("it was to be up: %t, and is %+v", up, i)
		}
	}
	// An emulated bus has no bit rate, and its driver is another than the message is for.
	if err := (&Change{BitRate: 500_000}).Apply(t.Context(), state()); !errors.Is(err, unix.EOPNOTSUPP) {
		t.Errorf("setting a bit rate that there is not gives %v", err)
	}
	gone := *state()
	ip(t, "link del "+name)
	if err := (&Change{Up: true}).Apply(t.Context(), &gone); !errors.Is(err, unix.ENODEV) {
		t.Errorf("changing an interface that is gone gives %v", err)
	}
}

// A flood that nobody fetches is counted as lost, not passed over in silence.
func TestLossIsNotCounted(t *testing.T) {
	name := vcan(t)
	a, b := open(t, name, Options{}), open(t, name, Options{ReceiveBuffer: 4096})
	const frames = 200
	for n := range uint32(frames) {
		f := frameOf(0x100, byte(n))
		if _, err := a.Send(within(t), &f); err != nil {
			t.Fatal(err)
		}
	}
	received := 0
	var f isotp.Frame
	for {
		if _, err := b.Receive(none(t), &f); err != nil {
			break
		}
		received++
	}
	f = frameOf(0x101)
	if _, err := a.Send(within(t), &f); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Receive(within(t), &f); err != nil {
		t.Fatal(err)
	}
	if received == frames || received+b.Lost() != frames {
		t.Errorf("%d of %d frames came, %d count as lost", received, frames, b.Lost())
	}
}

func TestReceivingAllocates(t *testing.T) {
	name := vcan(t)
	a, b := open(t, name, Options{}), open(t, name, Options{})
	f := frameOf(0x100, 1, 2, 3)
	var buffer [fdSize]byte
	text, err := encode(&buffer, &f)
	if err != nil {
		t.Fatal(err)
	}
	n := testing.AllocsPerRun(50, func() {
		if _, err := a.file.Write(text); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Receive(context.Background(), &f); err != nil {
			t.Fatal(err)
		}
	})
	if n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}
