// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// journal is a log that a test can read while it is written.
type journal struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.String()
}

// bench makes options for an adapter that plays a role.
func bench(t testing.TB, role string, args ...string) (Options, *journal) {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	m := &manifest.Manifest{
		Name: "bench", Version: "1.0.0", Executable: program, Dir: t.TempDir(),
		Arguments: append([]string{roleArgument, role}, args...), ProtocolVersions: []int{1},
	}
	if err := m.Seal(); err != nil {
		t.Fatal(err)
	}
	log := &journal{}
	return Options{
		Manifest: m, Logger: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		StartTimeout: 5 * time.Second, CallTimeout: 2 * time.Second, LifelineTimeout: 2 * time.Second, ShutdownTimeout: time.Second,
		Restart: Restart{MinBackoff: time.Millisecond, MaxBackoff: 5 * time.Millisecond, Failures: 2},
	}, log
}

// run starts an adapter that is shut down with the test.
func run(t testing.TB, o Options) *Adapter {
	t.Helper()
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Shutdown(context.Background()) })
	a.Start()
	return a
}

func within(t testing.TB, limit time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	t.Cleanup(cancel)
	return ctx
}

func ready(t testing.TB, a *Adapter) *Connection {
	t.Helper()
	c, err := a.Ready(within(t, 20*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// gone says that a process runs no more; one that nobody has reaped counts as gone.
func gone(pid int) bool {
	if errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return true
	}
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return runtime.GOOS == "linux"
	}
	_, rest, _ := strings.Cut(string(data), ") ")
	return strings.HasPrefix(rest, "Z")
}

func eventually(t testing.TB, what string, limit time.Duration, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after %v still not: %s", limit, what)
		}
	}
}

func TestGoodAdapterBecomesReadyAndEndsOrderly(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "released")
	o, _ := bench(t, "orderly", mark)
	var states []State
	o.OnChange = func(s Status) { states = append(states, s.State) }
	a := run(t, o)
	c := ready(t, a)
	if s := a.Status(); s.State != StateReady || s.PID != c.PID || s.Description.GetName() != "bench" || s.Starts != 1 {
		t.Errorf("status %+v", s)
	}
	if c.ProtocolVersion != 1 {
		t.Errorf("protocol version %d", c.ProtocolVersion)
	}
	answer, err := c.Client.ListDevices(within(t, 5*time.Second), &adapterv1beta1.ListDevicesRequest{})
	if err != nil || len(answer.GetDevices()) != 1 {
		t.Errorf("devices %v, %v", answer, err)
	}
	a.Shutdown(context.Background())
	if _, err := os.Stat(mark); err != nil {
		t.Errorf("the adapter was not asked to release its hardware: %v", err)
	}
	if !gone(c.PID) {
		t.Error("its process is still there")
	}
	if want := []State{StateStarting, StateReady, StateShutDown}; !slices.Equal(states, want) {
		t.Errorf("states %q, want %q", states, want)
	}
	if _, err := a.Ready(context.Background()); !errors.Is(err, ErrShutDown) {
		t.Errorf("after Shutdown: %v", err)
	}
	if _, err := os.Stat(a.launcher.socketDir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the temporary folder stayed: %v", err)
	}
}

