// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/internal/realdata"
)

const designExample = `time_s,EngineSpeed,MAF,EngineLoad,IntakeTemp,CoolantTemperature
0.000,812.25,,,,
0.031,,3.42,,,
0.062,,,22.7,,
0.094,,,,31,
0.125,,,,,88
`

func readText(t testing.TB, text string, m *Mapping) *Recording {
	t.Helper()
	r, err := Read(t.Context(), strings.NewReader(text), "drive.csv", Options{Mapping: m})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestOwnFormatKeepsEveryValueAtItsOwnTime(t *testing.T) {
	for _, text := range []string{
		designExample,
		"\xEF\xBB\xBF" + strings.ReplaceAll(designExample, "\n", "\r\n"),
		strings.TrimSuffix(strings.Replace(designExample, "EngineSpeed", `"Vehicle.OBD.EngineSpeed"`, 1), "\n"),
		strings.Replace(designExample, ",22.7,", `,"22.7",`, 1) + "\n\n",
	} {
		r := readText(t, text, nil)
		want := []Sample{{0, 0, 812.25}, {31000, 1, 3.42}, {62000, 2, 22.7}, {94000, 3, 31}, {125000, 4, 88}}
		if !reflect.DeepEqual(r.Samples, want) || r.Rows != 5 || r.Clock != ClockHost || len(r.Skipped) != 0 {
			t.Errorf("%+v", r)
		}
		if s := r.Signals[4]; s.Path != "Vehicle.OBD.CoolantTemperature" || s.Unit != "Celsius" || s.Resolution != 1 || s.TimeUncertaintyUS != 15500 {
			t.Errorf("%+v", s)
		}
	}
}

func TestSamplesOfOneTimeAreOrderedBySignalThenByRow(t *testing.T) {
	r := readText(t, "time_s,MAF,MAP\n0.5,,50\n0.5,2,51\n0.5,3,\n1.5,4,60\n", nil)
	want := []Sample{{500000, 0, 2}, {500000, 0, 3}, {500000, 1, 50}, {500000, 1, 51}, {1500000, 0, 4}, {1500000, 1, 60}}
	if !reflect.DeepEqual(r.Samples, want) {
		t.Errorf("%v", r.Samples)
	}
}

func TestTimesAreRoundedToMicroseconds(t *testing.T) {
	for text, want := range map[string]int64{
		"0": 0, "1": 1e6, "1.5": 1.5e6, "0.0000004": 0, "0.0000005": 1, "0.9999995": 1e6, "12.3456785": 12345679,
		".5": 500000, "1.": 1e6, "1e-3": 1000, "2.5E1": 25e6, "100000000": 1e14, "0001.25": 1250000, "0.1234564999999": 123456,
	} {
		if us, _, ok := parseSeconds([]byte(text), '.'); !ok || us != want {
			t.Errorf("%s: %d %v, want %d", text, us, ok, want)
		}
	}
	for _, text := range []string{"", ".", "-1", "+1", "1e9", "100000000.1", "1..2", "1.2.3", "1,5", "x", "1e", "99999999999999999999999"} {
		if us, _, ok := parseSeconds([]byte(text), '.'); ok && text != "+1" {
			t.Errorf("%q: %d", text, us)
		}
	}
}

func TestNumbersAreRoundedCorrectly(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 100_000 {
		v := math.Ldexp(random.Float64()-0.5, random.IntN(120)-60)
		format := []byte("feg")[random.IntN(3)]
		text := strconv.FormatFloat(v, format, random.IntN(19)-1, 64)
		want, _ := strconv.ParseFloat(text, 64)
		got, ok := parseNumber([]byte(text), '.')
		if !ok || got.value != want {
			t.Fatalf("%s: got %v %v", text, got, ok)
		}
		if comma, ok := parseNumber([]byte(strings.Replace(text, ".", ",", 1)), ','); !ok || comma != got {
			t.Fatalf("%s with a comma: got %v %v", text, comma, ok)
		}
	}
	for text, decimals := range map[string]int{"1.50": 1, "1.00": 0, "15": 0, "1.51E+12": -10, "2e-3": 3, "0.001": 3, "1.2345678901234567": 16} {
		if n, ok := parseNumber([]byte(text), '.'); !ok || n.decimals != decimals {
			t.Errorf("%s: %+v", text, n)
		}
	}
}

func TestTimeUncertaintyComesFromTheRows(t *testing.T) {
	full := func(step float64) string {
		var b strings.Builder
		b.WriteString("time_s,MAF,MAP\n")
		for i := range 50 {
			fmt.Fprintf(&b, "%.3f,3,40\n", float64(i)*step)
		}
		return b.String()
	}
	for name, c := range map[string]struct {
		text  string
		clock ClockKind
		want  int64
	}{
		"full rows, half of the row":               {full(4.002), ClockHost, 2_001_000},
		"whole seconds add half a second":          {strings.ReplaceAll(full(4), ".000", ""), ClockWholeSecond, 2_500_000},
		"pauses are capped":                        {full(60), ClockHost, maxUncertaintyUS},
		"single values, half of the time before":   {"time_s,MAF,MAP\n0.0,1,\n0.1,,40\n0.2,1,\n0.3,,40\n9.3,1,\n9.4,,40\n9.5,1,\n", ClockHost, 50_000},
		"a row alone tells nothing":                {"time_s,MAF\n0.0,1\n", ClockHost, 0},
		"shared stamps add half of a stamp's step": {"time_s,MAF,MAP\n0,1,40\n0,1,40\n2,1,40\n2,1,40\n4,1,40\n4,1,40\n", ClockWholeSecond, 400_000 + 1_000_000},
	} {
		r := readText(t, c.text, nil)
		if r.Clock != c.clock || r.Signals[0].TimeUncertaintyUS != c.want {
			t.Errorf("%s: %v, %d µs, want %d", name, r.Clock, r.Signals[0].TimeUncertaintyUS, c.want)
		}
	}
}

func TestResolutionIsWhatTheDigitsShow(t *testing.T) {
	column := func(header string, values ...string) string {
		var b strings.Builder
		fmt.Fprintf(&b, "time_s,%s\n", header)
		for i := range 30 {
			fmt.Fprintf(&b, "%d.5,%s\n", i, values[i%len(values)])
		}
		return b.String()
	}
	for name, c := range map[string]struct {
		text string
		want float64
	}{
		"the parameter's step":            {column("EngineLoad", "38.8", "39.2", "100"), 100.0 / 255},
		"finer than the parameter":        {column("MAF", "8.544", "8.441"), 0.001},
		"rounded by the logger":           {column("EngineSpeed", "800", "813", "900"), 1},
		"a constant tells nothing":        {column("CommandedEquivalenceRatio", "1"), 2.0 / 65535},
		"single precision on the grid":    {column("LongTermFuelTrim1", "-0.781250", "17.968750", "3.1249998"), 0.78125},
		"computed values tell nothing":    {column("MAF", "0.30000000000000004", "0.7"), 0},
		"no parameter, digits as written": {column("Vehicle.Exterior.AirPressure", "1013.2", "1012.8"), 0.1},
	} {
		if got := readText(t, c.text, nil).Signals[0].Resolution; math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// randomRecording makes a recording as Read would return it.
func randomRecording(random *rand.Rand) *Recording {
	all := j1979.Signals()
	random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	r := &Recording{Clock: []ClockKind{ClockHost, ClockWholeSecond}[random.IntN(2)]}
	for _, s := range all[:1+random.IntN(12)] {
		r.Signals = append(r.Signals, Signal{Path: s.Path, Unit: s.Unit})
	}
	us := int64(random.IntN(3)) * 1e6
	for range 1 + random.IntN(200) {
		for i := range r.Signals {
			for range random.IntN(3) * random.IntN(2) {
				r.Samples = append(r.Samples, Sample{us, int32(i), randomValue(random, all[i])})
			}
		}
		us += int64(random.IntN(3)) * 1e6
		if r.Clock == ClockHost {
			us += int64(random.IntN(2_000_000))
		}
	}
	if len(r.Samples) == 0 {
		r.Samples = []Sample{{0, 0, randomValue(random, all[0])}}
	}
	return r
}

func randomValue(random *rand.Rand, s j1979.Signal) float64 {
	v := s.Min + random.Float64()*(s.Max-s.Min)
	if s.Code {
		return math.Trunc(v)
	}
	if random.IntN(2) == 0 && s.Step > 0 {
		return s.Min + s.Step*math.Round((v-s.Min)/s.Step)
	}
	return v
}

func TestWhatIsWrittenReadsBack(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 500 {
		x := randomRecording(random)
		// Samples of one time may come in any number of groups; order them as Read does.
		var again sorter
		for from := 0; from < len(x.Samples); {
			to := from
			for to < len(x.Samples) && x.Samples[to].TimeUS == x.Samples[from].TimeUS {
				to++
			}
			again.sort(x.Samples[from:to], len(x.Signals))
			from = to
		}
		var first, second bytes.Buffer
		if err := Write(&first, x); err != nil {
			t.Fatal(err)
		}
		y := readText(t, first.String(), nil)
		if !reflect.DeepEqual(x.Samples, y.Samples) || y.Clock != x.Clock && len(x.Samples) > 1 {
			t.Fatalf("got %v %v, want %v %v from\n%s", y.Clock, y.Samples, x.Clock, x.Samples, first.String())
		}
		if err := Write(&second, y); err != nil || first.String() != second.String() {
			t.Fatalf("written again: %v\n%s\n%s", err, first.String(), second.String())
		}
		y.Rows = 0
		z := readText(t, second.String(), nil)
		z.Rows = 0
		if !reflect.DeepEqual(y, z) {
			t.Fatalf("got %+v, want %+v", z, y)
		}
	}
}

func TestWriteRefusesWhatTheTextCannotHold(t *testing.T) {
	good := func() *Recording {
		return &Recording{Clock: ClockHost, Signals: []Signal{{Path: "Vehicle.OBD.MAF", Unit: "g/s"}, {Path: "Vehicle.OBD.FuelStatus"}}, Samples: []Sample{{0, 0, 1}, {0, 1, 2}, {5, 0, 3}}}
	}
	if err := Write(io.Discard, good()); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(r *Recording){
		"order of rows":        func(r *Recording) { r.Clock = ClockRowOrder },
		"fraction of a second": func(r *Recording) { r.Clock = ClockWholeSecond },
		"no signal":            func(r *Recording) { r.Signals = nil },
		"no sample":            func(r *Recording) { r.Samples = nil },
		"unknown signal":       func(r *Recording) { r.Signals[0].Path = "Vehicle.OBD.Nothing" },
		"short name":           func(r *Recording) { r.Signals[0].Path = "MAF" },
		"foreign unit":         func(r *Recording) { r.Signals[0].Unit = "kg/h" },
		"signal twice":         func(r *Recording) { r.Signals[1] = r.Signals[0] },
		"index beyond":         func(r *Recording) { r.Samples[0].Signal = 2 },
		"index negative":       func(r *Recording) { r.Samples[0].Signal = -1 },
		"time negative":        func(r *Recording) { r.Samples[0].TimeUS = -1 },
		"time backwards":       func(r *Recording) { r.Samples[1].TimeUS = 6 },
		"signals out of order": func(r *Recording) { r.Samples[0].Signal = 1; r.Samples[1].Signal = 0 },
		"time too late":        func(r *Recording) { r.Samples[2].TimeUS = MaxTimeS*1e6 + 1 },
		"NaN":                  func(r *Recording) { r.Samples[2].Value = math.NaN() },
		"infinite":             func(r *Recording) { r.Samples[2].Value = math.Inf(1) },
		"out of range":         func(r *Recording) { r.Samples[2].Value = -1 },
		"half a code":          func(r *Recording) { r.Samples[1].Value = 2.5 },
	} {
		r := good()
		spoil(r)
		var b bytes.Buffer
		err := Write(&b, r)
		var e *Error
		if !errors.As(err, &e) || !errors.Is(err, KindNotWritable) || e.Expected == "" || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes", name, err, b.Len())
		}
	}
}

// endless yields one line without an end.
type endless struct{ left int }

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	n := min(len(p), e.left)
	for i := range n {
		p[i] = '8'
	}
	e.left -= n
	return n, nil
}

func TestAGigabyteLineNeedsLittleMemory(t *testing.T) {
	const gigabyte = 1 << 30
	m := &Mapping{Version: 1, Encoding: EncodingUTF16LE, Separator: ",", Decimal: ".", HeaderLine: 3, Clock: ClockMapping{Format: ClockRows}, Columns: []ColumnMapping{{Header: "x", Signal: "Vehicle.OBD.MAF"}}}
	for name, read := range map[string]func(r io.Reader) error{
		"own, header": func(r io.Reader) error { _, err := Read(context.Background(), r, "big", Options{}); return err },
		"own, row": func(r io.Reader) error {
			_, err := Read(context.Background(), io.MultiReader(strings.NewReader(head+"0,"), r), "big", Options{})
			return err
		},
		"mapped": func(r io.Reader) error {
			_, err := Read(context.Background(), r, "big", Options{Mapping: m})
			return err
		},
		"propose": func(r io.Reader) error { _, err := Propose(context.Background(), r, "big"); return err },
		"propose, row": func(r io.Reader) error {
			_, err := Propose(context.Background(), io.MultiReader(strings.NewReader("Time,RPM\n0,1\n0,"), r), "big")
			return err
		},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		err := read(&endless{gigabyte})
		runtime.ReadMemStats(&after)
		if !errors.Is(err, KindLineTooLong) {
			t.Errorf("%s: %v", name, err)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 32<<20 {
			t.Errorf("%s allocated %d MiB", name, used>>20)
		}
	}
}

func TestReadingStopsWithTheContext(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(errUnplugged)
	if _, err := Read(ctx, strings.NewReader(designExample), "drive.csv", Options{}); !errors.Is(err, errUnplugged) {
		t.Error(err)
	}
	if _, err := Propose(ctx, strings.NewReader(designExample), "drive.csv"); !errors.Is(err, errUnplugged) {
		t.Error(err)
	}
}

func TestBenchRecordings(t *testing.T) {
	for name, c := range map[string]struct{ rows, samples int }{
		"r3a-bench-nominal.csv":           {1735, 13880},
		"r3b-bench-meter-gain-090.csv":    {1644, 13152},
		"r3c-bench-manifold-leak-6mm.csv": {1658, 13264},
	} {
		r, err := Read(t.Context(), realdata.Open(t, name), name, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Rows != c.rows || len(r.Samples) != c.samples || r.Clock != ClockHost || r.Signals[1].Path != "Vehicle.OBD.MAF" || r.Signals[1].Resolution != 0.001 {
			t.Errorf("%s: %d rows, %d samples, %v, %+v", name, r.Rows, len(r.Samples), r.Clock, r.Signals[1])
		}
		if u := r.Signals[1].TimeUncertaintyUS; u < 24_000 || u > 26_000 {
			t.Errorf("%s: half of the shortest row is 25 ms, got %d µs", name, u)
		}
	}
}

// drive is a long recording as an adapter writes it: one value a row.
func drive(rows, perRow int) []byte {
	var b bytes.Buffer
	b.WriteString("time_s,EngineSpeed,MAF,MAP,EngineLoad,IntakeTemp,CoolantTemperature,ShortTermFuelTrim1,LongTermFuelTrim1\n")
	values := []string{"2412.25", "31.47", "64", "48.627", "31", "88", "-1.5625", "3.125"}
	for i := range rows {
		fmt.Fprintf(&b, "%.3f", float64(i)*0.031)
		for k, v := range values {
			b.WriteByte(',')
			if (k-i*perRow%8+8)%8 < perRow {
				b.WriteString(v)
			}
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

func BenchmarkRead(b *testing.B) {
	mapping := &Mapping{Version: 1, Encoding: EncodingUTF8, Separator: ",", Decimal: ".", HeaderLine: 1, Clock: ClockMapping{Header: "time_s", Format: ClockSeconds}}
	for _, n := range []string{"EngineSpeed", "MAF", "MAP", "EngineLoad", "IntakeTemp", "CoolantTemperature", "ShortTermFuelTrim1", "LongTermFuelTrim1"} {
		mapping.Columns = append(mapping.Columns, ColumnMapping{Header: n, Signal: j1979.Prefix + n})
	}
	for _, c := range []struct {
		name   string
		perRow int
		m      *Mapping
	}{{"own/1 a row", 1, nil}, {"own/8 a row", 8, nil}, {"mapped/8 a row", 8, mapping}} {
		b.Run(c.name, func(b *testing.B) {
			data := drive(100_000, c.perRow)
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			samples := 0
			for b.Loop() {
				r, err := Read(b.Context(), bytes.NewReader(data), "drive.csv", Options{Mapping: c.m})
				if err != nil {
					b.Fatal(err)
				}
				samples = len(r.Samples)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(samples), "ns/sample")
		})
	}
}

func BenchmarkPropose(b *testing.B) {
	data := drive(100_000, 8)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := Propose(b.Context(), bytes.NewReader(data), "drive.csv"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	data := drive(100_000, 8)
	r := readText(b, string(data), nil)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if err := Write(io.Discard, r); err != nil {
			b.Fatal(err)
		}
	}
}

func TestOurFormatIsKnownByItsFirstColumn(t *testing.T) {
	for text, want := range map[string]bool{
		designExample: true, "\xEF\xBB\xBF" + designExample: true, "\xEF\xBB\xBF\"time_s\",MAF\n": true, "time_s": true, "time_s\r\n": true, "\"time_s\",MAF": true,
		"": false, "time": false, "time_s;MAF\n": false, "time_ss,MAF\n": false, "Time,RPM\n": false, "\xFF\xFEt\x00": false,
	} {
		r := strings.NewReader(text)
		if got, err := IsOurs(r); got != want || err != nil || r.Len() != len(text) {
			t.Errorf("%q: %v %v, %d of %d bytes left", text, got, err, r.Len(), len(text))
		}
	}
}
