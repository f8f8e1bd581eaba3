// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// binary is the program as a user has it, built once.
var binary string

func TestMain(m *testing.M) {
	dir, err := build()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(status int) {
		_ = os.RemoveAll(dir)
		os.Exit(status)
	}))
}

// build builds the program into a new folder.
func build() (dir string, err error) {
	dir, err = os.MkdirTemp("", "airassayd")
	if err != nil {
		return "", err
	}
	binary = filepath.Join(dir, "airassayd")
	if runtime.GOOS == "windows" {
		binary += ".exe"
	}
	if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %w\n%s", err, out)
	}
	return dir, nil
}

// ended is a call of the program that came to its end.
type ended struct {
	status         int
	stdout, stderr string
	memory         int64
}

// call runs the program in dir. The environment holds nothing that steers it.
func call(t *testing.T, dir string, args ...string) ended {
	t.Helper()
	const patience = 60 * time.Second
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	c := exec.CommandContext(ctx, binary, args...)
	c.Dir = dir
	c.Env = append(os.Environ(), "NO_COLOR=", "TERM=xterm")
	var out, diagnostics bytes.Buffer
	c.Stdout, c.Stderr = &out, &diagnostics
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) || ctx.Err() != nil {
		t.Fatalf("%q: %v", args, err)
	}
	memory, _ := peakMemory(c.ProcessState)
	return ended{c.ProcessState.ExitCode(), out.String(), diagnostics.String(), memory}
}

// folder writes files into a new folder; a name may have a folder in front.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// idling is a minute of warm idle in our own format.
func idling() string {
	var b strings.Builder
	b.WriteString("time_s,EngineSpeed,MAF,IntakeTemp,CoolantTemperature,ShortTermFuelTrim1,LongTermFuelTrim1\n")
	for i := range 600 {
		fmt.Fprintf(&b, "%.2f,%d,,,,,\n%.2f,,%.2f,,,,\n%.2f,,,24,90,0.78,-1.56\n",
			float64(i)/10, 800+i%7, float64(i)/10+0.03, 2.5+float64(i%5)/100, float64(i)/10+0.06)
	}
	return b.String()
}

// foreign is a file of another logger that leaves nothing open.
const foreign = "Time (s);Engine RPM;MAF (g/s);Intake Air Temp (°C);Driver\n" +
	"0,5;801;2,51;24;me\n1,0;805;2,49;24;me\n1,5;n/a;2,50;24;me\n2,0;803;2,52;24;me\n"

// open is a file of another logger that leaves two things open.
const open = "Time;MAF;Mass air flow;Coolant\n0.5;2.5;2.6;190\n1.5;2.5;2.6;195\n"

func wantStatus(t *testing.T, e ended, want int) {
	t.Helper()
	if e.status != want {
		t.Fatalf("status %d, want %d\nstderr:\n%s", e.status, want, e.stderr)
	}
	if want != 0 && e.stdout != "" {
		t.Errorf("a refused call wrote to stdout:\n%s", e.stdout)
	}
	if want != 0 && !strings.HasPrefix(e.stderr, "airassayd: ") {
		t.Errorf("a refused call gave no reason:\n%s", e.stderr)
	}
}

func contains(t *testing.T, where, text string, wanted ...string) {
	t.Helper()
	for _, w := range wanted {
		if !strings.Contains(text, w) {
			t.Errorf("%s lacks %q:\n%s", where, w, text)
		}
	}
}

// verdict reads what --json printed as the contract has it, unknown fields refused.
func verdict(t *testing.T, stdout string) *pb.Verdict {
	t.Helper()
	v := &pb.Verdict{}
	if err := protojson.Unmarshal([]byte(stdout), v); err != nil {
		t.Fatalf("%v in\n%s", err, stdout)
	}
	return v
}