// Each hostile start must end in the state and with the words that tell an administrator what to do.
func TestStartFailuresSayWhatIsWrong(t *testing.T) {
	for _, tc := range []struct {
		role   string
		reason Reason
		state  State
		says   []string
	}{
		{"prints", ReasonHandshake, StateBroken, []string{`"welcome to the bench`, "before serving"}},
		{"endless", ReasonHandshake, StateBroken, []string{`"xxxx`, "bytes more"}},
		{"silent", ReasonTimeout, StateBroken, []string{"within 300ms"}},
		{"exits", ReasonExited, StateBroken, []string{"exit status 3", "no licence for the bench found"}},
		{"chatty end", ReasonExited, StateBroken, []string{"exit status 2", "panic: the bench is on fire"}},
		{"version 7", ReasonProtocolVersion, StateFailed, []string{"version 7, this host 1"}},
		{"elsewhere", ReasonHandshake, StateBroken, []string{`"/run/other/s"`, "PLUGIN_UNIX_SOCKET_DIR"}},
		{"far away", ReasonHandshake, StateBroken, []string{`"192.0.2.7:80"`, "loopback"}},
		{"plain", ReasonHandshake, StateBroken, []string{"no certificate"}},
		{"bad cert", ReasonHandshake, StateBroken, []string{"cert"}},
		{"no lifeline", ReasonTimeout, StateBroken, []string{"lifeline"}},
		{"dies in Describe", ReasonExited, StateBroken, []string{"Describe", "exit status 7"}},
		{"dies in Configure", ReasonExited, StateBroken, []string{"Configure", "exit status 8"}},
		{"hangs in Describe", ReasonTimeout, StateBroken, []string{"Describe within"}},
		{"other name", ReasonDescription, StateFailed, []string{`"other"`, `"bench"`}},
		{"huge description", ReasonCall, StateBroken, []string{"Describe", "larger than max"}},
	} {
		t.Run(tc.role, func(t *testing.T) {
			o, _ := bench(t, tc.role)
			if tc.reason == ReasonTimeout {
				o.CallTimeout, o.LifelineTimeout = time.Second, 500*time.Millisecond
			}
			if tc.role == "silent" {
				o.StartTimeout = 300 * time.Millisecond
			}
			a := run(t, o)
			_, err := a.Ready(within(t, 20*time.Second))
			f, ok := errors.AsType[*Failure](err)
			if !ok {
				t.Fatalf("error %v", err)
			}
			if f.Reason != tc.reason || a.Status().State != tc.state {
				t.Errorf("reason %q in state %q, want %q in %q: %v", f.Reason, a.Status().State, tc.reason, tc.state, f)
			}
			for _, words := range tc.says {
				if !strings.Contains(f.Error(), words) {
					t.Errorf("%q does not say %q", f.Error(), words)
				}
			}
			if left, _ := os.ReadDir(a.launcher.socketDir); len(left) > 0 {
				t.Errorf("left in the folder for sockets: %v", left)
			}
		})
	}
}

func TestBadConfigurationIsNotTriedAgainUntilReset(t *testing.T) {
	o, _ := bench(t, "good")
	o.Manifest.Configuration = []byte(`"bad"`)
	a := run(t, o)
	_, err := a.Ready(within(t, 20*time.Second))
	if f, ok := errors.AsType[*Failure](err); !ok || f.Reason != ReasonConfiguration || status.Code(err) != codes.InvalidArgument {
		t.Fatalf("error %v", err)
	}
	if strings.Contains(err.Error(), "rpc error") {
		t.Errorf("the administrator reads %q, expected the adapter's words alone", err)
	}
	if s := a.Status(); s.State != StateFailed || s.Starts != 1 {
		t.Errorf("state %q after %d starts", s.State, s.Starts)
	}
	a.Reset()
	eventually(t, "a second start", 20*time.Second, func() bool { s := a.Status(); return s.Starts == 2 && s.State == StateFailed })
}

func TestAMendedManifestIsTakenUpAtTheNextStart(t *testing.T) {
	o, _ := bench(t, "good")
	mended := *o.Manifest
	o.Manifest.Configuration = []byte(`"bad"`)
	a := run(t, o)
	eventually(t, "failed", 20*time.Second, func() bool { return a.Status().State == StateFailed })
	other := mended
	other.Name = "other"
	if err := a.Replace(&other); err == nil {
		t.Error("the manifest of another adapter is taken")
	}
	broken := mended
	broken.Files = nil
	if err := a.Replace(&broken); err == nil || !strings.Contains(err.Error(), "does not list the executable") {
		t.Errorf("a manifest without its sums is taken: %v", err)
	}
	if err := a.Replace(&mended); err != nil {
		t.Fatal(err)
	}
	a.Reset()
	eventually(t, "ready", 20*time.Second, func() bool { return a.Status().State == StateReady })
}

