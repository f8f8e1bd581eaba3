// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
)

const (
	good = "time_s,EngineSpeed\n0.0,800\n0.1,801\n"
	// foreign names its signals and its clock beyond doubt; ambiguous has two columns for one signal.
	foreign   = "Time (s);RPM;MAF (g/s)\n0,0;800;2,5\n0,5;810;2,6\n1,0;820;2,75\n1,5;820;2,5\n"
	ambiguous = "Time (s),RPM,Engine Speed (rpm)\n0.0,800,801\n0.5,810,815\n1.0,820,822\n"
	timeless  = "RPM,MAF (g/s)\n800,2.5\n810,2.6\n820,2.7\n"
	answered  = `{"mapping_version": 1, "encoding": "utf-8", "separator": ",", "decimal": ".", "header_line": 1,
		"clock": {"header": "Time (s)", "format": "seconds"}, "columns": [{"header": "RPM", "signal": "Vehicle.OBD.EngineSpeed"}]}`
)

func TestFolderIsListedWrongly(t *testing.T) {
	dir := folder(t, map[string]string{
		"a.csv": good, "van/recording.csv": good, "van/vehicle.json": `{"displacement_l": 2.0, "cylinders": 4}`,
		"My Drive.csv": good, "foreign.csv": foreign, "asked.csv": ambiguous, "no-clock.csv": timeless,
		"odd.log": "a;b\n", "odd.log" + mappingSuffix: answered,
		".hidden.csv": good, ".hidden/recording.csv": good, "deep/deeper/recording.csv": good,
		"vehicle.json": `{"displacement_l": 2.0, "cylinders": 4}`, "README.md": "# Drives\n\nSome text, with commas, and 3 numbers: 1, 2.\n",
		"empty.csv": "", "loose" + mappingSuffix: good, "binary": "time\x00s\x01\x02\n\x00", "other/notes.txt": "x",
	})
	b := newBench(t, dir, "")
	got := map[string]*adapterv1beta1.Device{}
	for _, d := range b.list() {
		got[d.GetDisplayName()] = d
	}
	for name, want := range map[string]struct{ id, location string }{
		"a.csv": {"a.csv", "a.csv"}, "van": {"van", "van/recording.csv"}, "My Drive.csv": {idOf("My Drive.csv"), "My Drive.csv"},
		"foreign.csv": {"foreign.csv", "foreign.csv"}, "asked.csv": {"asked.csv", "asked.csv"}, "no-clock.csv": {"no-clock.csv", "no-clock.csv"}, "odd.log": {"odd.log", "odd.log"},
	} {
		if d := got[name]; d.GetId() != want.id || d.GetLocation() != want.location {
			t.Errorf("%s is listed as %v, want %v", name, d, want)
		}
		delete(got, name)
	}
	if len(got) > 0 {
		t.Errorf("%v is listed as well", got)
	}
}

func TestExamplesAreNotPlayed(t *testing.T) {
	b := newBench(t, drives, "")
	if ids := b.ids(); !strings.Contains(" "+ids+" ", " van ") || strings.Contains(ids, "readme") {
		t.Errorf("the examples are listed as %q", ids)
	}
}

func TestIDChangesWhenOthersComeAndGo(t *testing.T) {
	dir := folder(t, map[string]string{"My Drive.csv": good, "b.csv": good})
	b := newBench(t, dir, "")
	id := idOf("My Drive.csv")
	if got := b.ids(); got != id+" b.csv" {
		t.Fatalf("%q is listed", got)
	}
	put(t, dir, "MY DRIVE.csv", good)
	put(t, dir, "my-drive.csv", good)
	if err := os.Remove(filepath.Join(dir, "b.csv")); err != nil {
		t.Fatal(err)
	}
	b.mustOpen(id)
	for range 3 {
		for _, d := range b.list() {
			if (d.GetId() == id) != (d.GetDisplayName() == "My Drive.csv") {
				t.Errorf("%v is listed", d)
			}
		}
	}
}

func TestTwoNamesOfOneHashAreOneDevice(t *testing.T) {
	first, second := collide(t)
	if second < first {
		first, second = second, first
	}
	b := newBench(t, folder(t, map[string]string{first: good, second: good}), "")
	if d := b.list(); len(d) != 1 || d[0].GetDisplayName() != first {
		t.Errorf("%v is listed, want %s alone", d, first)
	}
	b.log.await(t, "rename it")
}

