// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unsafe"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
)

func TestBoundsAreThoseThatTheContractStates(t *testing.T) {
	stated := regexp.MustCompile(`\((-?[\d.]+) to (-?[\d.]+)\)\.|at most (\d+) characters`)
	for _, file := range []string{"vehicle.proto", "session.proto"} {
		raw, err := os.ReadFile("../../api/airassay/v1beta1/" + file)
		if err != nil {
			t.Fatal(err)
		}
		found := ""
		for line := range strings.Lines(string(raw)) {
			line = strings.TrimSpace(line)
			if comment, ok := strings.CutPrefix(line, "//"); ok {
				found += comment
				continue
			}
			if m := stated.FindStringSubmatch(found); m != nil {
				fields := strings.Fields(line)
				name := fields[slices.IndexFunc(fields, func(f string) bool { return f == "=" })-1]
				low, _ := strconv.ParseFloat(m[1], 64)
				high, _ := strconv.ParseFloat(m[2]+m[3], 64)
				if b := bounds[protoreflect.Name(name)]; b.low != low || b.high != high {
					t.Errorf("%s: %s is %v here, %v to %v there", file, name, b, low, high)
				}
			}
			found = ""
		}
	}
}

func TestFiltersSayWhereTheyAreWrong(t *testing.T) {
	names := []string{"vehicle", "state", "external_reference"}
	for text, want := range map[string]string{
		``:                                    "",
		` state = OPEN `:                      "state:OPEN",
		`state=OPEN AND vehicle="vehicles/a"`: "state:OPEN vehicle:vehicles/a",
		`external_reference = "a \"b\" \\ c"`: `external_reference:a "b" \ c`,
		`state`:                               "column 6",
		`state OPEN`:                          "column 7",
		`state =`:                             "column 8",
		`color = red`:                         "column 1",
		`state = OPEN state = OPEN`:           "column 14",
		`state = OPEN AND`:                    "column 17",
		`state = OPEN OR state = CLOSED`:      "column 14",
		`state = OPEN AND state = CLOSED`:     "column 18",
		`external_reference = "open`:          "column 22",
		`external_reference = ""`:             "column 22",
		`external_reference = "x\`:            "column 22",
		`state = (OPEN)`:                      "column 9",
		`ä = b`:                               "column 1",
	} {
		terms, err := parseFilter(text, names...)
		got := ""
		for _, name := range []string{"external_reference", "state", "vehicle"} {
			if t, ok := terms[name]; ok {
				got = strings.TrimSpace(got + " " + name + ":" + t.value)
			}
		}
		if err != nil {
			got = regexp.MustCompile(`column \d+`).FindString(err.Error())
		}
		if got != want {
			t.Errorf("%s: got %q (%v), want %q", text, got, err, want)
		}
	}
}

func FuzzFilter(f *testing.F) {
	for _, seed := range []string{``, `state = OPEN`, `vehicle="vehicles/a" AND state=CLOSED`, `external_reference = "\`, "\xff=\"\""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		terms, err := parseFilter(text, "vehicle", "state")
		for name, term := range terms {
			if err == nil && (term.value == "" || name != "vehicle" && name != "state") {
				t.Errorf("%q gives %q = %q", text, name, term.value)
			}
		}
	})
}

func TestIDsAreAsTheContractWantsThem(t *testing.T) {
	seen := make(map[string]bool)
	for range 1000 {
		id := newID()
		if !isID(id) || seen[id] {
			t.Fatalf("id %q", id)
		}
		seen[id] = true
	}
}

