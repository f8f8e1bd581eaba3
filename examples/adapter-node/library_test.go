// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package adapternode

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host"
)

func TestLibraryKeepsItsOwnRules(t *testing.T) {
	if out, err := exec.Command(node(t), "--test").CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// What an author gets wrong must not become the host's trouble. Each test here is about lib, with an adapter of
// testdata/hostile.js.

func TestPrintsAndStrangeLogsReachTheLog(t *testing.T) {
	b := start(t, hostile(t, "prints"))
	for _, want := range []string{"printed by the author", "and again", "msg=logged", "id=1", "attr_level=forged", "a loop", "not written", "being hostile", "xxxx …"} {
		eventually(t, want+" is logged", 5*time.Second, func() bool { return strings.Contains(b.log.String(), want) })
	}
	if strings.Contains(b.log.String(), "cut=true") || strings.Contains(b.log.String(), "stream=stdout") {
		t.Errorf("a line was too long, or reached standard output:\n%.2000s", b.log)
	}
}

func TestFeedThatBreaksTheContractIsADefect(t *testing.T) {
	for role, want := range map[string]string{
		"throws":         "the box is on fire",
		"returns":        "feed returned although",
		"sends nonsense": "is NaN; send finite numbers",
	} {
		b := start(t, hostile(t, role)).open()
		f := b.feed(flow).until(never)
		refused(t, f.err, codes.Internal, "DEFECT")
		if !strings.Contains(status.Convert(f.err).Message(), want) {
			t.Errorf("%s: %v", role, f.err)
		}
		if role == "sends nonsense" && (len(f.values[flow]) != 2 || len(f.gaps) != 1 || f.gaps[0].GetReason() != adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_DEFECT) {
			t.Errorf("%s: values %v, gaps %v", role, f.values, f.gaps)
		}
	}
}

func TestFailingMethodsAreDefectsAndTheAdapterGoesOn(t *testing.T) {
	b := start(t, hostile(t, "throws")).open()
	for range 2 {
		_, err := b.ask(0x01, 0x0C)
		refused(t, err, codes.Internal, "DEFECT")
	}
	if !strings.Contains(b.log.String(), "hostile.js") {
		t.Errorf("the log lacks the stack:\n%s", b.log)
	}
	b = start(t, hostile(t, "doubles its devices"))
	_, err := b.ListDevices(within(t), &adapterv1beta1.ListDevicesRequest{})
	refused(t, err, codes.Internal, "DEFECT")
	b = start(t, hostile(t, "answers nothing")).open()
	_, err = b.ask(0x01, 0x0C)
	refused(t, err, codes.DeadlineExceeded, "SILENT")
	b = start(t, hostile(t, "answers emptily")).open()
	_, err = b.ask(0x01, 0x0C)
	refused(t, err, codes.DataLoss, "GARBLED")
}

// A message that HTTP/2 cannot carry as it is must not end the process.
func TestAnyErrorTextTravels(t *testing.T) {
	for role, code := range map[string]codes.Code{"throws in configure": codes.Internal, "complains at length": codes.InvalidArgument} {
		a, err := host.New(options(hostile(t, role), &journal{}))
		if err != nil {
			t.Fatal(err)
		}
		a.Start()
		_, err = a.Ready(within(t))
		a.Shutdown(context.Background())
		f, ok := errors.AsType[*host.Failure](err)
		if !ok || f.Exit != "" || status.Code(err) != code || !utf8.ValidString(err.Error()) {
			t.Errorf("%s: %.500v", role, err)
		}
		if code == codes.InvalidArgument && len(violations(err)) == 0 {
			t.Errorf("%s: no violations", role)
		}
		if size := proto.Size(status.Convert(err).Proto()); size > 6000 {
			t.Errorf("%s: %d bytes of status; in base64 and with the message besides, some libraries take no more than 8 KiB", role, size)
		}
	}
}

func TestMethodsThatIgnoreTheirEndAreLeftBehind(t *testing.T) {
	b := start(t, hostile(t, "ignores its signal")).open()
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	began := time.Now()
	_, err := b.SendRequest(ctx, &adapterv1beta1.SendRequestRequest{DeviceId: box, Payload: []byte{0x01, 0x0C}})
	if status.Code(err) != codes.DeadlineExceeded || time.Since(began) > time.Second {
		t.Errorf("C3: %v after %v", err, time.Since(began))
	}
	f := b.feed(flow)
	f.until(f.samples(flow, 1))
	f.end()
	// Only closing the device can stop such a feed, so it is closed.
	eventually(t, "closed", 2*time.Second, func() bool { return strings.Contains(b.log.String(), "msg=closed") })
	eventually(t, "to be opened again", 3*time.Second, func() bool {
		_, err := b.OpenDevice(within(t), &adapterv1beta1.OpenDeviceRequest{DeviceId: box})
		return err == nil
	})
	began = time.Now()
	if err := b.close(); err != nil || time.Since(began) > 2*time.Second {
		t.Errorf("closing: %v after %v", err, time.Since(began))
	}
}

func TestOpenThatComesTooLateIsUndone(t *testing.T) {
	b := start(t, hostile(t, "opens late"))
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	_, err := b.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: box})
	if status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("error %v", err)
	}
	eventually(t, "closed", 3*time.Second, func() bool { return strings.Contains(b.log.String(), "msg=closed") })
	b.open()
}