func TestJSONIsOneVerdictOfTheContract(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling()})
	e := call(t, dir, "assay", "--json", "drive.csv")
	wantStatus(t, e, 0)
	v := verdict(t, e.stdout)
	sum := 0.0
	for _, c := range v.GetAssessment().GetConditions() {
		sum += c.GetProbability()
	}
	if sum < 1-1e-9 || sum > 1+1e-9 {
		t.Errorf("the probabilities sum to %v", sum)
	}
	if v.GetText().GetHeadline() == "" || v.GetText().GetLanguageCode() != "en" || len(v.GetText().GetAdvice()) != len(v.GetAssessment().GetAdvice()) {
		t.Errorf("the text is not filled: %v", v.GetText())
	}
	contains(t, "the JSON", e.stdout, `"name": ""`, `"createTime": null`, `"clock": "CLOCK_KIND_HOST"`, `"SENSOR_AIR_METER"`, `"late": "0"`)
	if !strings.HasPrefix(e.stdout, "{\n") || !strings.HasSuffix(e.stdout, "}\n") {
		t.Errorf("not one indented object: %.20q … %.20q", e.stdout, e.stdout[max(0, len(e.stdout)-20):])
	}
}

func TestSameCallGivesTheSameBytes(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling(), "log.csv": foreign})
	for _, args := range [][]string{
		{"assay", "--json", "drive.csv"}, {"assay", "drive.csv"}, {"assay", "--full", "--ascii", "log.csv"}, {"mapping", "log.csv"}, {"mapping", "drive.csv"},
	} {
		first := call(t, dir, args...)
		wantStatus(t, first, 0)
		for range 3 {
			if again := call(t, dir, args...); again.stdout != first.stdout || again.stderr != first.stderr {
				t.Errorf("%q differs between two calls", args)
			}
		}
	}
}

func TestFlagsStandAnywhere(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling(), "v.json": `{"displacement_l": 2.0}`, "-odd.csv": idling()})
	want := call(t, dir, "assay", "--json", "--vehicle", "v.json", "drive.csv")
	wantStatus(t, want, 0)
	for _, args := range []string{
		"assay drive.csv --json --vehicle v.json",
		"assay drive.csv --vehicle=v.json --json",
		"assay --vehicle v.json drive.csv --json",
		"--json assay --vehicle v.json drive.csv",
		"--vehicle v.json --json assay drive.csv",
		"--vehicle=v.json assay drive.csv --json=true",
		"assay --json --vehicle v.json -- drive.csv",
		"assay --json --vehicle v.json -- -odd.csv",
		"--json --vehicle v.json -- assay drive.csv",
	} {
		e := call(t, dir, strings.Fields(args)...)
		if e.status != 0 || e.stdout != want.stdout {
			t.Errorf("%s: status %d, another verdict or none\n%s", args, e.status, e.stderr)
		}
	}
}

func TestUsageIsRefusedWithAHint(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling(), "log.csv": foreign, "open.csv": open})
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "a command is missing"},
		{[]string{"judge", "drive.csv"}, `"judge" is not a command; expected `},
		{[]string{"--json"}, "a command is missing"},
		{[]string{"assay"}, "the recording is missing"},
		{[]string{"assay", ""}, "the recording's name is empty"},
		{[]string{"assay", "-"}, "standard input"},
		{[]string{"assay", "drive.csv", "log.csv"}, "2 recordings are named"},
		{[]string{"assay", "drive.csv", "--jason"}, "unknown flag: --jason; assay has --vehicle"},
		{[]string{"assay", "drive.csv", "--write", "x"}, "unknown flag: --write"},
		{[]string{"assay", "-json", "drive.csv"}, "long flags have two dashes: --json"},
		{[]string{"-vehicle=v.json", "assay", "drive.csv"}, "long flags have two dashes: --vehicle"},
		{[]string{"assay", "drive.csv", "-x"}, "unknown shorthand flag"},
		{[]string{"assay", "drive.csv", "--vehicle"}, "flag needs an argument: --vehicle"},
		{[]string{"assay", "drive.csv", "--vehicle="}, "--vehicle is empty"},
		{[]string{"assay", "drive.csv", "--mapping", ""}, "--mapping is empty"},
		{[]string{"assay", "drive.csv", "--json=maybe"}, "--json"},
		{[]string{"assay", "drive.csv", "--width", "wide"}, "--width"},
		{[]string{"assay", "drive.csv", "--width", "0"}, "expected 40 to 120 columns"},
		{[]string{"assay", "drive.csv", "--width=-5"}, "expected 40 to 120 columns"},
		{[]string{"assay", "drive.csv", "--color", "blue"}, "expected auto, always or never"},
		{[]string{"mapping"}, "the recording is missing"},
		{[]string{"mapping", "log.csv", "--write="}, "--write is empty"},
		{[]string{"mapping", "log.csv", "--choose", "1a"}, "it leaves nothing open"},
		{[]string{"mapping", "open.csv", "--choose", "9z"}, "expected 1a to 1c, 2a to 2"},
		{[]string{"version", "now"}, "no arguments"},
		{[]string{"help", "me"}, `"me" is not a command`},
		{[]string{"help", "assay", "mapping"}, "one command"},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			e := call(t, dir, c.args...)
			wantStatus(t, e, 2)
			contains(t, "stderr", e.stderr, c.want, "see: airassayd help")
		})
	}
}

