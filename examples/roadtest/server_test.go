// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { os.Exit(testMain(m)) }

// bin is where programs are built, each once.
var bin string

func testMain(m *testing.M) int {
	dir, err := os.MkdirTemp("", "roadtest")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	bin = dir
	code := m.Run()
	if err := goleak.Find(); code == 0 && err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return code
}

var (
	serverProgram = sync.OnceValues(func() (string, error) { return built("airassayd", "../../server/airassayd") })
	ownProgram    = sync.OnceValues(func() (string, error) { return built("roadtest", ".") })
)

func built(name, folder string) (string, error) {
	path := filepath.Join(bin, name)
	if runtime.GOOS == "windows" {
		path += ".exe"
	}
	if out, err := exec.Command("go", "build", "-o", path, folder).CombinedOutput(); err != nil {
		return "", fmt.Errorf("building %s: %w\n%s", name, err, out)
	}
	return path, nil
}

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// server is the real one, in a process that can be killed.
type server struct {
	t             *testing.T
	program, data string
	address       string
	more          []string
	log           *os.File

	mu      sync.Mutex
	process *exec.Cmd
}

// startServer starts the server with more flags on a free port and a new directory, and ends it with the test.
func startServer(t *testing.T, more ...string) *server {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &server{t: t, program: must[string](t)(serverProgram()), data: t.TempDir(), address: l.Addr().String(), more: more}
	s.log = must[*os.File](t)(os.Create(filepath.Join(s.data, "log")))
	// The port stays the same when the server comes back.
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	s.start()
	t.Cleanup(func() {
		s.kill()
		_ = s.log.Close()
		if t.Failed() {
			text, _ := os.ReadFile(s.log.Name())
			t.Logf("the server's log ends with:\n%s", text[max(0, len(text)-2000):])
		}
	})
	return s
}

func (s *server) start() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.process = exec.Command(s.program, append([]string{"serve", "--listen", s.address, "--data", filepath.Join(s.data, "data")}, s.more...)...)
	s.process.Stderr = s.log
	out, err := s.process.StdoutPipe()
	if err == nil {
		err = s.process.Start()
	}
	if err == nil {
		_, err = bufio.NewReader(out).ReadString('\n') // It says that it is ready.
	}
	if err != nil {
		s.t.Errorf("starting the server: %v", err)
	}
}

// kill ends the server without a warning.
func (s *server) kill() {
	s.mu.Lock()
	defer s.mu.Unlock()
	_ = s.process.Process.Kill()
	_ = s.process.Wait()
}

// killOften kills and restarts the server at random instants until the function that it gives is called; that
// gives the number of kills.
func (s *server) killOften(seed uint64, atMost time.Duration) func() int {
	rng := rand.New(rand.NewPCG(seed, 3))
	stop, ended := make(chan struct{}), make(chan struct{})
	kills := 0
	go func() {
		defer close(ended)
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Duration(rng.Int64N(int64(atMost)))):
			}
			s.kill()
			kills++
			s.start()
		}
	}()
	return func() int {
		close(stop)
		<-ended
		return kills
	}
}

// result is what a run gave.
type result struct {
	status         int
	stdout, stderr string
}

// roadtestWith runs the program in this process.
func (s *server) roadtest(ctx context.Context, args ...string) result {
	var out, diagnostics bytes.Buffer
	status := run(ctx, append([]string{"--server", s.address}, args...), &out, &diagnostics)
	return result{status, out.String(), diagnostics.String()}
}

// driven is a drive of an invented car: idle, cruise, two full-load pulls, overrun, so many times
// over. It is written in our own format, with the facts beside it.
func driven(t *testing.T, rounds int) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("time_s,EngineSpeed,MAP,MAF,IntakeTemp,CoolantTemperature,ShortTermFuelTrim1,LongTermFuelTrim1,ThrottlePosition,Speed,FuelStatus,BarometricPressure\n")
	const displacement, gas, celsius = 2.0, 0.28705, 273.15 // L; kPa m³/(kg K); K
	at := 0.0
	stretch := func(seconds, rpm, rise, kpa, throttle, kmh float64) {
		for end := at + seconds; at < end; at += 0.1 {
			n := rpm + rise*(seconds-(end-at))
			n += 3 * math.Sin(7*at)
			flow := displacement * n / 120 * kpa / (gas * (24 + celsius)) * 0.85 * 0.86
			fmt.Fprintf(&b, "%.3f,%.0f,,,,,,,,%.0f,,\n%.3f,,%.1f,,,,,,,,,\n", at, n, kmh, at+0.02, kpa)
			fmt.Fprintf(&b, "%.3f,,,%.2f,24,90,%.2f,3.12,%.1f,,2,98\n", at+0.04, flow, 2+math.Sin(at), throttle)
		}
	}
	for range rounds {
		stretch(60, 780, 0, 34, 14, 0)
		stretch(60, 2200, 0, 52, 25, 80)
		for range 2 {
			stretch(8, 1900, 450, 96, 92, 70)
			stretch(15, 3000, -80, 24, 0, 60)
		}
		stretch(30, 2600, 0, 60, 28, 95)
	}
	folder := t.TempDir()
	path := filepath.Join(folder, "drive.csv")
	write(t, path, b.String())
	write(t, filepath.Join(folder, "vehicle.json"), `{"displacement_l": 2, "cylinders": 4, "banks": 1, "aspiration": "natural", "fuel": "gasoline",
		"air_meter": "hot_wire", "external_reference": "bay 3 \"blue\" \\ van", "altitude_m": 280, "ambient_c": 22, "purpose": "complaint"}`)
	return path
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// assessmentOf is the assessment in a verdict's JSON, as it stands there.
func assessmentOf(t *testing.T, verdict string) string {
	t.Helper()
	var v struct {
		Assessment json.RawMessage `json:"assessment"`
	}
	if err := json.Unmarshal([]byte(verdict), &v); err != nil {
		t.Fatalf("no verdict: %v\n%s", err, verdict)
	}
	return string(v.Assessment)
}

// judged is the assessment of the same file by the server's own command.
func judged(t *testing.T, path string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), must[string](t)(serverProgram()), "assay", "--json", path)
	return assessmentOf(t, string(must[[]byte](t)(cmd.Output())))
}

func wantVerdict(t *testing.T, r result, assessment string) {
	t.Helper()
	if r.status != statusDone {
		t.Fatalf("status %d\n%s", r.status, r.stderr)
	}
	if got := assessmentOf(t, r.stdout); got != assessment {
		t.Errorf("the assessment differs from that of the command: got\n%s\nwant\n%s", got, assessment)
	}
}
