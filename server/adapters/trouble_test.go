// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/memory"
)

func reasonIs(err error, want pb.ErrorReason) bool {
	got, ok := session.ReasonOf(err)
	return ok && got == want
}

func (r *rig) feed(name string) *pb.CaptureFeed { return r.capture(name).GetFeed() }

func TestAUnitThatCannotBeIsTheAdaptersDefectAndNotTheCallers(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	s.put(t, fileUnit)
	_, err := r.adapters.StartCapture(t.Context(), shop, &pb.StartCaptureRequest{Parent: open.GetName(), Device: device("bench", "box-00")})
	if !reasonIs(err, pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT) || !strings.Contains(err.Error(), "furlong") {
		t.Errorf("the error is %v", err)
	}
	s.take(t, fileUnit)
	r.start(open, device("bench", "box-00")) // The device was given back.
}

func TestACaptureThatNothingCanFeedIsNotResumed(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	r.end()
	r.begin()
	s.put(t, fileMute)
	if _, err := r.adapters.ResumeCapture(t.Context(), shop, c.GetName()); !reasonIs(err, pb.ErrorReason_ERROR_REASON_NO_SIGNALS) {
		t.Errorf("resuming from a device without signals gives %v", err)
	}
	s.take(t, fileMute)
	if _, err := r.adapters.ResumeCapture(t.Context(), shop, c.GetName()); err != nil {
		t.Error(err)
	}
}

func TestAFeedThatComesBackWithoutSignalsIsOpenedAgain(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	s.put(t, fileMute)
	s.kill(t)
	r.until("it is told that nothing is delivered", func() bool {
		f := r.feed(c.GetName())
		return f.GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING && strings.Contains(f.GetMessage(), "not supported")
	})
	s.take(t, fileMute)
	r.grows(c.GetName())
}

func TestASilentVehicleDoesNotKeepTheDeviceOfACaptureThatEndedBesideIt(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	c := r.start(open, device("bench", "box-00"))
	s.put(t, fileSilent)
	r.until("the silence is told", func() bool { return r.feed(c.GetName()).GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_SILENT })
	r.sessions.SetSources(nil) // As if it had been finished in the moment before its feed could be found.
	r.finish(c.GetName())
	r.until("the device is free", func() bool {
		d, _, err := r.adapters.Devices(t.Context(), shop, "adapters/bench")
		return err == nil && !d[0].GetInUse()
	})
}

func TestALooseCableIsNeitherTriedNorToldInALoop(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	s.put(t, fileLoose)
	time.Sleep(3 * time.Second)
	if n := r.feed(c.GetName()).GetInterruptionCount(); n < 1 || n > 7 {
		t.Errorf("in three seconds it was interrupted %d times, expected at most 7", n)
	}
	if n := r.log.count("the feed broke off"); n != 1 {
		t.Errorf("it is logged %d times", n)
	}
	s.take(t, fileLoose)
	back := time.Now()
	r.grows(c.GetName())
	if took := time.Since(back); took > 3*time.Second {
		t.Errorf("it was used again after %v", took)
	}
}

// full is a store that takes no more samples while it is told to.
type full struct {
	store.Store
	is atomic.Bool
}

func (f *full) Append(ctx context.Context, c store.Capture, epoch int64, chunks ...store.Chunk) (store.Ack, error) {
	if f.is.Load() {
		return store.Ack{}, store.ErrFull
	}
	return f.Store.Append(ctx, c, epoch, chunks...)
}