func TestHelpAndVersionGoToStdout(t *testing.T) {
	for args, want := range map[string]string{
		"help": "Commands:", "--help": "Commands:", "-h": "Commands:",
		"help assay": "--vehicle FILE", "assay --help": "--vehicle FILE", "--help assay": "--vehicle FILE", "assay -h": "--vehicle FILE", "assay drive.csv --help": "--vehicle FILE",
		"help mapping": "--write FILE", "mapping --help": "--write FILE",
		"help --help": "[COMMAND]", "help version": "one line",
		"version": "airassay-engine/", "--version": "airassay-engine/",
	} {
		e := call(t, t.TempDir(), strings.Fields(args)...)
		wantStatus(t, e, 0)
		contains(t, args, e.stdout, want)
		if e.stderr != "" {
			t.Errorf("%s wrote to stderr: %s", args, e.stderr)
		}
	}
}

func TestVehicleFileBesideIsUsedAndSaid(t *testing.T) {
	dir := folder(t, map[string]string{
		"bare/drive.csv": idling(),
		"car/drive.csv":  idling(), "car/vehicle.json": `{"air_meter": "hot_wire", "displacement_l": 2.0, "cylinders": 4}`,
		"bad/drive.csv": idling(), "bad/vehicle.json": "{\n \"cylindres\": 4}",
		"facts.yaml": "displacement_l: 2.0\n",
	})
	bare := call(t, dir, "assay", "--json", "bare/drive.csv")
	wantStatus(t, bare, 0)
	contains(t, "stderr", bare.stderr, "no facts about the vehicle")
	beside := call(t, dir, "assay", "--json", filepath.Join("car", "drive.csv"))
	wantStatus(t, beside, 0)
	contains(t, "stderr", beside.stderr, "facts about the vehicle come from "+filepath.Join("car", "vehicle.json"))
	named := call(t, dir, "assay", "--json", "bare/drive.csv", "--vehicle", "car/vehicle.json")
	wantStatus(t, named, 0)
	if named.stdout != beside.stdout || named.stdout == bare.stdout {
		t.Error("the facts made no difference, or another one than when they are named")
	}
	if named.stderr != "" {
		t.Errorf("a named file needs no note: %s", named.stderr)
	}
	instead := call(t, dir, "assay", "--json", "bad/drive.csv", "--vehicle", "facts.yaml")
	wantStatus(t, instead, 0)
	for _, c := range []struct{ args, want string }{
		{"assay bad/drive.csv", filepath.Join("bad", "vehicle.json") + ":2:2: "},
		{"assay bare/drive.csv --vehicle none.json", "none.json: the file cannot be read"},
		{"assay bare/drive.csv --vehicle car", "car: the file cannot be read: got a directory"},
		{"assay bare/drive.csv --mapping none.json", "none.json: the file cannot be read"},
	} {
		e := call(t, dir, strings.Fields(c.args)...)
		wantStatus(t, e, 2)
		contains(t, "stderr", e.stderr, c.want)
	}
}