func TestNameThatIsNoTextBreaksTheList(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "odd\xff\n\x1b[31m.csv"), []byte(good), 0o600); err != nil {
		t.Skipf("this system has no such names: %v", err)
	}
	b := newBench(t, dir, "")
	d := b.list()
	if len(d) != 1 || strings.ContainsAny(d[0].GetDisplayName()+d[0].GetLocation(), "\n\x1b") {
		t.Fatalf("%q is listed", d)
	}
	b.mustOpen(d[0].GetId())
}

func TestHugeFolderIsListedWithoutBound(t *testing.T) {
	dir := t.TempDir()
	for i := range maxEntries + 25 {
		text := good
		if i%2 == 1 {
			text = foreign
		}
		put(t, dir, fmt.Sprintf("drive-%04d.csv", i), text)
	}
	b := newBench(t, dir, "")
	began := time.Now()
	list := b.list()
	t.Logf("%d recordings were listed in %v", len(list), time.Since(began))
	if len(list) != maxEntries || list[0].GetId() != "drive-0000.csv" || list[maxEntries-1].GetId() != "drive-0999.csv" {
		t.Errorf("%d are listed", len(list))
	}
	b.log.await(t, `"not_looked_at":25`)
	before := strings.Count(b.log.String(), "not_looked_at")
	b.list()
	if after := strings.Count(b.log.String(), "not_looked_at"); after != before {
		t.Errorf("what has not changed is logged %d times more", after-before)
	}
}

// Listing must stay cheap however long the drives are, and a file in which line 4 is wrong is still found.
func TestListingReadsWholeFiles(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": good + "0.2,quick\n"}), "")
	if got := b.ids(); got != "a.csv" {
		t.Errorf("%q is listed", got)
	}
	_, err := b.open("a.csv")
	refused(t, err, codes.DataLoss, "GARBLED", "a.csv:4:2", "column EngineSpeed", "expected a decimal number", "leave the cell blank")
}

// A header that is wider than what is sniffed, and a table whose first row is, are told from no table at all.
func TestWideLogIsLeftOut(t *testing.T) {
	var header, row strings.Builder
	for i := range 2000 {
		fmt.Fprintf(&header, "Channel %d,", i)
		row.WriteString("123.456789,")
	}
	b := newBench(t, folder(t, map[string]string{"wide.csv": header.String() + "RPM,Time (s)\n" + row.String() + "800,0.0\n" + row.String() + "810,0.5\n"}), "")
	if got := b.ids(); got != "wide.csv" {
		t.Errorf("%q is listed", got)
	}
	b.mustOpen("wide.csv")
}

