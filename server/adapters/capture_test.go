// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/server/session"
)

func TestSamplesOfADeviceComeInUntilTheCaptureIsFinished(t *testing.T) {
	s := benchSettings(t, "bench", 2)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	before := time.Since(open.GetStartTime().AsTime()).Microseconds()
	c := r.start(open, device("bench", "box-00"))
	if c.GetDevice() != device("bench", "box-00") || len(c.GetSignals()) != 4 || c.GetClock() != pb.ClockKind_CLOCK_KIND_HOST {
		t.Errorf("the capture is %v", c)
	}
	if len(c.GetFeed().GetUnavailable()) == 0 {
		t.Error("the capture does not tell which signals it lacks")
	}
	r.grows(c.GetName())
	r.until("the rate is reported", func() bool {
		for _, rate := range r.capture(c.GetName()).GetFeed().GetRates() {
			if rate.GetPath() == "Vehicle.OBD.MAF" && rate.GetAchievedHz() > 10 {
				return true
			}
		}
		return false
	})
	done := r.finish(c.GetName())
	if done.GetState() != pb.CaptureState_CAPTURE_STATE_FINISHED || done.GetFeed() != nil {
		t.Errorf("after the end the capture is %v", done)
	}
	after := time.Since(open.GetStartTime().AsTime()).Microseconds()
	all := r.batches(c.GetName())
	if g := gaps(all); len(g) != 0 {
		t.Errorf("gaps are marked in an unbroken capture: %v", g)
	}
	first, last := all[0].GetBaseTimeUs(), all[len(all)-1]
	if end := last.GetBaseTimeUs() + last.GetOffsetUs()[len(last.GetOffsetUs())-1]; first < before || end > after {
		t.Errorf("samples of %d to %d µs lie outside of the capture's time, %d to %d µs", first, end, before, after)
	}
	r.start(open, device("bench", "box-00")) // The device is free again.
}

func TestAKilledAdapterLeavesAMarkedGapAndTheCaptureGoesOn(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	open := r.session()
	c := r.start(open, device("bench", "box-00"))
	r.grows(c.GetName())
	const kills = 3
	for i := range kills {
		s.kill(t)
		r.until("the break is seen", func() bool { return int(r.capture(c.GetName()).GetFeed().GetInterruptionCount()) == i+1 })
		r.until("the feed runs again", func() bool {
			return r.capture(c.GetName()).GetFeed().GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING
		})
		r.grows(c.GetName())
	}
	closed, verdict, err := r.sessions.CloseSession(t.Context(), shop, open.GetName())
	if err != nil {
		t.Fatal(err)
	}
	all := r.batches(c.GetName())
	found := gaps(all)
	if len(found) != kills {
		t.Fatalf("%d gaps are marked, expected %d: %v", len(found), kills, found)
	}
	for _, g := range found {
		if g.GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED || g.GetEndUs() <= g.GetStartUs() {
			t.Errorf("a gap is %v", g)
		}
		t.Logf("killed and taken up again: %d ms without samples, with a backoff of up to 50 ms", (g.GetEndUs()-g.GetStartUs())/1000)
	}
	for i := 1; i < len(all); i++ {
		if g := all[i].GetGap(); g != nil {
			before := all[i-1].GetBaseTimeUs() + all[i-1].GetOffsetUs()[len(all[i-1].GetOffsetUs())-1]
			if g.GetStartUs() != before || g.GetEndUs() != all[i].GetBaseTimeUs() {
				t.Errorf("a gap goes from %d to %d, samples are missing from %d to %d", g.GetStartUs(), g.GetEndUs(), before, all[i].GetBaseTimeUs())
			}
		}
	}
	v, err := r.sessions.GetVerdict(t.Context(), shop, verdict)
	if err != nil {
		t.Fatal(err)
	}
	use := v.GetAssessment().GetSampleUse()
	if use.GetGapCount() != kills || len(use.GetLongestGaps()) != kills || use.GetLongestGaps()[0].GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED {
		t.Errorf("the verdict of %s does not know of the gaps: %v", closed.GetName(), use)
	}
}

func TestAPluggedInCableIsUsedAgainWithinTwoSeconds(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	for range 3 {
		r.grows(c.GetName())
		s.put(t, fileUnplugged)
		r.until("the break is seen", func() bool {
			f := r.capture(c.GetName()).GetFeed()
			return f.GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING && strings.Contains(f.GetMessage(), "gone")
		})
		time.Sleep(300 * time.Millisecond)
		s.take(t, fileUnplugged)
		back := time.Now()
		r.until("the feed runs again", func() bool {
			return r.capture(c.GetName()).GetFeed().GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING
		})
		if took := time.Since(back); took > 2*time.Second {
			t.Errorf("the cable was used again after %v", took)
		}
	}
	r.grows(c.GetName())
	r.finish(c.GetName())
	found := gaps(r.batches(c.GetName()))
	if len(found) != 3 || found[0].GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST {
		t.Errorf("gaps are %v", found)
	}
}

