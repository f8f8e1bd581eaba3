// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

// codings are all the ways in which a control unit may write numbers.
func codings() []Coding {
	var out []Coding
	for _, dialect := range []Dialect{Classic, UDS} {
		for _, scaling := range []Scaling{{}, {4, 12, 0.2, 400, 1300}} {
			for _, four := range []bool{false, true} {
				out = append(out, Coding{dialect, scaling, four})
			}
		}
	}
	return out
}

// What is written is read again as the nearest value that the bytes can express.
func TestEncodingIsUndoneByDecoding(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, c := range codings() {
		for pid := range 256 {
			ids := SignalsOf(byte(pid))
			if len(ids) == 0 {
				continue
			}
			for range 50 {
				given := map[ID]float64{}
				for _, id := range ids {
					if s := id.Signal(); random.IntN(4) > 0 {
						given[id] = s.Min + (s.Max-s.Min)*random.Float64()
					}
				}
				checkRoundTrip(t, &c, byte(pid), given)
			}
		}
	}
}

func checkRoundTrip(t *testing.T, c *Coding, pid byte, given map[ID]float64) {
	t.Helper()
	answer, ok := c.AppendParameter(c.BeginAnswer(nil), pid, func(id ID) (float64, bool) { v, ok := given[id]; return v, ok })
	if !ok {
		return
	}
	values, err := c.Decode(nil, []byte{pid}, answer)
	if err != nil {
		t.Fatalf("%+v: % X: %v", c, answer, err)
	}
	p := &parameters[pid]
	got := map[ID]float64{}
	for _, v := range values {
		got[v.Signal] = v.Value
		if _, ok := given[v.Signal]; !ok && p.support {
			t.Errorf("%+v: % X has %s, which was not given", c, answer, v.Signal)
		}
	}
	for i := range p.fields {
		f := &p.fields[i]
		v, wanted := given[f.id]
		back, ok := got[f.id]
		if !wanted || f.second && !c.FourBanks {
			continue
		}
		_, num, den := c.formula(f)
		zero, _, _ := c.formula(f)
		step := num / den
		low, high := zero, zero+float64(f.mask)*step
		if f.signed {
			low, high = zero-float64(f.mask/2+1)*step, zero+float64(f.mask/2)*step
		}
		if f.unused != 0 {
			high -= step
		}
		want := math.Min(math.Max(v, low), high)
		if !ok || math.Abs(back-want) > 0.5000001*step {
			t.Errorf("%+v: %s = %v is written % X and read %v, want within half of %v", c, f.id, v, answer, back, step)
		}
	}
}

// Raw numbers come back as themselves.
func TestDecodingIsUndoneByEncoding(t *testing.T) {
	for _, c := range codings() {
		for pid := range 256 {
			for i := range parameters[pid].fields {
				f := &parameters[pid].fields[i]
				for raw := 0; raw <= int(f.mask); raw += 1 + int(f.mask)/4096 {
					if f.unused != 0 && raw == int(f.unused) {
						continue
					}
					data := make([]byte, 16)
					f.write(data, raw)
					back := f.read(data)
					zero, num, den := c.formula(f)
					if again := c.raw(f, zero+float64(back)*num/den); again != back {
						t.Fatalf("%+v: raw %d of %s comes back as %d", c, back, f.id, again)
					}
				}
			}
		}
	}
}

func TestExtremeValuesStayInRange(t *testing.T) {
	var c Coding
	for _, tc := range []struct {
		pid   byte
		value float64
		want  string
	}{
		{0x0F, math.NaN(), "0F 00"},
		{0x0F, math.Inf(1), "0F FF"},
		{0x0F, -400, "0F 00"},
		{0x10, 1e9, "10 FFFF"},
		{0x10, -3, "10 00 00"},
		{0x14, 200, "14 FF FE"},
		{0x01, 200, "01 7F 00 00 00"},
		{0x66, 89.6, "66 03 0B 33 0B 33"},
		{0x70, 100, "70 1B 0C 80 0C 80 0C 80 0C 80 00"},
	} {
		got, ok := c.AppendParameter(nil, tc.pid, func(ID) (float64, bool) { return tc.value, true })
		if !ok || !bytes.Equal(got, payload(t, tc.want)) {
			t.Errorf("%02X of %v: got % X, want %s", tc.pid, tc.value, got, tc.want)
		}
	}
	if got, ok := c.AppendParameter([]byte{1}, 0x10, func(ID) (float64, bool) { return 0, false }); ok || len(got) != 1 {
		t.Errorf("a parameter without a value became % X", got)
	}
}

func TestEncodingAllocatesNothing(t *testing.T) {
	c, dst := Coding{}, make([]byte, 0, 64)
	value := func(ID) (float64, bool) { return 12, true }
	if n := testing.AllocsPerRun(100, func() {
		out := c.BeginAnswer(dst)
		for _, pid := range []byte{0x0C, 0x10, 0x66} {
			out, _ = c.AppendParameter(out, pid, value)
		}
	}); n > 0 {
		t.Errorf("%v allocations for an answer", n)
	}
}

func TestRequestsAreReadAsTheyWereWritten(t *testing.T) {
	for _, d := range []Dialect{Classic, UDS} {
		for _, pids := range [][]byte{{0}, {0x0C}, {0x66}, {0x0C, 0x10, 4, 0x0B, 0x11, 0x0F}} {
			request, err := d.AppendRequest(nil, pids...)
			if err != nil {
				t.Fatal(err)
			}
			if err := CheckReadOnly(request); err != nil {
				t.Errorf("% X: %v", request, err)
			}
			if got, err := d.ReadRequest(nil, request); err != nil || string(got) != string(pids) {
				t.Errorf("% X: read % X, %v, want % X", request, got, err, pids)
			}
		}
	}
	for _, pids := range [][]byte{nil, {1, 2, 3, 4, 5, 6, 7}, {0x0C, 0x66}, {0x0C, 0x0C}} {
		if got, err := Classic.AppendRequest([]byte{9}, pids...); err == nil || len(got) != 1 {
			t.Errorf("% X: a request % X was made", pids, got)
		}
	}
	for d, bad := range map[Dialect][]string{Classic: {"", "01", "02 0C 00", "01 01020304050607"}, UDS: {"22", "22 F4", "22 F40C F5", "22 F50C", "01 0C"}} {
		for _, s := range bad {
			if got, err := d.ReadRequest(nil, payload(t, s)); err == nil {
				t.Errorf("%s was read as % X", s, got)
			}
		}
	}
}

func FuzzReadRequest(f *testing.F) {
	f.Add([]byte{0x01, 0x0C, 0x10}, false)
	f.Add([]byte{0x22, 0xF4, 0x0C}, true)
	f.Fuzz(func(t *testing.T, request []byte, uds bool) {
		d := Classic
		if uds {
			d = UDS
		}
		pids, err := d.ReadRequest(nil, request)
		if err == nil && (len(pids) == 0 || len(pids) > d.MaxParameters()) {
			t.Errorf("% X asks for %d parameters", request, len(pids))
		}
	})
}