func TestUnambiguousProposalIsUsedAndSaid(t *testing.T) {
	dir := folder(t, map[string]string{"log.csv": foreign})
	e := call(t, dir, "assay", "--json", "log.csv")
	wantStatus(t, e, 0)
	contains(t, "stderr", e.stderr, "log.csv is another program's file; 3 of its 5 columns are read: EngineSpeed (rpm), MAF (g/s), IntakeTemp (", "clock: column 1", "airassayd mapping log.csv", "1 cells of used columns are not used: 1 marked as missing (first in line 4)")
	if v := verdict(t, e.stdout); v.GetAssessment().GetSampleUse().GetUsed() != 11 {
		t.Errorf("%v", v.GetAssessment().GetSampleUse())
	}
	shown := call(t, dir, "mapping", "log.csv")
	wantStatus(t, shown, 0)
	contains(t, "stdout", shown.stdout, "Driver", "no signal of that name is known", "marked as missing", "±0.250 s")
	written := call(t, dir, "mapping", "log.csv", "--write", "log.mapping.json")
	wantStatus(t, written, 0)
	if written.stdout != shown.stdout {
		t.Errorf("--write changed what is shown")
	}
	contains(t, "stderr", written.stderr, "airassayd assay --mapping log.mapping.json log.csv")
	named := call(t, dir, "assay", "--json", "log.csv", "--mapping", "log.mapping.json")
	wantStatus(t, named, 0)
	if named.stdout != e.stdout {
		t.Error("the written mapping reads the file another way")
	}
}

func TestAmbiguousFileIsRefusedWithTheChoices(t *testing.T) {
	dir := folder(t, map[string]string{"open.csv": open})
	e := call(t, dir, "assay", "open.csv")
	wantStatus(t, e, 2)
	contains(t, "stderr", e.stderr, "question 1: ", "question 2: ", "  1a  ", "  1b  ", "  2a  ", "Fahrenheit", "airassayd mapping --choose 1a,2a --write MAPPING.json open.csv")
	shown := call(t, dir, "mapping", "open.csv")
	wantStatus(t, shown, 0)
	contains(t, "stdout", shown.stdout, "a) ", "Fahrenheit", "--choose 1a,2a")
	for _, args := range []string{"mapping open.csv --write m.json", "mapping open.csv --write m.json --choose 1b"} {
		e := call(t, dir, strings.Fields(args)...)
		wantStatus(t, e, 2)
		contains(t, "stderr", e.stderr, "open questions is not written", "2a")
		if _, err := os.Stat(filepath.Join(dir, "m.json")); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s wrote a mapping with open questions", args)
		}
	}
	wantStatus(t, call(t, dir, "mapping", "open.csv", "--write", "m.json", "--choose", "1b,2b"), 0)
	wantStatus(t, call(t, dir, "mapping", "--choose=1b", "open.csv", "--write=m.json", "--choose=2b"), 0)
	judged := call(t, dir, "assay", "--json", "open.csv", "--mapping", "m.json")
	wantStatus(t, judged, 0)
	if u := verdict(t, judged.stdout).GetAssessment().GetSampleUse(); u.GetUsed() != 4 {
		t.Errorf("%v", u)
	}
}

