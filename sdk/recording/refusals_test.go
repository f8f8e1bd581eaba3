// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const head = "time_s,EngineSpeed,MAF,IntakeTemp\n"

func TestOwnFormatRefusesWithThePlace(t *testing.T) {
	for _, c := range []struct {
		name, text string
		kind       Kind
		line, col  int
		want       string
	}{
		{"empty file", "", KindEmpty, 0, 0, "time_s"},
		{"only a mark", "\xEF\xBB\xBF", KindEmpty, 0, 0, "time_s"},
		{"only blank lines", "\n\r\n\n", KindEmpty, 0, 0, "time_s"},
		{"only a header", head, KindHeaderOnly, 0, 0, "data rows"},
		{"no sample", head + "0,,,\n1,,,\n", KindNoSamples, 0, 0, "at least one cell"},
		{"another logger's file", "Time;RPM\n0;800\n", KindNotOurs, 1, 1, "propose"},
		{"time_s not first", "MAF,time_s\n1,0\n", KindNotOurs, 1, 1, "time_s"},
		{"semicolons", "time_s;MAF\n0;1\n", KindNotOurs, 1, 1, "commas"},
		{"no signal", "time_s\n0\n", KindNoSignals, 1, 0, "at least one signal"},
		{"unknown signal", "time_s,MAFF\n0,1\n", KindUnknownSignal, 1, 2, "did you mean MAF?"},
		{"wrong case", "time_s,MAF,enginespeed\n0,1,2\n", KindUnknownSignal, 1, 3, "did you mean EngineSpeed?"},
		{"signal of another branch", "time_s,Vehicle.Cabin.Temperature\n0,1\n", KindUnknownSignal, 1, 2, "VSS path"},
		{"nothing near", "time_s,qqqqqqqqq\n0,1\n", KindUnknownSignal, 1, 2, "mapping"},
		{"separator behind the header", "time_s,MAF,\n0,1,\n", KindUnknownSignal, 1, 3, "separator at the end"},
		{"space in a header", "time_s, MAF\n0,1\n", KindUnknownSignal, 1, 2, "did you mean MAF?"},
		{"same column twice", "time_s,MAF,MAF\n0,1,2\n", KindDuplicateColumn, 1, 3, "columns 2 and 3"},
		{"short and long name of one", "time_s,MAF,Vehicle.OBD.MAF\n0,1,2\n", KindDuplicateColumn, 1, 3, "each signal once"},
		{"time twice", "time_s,time_s\n0,0\n", KindUnknownSignal, 1, 2, "time_s"},
		{"short row", head + "0,800,2.5\n", KindRagged, 2, 0, "4 cells"},
		{"long row", head + "0,800,2.5,20,\n", KindRagged, 2, 0, "4 cells"},
		{"decimal comma", head + "0,800,2,5,20\n", KindRagged, 2, 0, "got 5 cells"},
		{"text", head + "0,800,2.5,20\n1,idle,2.5,20\n", KindNumber, 3, 2, `"idle"; expected a decimal number in rpm`},
		{"NaN", head + "0,NaN,,\n", KindNumber, 2, 2, "NaN"},
		{"infinite", head + "0,,Inf,\n", KindNumber, 2, 3, "Inf"},
		{"overflow", head + "0,,1e999,\n", KindNumber, 2, 3, "1e999"},
		{"hexadecimal", head + "0,0x10,,\n", KindNumber, 2, 2, "0x10"},
		{"underscore", head + "0,1_000,,\n", KindNumber, 2, 2, "1_000"},
		{"two points", head + "0,1.2.3,,\n", KindNumber, 2, 2, "1.2.3"},
		{"lone sign", head + "0,-,,\n", KindNumber, 2, 2, `"-"`},
		{"lone point", head + "0,.,,\n", KindNumber, 2, 2, `"."`},
		{"unit in a cell", head + "0,,2.5 g/s,\n", KindNumber, 2, 3, "2.5 g/s"},
		{"space around a number", head + "0, 800,,\n", KindNumber, 2, 2, `" 800"`},
		{"blank of spaces", head + "0, ,,\n", KindNumber, 2, 2, `" "`},
		{"negative speed", head + "0,-5,,\n", KindRange, 2, 2, "0 to 16383.75 in rpm"},
		{"load of 300 %", "time_s,EngineLoad\n0,300\n", KindRange, 2, 2, "0 to 100 in percent"},
		{"negative pressure", "time_s,MAP\n0,-3\n", KindRange, 2, 2, "in kPa"},
		{"below absolute cold", head + "0,,,-40.5\n", KindRange, 2, 4, "-40 to 215 in Celsius"},
		{"half a code", "time_s,FuelStatus\n0,2.5\n", KindRange, 2, 2, "whole number"},
		{"time blank", head + ",800,,\n", KindTime, 2, 1, "seconds since the start"},
		{"time as text", head + "noon,800,,\n", KindTime, 2, 1, "noon"},
		{"time of day", head + "00:00:01,800,,\n", KindTime, 2, 1, "12.345"},
		{"time negative", head + "-1,800,,\n", KindTime, 2, 1, "0 to 100000000"},
		{"time NaN", head + "NaN,800,,\n", KindTime, 2, 1, "NaN"},
		{"time infinite", head + "1e999,800,,\n", KindTime, 2, 1, "1e999"},
		{"time since 1970", head + "1900000000,800,,\n", KindTime, 2, 1, "1900000000"},
		{"time backwards", head + "1,800,,\n0.999,800,,\n", KindTimeBackwards, 3, 1, `"0.999" after 1`},
		{"quote left open", head + "0,\"800,,\n", KindQuoting, 2, 2, "not closed"},
		{"quote inside a cell", head + "0,8\"00,,\n", KindQuoting, 2, 2, "around a whole cell"},
		{"text behind a quote", head + "0,\"800\"x,,\n", KindQuoting, 2, 2, "closing quote"},
		{"NUL", head + "0,8\x0000,,\n", KindBinary, 2, 2, "NUL"},
		{"NUL in the header", "time_s,M\x00AF\n0,1\n", KindBinary, 1, 2, "NUL"},
		{"carriage return inside", head + "0,800\r,,\n", KindBinary, 2, 2, "carriage return"},
		{"old line ends", "time_s,MAF\r0,1\r", KindBinary, 1, 2, "LF or CRLF"},
		{"invalid UTF-8", head + "0,800,\xff,\n", KindEncoding, 2, 3, "0xFF"},
		{"invalid UTF-8 in the header", "time_s,M\xe4F\n0,1\n", KindEncoding, 1, 2, "0xE4"},
		{"UTF-16, little end first", "\xFF\xFEt\x00i\x00", KindEncoding, 1, 1, "UTF-16"},
		{"UTF-16, big end first", "\xFE\xFF\x00t\x00i", KindEncoding, 1, 1, "UTF-16"},
		{"too many columns", "time_s" + strings.Repeat(",MAF", MaxColumns) + "\n", KindTooManyColumns, 1, MaxColumns + 1, "4096"},
		{"too many cells", head + "0" + strings.Repeat(",", 5000) + "\n", KindTooManyColumns, 2, MaxColumns + 1, "4096"},
		{"long line", head + "0," + strings.Repeat("8", MaxLineBytes) + ",,\n", KindLineTooLong, 2, 0, "1 MiB"},
		{"long header", strings.Repeat("x", MaxLineBytes+1), KindLineTooLong, 1, 0, "1 MiB"},
		{"too many samples", head + "0,1,2,3\n1,1,2,3\n", KindTooManySamples, 3, 3, "at most that many"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Read(t.Context(), strings.NewReader(c.text), "drive.csv", Options{MaxSamples: 4})
			checkError(t, err, "drive.csv", c.kind, c.line, c.col, c.want)
		})
	}
}