func TestForeignLogIsPlayedWrongly(t *testing.T) {
	dir := folder(t, map[string]string{"f.csv": foreign, "q.csv": ambiguous, "own.csv": "time_s,Speedometer\n0.0,80\n0.5,81\n"})
	b := newBench(t, dir, `"speed": "max"`)
	b.mustOpen("f.csv")
	l := b.feed(wants("f.csv", flowPath))
	l.untilOver()
	if len(l.samples) != 4 || l.samples[2].value != 2.75 || l.samples[2].us-l.samples[0].us != 1_000_000 {
		t.Errorf("%v was played", l.samples)
	}

	_, err := b.open("q.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "q.csv: nobody has said how to read this file", "the first: ", "airassayd mapping", "q.csv"+mappingSuffix)
	put(t, dir, "q.csv"+mappingSuffix, strings.Replace(answered, "seconds", "second", 1))
	_, err = b.open("q.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "q.csv"+mappingSuffix, "clock format", "expected seconds")
	put(t, dir, "q.csv"+mappingSuffix, strings.ReplaceAll(answered, `"RPM"`, `"Revs"`))
	_, err = b.open("q.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "a column of the mapping is missing", `"Revs"`)
	put(t, dir, "q.csv"+mappingSuffix, answered)
	b.mustOpen("q.csv")

	// A mapping goes before the look of the file.
	_, err = b.open("own.csv")
	refused(t, err, codes.DataLoss, "GARBLED", "own.csv:1:2", "the signal is unknown")
	put(t, dir, "own.csv"+mappingSuffix, strings.ReplaceAll(strings.ReplaceAll(answered, "Time (s)", "time_s"), `"RPM", "signal": "Vehicle.OBD.EngineSpeed"`, `"Speedometer", "signal": "Vehicle.OBD.Speed"`))
	b.mustOpen("own.csv")
}

func TestWhatCannotBePlayedIsOpened(t *testing.T) {
	dir := folder(t, map[string]string{
		"no-clock.csv": timeless, "rows.csv": ambiguous, "half.csv": "time_s,EngineSpeed\n0.0,800\n0.1", "back.csv": "time_s,EngineSpeed\n1.0,800\n0.5,800\n",
		"header.csv": "time_s,EngineSpeed\n", "blank.csv": "time_s,EngineSpeed\n0.0,\n",
		"rows.csv" + mappingSuffix: strings.Replace(answered, `"clock": {"header": "Time (s)", "format": "seconds"}`, `"clock": {"format": "row_order"}`, 1),
	})
	b := newBench(t, dir, "")
	b.list()
	for id, want := range map[string]struct {
		code   codes.Code
		reason string
		parts  []string
	}{
		"no-clock.csv": {codes.InvalidArgument, "BAD_CONFIGURATION", []string{"no-clock.csv: it has no clock", "no pace", mappingSuffix}},
		"rows.csv":     {codes.InvalidArgument, "BAD_CONFIGURATION", []string{"rows.csv: it has no clock"}},
		"half.csv":     {codes.DataLoss, "GARBLED", []string{"half.csv:3", "expected 2 cells"}},
		"back.csv":     {codes.DataLoss, "GARBLED", []string{"back.csv:3:1", "the time runs backwards"}},
		"header.csv":   {codes.DataLoss, "GARBLED", []string{"header.csv", "no data row"}},
		"blank.csv":    {codes.DataLoss, "GARBLED", []string{"blank.csv", "no sample"}},
	} {
		_, err := b.open(id)
		refused(t, err, want.code, want.reason, want.parts...)
	}
	put(t, dir, "no-clock.csv", good) // nothing is held
	b.mustOpen("no-clock.csv")
}

func TestVanishedFileIsNoUnpluggedCable(t *testing.T) {
	dir := folder(t, map[string]string{"a.csv": good, "van/recording.csv": good})
	b := newBench(t, dir, "")
	b.list()
	if err := os.Remove(filepath.Join(dir, "a.csv")); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "van", "recording.csv")); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a.csv", "van"} {
		_, err := b.open(id)
		refused(t, err, codes.Unavailable, "UNPLUGGED", id, "put it back")
	}
	if got := b.ids(); got != "" {
		t.Errorf("%q is listed", got)
	}
	put(t, dir, "a.csv", good)
	b.mustOpen("a.csv")
	_, err := b.open("never.csv")
	refused(t, err, codes.NotFound, "NO_SUCH_DEVICE")
	b.mustClose("a.csv")
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	_, err = b.open("a.csv")
	refused(t, err, codes.Unavailable, "UNPLUGGED")
	_, err = b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
	refused(t, err, codes.Unavailable, "UNPLUGGED", "the folder of the recordings")
	if strings.Contains(err.Error(), dir) {
		t.Errorf("a caller is told where the folder is: %v", err)
	}
	// Back again, as after mounting, it is used without a new configuration.
	put(t, dir, "a.csv", good)
	b.mustOpen("a.csv")
}

// Whoever removes a stick with recordings has pulled a plug.
func TestFileThatVanishesGoesOnPlaying(t *testing.T) {
	for name, text := range map[string]string{"while it plays": evenly(3000, 10*time.Millisecond), "after its end": good} {
		t.Run(name, func(t *testing.T) {
			dir := folder(t, map[string]string{"a.csv": text})
			b := newBench(t, dir, "")
			b.mustOpen("a.csv")
			l := b.feed(wants("a.csv", speedPath))
			l.untilSamples(2)
			if err := os.RemoveAll(dir); err != nil {
				t.Fatal(err)
			}
			began := time.Now()
			var err error
			for err == nil {
				err = l.take()
			}
			refused(t, err, codes.Unavailable, "UNPLUGGED", "a.csv", "put it back")
			if took := time.Since(began); took > 2*time.Second {
				t.Errorf("the feed ended after %v", took)
			}
			b.mustClose("a.csv")
		})
	}
}