func TestAProcessThatWasKilledIsToldOnce(t *testing.T) {
	o, _ := bench(t, "good")
	a := run(t, o)
	c := ready(t, a)
	_ = syscall.Kill(c.PID, syscall.SIGKILL)
	<-c.Dead()
	if text := c.cause.Error(); !strings.Contains(text, "exited: its process ended with signal: killed") || strings.Count(text, "its process ended") != 1 {
		t.Errorf("the failure reads %q", text)
	}
}

func TestConfigureIsKeptForTheNextStart(t *testing.T) {
	o, _ := bench(t, "good")
	o.Restart.Failures = 9
	a := run(t, o)
	c := ready(t, a)
	ctx := within(t, 20*time.Second)
	err := a.Configure(ctx, `"bad"`, true)
	if s, ok := status.FromError(err); !ok || s.Code() != codes.InvalidArgument {
		t.Errorf("a bad configuration: %v", err)
	}
	if err := a.Configure(ctx, `{"port":"b"}`, true); err != nil || a.configuration != "" {
		t.Errorf("a check kept %q: %v", a.configuration, err)
	}
	if err := a.Configure(ctx, `{"port":"a"}`, false); err != nil || a.configuration != `{"port":"a"}` {
		t.Errorf("kept %q: %v", a.configuration, err)
	}
	_ = syscall.Kill(c.PID, syscall.SIGKILL)
	eventually(t, "restarted", 20*time.Second, func() bool { s := a.Status(); return s.Starts > 1 && s.State == StateReady })
}

func TestFilesAreCheckedAtEveryStart(t *testing.T) {
	o, _ := bench(t, "good")
	o.Restart.Failures = 9
	library := filepath.Join(o.Manifest.Dir, "table.bin")
	if err := os.WriteFile(library, []byte("sound"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := o.Manifest.Seal("table.bin"); err != nil {
		t.Fatal(err)
	}
	a := run(t, o)
	c := ready(t, a)
	if err := os.WriteFile(library, []byte("changed"), 0o600); err != nil {
		t.Fatal(err)
	}
	_ = syscall.Kill(c.PID, syscall.SIGKILL)
	eventually(t, "failed", 20*time.Second, func() bool { return a.Status().State == StateFailed })
	changed, ok := errors.AsType[*manifest.ChecksumError](a.Status().Failure)
	if !ok || changed.File != library || changed.Want == changed.Got || len(changed.Got) != 64 {
		t.Errorf("failure %v", a.Status().Failure)
	}
}

func TestWhatTheSystemCannotRunIsExplained(t *testing.T) {
	for name, tc := range map[string]struct {
		data string
		mode os.FileMode
		says string
	}{
		"no program":           {"just text\n", 0o755, "neither a program nor a script"},
		"not executable":       {"#!/bin/sh\n", 0o644, "chmod +x"},
		"missing interpreter":  {"#!/nowhere/interpreter\n", 0o755, `wants \"/nowhere/interpreter\"`},
		"another architecture": {foreignELF(), 0o755, "ELF program for S390"},
	} {
		t.Run(name, func(t *testing.T) {
			o, _ := bench(t, "good")
			path := filepath.Join(o.Manifest.Dir, "adapter")
			if err := os.WriteFile(path, []byte(tc.data), tc.mode); err != nil {
				t.Fatal(err)
			}
			o.Manifest.Executable = "adapter"
			if err := o.Manifest.Seal(); err != nil {
				t.Fatal(err)
			}
			a := run(t, o)
			_, err := a.Ready(within(t, 10*time.Second))
			says := strings.ReplaceAll(tc.says, `\"`, `"`)
			if f, ok := errors.AsType[*Failure](err); !ok || f.Reason != ReasonNotExecutable || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), path) {
				t.Errorf("error %v, want one that says %q", err, says)
			}
		})
	}
}

