// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// shared reads a recording of a real car, which is not part of the repository.
func shared(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", "data", name))
	switch {
	case err == nil:
		return string(data)
	case os.Getenv("CI") != "":
		t.Fatalf("CI must have the recordings of real cars beside the repository: %v", err)
	default:
		t.Skipf("skipped, because the recording is not here: %v", err)
	}
	return ""
}

var (
	timedPayload = regexp.MustCompile(`(?m)^[0-9.]+:([0-9a-f]+),?\s*$`)
	dataFrame    = regexp.MustCompile(`(?m)^(7E8|7DF) ((?:[0-9A-F]{2} ?){8})$`)
)

func TestAnswersOfARealCarAreRead(t *testing.T) {
	asked, polls := map[byte]int{}, 0
	for _, m := range timedPayload.FindAllStringSubmatch(shared(t, "r5-raw-service01-payloads.txt"), -1) {
		answer := payload(t, "41"+m[1])
		values, err := new(Coding).Decode(nil, answer[1:2], answer)
		if err != nil || len(values) != 1 {
			t.Fatalf("%s: %s, %v", m[1], show(values), err)
		}
		v := values[0]
		low, high := plausible(v.Signal.Signal().Short())
		if v.Value < low || v.Value > high {
			t.Errorf("%s: %s is implausible", m[1], show(values))
		}
		asked[answer[1]]++
		if answer[1] == 0x0C {
			polls++
		}
	}
	if len(asked) != 25 || polls != 7 {
		t.Errorf("%d polls of %d parameters, want 7 of 25", polls, len(asked))
	}
}

// plausible is the range in which values of a warm, idling, standing car lie.
func plausible(signal string) (low, high float64) {
	switch signal {
	case "EngineSpeed":
		return 0, 3000
	case "CoolantTemperature":
		return 30, 60
	case "IntakeTemp":
		return 20, 40
	case "BarometricPressure":
		return 95, 105
	case "ControlModuleVoltage":
		return 11, 15
	case "ShortTermFuelTrim1", "LongTermFuelTrim1":
		return -5, 5
	case "Speed", "DistanceWithMIL":
		return 0, 0
	case "CommandedEquivalenceRatio":
		return 0.9, 1.2
	}
	return 0, 65535
}

// A service 01 answer of a real car has a length of two and no parameter; what follows is padding, which must not be taken
// for a value.
func TestMalformedAnswerOfARealCarIsRefused(t *testing.T) {
	var asked byte
	var got []string
	for _, m := range dataFrame.FindAllStringSubmatch(shared(t, "r5-raw-can-frames.txt"), -1) {
		frame := payload(t, m[2])
		message := frame[1 : 1+frame[0]]
		if m[1] == "7DF" {
			asked = message[1]
			continue
		}
		values, err := new(Coding).Decode(nil, []byte{asked}, message)
		if e, ok := errors.AsType[*DecodeError](err); ok {
			got = append(got, "refused at byte 1: "+e.Got)
			continue
		}
		got = append(got, show(values))
	}
	if want := "EngineSpeed=843; refused at byte 1: 83"; strings.Join(got, "; ") != want {
		t.Errorf("got %s, want %s", strings.Join(got, "; "), want)
	}
}
