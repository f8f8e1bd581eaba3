// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
)

// demoResults says what each scenario has to end with. Where only an inspection can tell, or the drive shows too little,
// "inconclusive" is as good; the advice must be harmless in any case.
var demoResults = map[string]struct {
	condition pb.Condition // unspecified for an honest "inconclusive"
	meter     pb.Finding
	advice    pb.AdviceAction // that must be among what is advised; unspecified for none
}{
	"van":                   {pb.Condition_CONDITION_METER_READS_LOW, pb.Finding_FINDING_READS_LOW, pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST},
	"healthy":               {pb.Condition_CONDITION_NO_FAULT, pb.Finding_FINDING_READS_TRUE, pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE},
	"leak":                  {pb.Condition_CONDITION_LEAK_AFTER_METER, pb.Finding_FINDING_READS_TRUE, pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE},
	"clogged-filter":        {pb.Condition_CONDITION_INTAKE_RESTRICTED, pb.Finding_FINDING_READS_TRUE, pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE},
	"weak-pump":             {pb.Condition_CONDITION_FUEL_WEAK, pb.Finding_FINDING_READS_TRUE, pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE},
	"wrong-air-temperature": {pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, pb.Finding_FINDING_READS_TRUE, pb.AdviceAction_ADVICE_ACTION_INSPECT},
	"chip-meter":            {pb.Condition_CONDITION_METER_READS_LOW, pb.Finding_FINDING_READS_LOW, pb.AdviceAction_ADVICE_ACTION_INSPECT},
	"no-meter":              {pb.Condition_CONDITION_NO_FAULT, pb.Finding_FINDING_NOT_FITTED, pb.AdviceAction_ADVICE_ACTION_UNSPECIFIED},
	"torn-duct":             {pb.Condition_CONDITION_METER_READS_LOW, pb.Finding_FINDING_READS_LOW, pb.AdviceAction_ADVICE_ACTION_INSPECT},
	"badly-driven":          {pb.Condition_CONDITION_UNSPECIFIED, pb.Finding_FINDING_INCONCLUSIVE, pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN},
}

// demoTime is what a scenario may take on two cores.
const demoTime = 20 * time.Second

func runDemo(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = Main(context.Background(), append([]string{"demo"}, args...), &out, &errs)
	return status, out.String(), errs.String()
}

func TestEveryDemoScenarioEndsWithTheRightFindingOrAnHonestOne(t *testing.T) {
	list, err := demoNames()
	if err != nil || len(list) != len(demoResults) {
		t.Fatalf("the scenarios are %v, %v; expected those of the table", list, err)
	}
	for _, name := range list {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want := demoResults[name]
			start := time.Now()
			status, out, errs := runDemo(t, "--json", name)
			t.Logf("it took %v; the budget is %v on two cores with nothing beside it", time.Since(start).Round(time.Millisecond), demoTime)
			v := new(pb.Verdict)
			if err := protojson.Unmarshal([]byte(out), v); err != nil || status != StatusDone {
				t.Fatalf("%d, %v\n%s", status, err, errs)
			}
			checkDemo(t, v.GetAssessment(), want.condition, want.meter, want.advice)
			if !strings.Contains(errs, "found: full-load pull") && name != "badly-driven" {
				t.Errorf("the progress shows no pull:\n%s", errs)
			}
		})
	}
}

func checkDemo(t *testing.T, a *pb.Assessment, condition pb.Condition, meter pb.Finding, advice pb.AdviceAction) {
	t.Helper()
	if condition == pb.Condition_CONDITION_UNSPECIFIED {
		if a.GetConclusive() {
			t.Errorf("a firm verdict from too little: %v", a.GetConditions()[0])
		}
	} else if got := a.GetConditions()[0].GetCondition(); got != condition && !ambiguous(a, condition) {
		t.Errorf("the likeliest condition is %v, expected %v", got, condition)
	}
	for _, s := range a.GetSensors() {
		if s.GetSensor() == pb.Sensor_SENSOR_AIR_METER && s.GetFinding() != meter && s.GetFinding() != pb.Finding_FINDING_INCONCLUSIVE {
			t.Errorf("the finding on the meter is %v, expected %v", s.GetFinding(), meter)
		}
	}
	found := advice == pb.AdviceAction_ADVICE_ACTION_UNSPECIFIED
	for _, x := range a.GetAdvice() {
		action := x.GetAction()
		found = found || action == advice
		harmful := action == pb.AdviceAction_ADVICE_ACTION_REPLACE || action == pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST
		if harmful && action != advice {
			t.Errorf("it advises %v", action)
		}
	}
	if !found {
		t.Errorf("the advice is %v, without %v", a.GetAdvice(), advice)
	}
}

// ambiguous reports whether a condition is among those that only an inspection can tell apart.
func ambiguous(a *pb.Assessment, c pb.Condition) bool {
	for _, x := range a.GetAmbiguities() {
		for _, cause := range x.GetCauses() {
			if cause.GetCondition() == c {
				return true
			}
		}
	}
	return false
}

func demoNames() ([]string, error) {
	var out, errs bytes.Buffer
	Main(context.Background(), []string{"demo", "--list", "--json"}, &out, &errs)
	var entries []struct {
		Name string `json:"name"`
	}
	err := json.Unmarshal(out.Bytes(), &entries)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name)
	}
	return names, err
}

func TestDemoEndsWithThePageAndTheTruth(t *testing.T) {
	dir := t.TempDir()
	status, out, errs := runDemo(t, "--speed", "200", "--data", dir, "no-meter")
	if status != StatusDone || !strings.Contains(out, "No air meter is fitted") || !strings.Contains(out, dir) {
		t.Errorf("%d\n%s\n%s", status, out, errs)
	}
	_, truth, _ := strings.Cut(out, "\nThe truth, which the server did not know: ")
	truth, _, _ = strings.Cut(truth, "\nThe session ")
	if told := strings.Join(strings.Fields(truth), " "); !strings.HasPrefix(told, "Small car without an air meter (no fault in the intake air). ") || !strings.Contains(told, "nothing is wrong") {
		t.Errorf("the truth is told as %q", truth)
	}
	for line := range strings.SplitSeq(truth, "\n") {
		if utf8.RuneCountInString(line) > page.DefaultWidth {
			t.Errorf("a line is wider than the page: %q", line)
		}
	}
	if strings.Contains(errs, `"level":`) {
		t.Errorf("the server's log stands amid what is for the user:\n%s", errs)
	}
}

func TestDemoTellsWhatItCannotDo(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"spaceship"}, "expected one of van, healthy"},
		{[]string{"van", "leak"}, "expected one scenario"},
		{[]string{"--speed", "0"}, "more than 0"},
		{[]string{"--speed", "NaN"}, "more than 0"},
		{[]string{"--data", ""}, "--data"},
	} {
		status, out, errs := runDemo(t, c.args...)
		if status != StatusRefused || out != "" || !strings.Contains(errs, c.says) {
			t.Errorf("%q: %d\n%s\n%s", c.args, status, out, errs)
		}
	}
}

func TestAnInterruptedDemoLeavesNothingBehind(t *testing.T) {
	ctx, cancel := context.WithTimeoutCause(context.Background(), 2*time.Second, Interrupted{Signal: syscall.SIGTERM})
	defer cancel()
	var out, errs bytes.Buffer
	status := Main(ctx, []string{"demo"}, &out, &errs)
	want := (Interrupted{Signal: syscall.SIGTERM}).status()
	if status != want || out.Len() != 0 || strings.Contains(errs.String(), `"level":`) {
		t.Errorf("%d\n%s\n%s", status, out.String(), errs.String())
	}
}
