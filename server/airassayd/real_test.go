// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/app"
)

const (
	meterLow     = pb.Condition_CONDITION_METER_READS_LOW
	meterHigh    = pb.Condition_CONDITION_METER_READS_HIGH
	meterSignal  = pb.Condition_CONDITION_METER_SIGNAL_FAULT
	leak         = pb.Condition_CONDITION_LEAK_AFTER_METER
	noFault      = pb.Condition_CONDITION_NO_FAULT
	airTemp      = pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT
	factsWrong   = pb.Condition_CONDITION_VEHICLE_FACTS_WRONG
	ambient      = "Vehicle.OBD.AmbientAirTemperature"
	meter        = pb.Sensor_SENSOR_AIR_METER
	intakeSensor = pb.Sensor_SENSOR_INTAKE_AIR_TEMPERATURE
)

// realRecording is a recording of a real vehicle or test bench, and what a firm
// verdict on it must never say. Nobody knows all that is true of these vehicles,
// so a verdict that is not firm may lean anywhere.
type realRecording struct {
	file string
	// wrong are the conditions that a conclusive verdict must not lead with. Where
	// right is set instead, every other one is wrong.
	wrong, right []pb.Condition
	// meter are the findings on the air meter that contradict what is known.
	meter []pb.Finding
}

var (
	badMeter       = []pb.Finding{pb.Finding_FINDING_READS_LOW, pb.Finding_FINDING_READS_HIGH, pb.Finding_FINDING_SIGNAL_FAULT}
	realRecordings = []realRecording{
		// Healthy; only its ambient sensor and its simultaneity are not to be trusted.
		{file: "r1-full-load-slow-poll.csv", right: []pb.Condition{noFault}, meter: badMeter},
		// Unlabelled. Trims of +60 % at idle flow say that something is wrong, their
		// shape that it is no fault of the meter; no facts were entered.
		{file: "r2-part-load-no-clock.csv", wrong: []pb.Condition{noFault, meterLow, meterHigh, meterSignal, airTemp, factsWrong}, meter: badMeter},
		// Fault-free by label.
		{file: "r3a-bench-nominal.csv", right: []pb.Condition{noFault}, meter: badMeter},
		// The meter reads 10 % low by label. Alone it may be taken for what looks the
		// same, but neither for a sound meter nor for the opposite.
		{file: "r3b-bench-meter-gain-090.csv", wrong: []pb.Condition{noFault, meterHigh, meterSignal, leak, airTemp, factsWrong},
			meter: []pb.Finding{pb.Finding_FINDING_READS_HIGH, pb.Finding_FINDING_SIGNAL_FAULT, pb.Finding_FINDING_READS_TRUE}},
		// A leak into the manifold by label; the meter is sound.
		{file: "r3c-bench-manifold-leak-6mm.csv", wrong: []pb.Condition{noFault, meterLow, meterHigh, meterSignal, airTemp, factsWrong}, meter: badMeter},
		// No air meter.
		{file: "r4-no-air-meter.csv", wrong: []pb.Condition{meterLow, meterHigh, meterSignal, airTemp, factsWrong},
			meter: append([]pb.Finding{pb.Finding_FINDING_READS_TRUE}, badMeter...)},
	}
)

// firmlyWrong says what a verdict claims though it cannot be; empty for nothing.
func (r *realRecording) firmlyWrong(a *pb.Assessment) string {
	var claims []string
	if top := a.GetConditions()[0].GetCondition(); a.GetConclusive() && (slices.Contains(r.wrong, top) || r.right != nil && !slices.Contains(r.right, top)) {
		claims = append(claims, fmt.Sprintf("conclusive on %v (%.2f)", top, a.GetConditions()[0].GetProbability()))
	}
	for _, s := range a.GetSensors() {
		if s.GetSensor() == meter && slices.Contains(r.meter, s.GetFinding()) || s.GetSensor() == intakeSensor && slices.Contains(badMeter, s.GetFinding()) {
			claims = append(claims, fmt.Sprintf("%v: %v (%.2f)", s.GetSensor(), s.GetFinding(), s.GetProbability()))
		}
	}
	for _, x := range a.GetAdvice() {
		if x.GetAction() == pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST || x.GetAction() == pb.AdviceAction_ADVICE_ACTION_REPLACE {
			claims = append(claims, fmt.Sprintf("%v of %v", x.GetAction(), x.GetSensor()))
		}
	}
	return strings.Join(claims, "; ")
}

// realPath finds a recording beside the repository. It is not part of the project:
// where it is missing the test is skipped, and fails under continuous integration.
func realPath(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("..", "..", "..", "shared", "data", name))
	if err == nil {
		_, err = os.Stat(path)
	}
	if err != nil && os.Getenv("CI") != "" {
		t.Fatalf("continuous integration needs the recordings: %v", err)
	}
	if err != nil {
		t.Skipf("skipped, because the recording is not here: %v", err)
	}
	return path
}

