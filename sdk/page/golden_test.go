// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
)

var update = flag.Bool("update", false, "write the golden pages anew")

var cases = []struct {
	name    string
	verdict *pb.Verdict
}{
	{"contaminated", contaminated()},
	{"sound", sound()},
	{"inconclusive", inconclusive()},
	{"no-meter", noMeter()},
	{"two-banks", twoBanks()},
	{"torn-duct-or-gain", tornDuctOrGain()},
	{"empty", &pb.Verdict{}},
}

func render(tb testing.TB, v *pb.Verdict, o page.Options) string {
	tb.Helper()
	var b bytes.Buffer
	if err := page.Write(&b, v, o); err != nil {
		tb.Fatal(err)
	}
	return b.String()
}

func TestPagesAreAsTheyWereLookedAt(t *testing.T) {
	for _, c := range cases {
		for _, width := range []int{60, 80, 100} {
			compareGolden(t, fmt.Sprintf("%s-%d.txt", c.name, width), render(t, c.verdict, page.Options{Width: width, Source: "morning-drive.csv"}))
		}
	}
	compareGolden(t, "contaminated-ascii-80.txt", render(t, contaminated(), page.Options{ASCII: true}))
	compareGolden(t, "contaminated-colour-80.txt", render(t, contaminated(), page.Options{Colour: true, Full: true, Language: "tlh"}))
	compareGolden(t, "contaminated-explained-80.txt", render(t, contaminated(), page.Options{Explain: true}))
	compareGolden(t, "inconclusive-40.txt", render(t, inconclusive(), page.Options{Width: 1}))
}

func TestTextsAreAsTheyWereRead(t *testing.T) {
	for _, c := range cases {
		text := wording.Text(c.verdict.GetAssessment(), "en")
		got := text.Headline + "\n\n" + text.Summary + "\n\n" + text.PlainSummary + "\n"
		for _, advice := range text.Advice {
			got += "\n" + advice + "\n"
		}
		compareGolden(t, c.name+"-text.txt", got)
	}
}

func compareGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; look at it, then run with -update:\n%s", path, got)
	}
}