func TestASilentVehicleDoesNotEndTheCapture(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	s.put(t, fileSilent)
	r.until("the silence is told", func() bool {
		return r.capture(c.GetName()).GetFeed().GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_SILENT
	})
	s.take(t, fileSilent)
	r.grows(c.GetName())
	if f := r.capture(c.GetName()).GetFeed(); f.GetState() != pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING || f.GetInterruptionCount() != 0 {
		t.Errorf("the feed is %v", f)
	}
	r.finish(c.GetName())
	if found := gaps(r.batches(c.GetName())); len(found) != 1 || found[0].GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST {
		t.Errorf("gaps are %v", found)
	}
}

func TestAFeedThatKeepsBreakingIsNotOpenedInALoop(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	s.put(t, fileBroken)
	time.Sleep(2 * time.Second)
	f := r.capture(c.GetName()).GetFeed()
	if n := f.GetInterruptionCount(); n < 1 || n > 6 {
		t.Errorf("in two seconds it was interrupted %d times, expected at most 6", n)
	}
	r.until("the feed tells what is wrong", func() bool {
		f := r.capture(c.GetName()).GetFeed()
		return f.GetState() == pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING && strings.Contains(f.GetMessage(), "a table of the adapter is missing")
	})
	s.take(t, fileBroken)
	r.grows(c.GetName())
	stopped := time.Now()
	r.finish(c.GetName())
	if took := time.Since(stopped); took > 5*time.Second {
		t.Errorf("finishing took %v", took)
	}
}

func TestACaptureGoesOnAfterARestartOfTheServer(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	r.grows(c.GetName())
	r.end()
	r.begin()
	before := r.capture(c.GetName())
	if before.GetFeed().GetState() != pb.CaptureFeedState_CAPTURE_FEED_STATE_INTERRUPTED || before.GetSampleCount() == 0 {
		t.Errorf("after the restart the capture is %v", before)
	}
	resumed, err := r.adapters.ResumeCapture(t.Context(), shop, c.GetName())
	if err != nil {
		t.Fatal(err)
	}
	if again, err := r.adapters.ResumeCapture(t.Context(), shop, c.GetName()); err != nil || again.GetFeed().GetInterruptionCount() != 0 {
		t.Errorf("a second resumption gives %v, %v", again, err)
	}
	r.grows(resumed.GetName())
	r.finish(c.GetName())
	found := gaps(r.batches(c.GetName()))
	if len(found) != 1 || found[0].GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_SERVER_RESTARTED || found[0].GetEndUs() <= found[0].GetStartUs() {
		t.Errorf("gaps are %v", found)
	}
	_, err = r.adapters.ResumeCapture(t.Context(), shop, c.GetName())
	if !errors.Is(err, session.ErrCaptureFinished) {
		t.Errorf("resuming a finished capture gives %v", err)
	}
}

func TestFastSignalsAreAskedForDuringAPull(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	r := newRig(t, benchAdapter(t, s))
	c := r.start(r.session(), device("bench", "box-00"))
	rate := func(path string) float64 {
		for _, rate := range r.capture(c.GetName()).GetFeed().GetRates() {
			if rate.GetPath() == path {
				return rate.GetWantedHz()
			}
		}
		return -1
	}
	r.until("the engine is seen to run", func() bool { return rate("Vehicle.OBD.MAF") == 10 })
	s.put(t, filePull)
	r.until("the meter is wanted as often as goes", func() bool { return rate("Vehicle.OBD.MAF") == 0 })
	r.until("the adapter hears of it", func() bool {
		text, err := os.ReadFile(filepath.Join(s.Folder, fileWanted))
		return err == nil && strings.Contains(string(text), "{Path:Vehicle.OBD.MAF RateHz:0 Group:1}")
	})
	s.take(t, filePull)
	r.until("the end of the pull is seen", func() bool { return rate("Vehicle.OBD.MAF") == 10 })
}