func TestWriteOverwritesNothing(t *testing.T) {
	dir := folder(t, map[string]string{"log.csv": foreign, "notes.txt": "keep me", "vehicle.json": "{}", "empty.json": "", "drive.csv": idling()})
	wantStatus(t, call(t, dir, "mapping", "log.csv", "--write", "by-hand.json"), 0)
	byHand := filepath.Join(dir, "by-hand.json")
	corrected, err := os.ReadFile(byHand)
	if err != nil {
		t.Fatal(err)
	}
	corrected = append(corrected, '\n')
	if err := os.WriteFile(byHand, corrected, 0o600); err != nil {
		t.Fatal(err)
	}
	for args, want := range map[string]string{
		"mapping log.csv --write log.csv":      "not a mapping",
		"mapping log.csv --write notes.txt":    "not a mapping",
		"mapping log.csv --write vehicle.json": "not a mapping",
		"mapping log.csv --write .":            "not a mapping",
		"mapping log.csv --write by-hand.json": "another mapping",
		"mapping log.csv --write none/m.json":  "cannot be written",
		"mapping drive.csv --write m.json":     "needs no mapping",
	} {
		e := call(t, dir, strings.Fields(args)...)
		wantStatus(t, e, 2)
		contains(t, args, e.stderr, want)
	}
	wantStatus(t, call(t, dir, "mapping", "log.csv", "--write", "empty.json"), 0)
	wantStatus(t, call(t, dir, "mapping", "log.csv", "--write", "empty.json"), 0)
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 6 {
		t.Errorf("something was left behind: %v, %v", entries, err)
	}
	if now, err := os.ReadFile(byHand); err != nil || !bytes.Equal(now, corrected) {
		t.Errorf("the corrected mapping was changed: %v", err)
	}
}

func TestOwnFormatNeedsNoMapping(t *testing.T) {
	e := call(t, folder(t, map[string]string{"drive.csv": idling()}), "mapping", "drive.csv")
	wantStatus(t, e, 0)
	contains(t, "stdout", e.stdout, "needs no mapping", "EngineSpeed", "Nothing was left out.")
}

func TestPageFollowsItsFlags(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling()})
	widest := func(s string) int {
		most := 0
		for line := range strings.Lines(s) {
			most = max(most, len([]rune(strings.TrimSuffix(line, "\n"))))
		}
		return most
	}
	plain := call(t, dir, "assay", "drive.csv")
	wantStatus(t, plain, 0)
	contains(t, "the page", plain.stdout, "Source: drive.csv")
	if strings.Contains(plain.stdout, "\x1b") || widest(plain.stdout) > 80 {
		t.Error("a page into a pipe is coloured or wider than 80 columns")
	}
	narrow := call(t, dir, "assay", "drive.csv", "--width", "50", "--ascii")
	wantStatus(t, narrow, 0)
	if strings.IndexFunc(narrow.stdout, func(r rune) bool { return r > 126 }) >= 0 || widest(narrow.stdout) > 50 {
		t.Errorf("not 50 columns of ASCII:\n%s", narrow.stdout)
	}
	for _, flag := range []string{"--color=always", "--colour=always"} {
		if e := call(t, dir, "assay", "drive.csv", flag); e.status != 0 || !strings.Contains(e.stdout, "\x1b[") {
			t.Errorf("%s: status %d, no colour", flag, e.status)
		}
	}
	full := call(t, dir, "assay", "drive.csv", "--full")
	wantStatus(t, full, 0)
	if len(full.stdout) < len(plain.stdout) || strings.Contains(full.stdout, "more") && strings.Contains(full.stdout, "  and ") {
		t.Error("--full leaves things out")
	}
	german := call(t, dir, "assay", "drive.csv", "--language", "de", "--json")
	wantStatus(t, german, 0)
	if v := verdict(t, german.stdout); v.GetText().GetLanguageCode() != "en" {
		t.Errorf("the text claims to be %s", v.GetText().GetLanguageCode())
	}
}

// Judging must not depend on the folder, the name or the time of the call.
func TestVerdictDependsOnTheContentAlone(t *testing.T) {
	dir := folder(t, map[string]string{"a/drive.csv": idling(), "b/other name.csv": "\xEF\xBB\xBF" + strings.ReplaceAll(idling(), "\n", "\r\n")})
	a, b := call(t, dir, "assay", "--json", "a/drive.csv"), call(t, dir, "assay", "--json", "b/other name.csv")
	wantStatus(t, a, 0)
	wantStatus(t, b, 0)
	if !proto.Equal(verdict(t, a.stdout), verdict(t, b.stdout)) || !slices.Equal([]byte(a.stdout), []byte(b.stdout)) {
		t.Error("the same samples gave two verdicts")
	}
}