// foreignELF is the head of a program for IBM Z: 64 bits, big endian, machine 22 (System V ABI, chapter 4).
func foreignELF() string {
	b := make([]byte, 64)
	copy(b, "\x7fELF\x02\x02\x01")
	b[17], b[19], b[23], b[53], b[55], b[57], b[59] = 2, 22, 1, 64, 56, 0, 64
	return string(b)
}

func TestVersionsWithoutOverlapNeverStart(t *testing.T) {
	o, _ := bench(t, "good")
	o.Manifest.ProtocolVersions = []int{4, 5}
	a := run(t, o)
	_, err := a.Ready(within(t, 10*time.Second))
	if f, ok := errors.AsType[*Failure](err); !ok || f.Reason != ReasonProtocolVersion || !strings.Contains(err.Error(), "version 4, 5, this host 1") {
		t.Errorf("error %v", err)
	}
}

func TestMalformedLogsAreKeptAndHarmless(t *testing.T) {
	o, log := bench(t, "malformed logs")
	a := run(t, o)
	ready(t, a)
	eventually(t, "logged all", 5*time.Second, func() bool { return strings.Contains(log.String(), "cut=true") })
	for _, want := range []string{"msg=5", "msg=ok", "[1,2]", "adapter=bench", "stream=stderr"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %q", want)
		}
	}
	if strings.Contains(log.String(), "\x1b") {
		t.Error("a terminal's control sequence passed")
	}
}

func TestFloodOfLogsIsCountedAndDoesNotStopTheStart(t *testing.T) {
	o, log := bench(t, "flood")
	a := run(t, o)
	ready(t, a)
	a.Shutdown(context.Background())
	text := log.String()
	lost := 0
	for line := range strings.Lines(text) {
		if _, rest, ok := strings.Cut(line, "lines were dropped"); ok {
			var n int
			_, number, _ := strings.Cut(rest, "lines=")
			if _, err := fmt.Sscan(number, &n); err == nil {
				lost += n
			}
		}
	}
	kept := strings.Count(text, `msg="line `)
	// The plugin library adds a line or two of its own, which may be dropped too.
	if all := kept + lost; lost == 0 || all < 200_000 || all > 200_005 {
		t.Errorf("%d kept and %d dropped, want 200000 together", kept, lost)
	}
}

func TestPrintsOfAServingAdapterAreLoggedAndDoNotBlockIt(t *testing.T) {
	o, log := bench(t, "prints much")
	a := run(t, o)
	ready(t, a)
	eventually(t, "logged", 5*time.Second, func() bool { return strings.Contains(log.String(), "meant for nobody") })
	if !strings.Contains(log.String(), "stream=stdout") {
		t.Error("the log does not name the stream")
	}
}

func TestHugeAnswerFailsTheCallAlone(t *testing.T) {
	o, _ := bench(t, "huge answer")
	a := run(t, o)
	c := ready(t, a)
	if _, err := c.Client.ListDevices(within(t, 5*time.Second), &adapterv1beta1.ListDevicesRequest{}); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("error %v", err)
	}
	if _, err := c.Client.Describe(within(t, 5*time.Second), &adapterv1beta1.DescribeRequest{}); err != nil {
		t.Errorf("the next call: %v", err)
	}
}

func TestEnvironmentIsAllowListed(t *testing.T) {
	t.Setenv("AIRASSAY_TEST_SECRET", "s3cret")
	t.Setenv("AIRASSAY_TEST_WANTED", "yes")
	file := filepath.Join(t.TempDir(), "environment")
	o, _ := bench(t, "environment", file)
	o.Manifest.Environment = []string{"AIRASSAY_TEST_WANTED"}
	a := run(t, o)
	ready(t, a)
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	env := string(data)
	if strings.Contains(env, "s3cret") {
		t.Error("a variable that is not listed leaked")
	}
	for _, want := range []string{"AIRASSAY_TEST_WANTED=yes", "GOMAXPROCS=2", "GOMEMLIMIT=268435456", "PATH=", "AIRASSAY_ADAPTER_LOG_LEVEL=info"} {
		if !strings.Contains(env, want) {
			t.Errorf("lacks %s", want)
		}
	}
}

