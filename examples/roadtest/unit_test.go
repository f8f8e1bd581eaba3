// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
)

func TestUnusableCallsAreRefusedWithTheReason(t *testing.T) {
	path := driven(t, 1)
	folder := filepath.Dir(path)
	write(t, filepath.Join(folder, "foreign.csv"), "Time;MAF;Mass air flow;Coolant\n0.5;2.5;2.6;190\n1.5;2.5;2.6;195\n")
	write(t, filepath.Join(folder, "bad.csv"), "time_s,MAF\n0,1\nx,2\n")
	write(t, filepath.Join(folder, "bad.json"), `{"displacement": 2}`)
	at := func(name string) string { return filepath.Join(folder, name) }
	for name, tc := range map[string]struct {
		args []string
		says string
	}{
		"no recording":                {nil, "the recording is missing"},
		"two recordings":              {[]string{path, path}, "2 recordings"},
		"unknown flag":                {[]string{"--fast", path}, "unknown flag: --fast"},
		"speed in words":              {[]string{"--speed", "fast", path}, "expected max, or a number"},
		"speed of nothing":            {[]string{"--speed", "0", path}, "expected max, or a number"},
		"speed that is no number":     {[]string{"--speed", "NaN", path}, "expected max, or a number"},
		"address without a port":      {[]string{"--server", "localhost", path}, "expected HOST:PORT"},
		"no patience":                 {[]string{"--wait", "0s", path}, "--wait is 0s"},
		"resume of a verdict":         {[]string{"--resume", "sessions/a/verdicts/b", path}, "--resume is"},
		"resume with a new vehicle":   {[]string{"--resume", "sessions/a", "--vehicle", "x", path}, "--vehicle belongs to a new drive"},
		"resume with a second person": {[]string{"--resume", "sessions/a", "--second-person", path}, "--second-person belongs to a new drive"},
		"empty name":                  {[]string{"--vehicle", "", path}, "--vehicle is empty"},
		"no such recording":           {[]string{at("none.csv")}, "an existing file"},
		"recording with a bad cell":   {[]string{at("bad.csv")}, "bad.csv:3:1"},
		"file with open questions":    {[]string{at("foreign.csv")}, "nobody has said how to read this file"},
		"vehicle with an unknown key": {[]string{"--vehicle", at("bad.json"), path}, "bad.json:1:2"},
		"no such mapping":             {[]string{"--mapping", at("none.json"), path}, "an existing file"},
		"certificates in no PEM":      {[]string{"--tls-ca", path, path}, "--tls-ca"},
	} {
		t.Run(name, func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			if status := run(t.Context(), tc.args, &stdout, &stderr); status != statusRefused || stdout.Len() > 0 || !strings.Contains(stderr.String(), tc.says) {
				t.Errorf("status %d, want %q\n%s%s", status, tc.says, stdout.String(), stderr.String())
			}
		})
	}
}

func TestServerThatIsNotThereIsGivenUp(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	status := run(t.Context(), []string{"--server", l.Addr().String(), "--wait", "300ms", driven(t, 1)}, &stdout, &stderr)
	if status != statusUnavailable || !strings.Contains(stderr.String(), "has not been reached") {
		t.Errorf("status %d\n%s", status, stderr.String())
	}
}

func TestHelpNamesEveryFlagAndStatus(t *testing.T) {
	var stdout, stderr bytes.Buffer
	if status := run(t.Context(), []string{"-h"}, &stdout, &stderr); status != statusDone || stderr.Len() > 0 {
		t.Fatalf("status %d\n%s", status, stderr.String())
	}
	for _, word := range []string{"--server", "--speed", "--resume", "--second-person", "--dynamometer", "--json", "69", "130"} {
		if !strings.Contains(stdout.String(), word) {
			t.Errorf("the help does not say %s", word)
		}
	}
}

// Batches must hold every sample once and in order, and never depend on anything but the samples.
func TestCutKeepsEverySampleOnceAndInOrder(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(seed, 4))
		var samples []recording.Sample
		at := int64(0)
		for range rng.IntN(3000) {
			at += rng.Int64N(int64(1) << rng.IntN(22))
			samples = append(samples, recording.Sample{TimeUS: at, Signal: rng.Int32N(5), Value: rng.Float64()})
		}
		var back []recording.Sample
		for i, b := range cut(samples) {
			if b.GetSequence() != int64(i+1) || len(b.GetValue()) == 0 || len(b.GetValue()) > batchSamples || taken(b)-b.GetBaseTimeUs() >= batchSpan.Microseconds() {
				t.Fatalf("seed %d: batch %d has number %d, %d samples over %d µs", seed, i+1, b.GetSequence(), len(b.GetValue()), taken(b)-b.GetBaseTimeUs())
			}
			for k, v := range b.GetValue() {
				back = append(back, recording.Sample{TimeUS: b.GetBaseTimeUs() + b.GetOffsetUs()[k], Signal: b.GetSignal()[k], Value: v})
			}
		}
		if len(back) != len(samples) {
			t.Fatalf("seed %d: %d samples became %d", seed, len(samples), len(back))
		}
		for i := range back {
			if back[i] != samples[i] {
				t.Fatalf("seed %d: sample %d became %v, was %v", seed, i, back[i], samples[i])
			}
		}
	}
}

func TestPaceDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pace{speed: 50, start: time.Now(), fromUS: 3_000_000}
		for i := range int64(1000) {
			if i == 500 {
				time.Sleep(5 * time.Second) // An outage; the drive went on meanwhile.
			}
			if err := p.wait(t.Context(), 3_000_000+i*1_000_000); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Millisecond) // Sending takes time too.
		}
		if took := time.Since(p.start); took != 999*time.Second/50+time.Millisecond {
			t.Errorf("1000 s at speed 50 took %s", took)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		cancel(interrupted{os.Interrupt})
		if err := p.wait(ctx, 1<<62); !errors.Is(err, interrupted{os.Interrupt}) {
			t.Errorf("a pause that is ended gives %v", err)
		}
	})
}

// progress is a state with something of everything, and texts that a hostile server might send.
func progress() *pb.SessionProgress {
	return &pb.SessionProgress{
		LatestTimeUs: 125_000_000,
		Manoeuvres: []*pb.Manoeuvre{
			{Kind: pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE, EndUs: 60_000_000, Used: true, SampleCount: 600},
			{Kind: pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL, StartUs: 70_000_000, EndUs: 71_000_000, Reasons: []pb.GateReason{pb.GateReason_GATE_REASON_TOO_SHORT, pb.GateReason_GATE_REASON_THROTTLE_NOT_OPEN}},
		},
		Gaps:       []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_FULL_LOAD}},
		Conditions: []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_NO_FAULT, Probability: 0.5}},
		Prompt:     "Drive on \x1b[2J at a steady speed.\nroadtest: all is well " + strings.Repeat("and mind the road ", 12),
	}
}

func TestChangesAreToldOnceOnALineEach(t *testing.T) {
	var out bytes.Buffer
	d := newDisplay(&out, nil, nil)
	p := progress()
	d.Progress(p)
	d.Progress(p)
	text := out.String()
	for _, want := range []string{"2:05 found: warm idle 0:00 to 1:00", "2:05 refused: full-load pull 1:10 to 1:11: too short, throttle not fully open", "2:05 likeliest:", "2:05 missing:", "2:05 next: Drive on"} {
		if strings.Count(text, want) != 1 {
			t.Errorf("%q stands %d times in\n%s", want, strings.Count(text, want), text)
		}
	}
	if strings.Contains(text, "\x1b") || strings.Count(text, "\n") != 5 {
		t.Errorf("what the server sends steers the terminal:\n%q", text)
	}
	out.Reset()
	d.Progress(&pb.SessionProgress{Manoeuvres: p.GetManoeuvres(), Conditions: p.GetConditions(), Prompt: p.GetPrompt()})
	if out.String() != "0:00 missing: nothing any more\n" {
		t.Errorf("a gap that was filled is told as %q", out.String())
	}
}

func TestTerminalShowsTheNewestStateInPlace(t *testing.T) {
	var out bytes.Buffer
	rows := 24
	d := newDisplay(&out, func() (int, int) { return 60, rows }, cut([]recording.Sample{{TimeUS: 0}, {TimeUS: 300_000_000}}))
	d.Progress(progress())
	first := out.String()
	lines := strings.Split(strings.TrimSuffix(first, "\n"), "\n")
	for _, line := range lines {
		if len([]rune(line)) >= 60 {
			t.Errorf("a line is too long for the terminal: %q", line)
		}
	}
	if !strings.HasPrefix(first, "2:05 of 5:00 driven; 0 of 2 samples are safe\n") || !strings.Contains(first, "mind the road") || strings.Contains(first, "\x1b") {
		t.Errorf("the display is\n%q", first)
	}
	out.Reset()
	d.Notef("the server is %s", "away")
	over := strings.ReplaceAll("roadtest: the server is away\n"+first, "\n", "\x1b[K\n")
	if want := "\x1b[" + strconv.Itoa(len(lines)) + "A\r" + over + "\x1b[J"; out.String() != want {
		t.Errorf("a note is shown as\n%q, want\n%q", out.String(), want)
	}
	rows = 6
	out.Reset()
	d.End()
	rest, cleared := strings.CutSuffix(out.String(), "\x1b[K\n\x1b[J")
	if got := strings.Count(rest, "\n") + 1; got != 5 || !cleared || !strings.HasSuffix(rest, "road") {
		t.Errorf("a low terminal shows %d lines\n%q", got, out.String())
	}
}

func TestWordsAreQuotedForTheShell(t *testing.T) {
	for word, want := range map[string]string{"a/b-1.csv": "a/b-1.csv", "": "''", "-x": "'-x'", "it's": `'it'\''s'`, "a b": "'a b'"} {
		if got := shellWord(word); got != want {
			t.Errorf("%q is quoted as %s, want %s", word, got, want)
		}
	}
}