func TestRequestsAreSentInTheOrderOfTheCalls(t *testing.T) {
	b := start(t, hostile(t, "keeps the order")).open()
	var calls sync.WaitGroup
	sources := make([]int64, 8)
	for i := range sources {
		payload := []byte{0x01, 0x0D}
		if i == 0 {
			payload[1] = 0x0C
		}
		calls.Go(func() {
			if r, err := b.ask(payload...); err != nil {
				t.Error(err)
			} else {
				sources[i] = r.GetAnswers()[0].GetSource()
			}
		})
		time.Sleep(2 * time.Millisecond) // so that the calls have an order
	}
	calls.Wait()
	for i := 1; i < len(sources); i++ {
		if sources[i] <= sources[i-1] {
			t.Fatalf("R6: called in order, sent at %v", sources)
		}
	}
	if sources[1]-sources[0] < 50_000 {
		t.Errorf("R6: the second was sent %d µs after the first, which takes 60 ms", sources[1]-sources[0])
	}
}

func TestUncertaintyOfOneSampleIsItsOwn(t *testing.T) {
	b := start(t, hostile(t, "widens its uncertainty")).open()
	f, err := b.Feed(within(t))
	if err == nil {
		err = f.Send(&adapterv1beta1.FeedRequest{DeviceId: box, Signals: []*adapterv1beta1.WantedSignal{{Path: flow}}})
	}
	for err == nil {
		var m *adapterv1beta1.FeedResponse
		if m, err = f.Recv(); err == nil && m.GetBatch() != nil {
			if got := fmt.Sprint(m.GetBatch().GetTimeUncertaintyUs()); got != "[10 77 10]" {
				t.Errorf("half-widths %s", got)
			}
			return
		}
	}
	t.Fatal(err)
}

// residentKiB reads how much memory a process has.
func residentKiB(t *testing.T, pid int) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Skipf("needs Linux, which tells how much memory a process has: %v", err)
	}
	var kib int
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	if _, err := fmt.Sscan(rest, &kib); err != nil {
		t.Fatal(err)
	}
	return kib
}

// A host that does not read must slow the adapter or get a marked gap, and cost no memory.
func TestSlowReaderLosesNothingInSilenceAndMemoryStaysBounded(t *testing.T) {
	for _, role := range []string{"flood", "offers", "flickers"} {
		t.Run(role, func(t *testing.T) {
			b := start(t, hostile(t, role)).open()
			f := b.feed(flow)
			f.until(func() bool { return f.sequence > 20 || len(f.states) > 20 })
			before := residentKiB(t, b.pid)
			time.Sleep(2 * time.Second)
			if grown := residentKiB(t, b.pid) - before; grown > 40<<10 {
				t.Errorf("S6: grew by %d KiB while nobody read", grown)
			}
			if _, err := b.Describe(within(t), &adapterv1beta1.DescribeRequest{}); err != nil {
				t.Errorf("a call beside the feed: %v", err)
			}
			if role == "flickers" {
				return
			}
			f.until(f.samples(flow, 100_000))
			missing := 0
			for i, v := range f.values[flow] {
				if i > 0 && v != f.values[flow][i-1]+1 {
					missing++
				}
			}
			if f.err != nil || role == "flood" && missing > 0 || missing > len(f.gaps) || role == "offers" && missing == 0 {
				t.Errorf("S3: %d holes and %d gaps in %d samples, %v", missing, len(f.gaps), len(f.values[flow]), f.err)
			}
		})
	}
}