func TestStandardInputIsEmpty(t *testing.T) {
	file := filepath.Join(t.TempDir(), "stdin")
	o, _ := bench(t, "stdin", file)
	a := run(t, o)
	ready(t, a)
	if data, err := os.ReadFile(file); err != nil || string(data) != "0" {
		t.Errorf("read %q bytes: %v", data, err)
	}
}

func TestDeathIsSeenAtOnceAndTheAdapterRestarted(t *testing.T) {
	o, _ := bench(t, "good")
	o.Restart.Failures = 9
	a := run(t, o)
	c := ready(t, a)
	began := time.Now()
	if err := syscall.Kill(c.PID, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Dead()
	t.Logf("death seen after %v", time.Since(began))
	if c.cause.Reason != ReasonExited || c.cause.Exit != killedText {
		t.Errorf("cause %v", c.cause)
	}
	eventually(t, "restarted", 20*time.Second, func() bool { s := a.Status(); return s.State == StateReady && s.PID != c.PID })
	if s := a.Status(); s.Failures != 1 || s.Failure == nil {
		t.Errorf("status %+v", s)
	}
}

func TestDeathInAStreamEndsItUnavailable(t *testing.T) {
	o, _ := bench(t, "dies in a stream")
	o.Restart.Failures = 9
	a := run(t, o)
	c := ready(t, a)
	_, err := feed(within(t, 10*time.Second), c, 1, 1<<30)
	if status.Code(err) != codes.Unavailable {
		t.Errorf("the stream ended with %v", err)
	}
	<-c.Dead()
	if c.cause.Exit != "exit status 9" {
		t.Errorf("cause %v", c.cause)
	}
}

// feed reads until it has so many samples.
func feed(ctx context.Context, c *Connection, size, samples int) (int, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.Client.Feed(ctx)
	if err != nil {
		return 0, err
	}
	if err := stream.Send(&adapterv1beta1.FeedRequest{DeviceId: "bench-1", Signals: []*adapterv1beta1.WantedSignal{{RateHz: float64(size)}}}); err != nil {
		return 0, err
	}
	got := 0
	for got < samples {
		message, err := stream.Recv()
		if err != nil {
			return got, err
		}
		got += len(message.GetBatch().GetValue())
	}
	return got, nil
}

func TestFrozenAdapterIsReplaced(t *testing.T) {
	for role, reason := range map[string]Reason{"freezes": ReasonTimeout, "drops its lifeline": ReasonCall} {
		t.Run(role, func(t *testing.T) {
			o, _ := bench(t, role)
			o.LifelineTimeout = 300 * time.Millisecond
			o.Restart.Failures = 99
			a := run(t, o)
			c := ready(t, a)
			select {
			case <-c.Dead():
			case <-time.After(10 * time.Second):
				t.Fatal("not noticed")
			}
			if c.cause.Reason != reason || !strings.Contains(c.cause.Error(), "lifeline") {
				t.Errorf("cause %v", c.cause)
			}
			eventually(t, "its process is gone", 5*time.Second, func() bool { return gone(c.PID) })
		})
	}
}

func TestShutdownEndsWhatDoesNotWantTo(t *testing.T) {
	for _, role := range []string{"hangs in Shutdown", "ignores Shutdown", "clings"} {
		t.Run(role, func(t *testing.T) {
			o, _ := bench(t, role)
			a := run(t, o)
			c := ready(t, a)
			began := time.Now()
			a.Shutdown(context.Background())
			if took := time.Since(began); took > 6*time.Second {
				t.Errorf("took %v", took)
			}
			if !gone(c.PID) {
				t.Error("its process is still there")
			}
		})
	}
}

func TestShutdownDuringStartDoesNotWaitForIt(t *testing.T) {
	o, _ := bench(t, "silent")
	o.StartTimeout = time.Minute
	a := run(t, o)
	eventually(t, "starting", 5*time.Second, func() bool { return a.Status().State == StateStarting })
	time.Sleep(50 * time.Millisecond) // well into the wait for the handshake, on most machines
	began := time.Now()
	a.Shutdown(context.Background())
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("took %v", took)
	}
}

