// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package endtoend

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
)

var ownSum = sync.OnceValues(func() (string, error) {
	data, err := os.ReadFile(os.Args[0])
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), err
})

// installed makes a folder of adapters as an administrator would, all played by the test's own program, and tells where
// each writes the number of its process.
func installed(t *testing.T, names ...string) (dir string, pids map[string]string) {
	t.Helper()
	dir, pids = t.TempDir(), make(map[string]string)
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	self, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	sum := must(ownSum())(t)
	for _, name := range names {
		folder := filepath.Join(dir, name)
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
		pids[name] = t.TempDir()
		m := manifest.Manifest{
			Name: name, Version: "1.0.0", Executable: self, Arguments: []string{asAdapter, name}, Files: map[string]string{self: sum},
			ProtocolVersions: []int{1}, Configuration: must(json.Marshal(map[string]string{"folder": pids[name]}))(t),
		}
		if name == "was-changed" {
			m.Files[self] = strings.Repeat("0", 64)
		}
		text := must(json.Marshal(m))(t)
		if name == "has-a-broken-manifest" {
			text = text[:len(text)/2]
		}
		if err := os.WriteFile(filepath.Join(folder, manifest.FileName), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, pids
}

// processes lists those of an adapter that were configured.
func processes(t *testing.T, folder string) []int {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var pids []int
	for _, e := range entries {
		if pid, err := strconv.Atoi(e.Name()); err == nil {
			pids = append(pids, pid)
		}
	}
	return pids
}

// lives reports whether a process is there and is no zombie that nobody has buried.
func lives(pid int) bool {
	if errors.Is(unix.Kill(pid, 0), unix.ESRCH) {
		return false
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || !strings.Contains(string(stat), ") Z ")
}

func (a *api) adapter(t *testing.T, name string) *pb.Adapter {
	t.Helper()
	r, err := a.adapters.GetAdapter(within(t), &pb.GetAdapterRequest{Name: "adapters/" + name})
	if err != nil {
		t.Fatal(err)
	}
	return r.GetAdapter()
}

// until waits for something, at most for as long as it may take on a loaded machine.
func until(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited for %v in vain until %s", limit, what)
		}
	}
}

func (a *api) startCapture(t *testing.T, session, adapter string) (*pb.Capture, error) {
	t.Helper()
	r, err := a.adapters.StartCapture(within(t), &pb.StartCaptureRequest{Parent: session, Device: "adapters/" + adapter + "/devices/box"})
	return r.GetCapture(), err
}

func (a *api) samples(t *testing.T, capture string) int64 {
	t.Helper()
	r, err := a.sessions.GetCapture(within(t), &pb.GetCaptureRequest{Name: capture})
	if err != nil {
		t.Fatal(err)
	}
	return r.GetCapture().GetSampleCount()
}

func (a *api) newSession(t *testing.T) string {
	t.Helper()
	return must(a.session(within(t), must(a.vehicle(within(t)))(t)))(t)
}

func TestAKilledServerLeavesNoAdapterAndTheCaptureCanGoOn(t *testing.T) {
	dir, pids := installed(t, "holds-a-lock", "forks", "never-lets-go")
	s := serve(t, "--adapters", dir)
	a := s.dial()
	session := a.newSession(t)
	names := []string{"holds-a-lock", "forks", "never-lets-go"}
	captures := make(map[string]string)
	for _, name := range names {
		c, err := a.startCapture(t, session, name)
		if err != nil {
			t.Fatal(err)
		}
		captures[name] = c.GetName()
	}
	for _, capture := range captures {
		until(t, 20*time.Second, "samples come in", func() bool { return a.samples(t, capture) > 100 })
	}
	acknowledged := a.samples(t, captures["holds-a-lock"])
	s.kill()
	for _, name := range names {
		for _, pid := range processes(t, pids[name]) {
			until(t, 5*time.Second, fmt.Sprintf("the adapter %s (process %d) has gone", name, pid), func() bool { return !lives(pid) })
		}
	}
	if _, err := os.Stat(filepath.Join(pids["holds-a-lock"], "lock")); !os.IsNotExist(err) {
		t.Errorf("the hardware was not released: %v", err)
	}
	if err := s.start(); err != nil {
		t.Fatal(err)
	}
	r, err := a.sessions.GetCapture(within(t), &pb.GetCaptureRequest{Name: captures["holds-a-lock"]})
	if err != nil {
		t.Fatal(err)
	}
	if c := r.GetCapture(); c.GetFeed().GetState() != pb.CaptureFeedState_CAPTURE_FEED_STATE_INTERRUPTED || c.GetSampleCount() < acknowledged {
		t.Errorf("%d samples were there before the kill, and now %v", acknowledged, c)
	}
	if _, err := a.adapters.ResumeCapture(within(t), &pb.ResumeCaptureRequest{Name: captures["holds-a-lock"]}); err != nil {
		t.Fatal(err)
	}
	until(t, 20*time.Second, "samples come in again", func() bool { return a.samples(t, captures["holds-a-lock"]) > acknowledged+100 })
	closed, err := a.sessions.CloseSession(within(t), &pb.CloseSessionRequest{Name: session})
	if err != nil {
		t.Fatal(err)
	}
	v, err := a.verdicts.GetVerdict(within(t), &pb.GetVerdictRequest{Name: closed.GetVerdict()})
	use := v.GetVerdict().GetAssessment().GetSampleUse()
	if err != nil || use.GetGapCount() != 1 || use.GetLongestGaps()[0].GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_SERVER_RESTARTED {
		t.Errorf("the verdict does not tell of the gap: %v, %v", use, err)
	}
}

// Whatever an adapter does, the server serves everyone else and says what is wrong.
func TestBrokenAdaptersAreNamedAndHarmNobody(t *testing.T) {
	failed := map[string]struct {
		reason pb.AdapterFailureReason
		says   string
	}{
		"prints":                 {pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_HANDSHAKE, "welcome to the bench"},
		"speaks-another-version": {pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_PROTOCOL_VERSION, "speaks protocol version 7"},
		"never-answers":          {pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_TIMEOUT, ""},
		"exits":                  {pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_EXITED, ""},
		"was-changed":            {pb.AdapterFailureReason_ADAPTER_FAILURE_REASON_FILES, "SHA-256"},
	}
	capturing := []string{"good", "writes-nonsense", "floods", "forks", "never-lets-go"}
	failing := map[string]codes.Code{
		"dies-opening": codes.Unavailable, "panics": codes.Unavailable,
	}
	names := append([]string{"dies-listing", "dies-feeding", "lists-without-end", "has-a-broken-manifest", "dies-opening", "panics"}, capturing...)
	for name := range failed {
		names = append(names, name)
	}
	dir, pids := installed(t, names...)
	s := serve(t, "--adapters", dir)
	a := s.dial()
	session := a.newSession(t)
	var captures []string
	for _, name := range capturing {
		c, err := a.startCapture(t, session, name)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		captures = append(captures, c.GetName())
	}
	for name, want := range failed {
		until(t, 25*time.Second, name+" has failed", func() bool { return a.adapter(t, name).GetFailure() != nil })
		f := a.adapter(t, name).GetFailure()
		if f.GetReason() != want.reason || !strings.Contains(f.GetMessage(), want.says) {
			t.Errorf("%s: the failure is %v, expected %v with %q", name, f, want.reason, want.says)
		}
		_, err := a.startCapture(t, session, name)
		if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "the adapter is ") {
			t.Errorf("%s: starting a capture gives %v", name, err)
		}
	}
	for name, code := range failing {
		if _, err := a.startCapture(t, session, name); status.Code(err) != code {
			t.Errorf("%s: starting a capture gives %v", name, err)
		}
	}
	for _, name := range []string{"dies-listing", "lists-without-end"} {
		if _, err := a.adapters.ListDevices(within(t), &pb.ListDevicesRequest{Parent: "adapters/" + name}); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: listing its devices gives %v", name, err)
		}
	}
	dying, err := a.startCapture(t, session, "dies-feeding")
	if err != nil {
		t.Fatal(err)
	}
	until(t, 30*time.Second, "it was taken up again twice", func() bool {
		r, err := a.sessions.GetCapture(within(t), &pb.GetCaptureRequest{Name: dying.GetName()})
		return err == nil && r.GetCapture().GetFeed().GetInterruptionCount() >= 2
	})
	for i, capture := range captures {
		before := a.samples(t, capture)
		until(t, 20*time.Second, capturing[i]+" delivers", func() bool { return a.samples(t, capture) > before+50 })
	}
	listed, err := a.adapters.ListDevices(within(t), &pb.ListDevicesRequest{Parent: "adapters/-"})
	if err != nil || len(listed.GetUnreachable()) < len(failed) || len(listed.GetDevices()) < len(capturing) {
		t.Errorf("all devices are %v, %v", listed, err)
	}
	log := string(must(os.ReadFile(s.log.Name()))(t))
	for _, part := range []string{"has-a-broken-manifest", "manifest.json:1:", "no licence for the bench found", "the box is on fire"} {
		if !strings.Contains(log, part) {
			t.Errorf("the server's log does not say %q", part)
		}
	}
	if len(log) > 2<<20 {
		t.Errorf("the log has %d bytes: floods are not held back", len(log))
	}
	if err := s.cmd.Process.Signal(unix.SIGTERM); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	if err := s.cmd.Wait(); err != nil || time.Since(start) > 15*time.Second {
		t.Errorf("the server ended after %v with %v", time.Since(start), err)
	}
	s.cmd = nil
	for name, folder := range pids {
		for _, pid := range processes(t, folder) {
			if lives(pid) {
				t.Errorf("the adapter %s (process %d) has outlived the server", name, pid)
			}
		}
	}
}