func TestTwoAdaptersAndTwentyDevicesFeedOneSession(t *testing.T) {
	many, other := benchSettings(t, "many", 20), benchSettings(t, "other", 1)
	r := newRig(t, benchAdapter(t, many), benchAdapter(t, other))
	open := r.session()
	var names []string
	for i := range 20 {
		names = append(names, r.start(open, device("many", fmt.Sprintf("box-%02d", i))).GetName())
	}
	names = append(names, r.start(open, device("other", "box-00")).GetName())
	for _, name := range names {
		r.grows(name)
	}
	many.kill(t) // The other goes on meanwhile.
	r.grows(names[20])
	for _, name := range names {
		r.grows(name)
	}
	if _, _, err := r.sessions.CloseSession(t.Context(), shop, open.GetName()); err != nil {
		t.Fatal(err)
	}
	for i, name := range names {
		found, want := gaps(r.batches(name)), 1
		if i == 20 {
			want = 0
		}
		if len(found) != want {
			t.Errorf("capture %d has the gaps %v", i, found)
		}
	}
	devices, unreachable, err := r.adapters.Devices(t.Context(), shop, "adapters/-")
	if err != nil || len(unreachable) != 0 || len(devices) != 21 || devices[0].GetInUse() {
		t.Errorf("after the end the devices are %v, %v, %v", devices, unreachable, err)
	}
}

func TestWhatCannotBeCapturedLeavesNothingBehind(t *testing.T) {
	s, broken := benchSettings(t, "bench", 1), benchSettings(t, "broken", 1)
	broken.Refuse = true
	r := newRig(t, benchAdapter(t, s), benchAdapter(t, broken))
	open, closed := r.session(), r.session()
	if _, _, err := r.sessions.CloseSession(t.Context(), shop, closed.GetName()); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		session, device string
		file            string
		want            pb.ErrorReason
		says            string
	}{
		"no such adapter":       {open.GetName(), device("none", "box-00"), "", pb.ErrorReason_ERROR_REASON_NOT_FOUND, "adapters/bench"},
		"no such device":        {open.GetName(), device("bench", "box-77"), "", pb.ErrorReason_ERROR_REASON_NOT_FOUND, "box-77"},
		"no device's name":      {open.GetName(), "bench/box-00", "", pb.ErrorReason_ERROR_REASON_NOT_FOUND, "bench/box-00"},
		"no such session":       {"sessions/none", device("bench", "box-00"), "", pb.ErrorReason_ERROR_REASON_NOT_FOUND, "sessions/none"},
		"a closed session":      {closed.GetName(), device("bench", "box-00"), "", pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, "open another"},
		"hardware that is gone": {open.GetName(), device("bench", "box-00"), fileUnplugged, pb.ErrorReason_ERROR_REASON_DEVICE_UNPLUGGED, "gone"},
		"no signal":             {open.GetName(), device("bench", "box-00"), fileMute, pb.ErrorReason_ERROR_REASON_NO_SIGNALS, "not supported"},
		"a silent vehicle":      {open.GetName(), device("bench", "box-00"), fileAsleep, pb.ErrorReason_ERROR_REASON_NO_SIGNALS, "is its ignition on?"},
		"a garbled answer":      {open.GetName(), device("bench", "box-00"), fileGarbled, pb.ErrorReason_ERROR_REASON_NO_SIGNALS, "garbled"},
		"a refused adapter":     {open.GetName(), device("broken", "box-00"), "", pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE, "leave it out"},
	} {
		t.Run(name, func(t *testing.T) {
			if c.file != "" {
				s.put(t, c.file)
				defer s.take(t, c.file)
			}
			_, err := r.adapters.StartCapture(t.Context(), shop, &pb.StartCaptureRequest{Parent: c.session, Device: c.device})
			var own *session.Error
			if !errors.As(err, &own) || own.Reason != c.want || !strings.Contains(err.Error(), c.says) {
				t.Errorf("the error is %v, expected %v with %q", err, c.want, c.says)
			}
		})
	}
	captures, _, err := r.sessions.ListCaptures(t.Context(), shop, open.GetName(), session.ListOptions{})
	if err != nil || len(captures) != 0 {
		t.Errorf("captures were left: %v, %v", captures, err)
	}
	c := r.start(open, device("bench", "box-00"))
	_, err = r.adapters.StartCapture(t.Context(), shop, &pb.StartCaptureRequest{Parent: open.GetName(), Device: c.GetDevice()})
	var own *session.Error
	if !errors.As(err, &own) || own.Reason != pb.ErrorReason_ERROR_REASON_DEVICE_BUSY {
		t.Errorf("a second capture from one device gives %v", err)
	}
	if _, err := r.sessions.OpenWriter(t.Context(), shop, c.GetName(), 0); !errors.Is(err, session.ErrSource) {
		t.Errorf("pushing into a device's capture gives %v", err)
	}
	devices, _, err := r.adapters.Devices(t.Context(), "elsewhere", "adapters/bench")
	if err != nil || !devices[0].GetInUse() || devices[0].GetCapture() != "" {
		t.Errorf("another shop sees %v, %v", devices, err)
	}
}