func TestCloseIsAnsweredAfterTheFeedHasEnded(t *testing.T) {
	b := start(t, hostile(t, "ends slowly")).open()
	f := b.feed(flow)
	f.until(f.samples(flow, 1))
	ended := make(chan time.Time, 1)
	go func() {
		f.until(never)
		ended <- time.Now()
	}()
	if err := b.close(); err != nil {
		t.Fatal(err)
	}
	answered := time.Now()
	if late := (<-ended).Sub(answered); late > 100*time.Millisecond { // both come at once, and are read in any order
		t.Errorf("X2: ended %v after the answer", late)
	}
	refused(t, f.err, codes.Aborted, "CLOSED")
}

// Samples that nobody wants fill nothing that could make the author wait.
func TestFloodOfUnwantedSamplesLeavesTheLifelineItsTurn(t *testing.T) {
	b := start(t, hostile(t, "flood")).open()
	f := b.feed()
	f.until(func() bool { return f.answers == 1 })
	time.Sleep(300 * time.Millisecond)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	if _, err := b.Describe(ctx, &adapterv1beta1.DescribeRequest{}); err != nil {
		t.Error(err)
	}
}

// The host reads too slowly to take all before the feed ends; what it reads in the end must still say why.
func TestSlowReaderOfAClosedDeviceIsToldWhy(t *testing.T) {
	b := start(t, hostile(t, "flood")).open()
	f := b.feed(flow)
	f.until(f.samples(flow, 1000))
	time.Sleep(300 * time.Millisecond)
	began := time.Now()
	if err := b.close(); err != nil || time.Since(began) > 2*time.Second {
		t.Errorf("closing: %v after %v", err, time.Since(began))
	}
	time.Sleep(300 * time.Millisecond)
	refused(t, f.until(never).err, codes.Aborted, "CLOSED")
	t.Logf("%d samples", len(f.values[flow]))
}

func TestErrorThatNobodyCaughtReleasesTheHardwareAndEndsTheProcess(t *testing.T) {
	b := start(t, hostile(t, "crashes later")).open()
	c, err := b.adapter.Connection()
	if err != nil {
		t.Fatal(err)
	}
	select {
	case <-c.Dead():
	case <-time.After(5 * time.Second):
		t.Fatal("it lives on")
	}
	eventually(t, "told", 5*time.Second, func() bool { return b.adapter.Status().Failure != nil })
	f := b.adapter.Status().Failure
	if f.Exit != "exit status 5" || !strings.Contains(b.log.String(), "msg=closed") || !strings.Contains(f.Error(), "nothing") {
		t.Errorf("failure %v\n%s", f, b.log)
	}
}

func TestHardwareThatDoesNotLetGoIsLeftInTime(t *testing.T) {
	b := start(t, hostile(t, "never closes")).open()
	began := time.Now()
	b.adapter.Shutdown(context.Background())
	if took := time.Since(began); took > 5*time.Second || !gone(b.pid) {
		t.Errorf("took %v, gone: %v", took, gone(b.pid))
	}
}

func BenchmarkStartToReady(b *testing.B) {
	m := installed(b, "program")
	for b.Loop() {
		a, err := host.New(host.Options{Manifest: m})
		if err != nil {
			b.Fatal(err)
		}
		a.Start()
		if _, err := a.Ready(context.Background()); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		a.Shutdown(context.Background())
		b.StartTimer()
	}
}

func BenchmarkFeed(b *testing.B) {
	for _, width := range []int32{1, 32, 256} {
		b.Run(fmt.Sprintf("send=%d", width), func(b *testing.B) {
			h := start(b, hostile(b, "flood")).open()
			stream, err := h.Feed(b.Context())
			if err == nil {
				err = stream.Send(&adapterv1beta1.FeedRequest{DeviceId: box, Signals: []*adapterv1beta1.WantedSignal{{Path: flow, Group: width}}})
			}
			b.ResetTimer()
			got := 0
			for err == nil && got < b.N {
				var m *adapterv1beta1.FeedResponse
				m, err = stream.Recv()
				got += len(m.GetBatch().GetValue())
			}
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(got)/b.Elapsed().Seconds(), "samples/s")
		})
	}
}