func TestLinkLeadsOutOfTheFolder(t *testing.T) {
	secret := folder(t, map[string]string{"secret.csv": good, "drive/recording.csv": good, "m.json": answered})
	dir := folder(t, map[string]string{"a.csv": good, "q.csv": ambiguous, "sub/recording.csv": good})
	for name, to := range map[string]string{
		"out.csv": filepath.Join(secret, "secret.csv"), "out": filepath.Join(secret, "drive"), "up.csv": filepath.Join("..", filepath.Base(secret), "secret.csv"),
		"q.csv" + mappingSuffix: filepath.Join(secret, "m.json"), "self.csv": "self.csv", "dangling.csv": "nothing.csv",
		"in.csv": "a.csv", "in": "sub", // these stay inside
	} {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skipf("this system has no symbolic links: %v", err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "nest"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(secret, "secret.csv"), filepath.Join(dir, "nest", inFolder)); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, dir, "")
	if got := b.ids(); got != "a.csv in in.csv q.csv sub" {
		t.Errorf("%q is listed", got)
	}
	b.mustOpen("in")
	_, err := b.open("q.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "the mapping cannot be read")
	// The link is put in place after the listing.
	if err := os.Remove(filepath.Join(dir, "a.csv")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(secret, "secret.csv"), filepath.Join(dir, "a.csv")); err != nil {
		t.Fatal(err)
	}
	_, err = b.open("a.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "a.csv: it cannot be opened")
}

func TestCallerNamesAPath(t *testing.T) {
	outside := t.TempDir()
	put(t, outside, "secret.csv", good)
	dir := filepath.Join(outside, "drives")
	put(t, dir, "a.csv", good)
	put(t, dir, "deep/deeper/recording.csv", good)
	put(t, dir, ".hidden.csv", good)
	b := newBench(t, dir, "")
	for _, id := range []string{
		"../secret.csv", "..", ".", "", "/", filepath.Join(outside, "secret.csv"), "deep/deeper", "deep/../a.csv", "./a.csv", "a.csv/", ".hidden.csv", "A.CSV", "a.csv\x00", "..%2fsecret.csv", `..\secret.csv`,
	} {
		_, err := b.open(id)
		refused(t, err, codes.NotFound, "NO_SUCH_DEVICE")
		// The adapter itself holds as well, were the SDK to let one through.
		if _, err := b.adapter.Open(t.Context(), id); err == nil {
			t.Errorf("%q was opened", id)
		}
	}
}

func TestTooMuchIsReadIntoMemory(t *testing.T) {
	dir := folder(t, map[string]string{"a.csv": evenly(1000, time.Millisecond), "b.csv": good, "huge.csv": good})
	if err := os.Truncate(filepath.Join(dir, "huge.csv"), maxFileBytes+1); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, dir, "")
	_, err := b.open("huge.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "huge.csv", fmt.Sprint(maxFileBytes+1), "split the recording")
	b.adapter.hold(maxHeld - 1999)
	_, err = b.open("a.csv")
	refused(t, err, codes.FailedPrecondition, "BUSY", "a.csv: there is room for 1999 more samples", "close one")
	b.mustOpen("b.csv")
	b.adapter.hold(2000)
	_, err = b.open("a.csv")
	refused(t, err, codes.FailedPrecondition, "BUSY", "no room", "close one")
	b.mustClose("b.csv")
	b.adapter.hold(-maxHeld - 1)
	if b.adapter.held != 0 {
		t.Errorf("closed devices still hold %d samples", b.adapter.held)
	}
	b.mustOpen("a.csv")
}

func TestOpeningOutlivesItsCaller(t *testing.T) {
	dir := folder(t, map[string]string{"a.csv": evenly(200_000, time.Millisecond)})
	b := newBench(t, dir, "")
	ctx, cancel := context.WithCancel(t.Context())
	go func() { time.Sleep(5 * time.Millisecond); cancel() }()
	began := time.Now()
	if _, err := b.adapter.Open(ctx, "a.csv"); err == nil {
		t.Skip("this machine is too fast to be stopped")
	}
	if took := time.Since(began); took > 500*time.Millisecond {
		t.Errorf("opening went on for %v", took)
	}
	b.adapter.loading <- struct{}{} // another is being opened
	defer func() { <-b.adapter.loading }()
	if _, err := b.adapter.Open(ctx, "a.csv"); err == nil {
		t.Error("two were opened at once")
	}
	if _, err := b.adapter.Devices(ctx); err == nil {
		t.Error("the listing has not seen that its caller is gone")
	}
}

func TestDescriptionCannotBeUsed(t *testing.T) {
	conn, stop, err := adapter.Local(New(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer stop()
	d, err := adapterv1beta1.NewAdapterServiceClient(conn).Describe(t.Context(), &adapterv1beta1.DescribeRequest{})
	if err != nil || d.GetName() != Name || d.GetVersion() != Version || len(d.GetFeedSignals()) != 0 {
		t.Errorf("%v, %v", d, err)
	}
}
