// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
)

// fuzzSamples keeps what one input may cost small.
const fuzzSamples = 10_000

var tables = []string{
	designExample,
	"time_s,MAF\n0,1\n0,2\n1e1,3\n",
	"Time;RPM;MAF (kg/h)\n00:00:45;800;18,55\n00:00:52;;1,51E+2\n",
	"# c\nt|IAT [°F]|Speed\n2031-05-17T08:15:30Z|68 °F|55 mph\n2031-05-17T08:15:31Z|n/a|-\n",
	"RPM,RPM,\"a,\"\"b\"\n800,801,\"x\"\n",
	"Time,STFT1\n0,0.05\n100,-0.02\n",
	"\xFF\xFER\x00P\x00M\x00\n\x001\x00\n\x00",
	"a;b\n\xb0;1\n",
	"time_s,FuelStatus\n0.0000005,2\n",
}

func checkRefusal(t *testing.T, err error) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) || e.Expected == "" || e.Hint == "" || e.Line < 0 || e.Column < 0 {
		t.Fatalf("not a full refusal: %#v", err)
	}
}

func checkRecording(t *testing.T, r *Recording) {
	t.Helper()
	if len(r.Samples) == 0 || len(r.Samples) > fuzzSamples {
		t.Fatalf("%d samples", len(r.Samples))
	}
	last := Sample{}
	for i, s := range r.Samples {
		known, ok := j1979.ByPath(r.Signals[s.Signal].Path)
		low, high := known.Limits()
		if !ok || !(s.Value >= low && s.Value <= high) || s.TimeUS < last.TimeUS || i > 0 && s.TimeUS == last.TimeUS && s.Signal < last.Signal {
			t.Fatalf("sample %d: %+v after %+v, %+v", i, s, last, known)
		}
		last = s
	}
	for _, s := range r.Signals {
		if s.TimeUncertaintyUS < 0 || s.TimeUncertaintyUS > 2*maxUncertaintyUS || s.Resolution < 0 {
			t.Fatalf("%+v", s)
		}
	}
}

func FuzzReadOwn(f *testing.F) {
	for _, s := range tables {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Read(t.Context(), bytes.NewReader(data), "f", Options{MaxSamples: fuzzSamples})
		if err != nil {
			checkRefusal(t, err)
			return
		}
		checkRecording(t, r)
		var b bytes.Buffer
		if err := Write(&b, r); err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		again, err := Read(t.Context(), &b, "f", Options{MaxSamples: fuzzSamples})
		if err != nil || !reflect.DeepEqual(again.Samples, r.Samples) || again.Clock != r.Clock {
			t.Fatalf("%v: %+v reads back as %+v", err, r, again)
		}
	})
}

func FuzzPropose(f *testing.F) {
	for i, s := range tables {
		f.Add([]byte(s), byte(i))
	}
	f.Fuzz(func(t *testing.T, data []byte, choice byte) {
		p, err := Propose(t.Context(), bytes.NewReader(data), "f")
		if err != nil {
			checkRefusal(t, err)
			return
		}
		var b bytes.Buffer
		if err := p.Describe(&b); err != nil {
			t.Fatal(err)
		}
		undecided := *p.Mapping
		for i, a := range p.Ambiguities {
			if err := p.Choose(i, int(choice)%len(a.Choices)); err != nil {
				t.Fatal(err)
			}
		}
		if err := p.Mapping.Check("m"); err != nil {
			// Every column may have been left out, and nothing else may be wrong.
			if len(p.Ambiguities) == 0 || !strings.Contains(err.Error(), "without a signal") {
				t.Fatalf("%v: %+v, before %+v", err, p.Mapping, undecided)
			}
			return
		}
		r, err := Read(t.Context(), bytes.NewReader(data), "f", Options{Mapping: p.Mapping, MaxSamples: fuzzSamples})
		if err != nil {
			checkRefusal(t, err)
			if errors.Is(err, KindMissingColumn) || errors.Is(err, KindMapping) || errors.Is(err, KindNoHeader) || errors.Is(err, KindDuplicateColumn) || errors.Is(err, KindHeaderOnly) {
				t.Fatalf("the proposal does not fit its own file: %v\n%+v", err, p.Mapping)
			}
			return
		}
		checkRecording(t, r)
	})
}

func FuzzReadMapped(f *testing.F) {
	for i, s := range tables {
		f.Add([]byte(s), byte(i), byte(i/2), byte(i))
	}
	columns := []ColumnMapping{{Header: "MAF (kg/h)", Signal: "Vehicle.OBD.MAF", Unit: "kg/h"}, {Header: "RPM", Column: 2, Signal: "Vehicle.OBD.EngineSpeed"}, {Header: "Speed", Signal: "Vehicle.OBD.Speed", Unit: "mph", Decimal: ","}, {Header: "time_s", Signal: "Vehicle.OBD.RunTime"}, {Header: "MAF", Signal: "Vehicle.OBD.MAF"}, {Header: "STFT1", Signal: "Vehicle.OBD.ShortTermFuelTrim1", Unit: "fraction"}}
	f.Fuzz(func(t *testing.T, data []byte, separator, clock, encoding byte) {
		for _, c := range columns {
			m := &Mapping{Version: 1, Encoding: Encoding(encodings[int(encoding)%len(encodings)]), Separator: separators[int(separator)%len(separators)], Decimal: []string{".", ","}[separator/4%2], HeaderLine: 1 + int(encoding/64),
				Clock: ClockMapping{Format: ClockFormat(clockFormats[int(clock)%len(clockFormats)])}, Columns: []ColumnMapping{c}}
			if m.Clock.Format != ClockRows {
				m.Clock.Header = []string{"Time", "t", "time_s"}[int(clock/8)%3]
			}
			r, err := Read(t.Context(), bytes.NewReader(data), "f", Options{Mapping: m, MaxSamples: fuzzSamples})
			if err != nil {
				checkRefusal(t, err)
				continue
			}
			checkRecording(t, r)
		}
	})
}

func FuzzReadMapping(f *testing.F) {
	for _, s := range []string{
		`{"mapping_version":1,"encoding":"utf-8","separator":";","decimal":",","header_line":1,"clock":{"format":"row_order"},"columns":[{"header":"n","signal":"Vehicle.OBD.MAF","unit":"kg/h"}]}`,
		`{"mapping_version":1,"encoding":"utf-16le","separator":"\t","decimal":".","header_line":2,"data_line":4,"clock":{"header":"t","column":1,"format":"hh:mm:ss"},"columns":[{"header":"n","column":2,"signal":"Vehicle.OBD.RunTime","unit":"hh:mm:ss","decimal":","},{"header":"x","ignore":"y"}]}`,
		`{"columns":[{}]}`, `{"clock":null}`, `[`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ReadMapping(bytes.NewReader(data), "m")
		if err != nil {
			checkRefusal(t, err)
			return
		}
		var b bytes.Buffer
		if err := WriteMapping(&b, m); err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		again, err := ReadMapping(&b, "m")
		if err != nil || !reflect.DeepEqual(m, again) {
			t.Fatalf("%v: %+v reads back as %+v", err, m, again)
		}
	})
}