func TestShutdownBeforeStart(t *testing.T) {
	o, _ := bench(t, "good")
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	a.Shutdown(context.Background())
	a.Start()
	if s := a.Status().State; s != StateShutDown {
		t.Errorf("state %q", s)
	}
}

func grandchildOf(t *testing.T, file string) int {
	t.Helper()
	pid := 0
	eventually(t, "a grandchild", 10*time.Second, func() bool {
		data, _ := os.ReadFile(file)
		pid, _ = strconv.Atoi(string(data))
		return pid > 0
	})
	return pid
}

func TestGrandchildEndsWithItsAdapter(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	o, _ := bench(t, "grandchild", file)
	a := run(t, o)
	c := ready(t, a)
	pid := grandchildOf(t, file)
	_ = syscall.Kill(c.PID, syscall.SIGKILL)
	<-c.Dead()
	eventually(t, "the grandchild is gone", 5*time.Second, func() bool { return gone(pid) })
}

func leaveGroup(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} }

// What left the group is out of reach, but must not keep the host from seeing that the adapter has died.
func TestPipeHeldByAnotherDoesNotHideADeath(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pid")
	o, _ := bench(t, "lets one escape", file)
	a := run(t, o)
	c := ready(t, a)
	pid := grandchildOf(t, file)
	t.Cleanup(func() { _ = syscall.Kill(pid, syscall.SIGKILL) })
	_ = syscall.Kill(c.PID, syscall.SIGKILL)
	select {
	case <-c.Dead():
	case <-time.After(5 * time.Second):
		t.Fatal("its death was not noticed")
	}
	a.Shutdown(context.Background())
}

func TestTheFileThatWasCheckedIsTheOneThatRuns(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("needs Linux, where an open file can be run")
	}
	o, _ := bench(t, "good")
	data, err := os.ReadFile(o.Manifest.Executable)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(o.Manifest.Dir, "adapter")
	if err := os.WriteFile(path, data, 0o700); err != nil {
		t.Fatal(err)
	}
	o.Manifest.Executable = "adapter"
	if err := o.Manifest.Seal(); err != nil {
		t.Fatal(err)
	}
	program, refused := verified(o.Manifest)
	if refused != nil {
		t.Fatal(refused)
	}
	if err := errors.Join(os.WriteFile(path+".new", []byte("#!/bin/false\n"), 0o700), os.Rename(path+".new", path)); err != nil {
		t.Fatal(err)
	}
	o.fill()
	dir, _, err := socketFolder(&o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	l := &launcher{o: &o, socketDir: dir}
	c, err := l.handshake(t.Context(), program)
	if err != nil {
		t.Fatal(err)
	}
	c.close()
}

func TestNothingOutlivesAKilledHost(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("needs Linux, whose kernel signals the process group")
	}
	for _, role := range []string{"good", "grandchild", "clings", "no lifeline", "silent"} {
		t.Run(role, func(t *testing.T) {
			dir := t.TempDir()
			file, mine := filepath.Join(dir, "grandchild"), filepath.Join(dir, "adapter")
			host := exec.Command(os.Args[0], roleArgument, "host", role, file, mine)
			host.Stderr = os.Stderr
			if err := host.Start(); err != nil {
				t.Fatal(err)
			}
			pids := []int{grandchildOf(t, mine)}
			if role == "grandchild" {
				pids = append(pids, grandchildOf(t, file))
			}
			_ = host.Process.Kill()
			_ = host.Wait() // it was killed
			began := time.Now()
			for _, pid := range pids {
				eventually(t, fmt.Sprintf("process %d is gone", pid), 5*time.Second, func() bool { return gone(pid) })
			}
			t.Logf("all gone after %v", time.Since(began))
		})
	}
}