func TestARepeatedStartGivesTheSameCapture(t *testing.T) {
	r := newRig(t, benchAdapter(t, benchSettings(t, "bench", 1)))
	request := &pb.StartCaptureRequest{
		Parent: r.session().GetName(), Device: device("bench", "box-00"), RequestId: "3d4d8a52-1c7b-4d52-8d3e-0a4d0c9b7c11",
	}
	first, err := r.adapters.StartCapture(t.Context(), shop, request)
	if err != nil {
		t.Fatal(err)
	}
	again, err := r.adapters.StartCapture(t.Context(), shop, request)
	if err != nil || again.GetName() != first.GetName() {
		t.Errorf("the repeat gives %v, %v", again, err)
	}
}

func TestAnAdapterTellsWhatIsWrongAndWorksAfterAReset(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	s.Refuse = true
	r := newRig(t, benchAdapter(t, s))
	r.until("it has failed", func() bool {
		a, err := r.adapters.Get("adapters/bench")
		return err == nil && a.GetState() == pb.AdapterState_ADAPTER_STATE_FAILED
	})
	a, err := r.adapters.Get("adapters/bench")
	f := a.GetFailure()
	if err != nil || f.GetReason() != pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_CONFIGURATION || !strings.Contains(f.GetMessage(), "leave it out") || f.GetTime() == nil {
		t.Errorf("the failure is %v, %v", f, err)
	}
	if !r.log.has("leave it out") || !r.log.has("adapter=bench") {
		t.Error("the server's log does not tell")
	}
	if a, err := r.adapters.Reset("adapters/bench"); err != nil || a == nil {
		t.Error(err)
	}
	r.until("it was tried again", func() bool {
		a, err := r.adapters.Get("adapters/bench")
		return err == nil && a.GetStartCount() >= 2
	})
}

func TestAResetTakesUpAMendedManifest(t *testing.T) {
	s := benchSettings(t, "bench", 1)
	s.Refuse = true
	a := benchAdapter(t, s)
	var wrong error
	s.Refuse = false
	mended := benchAdapter(t, s).Manifest
	mended.Version = "1.0.1"
	a.Reload = func() (*manifest.Manifest, error) { return mended, wrong }
	r := newRig(t, a)
	state := func() pb.AdapterState { return r.adapters.List()[0].GetState() }
	r.until("it has failed", func() bool { return state() == pb.AdapterState_ADAPTER_STATE_FAILED })

	wrong = errors.New("manifest.json:3:3: is no JSON")
	if _, err := r.adapters.Reset("adapters/bench"); err == nil || !strings.Contains(err.Error(), "manifest.json:3:3") {
		t.Errorf("a reset with an unusable manifest says %v", err)
	}
	if state() != pb.AdapterState_ADAPTER_STATE_FAILED {
		t.Errorf("with an unusable manifest it is %v", state())
	}
	wrong = nil
	answer, err := r.adapters.Reset("adapters/bench")
	if err != nil || answer.GetState() == pb.AdapterState_ADAPTER_STATE_FAILED || answer.GetVersion() != "1.0.1" {
		t.Errorf("the reset answers with what was before it: %v, %v", answer, err)
	}
	r.until("it is ready", func() bool { return state() == pb.AdapterState_ADAPTER_STATE_READY })
}

func TestAReadyAdapterSaysWhatItCanDo(t *testing.T) {
	r := newRig(t, benchAdapter(t, benchSettings(t, "bench", 3)))
	r.until("it is ready", func() bool { return r.adapters.List()[0].GetState() == pb.AdapterState_ADAPTER_STATE_READY })
	a := r.adapters.List()[0]
	if a.GetName() != "adapters/bench" || a.GetVersion() != "1.0.0" || len(a.GetAbilities()) != 1 || a.GetAbilities()[0] != pb.AdapterAbility_ADAPTER_ABILITY_FEED ||
		a.GetSummary() == "" || len(a.GetDeprecations()) != 1 || a.GetStartCount() != 1 || a.GetFailure() != nil {
		t.Errorf("it is %v", a)
	}
	if !r.log.has("Boxes with a dial go away.") {
		t.Error("the log does not warn of what goes away")
	}
}