// checkError demands an *Error whose sentence has the place, the expectation and the
// hint.
func checkError(t *testing.T, err error, file string, kind Kind, line, col int, want string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) || !errors.Is(err, kind) {
		t.Fatalf("got %v, want %s", err, kind)
	}
	place := file
	if line > 0 {
		place += fmt.Sprintf(":%d", line)
	}
	if col > 0 {
		place += fmt.Sprintf(":%d", col)
	}
	message := e.Error()
	if e.Line != line || e.Column != col || !strings.HasPrefix(message, place+": ") || !strings.Contains(message, string(kind)) || !strings.Contains(message, want) {
		t.Errorf("got %q, want %s: … %s … %s", message, place, kind, want)
	}
	if e.Expected == "" || e.Hint == "" || len(message) > 1500 {
		t.Errorf("%q lacks what was expected or what to do, or is too long", message)
	}
}

func TestForeignFilesAreRefusedWithThePlace(t *testing.T) {
	m := func(change func(m *Mapping)) *Mapping {
		m := &Mapping{Version: 1, Encoding: EncodingUTF8, Separator: ";", Decimal: ",", HeaderLine: 1, Clock: ClockMapping{Header: "t", Format: ClockSeconds},
			Columns: []ColumnMapping{{Header: "n", Signal: "Vehicle.OBD.EngineSpeed"}}}
		change(m)
		return m
	}
	same := func(*Mapping) {}
	for _, c := range []struct {
		name, text string
		change     func(*Mapping)
		kind       Kind
		line, col  int
		want       string
	}{
		{"empty", "", same, KindEmpty, 0, 0, "a table"},
		{"header only", "t;n\n", same, KindHeaderOnly, 0, 0, "data rows"},
		{"column missing", "t;rpm\n0;1\n", same, KindMissingColumn, 1, 0, `a column headed "n"`},
		{"clock missing", "x;n\n0;1\n", same, KindMissingColumn, 1, 0, `a column headed "t"`},
		{"column at another place", "t;n\n0;1\n", func(m *Mapping) { m.Columns[0].Column = 1 }, KindMissingColumn, 1, 0, "in column 1"},
		{"header twice", "t;n;n\n0;1;2\n", same, KindDuplicateColumn, 1, 3, "columns 2 and 3"},
		{"header beyond the end", "t;n\n0;1\n", func(m *Mapping) { m.HeaderLine = 9 }, KindNoHeader, 9, 0, "header in line 9"},
		{"clock backwards", "t;n\n5;1\n4;1\n", same, KindTimeBackwards, 3, 1, "split the file"},
		{"clock jumps years", "t;n\n5;1\n900000000;1\n", same, KindTime, 3, 1, "three years"},
		{"mostly ragged", "t;n\n0;1;2\n0;1;2\n0;1\n", same, KindRagged, 2, 0, "2 of 3 rows"},
		{"only text", "t;n\n0;idle\n1;idle\n", same, KindNoSamples, 2, 2, `2 times "not a number"`},
		{"no time anywhere", "t;n\nx;1\ny;1\n", same, KindNoSamples, 2, 0, "row without a time"},
		{"NUL", "t;n\n0;\x00\n", same, KindBinary, 2, 2, "NUL"},
		{"not UTF-8", "t;n\n0;\xb0\n", same, KindEncoding, 2, 2, "0xB0"},
		{"half a character", "t\x00;\x00n\x00\n\x000\x00;\x001\x00\n", func(m *Mapping) { m.Encoding = EncodingUTF16LE }, KindEncoding, 2, 0, "half a character"},
		{"half a surrogate pair", "t\x00;\x00n\x00\n\x00\x00\xd80\x00", func(m *Mapping) { m.Encoding = EncodingUTF16LE }, KindEncoding, 2, 0, "surrogate"},
		{"quote left open", "t;n\n0;\"1\n", same, KindQuoting, 2, 2, "not closed"},
		{"two signals for a column", "t;n\n0;1\n", func(m *Mapping) {
			m.Columns = append(m.Columns, ColumnMapping{Header: "n", Column: 2, Signal: "Vehicle.OBD.MAF"})
		}, KindMapping, 1, 2, "two signals"},
		{"too many samples", "t;n\n0;1\n1;1\n2;1\n", same, KindTooManySamples, 4, 2, "more than 2"},
		{"long line", "t;n\n" + strings.Repeat("8", MaxLineBytes+2), same, KindLineTooLong, 2, 0, "1 MiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Read(t.Context(), strings.NewReader(c.text), "log.csv", Options{Mapping: m(c.change), MaxSamples: 2})
			checkError(t, err, "log.csv", c.kind, c.line, c.col, c.want)
		})
	}
}