// playHost is a host that writes its adapter's number to a file and waits to be killed.
func playHost(args []string) {
	program, err := os.Executable()
	if err != nil {
		os.Exit(1)
	}
	dir := filepath.Dir(args[2])
	m := &manifest.Manifest{
		Name: "bench", Version: "1.0.0", Executable: program, Dir: dir,
		Arguments: []string{roleArgument, args[0], args[1]}, ProtocolVersions: []int{1},
	}
	if err := m.Seal(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	a, err := New(Options{Manifest: m, StartTimeout: time.Minute, CallTimeout: time.Minute, LifelineTimeout: time.Minute})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	a.Start()
	for {
		if pid := childOf(os.Getpid()); pid != 0 {
			_ = os.WriteFile(args[2], []byte(strconv.Itoa(pid)), 0o600)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// childOf finds a child that has become another program than its parent's thread, by Linux's list of children.
func childOf(pid int) int {
	lists, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, name := range lists {
		data, _ := os.ReadFile(name)
		if child, err := strconv.Atoi(strings.TrimSpace(string(data))); err == nil {
			return child
		}
	}
	return 0
}

func TestSocketsOfAKilledHostAreSwept(t *testing.T) {
	o, _ := bench(t, "good")
	dir, err := os.MkdirTemp("/tmp", "sweep") //nolint:usetesting // a test's own folder is too long for a socket
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	stale := filepath.Join(dir, "bench", runPrefix+"123")
	if err := os.MkdirAll(stale, 0o755); err != nil {
		t.Fatal(err)
	}
	o.SocketDir = dir
	a := run(t, o)
	if _, err := os.Stat(stale); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the old folder stayed: %v", err)
	}
	ready(t, a)
	info, err := os.Stat(filepath.Join(dir, "bench"))
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
}

func TestLongFolderForSocketsIsRefused(t *testing.T) {
	o, _ := bench(t, "good")
	o.SocketDir = filepath.Join(t.TempDir(), strings.Repeat("x", 120))
	if _, err := New(o); err == nil || !strings.Contains(err.Error(), "choose a shorter one") {
		t.Errorf("error %v", err)
	}
}

func TestUnreadyAdapterSaysWhyAndWhenToTryAgain(t *testing.T) {
	o, _ := bench(t, "exits")
	o.Restart = Restart{MinBackoff: time.Hour, MaxBackoff: time.Hour}
	a := run(t, o)
	eventually(t, "backing off", 10*time.Second, func() bool { return a.Status().State == StateBackingOff })
	_, err := a.Connection()
	st := status.Convert(err)
	if st.Code() != codes.Unavailable || !strings.Contains(st.Message(), "backing off") || len(st.Details()) != 1 {
		t.Fatalf("error %v", err)
	}
	if info, ok := st.Details()[0].(*errdetails.RetryInfo); !ok || info.GetRetryDelay().AsDuration() > time.Hour {
		t.Errorf("details %v", st.Details())
	}
	a.Reset()
	eventually(t, "a second start", 10*time.Second, func() bool { return a.Status().Starts == 2 })
}

func TestReattachIsForDevelopmentOnly(t *testing.T) {
	o := Options{Reattach: "{}"}
	if _, err := New(o); err == nil {
		t.Error("no manifest was accepted")
	}
	b, _ := bench(t, "good")
	b.Reattach = `{"protocol_version":1,"network":"unix","address":"/tmp/s","pid":7}`
	if _, err := New(b); err == nil || !strings.Contains(err.Error(), "development") {
		t.Errorf("error %v", err)
	}
}
