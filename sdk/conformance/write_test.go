// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"strings"
	"testing"
	"time"
)

// sampleReport has a result of each kind.
func sampleReport() *Report {
	items := Items()
	find := func(id string) Item {
		for _, i := range items {
			if i.ID == id {
				return i
			}
		}
		return Item{}
	}
	results := []Result{
		settle(find("C1"), nil),
		settle(find("S7"), fails("batches in time", "send earlier", "%d late <&>", 7)),
		settle(find("L3"), skip("nobody unplugs")),
		settle(find("S1"), errors.New("no sample came")),
		settle(find("R1"), undescribed("ABILITY_LINK")),
	}
	results[1].Log = []string{"a line \x1b[31m of log"}
	results[0].Unseen = []string{"one part"}
	return &Report{
		Target: "./box", Name: "box", Version: "1.0.0", Abilities: []string{"feed"}, Device: "box-1",
		Started: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Took: 12 * time.Second, Results: results, NotChecked: notChecked(results),
		Profiles: []Conformance{judge(ProfileCore, results, true), judge(ProfileFeed, results, true)},
	}
}

func TestTableSaysAllThatAVendorNeeds(t *testing.T) {
	var b bytes.Buffer
	if err := sampleReport().WriteTable(&b, true); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"box 1.0.0 (./box), abilities: feed, device: box-1",
		"FAILED    S7", "sentence  S7: A batch is sent", "expected  batches in time", "seen      7 late", "to do     send earlier",
		"UNPROVEN  S1", "because   no sample came", "skipped   L3", "because   nobody unplugs",
		"1 checks, because the adapter does not describe ABILITY_LINK", "not seen one part",
		"core  conformant: 1 passed, 0 failed, 0 unproven, 1 skipped", "feed  NOT conformant: 0 passed, 1 failed, 1 unproven, 0 skipped (S7, S1)",
		`"a line \x1b[31m of log"`,
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, b.String())
		}
	}
}

func TestTableTellsAReasonOfManyChecksOnce(t *testing.T) {
	const reason = "it ended with exit status 3 before the handshake"
	r := sampleReport()
	r.Results = nil
	for _, item := range Items()[:5] {
		r.Results = append(r.Results, settle(item, errors.New(reason)))
	}
	r.NotChecked = notChecked(r.Results)
	var b bytes.Buffer
	if err := r.WriteTable(&b, false); err != nil {
		t.Fatal(err)
	}
	first := r.Results[0].ID
	if n := strings.Count(b.String(), reason); n != 1 || strings.Count(b.String(), "the same as with "+first) != 4 || !strings.Contains(b.String(), "see "+first) {
		t.Errorf("a reason of five checks is told %d times:\n%s", n, b.String())
	}
}

func TestJSONHoldsTheReport(t *testing.T) {
	var b bytes.Buffer
	if err := sampleReport().WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var got Report
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Results) != 5 || got.Results[1].Finding.Sentence != "S7" || got.Results[1].Status != Failed || got.Profiles[0].Conformant != true {
		t.Errorf("got %+v", got)
	}
}

func TestJUnitIsXMLWithTheRightCounts(t *testing.T) {
	var b bytes.Buffer
	if err := sampleReport().WriteJUnit(&b); err != nil {
		t.Fatal(err)
	}
	var got junitSuite
	if err := xml.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatalf("%v:\n%s", err, b.String())
	}
	if got.Tests != 5 || got.Failures != 1 || got.Errors != 1 || got.Skipped != 2 {
		t.Errorf("got %+v", got)
	}
	if f := got.Cases[1].Failure; f == nil || !strings.Contains(f.Message, "7 late <&>") || !strings.Contains(f.Text, "of log") {
		t.Errorf("got %+v", got.Cases[1])
	}
}

func TestConformanceNeedsEverythingThatWasNotSkipped(t *testing.T) {
	item := Item{ID: "C1", Profile: ProfileCore, Sentences: []string{"C1"}}
	for _, tc := range []struct {
		name      string
		results   []Result
		described bool
		want      bool
	}{
		{"all passed", []Result{settle(item, nil)}, true, true},
		{"one skipped", []Result{settle(item, nil), settle(item, skip("no hands"))}, true, true},
		{"all skipped", []Result{settle(item, skip("no hands"))}, true, false},
		{"one failed", []Result{settle(item, nil), settle(item, fails("a", "b", "c"))}, true, false},
		{"one unproven", []Result{settle(item, nil), settle(item, errors.New("no device"))}, true, false},
		{"an ability that is not described", []Result{settle(item, nil)}, false, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := judge(ProfileCore, tc.results, tc.described); got.Conformant != tc.want || got.Conformant == (got.Reason != "") {
				t.Errorf("got %+v, want conformant: %t", got, tc.want)
			}
		})
	}
}

func TestUnusableOptionsSayWhatIsWrong(t *testing.T) {
	o := Options{
		Profiles: []Profile{"brake"}, Only: []string{"Z9"}, BadFields: []string{"x"}, Timeout: -1, Parallel: -1,
		Requests: Requests{Silent: Request{Payload: []byte{0x04}}}, Hardware: Hardware{Unplug: act, Wake: act},
	}
	_, err := Check(t.Context(), Executable{Path: "README.md"}, o)
	if err == nil {
		t.Fatal("they were taken")
	}
	for _, want := range []string{"brake", "Z9", "bad configuration", "Timeout", "Parallel", "Silent", "unplugs", "silences"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("nothing of %q in %v", want, err)
		}
	}
}

func TestUnusableTargetSaysWhatIsWrong(t *testing.T) {
	for want, target := range map[string]Target{
		"there is no file": Executable{Path: "nowhere"}, "is a folder": Executable{Path: "adaptercheck"},
		"no target": nil, "no adapter": InProcess(nil),
	} {
		if _, err := Check(t.Context(), target, Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: got %v, want that %s", target, err, want)
		}
	}
}