// judged runs the whole program, in this process, on a recording.
func judged(t *testing.T, args ...string) *pb.Verdict {
	t.Helper()
	var stdout, stderr bytes.Buffer
	if status := app.Main(t.Context(), append([]string{"assay", "--json"}, args...), &stdout, &stderr); status != 0 {
		t.Fatalf("status %d: %s", status, &stderr)
	}
	v := &pb.Verdict{}
	if err := protojson.Unmarshal(stdout.Bytes(), v); err != nil {
		t.Fatal(err)
	}
	return v
}

// outline is a verdict in a few lines, for a test that failed.
func outline(a *pb.Assessment) string {
	var b strings.Builder
	fmt.Fprintf(&b, "conclusive %t %v\n", a.GetConclusive(), a.GetInconclusiveReasons())
	for i, c := range a.GetConditions() {
		if i < 4 {
			fmt.Fprintf(&b, "  %v %.3f", c.GetCondition(), c.GetProbability())
			if len(c.GetCauses()) > 0 {
				fmt.Fprintf(&b, " (%v %.2f)", c.GetCauses()[0].GetCause(), c.GetCauses()[0].GetProbability())
			}
			b.WriteByte('\n')
		}
	}
	for _, s := range a.GetSensors() {
		fmt.Fprintf(&b, "  %v %v %.3f\n", s.GetSensor(), s.GetFinding(), s.GetProbability())
	}
	return b.String()
}

func TestRealRecordingsAreNeverFirmlyWrong(t *testing.T) {
	for _, r := range realRecordings {
		t.Run(r.file, func(t *testing.T) {
			path := realPath(t, r.file)
			e := call(t, t.TempDir(), "assay", "--json", path)
			wantStatus(t, e, 0)
			a := verdict(t, e.stdout).GetAssessment()
			if claims := r.firmlyWrong(a); claims != "" {
				t.Errorf("%s\n%s", claims, outline(a))
			}
			if again := call(t, t.TempDir(), "assay", "--json", path); again.stdout != e.stdout {
				t.Error("two calls, two verdicts")
			}
		})
	}
}

// A slow poll pairs values that do not belong together, and an ambient sensor
// that lies must not condemn the intake air sensor.
func TestSlowPollExplainsWhyItIsNotTrusted(t *testing.T) {
	a := judged(t, realPath(t, "r1-full-load-slow-poll.csv")).GetAssessment()
	for _, c := range a.GetConditions()[:1] {
		if slices.Contains([]pb.Condition{meterLow, meterHigh, meterSignal, airTemp}, c.GetCondition()) {
			t.Errorf("leads with %v", c.GetCondition())
		}
	}
	notSimultaneous := slices.Contains(a.GetInconclusiveReasons(), pb.InconclusiveReason_INCONCLUSIVE_REASON_NOT_SIMULTANEOUS) ||
		slices.ContainsFunc(a.GetDistrustedSignals(), func(d *pb.DistrustedSignal) bool {
			return d.GetReason() == pb.DistrustReason_DISTRUST_REASON_NOT_SIMULTANEOUS
		})
	if !notSimultaneous {
		t.Error("nothing says that the values are not simultaneous")
	}
	if !slices.ContainsFunc(a.GetDistrustedSignals(), func(d *pb.DistrustedSignal) bool { return d.GetSignal() == ambient }) {
		t.Error("the ambient sensor is believed")
	}
	if slices.ContainsFunc(a.GetDistrustedSignals(), func(d *pb.DistrustedSignal) bool { return d.GetSignal() == "Vehicle.OBD.IntakeTemp" }) {
		t.Error("the intake air sensor is not believed")
	}
	wantNextDrive(t, a)
	if t.Failed() {
		t.Log(outline(a))
	}
}

// wantNextDrive demands the manoeuvre that would settle an open question.
func wantNextDrive(t *testing.T, a *pb.Assessment) {
	t.Helper()
	if a.GetConclusive() {
		return
	}
	if !slices.ContainsFunc(a.GetGaps(), func(g *pb.Gap) bool { return g.GetManoeuvre() != pb.ManoeuvreKind_MANOEUVRE_KIND_UNSPECIFIED }) {
		t.Error("not firm, and no manoeuvre that would settle it")
	}
}

func TestLeanAtLowFlowLooksLikeALeak(t *testing.T) {
	a := judged(t, realPath(t, "r2-part-load-no-clock.csv")).GetAssessment()
	at := slices.IndexFunc(a.GetConditions(), func(c *pb.ConditionProbability) bool { return c.GetCondition() == leak })
	if at < 0 || at > 1 {
		t.Errorf("the leak after the meter comes at place %d", at+1)
	}
	disagree := slices.ContainsFunc(a.GetDistrustedSignals(), func(d *pb.DistrustedSignal) bool {
		return d.GetReason() == pb.DistrustReason_DISTRUST_REASON_CONTRADICTED && (d.GetSignal() == "Vehicle.OBD.MAP" || d.GetSignal() == "Vehicle.OBD.MAF")
	})
	if !disagree {
		t.Error("nothing says that flow and pressure disagree")
	}
	if a.GetSampleUse().GetClock() != pb.ClockKind_CLOCK_KIND_ROW_ORDER {
		t.Errorf("clock %v", a.GetSampleUse().GetClock())
	}
	wantNextDrive(t, a)
	if t.Failed() {
		t.Log(outline(a))
	}
}