// Whatever the assay says: without a confirmation nothing in the progress names a pull, nothing else is lost, and
// where something was held back it is said.
func TestNothingAsksForAPullWithoutConfirmation(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		a := randomAssessment(rng)
		p, held := progressOf(a, 5, false)
		wanted := false
		for _, x := range a.GetAdvice() {
			wanted = wanted || x.GetManoeuvre() == pull
		}
		for _, x := range a.GetGaps() {
			wanted = wanted || x.GetManoeuvre() == pull
		}
		if held != wanted || len(p.GetGaps()) != len(a.GetGaps()) {
			t.Fatalf("held %v, want %v; %d gaps of %d", held, wanted, len(p.GetGaps()), len(a.GetGaps()))
		}
		for _, x := range p.GetNext() {
			if x.GetManoeuvre() == pull || x.GetAction() == pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN && x.GetManoeuvre() == 0 {
				t.Fatalf("asks for %v", x)
			}
		}
		for _, x := range p.GetGaps() {
			if x.GetManoeuvre() == pull {
				t.Fatalf("the gap %v names a pull", x)
			}
		}
		others := slices.ContainsFunc(a.GetGaps(), func(g *pb.Gap) bool { return g.GetManoeuvre() != 0 && g.GetManoeuvre() != pull })
		drives := func(list []*pb.Advice) bool {
			return slices.ContainsFunc(list, func(x *pb.Advice) bool { return x.GetAction() == pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN })
		}
		if drives(a.GetAdvice()) && others && !drives(p.GetNext()) {
			t.Fatalf("a drive is advised and another is missing, and none is left: %v from %v", p, a)
		}
		if same, held := progressOf(a, 5, true); held || len(same.GetNext()) != len(a.GetAdvice()) {
			t.Fatal("something is held back though it was confirmed")
		}
	}
}

func randomAssessment(rng *rand.Rand) *pb.Assessment {
	a := new(pb.Assessment)
	kinds := []pb.ManoeuvreKind{0, pull, pull, pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE, pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE}
	for range rng.IntN(4) {
		a.Gaps = append(a.Gaps, &pb.Gap{Kind: pb.GapKind(1 + rng.IntN(16)), Manoeuvre: kinds[rng.IntN(len(kinds))]})
	}
	for range rng.IntN(4) {
		x := &pb.Advice{Action: pb.AdviceAction(1 + rng.IntN(7)), Manoeuvre: kinds[1+rng.IntN(len(kinds)-1)]}
		if x.GetAction() != pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN && x.GetAction() != pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST {
			x.Manoeuvre = 0
		}
		a.Advice = append(a.Advice, x)
	}
	return a
}

// Verdicts are delivered at most four times in any second, and one that matters at once, also where
// another mattered within the same second.
func TestVerdictsAreDeliveredAtTheirPace(t *testing.T) {
	l := &live{}
	l.hub.live = l
	p := pump{hub: &l.hub}
	w := &watcher{verdicts: true, ready: make(chan struct{}, 1)}
	l.hub.watchers = map[*watcher]struct{}{w: {}}
	now := time.Now()
	var delivered []time.Time
	rng := rand.New(rand.NewPCG(5, 6))
	conclusive, changedAt := false, time.Time{}
	slowest := time.Duration(0)
	for n := range 600 {
		now = now.Add(assessEvery)
		if n%20 == 7 || n%20 == 10 {
			conclusive, changedAt = !conclusive, now
		}
		s := &state{version: int64(n), verdict: &pb.Verdict{Assessment: &pb.Assessment{Conclusive: conclusive}}}
		if rng.IntN(5) > 0 {
			p.deliver(t.Context(), s, now)
		} else {
			p.deliverOwed(t.Context(), now)
		}
		if s, _, _ := w.next, 0, 0; s != nil {
			w.next = nil
			delivered = append(delivered, now)
			if !changedAt.IsZero() && s.verdict.GetAssessment().GetConclusive() == conclusive {
				slowest, changedAt = max(slowest, now.Sub(changedAt)), time.Time{}
			}
		}
	}
	for i := verdictsEach; i < len(delivered); i++ {
		if within := delivered[i].Sub(delivered[i-verdictsEach]); within < verdictWindow {
			t.Errorf("%d verdicts within %v", verdictsEach+1, within)
		}
	}
	if len(delivered) < 120 || slowest > 2*assessEvery {
		t.Errorf("%d verdicts in a minute, one that matters %v late", len(delivered), slowest)
	}
}

func TestAssayIsAsLargeAsTheLimitSays(t *testing.T) {
	if size := unsafe.Sizeof(assay.Assay{}); size > 700_000 {
		t.Errorf("an assay has %d bytes; Limits.Assays says 0.7 MB", size)
	} else {
		t.Log(fmt.Sprint(size, " bytes"))
	}
}