func TestWhatAFullStoreRefusesIsMarkedAsMissingAndTheCaptureGoesOn(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	disk := &full{Store: memory.New()}
	r := newRigOn(t, disk, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	disk.is.Store(true)
	r.until("it is told", func() bool { return strings.Contains(r.feed(c.GetName()).GetMessage(), "full") })
	disk.is.Store(false)
	r.grows(c.GetName())
	r.finish(c.GetName())
	all := r.batches(c.GetName())
	var found int
	for i := 1; i < len(all); i++ {
		g := all[i].GetGap()
		if g == nil {
			continue
		}
		found++
		before := all[i-1].GetBaseTimeUs() + all[i-1].GetOffsetUs()[len(all[i-1].GetOffsetUs())-1]
		if g.GetStartUs() != before || g.GetEndUs() != all[i].GetBaseTimeUs() {
			t.Errorf("a gap goes from %d to %d, samples are missing from %d to %d", g.GetStartUs(), g.GetEndUs(), before, all[i].GetBaseTimeUs())
		}
	}
	if found == 0 {
		t.Error("no gap is marked")
	}
}

func TestTheEndOfTheServerDoesNotWaitForADeviceThatIsBeingOpened(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	s.put(t, fileSlow)
	failed := make(chan error, 1)
	go func() {
		_, err := r.adapters.StartCapture(context.Background(), shop, &pb.StartCaptureRequest{Parent: open.GetName(), Device: device("bench", "box-00")})
		failed <- err
	}()
	r.until("the device is being opened", func() bool {
		d, _, err := r.adapters.Devices(t.Context(), shop, "adapters/bench")
		return err == nil && d[0].GetInUse()
	})
	begun := time.Now()
	r.end()
	if took := time.Since(begun); took > 5*time.Second {
		t.Errorf("the end took %v", took)
	}
	if err := <-failed; !errors.Is(err, session.ErrUnavailable) {
		t.Errorf("the start gives %v", err)
	}
}

func TestAStartThatIsRepeatedWhileItIsUnderWayGivesTheSameCapture(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	request := &pb.StartCaptureRequest{
		Parent: r.session().GetName(), Device: device("bench", "box-00"), RequestId: "3d4d8a52-1c7b-4d52-8d3e-0a4d0c9b7c11",
	}
	s.put(t, fileSlow)
	type outcome struct {
		capture *pb.Capture
		err     error
	}
	made := make(chan outcome, 2)
	for range 2 {
		go func() {
			c, err := r.adapters.StartCapture(context.Background(), shop, request)
			made <- outcome{c, err}
		}()
	}
	time.Sleep(200 * time.Millisecond)
	s.take(t, fileSlow)
	first, second := <-made, <-made
	if first.err != nil || second.err != nil || first.capture.GetName() != second.capture.GetName() {
		t.Errorf("the two calls give %v", []outcome{first, second})
	}
	_, err := r.adapters.StartCapture(t.Context(), shop, &pb.StartCaptureRequest{Parent: request.GetParent(), Device: request.GetDevice()})
	if !reasonIs(err, pb.ErrorReason_ERROR_REASON_DEVICE_BUSY) {
		t.Errorf("another start gives %v", err)
	}
}

func TestAStartThatIsGivenUpLeavesTheDeviceFree(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	s.put(t, fileSlow)
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, err := r.adapters.StartCapture(ctx, shop, &pb.StartCaptureRequest{Parent: open.GetName(), Device: device("bench", "box-00")})
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the error is %v", err)
	}
	s.take(t, fileSlow)
	r.start(open, device("bench", "box-00"))
}

func TestACaptureIsFinishedDuringAnInterruption(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	c := r.start(open, device("bench", "box-00"))
	r.grows(c.GetName())
	s.put(t, fileUnplugged)
	r.until("the break is seen", func() bool { return r.feed(c.GetName()).GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING })
	if done := r.finish(c.GetName()); done.GetState() != pb.CaptureState_CAPTURE_STATE_FINISHED {
		t.Errorf("the capture is %v", done)
	}
	if g := gaps(r.batches(c.GetName())); len(g) != 0 {
		t.Errorf("what nobody went on with is marked as missing: %v", g)
	}
	s.take(t, fileUnplugged)
	r.start(open, device("bench", "box-00"))
}

func TestAFinishThatIsGivenUpLeavesACaptureThatCanBeResumedOrFinished(t *testing.T) {
	r := newRig(t, benchAdapter(t, benchSettings(t, "bench", 1)))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.sessions.FinishCapture(ctx, shop, c.GetName()); !errors.Is(err, context.Canceled) {
		t.Fatalf("the error is %v", err)
	}
	if f := r.feed(c.GetName()); f.GetState() != pb.CaptureFeedState_CAPTURE_FEED_STATE_INTERRUPTED || !strings.Contains(f.GetMessage(), "ResumeCapture") {
		t.Errorf("the feed is %v", f)
	}
	if _, err := r.adapters.ResumeCapture(t.Context(), shop, c.GetName()); err != nil {
		t.Fatal(err)
	}
	r.grows(c.GetName())
	r.finish(c.GetName())
}

func TestTheAnswerToAStartTellsWhatIsWanted(t *testing.T) {
	r := newRig(t, benchAdapter(t, benchSettings(t, "bench", 1)))
	c := r.start(r.session(), device("bench", "box-00"))
	if len(c.GetFeed().GetRates()) != len(c.GetSignals()) {
		t.Errorf("rates are told of %d signals, the capture has %d", len(c.GetFeed().GetRates()), len(c.GetSignals()))
	}
	for _, rate := range c.GetFeed().GetRates() {
		if rate.GetWantedHz() == 0 {
			t.Errorf("at rest %s is wanted as often as goes", rate.GetPath())
		}
	}
}