func TestFaultFreeBenchRunIsTrueOrOpen(t *testing.T) {
	a := judged(t, realPath(t, "r3a-bench-nominal.csv")).GetAssessment()
	for _, s := range a.GetSensors() {
		if f := s.GetFinding(); f != pb.Finding_FINDING_READS_TRUE && f != pb.Finding_FINDING_INCONCLUSIVE {
			t.Errorf("%v: %v", s.GetSensor(), f)
		}
	}
	wantNextDrive(t, a)
	if t.Failed() {
		t.Log(outline(a))
	}
}

func TestCarWithoutAMeterHasNone(t *testing.T) {
	a := judged(t, realPath(t, "r4-no-air-meter.csv")).GetAssessment()
	i := slices.IndexFunc(a.GetSensors(), func(s *pb.SensorFinding) bool { return s.GetSensor() == meter })
	if i < 0 || a.GetSensors()[i].GetFinding() != pb.Finding_FINDING_NOT_FITTED || len(a.GetMeterErrors()) > 0 {
		t.Errorf("%v, %d errors of a meter that is not there", a.GetSensors(), len(a.GetMeterErrors()))
	}
	if !slices.ContainsFunc(a.GetSensors(), func(s *pb.SensorFinding) bool { return s.GetSensor() == intakeSensor }) {
		t.Error("nothing is said of the intake air temperature sensor")
	}
	wantNextDrive(t, a)
}

// readReal reads a recording as the program does.
func readReal(t *testing.T, path string) *recording.Recording {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	o := recording.Options{}
	if !bytes.HasPrefix(data, []byte("time_s,")) {
		p, err := recording.Propose(t.Context(), bytes.NewReader(data), path)
		if err != nil || len(p.Open()) > 0 {
			t.Fatalf("%v, %v", p.Open(), err)
		}
		o.Mapping = p.Mapping
	}
	rec, err := recording.Read(t.Context(), bytes.NewReader(data), path, o)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// without writes the recording without one signal, and returns the arguments that
// judge it. Our own format has no place for a recording without a clock: that one
// keeps its rows and gets a mapping.
func without(t *testing.T, rec *recording.Recording, signal int) []string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "drive.csv")
	reduced := &recording.Recording{Clock: rec.Clock}
	for i, s := range rec.Signals {
		if i != signal {
			reduced.Signals = append(reduced.Signals, s)
		}
	}
	for _, s := range rec.Samples {
		if int(s.Signal) == signal {
			continue
		}
		if signal >= 0 && int(s.Signal) > signal {
			s.Signal--
		}
		reduced.Samples = append(reduced.Samples, s)
	}
	args := []string{path}
	if rec.Clock == recording.ClockRowOrder {
		reduced.Clock = recording.ClockWholeSecond
		args = append(args, "--mapping", rowOrderMapping(t, dir, reduced))
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(recording.Write(f, reduced), f.Close()); err != nil {
		t.Fatal(err)
	}
	return args
}

func rowOrderMapping(t *testing.T, dir string, rec *recording.Recording) string {
	t.Helper()
	m := &recording.Mapping{Version: recording.MappingVersion, Encoding: recording.EncodingUTF8, Separator: ",", Decimal: ".", HeaderLine: 1,
		Clock: recording.ClockMapping{Format: recording.ClockRows}}
	for _, s := range rec.Signals {
		m.Columns = append(m.Columns, recording.ColumnMapping{Header: strings.TrimPrefix(s.Path, "Vehicle.OBD."), Signal: s.Path})
	}
	path := filepath.Join(dir, "mapping.json")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(recording.WriteMapping(f, m), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// A car may lack any signal. What is missing may cost firmness, and must not buy
// a wrong certainty.
func TestNoSignalTakenAwayMakesAFirmWrongVerdict(t *testing.T) {
	for _, r := range realRecordings {
		t.Run(r.file, func(t *testing.T) {
			rec := readReal(t, realPath(t, r.file))
			for i, s := range rec.Signals {
				a := judged(t, without(t, rec, i)...).GetAssessment()
				if claims := r.firmlyWrong(a); claims != "" {
					t.Errorf("without %s: %s\n%s", s.Path, claims, outline(a))
				}
			}
		})
	}
}

// Rewritten in our own format a recording must be judged as before.
func TestFormatOfARecordingDoesNotMatter(t *testing.T) {
	for _, r := range realRecordings {
		t.Run(r.file, func(t *testing.T) {
			path := realPath(t, r.file)
			a := judged(t, path).GetAssessment()
			b := judged(t, without(t, readReal(t, path), -1)...).GetAssessment()
			const rounding = 1e-3
			for i, c := range a.GetConditions()[:3] {
				d := b.GetConditions()[i]
				if c.GetCondition() != d.GetCondition() || c.GetProbability()-d.GetProbability() > rounding || d.GetProbability()-c.GetProbability() > rounding {
					t.Errorf("%v %.4f became %v %.4f", c.GetCondition(), c.GetProbability(), d.GetCondition(), d.GetProbability())
				}
			}
		})
	}
}