func TestProposalsAreRefusedWithThePlace(t *testing.T) {
	for _, c := range []struct {
		name, text string
		kind       Kind
		line       int
		want       string
	}{
		{"empty", "", KindEmpty, 0, "a table"},
		{"blank", " \n\n", KindEmpty, 0, "a table"},
		{"prose", "This is a letter.\nIt goes on.\n", KindNoHeader, 1, "rows of numbers"},
		{"no header", "1,2,3\n4,5,6\n", KindNoHeader, 1, "names of the columns"},
		{"header only", "\nTime,RPM\n", KindHeaderOnly, 2, "rows of numbers"},
		{"no known header", "foo,bar\n1,2\n", KindNoSignals, 1, `"foo", "bar"`},
		{"binary", "RPM\x00\x01\x02,4\n", KindBinary, 1, "NUL"},
		{"decimal commas between commas", "Time,RPM,MAF\n0,5,812,2,4\n1,5,813,2,5\n", KindRagged, 2, "decimal commas"},
		{"gigantic first line", strings.Repeat("x", headBytes+1), KindLineTooLong, 1, "1 MiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Propose(t.Context(), strings.NewReader(c.text), "log.csv")
			checkError(t, err, "log.csv", c.kind, c.line, 0, c.want)
		})
	}
}

func TestOpenSaysWhyAFileCannotBe(t *testing.T) {
	dir := t.TempDir()
	for _, path := range []string{dir, filepath.Join(dir, "missing.csv"), os.DevNull} {
		_, err := Open(t.Context(), path, Options{})
		checkError(t, err, path, KindUnreadable, 0, 0, "expected a")
	}
	secret := filepath.Join(dir, "secret.csv")
	if err := os.WriteFile(secret, nil, 0); err != nil {
		t.Fatal(err)
	}
	if os.Getuid() != 0 {
		_, err := Open(t.Context(), secret, Options{})
		checkError(t, err, secret, KindUnreadable, 0, 0, "permissions")
	}
}

// brokenReader fails after some bytes.
type brokenReader struct{ r io.Reader }

var errUnplugged = errors.New("unplugged")

func (b brokenReader) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	if err == io.EOF {
		err = errUnplugged
	}
	return n, err
}

func TestAFailingReaderIsNotTheEndOfTheFile(t *testing.T) {
	for _, text := range []string{"", "ti", head, head + "0,1,2,3\n1,"} {
		_, err := Read(t.Context(), brokenReader{strings.NewReader(text)}, "drive.csv", Options{})
		if !errors.Is(err, errUnplugged) || !errors.Is(err, KindUnreadable) {
			t.Errorf("after %q: %v", text, err)
		}
		if _, err := Propose(t.Context(), brokenReader{strings.NewReader(text)}, "drive.csv"); !errors.Is(err, errUnplugged) {
			t.Errorf("proposing after %q: %v", text, err)
		}
	}
}
