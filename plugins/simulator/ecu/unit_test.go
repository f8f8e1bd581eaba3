// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"bytes"
	"encoding/hex"
	"math"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
)

// noon is when every drive of these tests begins.
var noon = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)

func named(name string) *scenario.Prepared {
	c, err := scenario.Named(name)
	if err != nil {
		panic(err)
	}
	return c.Prepare()
}

var healthy = sync.OnceValue(func() *scenario.Prepared { return named("healthy") })

// fresh is the healthy vehicle at the start of a drive, its codes cleared.
func fresh(o Options) *Vehicle {
	o.Cleared = true
	v := NewVehicle(healthy(), o)
	v.Start(noon)
	return v
}

func payload(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// ask puts a request to a unit some time into the drive and gives the one answer, "" for none.
func ask(t testing.TB, u *Unit, after time.Duration, request string, functional bool) string {
	t.Helper()
	replies := u.Handle(noon.Add(after), payload(t, request), functional)
	switch len(replies) {
	case 0:
		return ""
	case 1:
		return hex.EncodeToString(replies[0].Payload)
	}
	t.Fatalf("%s: %d answers", request, len(replies))
	return ""
}

// supported reads the bitmaps that a service gives.
func supported(t *testing.T, u *Unit, service string) (s j1979.Support) {
	t.Helper()
	for base := 0; ; {
		answer := payload(t, ask(t, u, 0, service+hex.EncodeToString([]byte{byte(base)}), false))
		s.SetBitmap(byte(base), [4]byte(answer[len(answer)-4:]))
		next, ok := s.Next(byte(base))
		if !ok {
			return s
		}
		base = int(next)
	}
}

func TestBitmapsNameExactlyWhatIsAnswered(t *testing.T) {
	v := NewVehicle(named("leak"), Options{Dialect: Both, ScaledMAF: 30, ScaledMAP: 26})
	v.Start(noon)
	for _, u := range v.Units() {
		for _, service := range []string{"01", "06", "09", "22f4", "22f6", "22f8"} {
			if u.engine || service[1] != '6' && service != "22f6" {
				have := supported(t, u, service)
				for id := range 256 {
					if isBitmap(byte(id)) {
						continue
					}
					got := ask(t, u, 0, service+hex.EncodeToString([]byte{byte(id)}), false)
					if answered := got[:2] != "7f"; answered != have.Has(byte(id)) {
						t.Errorf("%s: %s %02X gives %s, and the bitmap says %v", u.Name(), service, id, got, have.Has(byte(id)))
					}
				}
			}
		}
	}
	have := supported(t, v.Units()[0], "01")
	if got := slices.Collect(have.All()); !slices.Equal(got, v.Fitted()) {
		t.Errorf("the bitmaps name % X, fitted is % X", got, v.Fitted())
	}
}

// What the answers say, read by the codec, must be what the drive shows, to half a step of each parameter.
func TestAnswersSayWhatTheDriveShows(t *testing.T) {
	for _, o := range []Options{{}, {ScaledMAF: 30, ScaledMAP: 26}, {Dialect: UDS}} {
		o.Refresh = time.Millisecond // as quick as the drive
		v := fresh(o)
		u := v.Units()[0]
		drive := healthy().Start()
		drive.Step()
		coding := o.coding()
		if o.Dialect == UDS {
			coding.Dialect = j1979.UDS
		}
		for _, second := range []float64{5, 30, 200} {
			for drive.Now() < second {
				drive.Step()
			}
			for _, s := range healthy().Case.Signals {
				id, _ := j1979.FindID(s.Define().Path)
				request, err := coding.Dialect.AppendRequest(nil, id.Signal().PID)
				if err != nil {
					t.Fatal(err)
				}
				answer := payload(t, ask(t, u, time.Duration(second*float64(time.Second)), hex.EncodeToString(request), true))
				values, err := coding.Decode(nil, []byte{id.Signal().PID}, answer)
				if err != nil {
					t.Fatalf("% X: %v", answer, err)
				}
				at := slices.IndexFunc(values, func(x j1979.Value) bool { return x.Signal == id })
				if want := drive.Value(s); at < 0 || math.Abs(values[at].Value-s.Quantise(want)) > s.Define().Step*1.01+0.02*math.Abs(want)*float64(o.ScaledMAP)/26 {
					t.Errorf("at %v s %v: % X says %v, the drive shows %v", second, id, answer, values, want)
				}
			}
		}
	}
}

func TestValuesAreHeldBetweenRefreshes(t *testing.T) {
	const refresh = 250 * time.Millisecond
	v := fresh(Options{RefreshOf: map[byte]time.Duration{0x10: refresh, 0x0C: time.Millisecond}})
	u := v.Units()[0]
	changes := map[string][]time.Duration{}
	last := map[string]string{}
	for at := 20 * time.Second; at < 30*time.Second; at += 10 * time.Millisecond {
		for _, request := range []string{"0110", "010c"} {
			if now := ask(t, u, at, request, true); now != last[request] {
				changes[request], last[request] = append(changes[request], at), now
			}
		}
	}
	if n := len(changes["010c"]); n < 500 {
		t.Errorf("engine speed has changed %d times in 10 s, want about a thousand", n)
	}
	maf := changes["0110"]
	for i := 2; i < len(maf); i++ {
		if d := maf[i] - maf[i-1]; d < refresh-20*time.Millisecond {
			t.Errorf("air flow changed after %v, refreshed each %v", d, refresh)
		}
	}
	if n := len(maf); n < 30 || n > 41 {
		t.Errorf("air flow has changed %d times in 10 s, refreshed each %v", n, refresh)
	}
	if d, ok := v.RefreshOf(0x10); d != refresh || !ok {
		t.Errorf("the refresh is told as %v, %v", d, ok)
	}
}

func TestLatencyIsFixedPlusJitter(t *testing.T) {
	u := fresh(Options{Latency: 5 * time.Millisecond, Jitter: 20 * time.Millisecond}).Units()[0]
	least, longest := time.Hour, time.Duration(0)
	for range 500 {
		after := u.Handle(noon, []byte{1, 0x0C}, true)[0].After
		least, longest = min(least, after), max(longest, after)
	}
	if least < 5*time.Millisecond || least > 6*time.Millisecond || longest > 25*time.Millisecond || longest < 24*time.Millisecond {
		t.Errorf("latencies of %v to %v, want 5 to 25 ms", least, longest)
	}
}

func TestRefusalsAreThoseOfTheStandards(t *testing.T) {
	classic, uds := fresh(Options{}), fresh(Options{Dialect: UDS})
	for _, tc := range []struct {
		v                              *Vehicle
		request, physical, functional_ string
	}{
		{classic, "01", "7f0113", ""},
		{classic, "01aa", "7f0112", ""},
		{classic, "01aaab", "7f0112", ""},
		{classic, "0101010101010101", "7f0113", ""},
		{classic, "0300", "7f0313", ""},
		{classic, "0500", "7f0511", ""},
		{classic, "0902aa", "7f0913", ""},
		{classic, "0955", "7f0912", ""},
		{classic, "22f40c", "7f2211", ""},
		{classic, "1902ff", "7f1911", ""},
		{classic, "2300", "7f2311", ""},
		{classic, "ba", "7fba11", ""},
		{classic, "04", "7f0433", "7f0433"},
		{classic, "1001", "5001003201f4", "5001003201f4"},
		{classic, "1081", "", ""},
		{classic, "1003", "7f1033", "7f1033"},
		{classic, "1044", "7f1012", ""},
		{classic, "10", "7f1013", "7f1013"},
		{classic, "3e00", "7e00", "7e00"},
		{classic, "3e80", "", ""},
		{classic, "3e01", "7f3e12", ""},
		{uds, "010c", "7f0111", ""},
		{uds, "22f4aa", "7f2231", ""},
		{uds, "22f4", "7f2213", "7f2213"},
		{uds, "22f190", "7f2231", ""},
		{uds, "19", "7f1913", "7f1913"},
		{uds, "1999", "7f1912", ""},
		{uds, "190200ff", "7f1913", "7f1913"},
		{uds, "190400000000", "7f1931", ""},
		{uds, "194201ffff", "7f1931", ""},
		{uds, "14ffffff", "7f1433", "7f1433"},
		{uds, "2ef40c00", "7f2e33", "7f2e33"},
		{uds, "31010203", "7f3133", "7f3133"},
	} {
		u := tc.v.Units()[0]
		if got := ask(t, u, 0, tc.request, false); got != tc.physical {
			t.Errorf("%s to the unit alone: %q, want %q", tc.request, got, tc.physical)
		}
		if got := ask(t, u, 0, tc.request, true); got != tc.functional_ {
			t.Errorf("%s to all: %q, want %q", tc.request, got, tc.functional_)
		}
	}
}

// Whatever may do more than read is refused by every unit of every dialect, and counted.
func TestNothingThatDoesMoreThanReadIsEverServed(t *testing.T) {
	for _, dialect := range []Dialect{Classic, UDS, Both} {
		for _, u := range fresh(Options{Dialect: dialect}).Units() {
			want := 0
			for service := range 256 {
				for _, rest := range []string{"", "00", "01", "02", "03", "0102", "ff00", "f40c", "f190", "f40c00", "ffffff", "01020304", "f40cf190"} {
					request := append([]byte{byte(service)}, payload(t, rest)...)
					replies := u.Handle(noon, request, false)
					if j1979.CheckReadOnly(request) == nil {
						continue
					}
					want++
					for _, r := range replies {
						if r.Payload[0] != 0x7F && !harmless(request) {
							t.Errorf("%s serves % X: % X", u.Name(), request, r.Payload)
						}
					}
				}
			}
			counts := u.Counts()
			if got := counts.AllForbidden(); got != want {
				t.Errorf("%d forbidden requests are counted, %d were made", got, want)
			}
			if counts.Requests[0x2E] != 13 || counts.Forbidden[0x2E] != 13 {
				t.Errorf("13 times 2E is counted %d times, %d of them forbidden", counts.Requests[0x2E], counts.Forbidden[0x2E])
			}
		}
	}
}

// harmless tells requests that only read and that the rule refuses all the same, for their form: these a unit may answer.
func harmless(request []byte) bool {
	return request[0] == 0x22 || slices.Contains([]byte{0x01, 0x02, 0x06, 0x09, 0x19}, request[0])
}

func TestTheTransmissionAnswersALittle(t *testing.T) {
	v := fresh(Options{Dialect: Both})
	gearbox := v.Units()[1]
	for request, want := range map[string]string{
		"010d": "410d00", "0101": "410100000000", "0110": "", "0105": "", "03": "4300", "0600": "", "0902": "",
		"090a": "490a0154434d002d5472616e736d69734374726c000000", "1902ff": "5902ff", "0202": "",
		"01000c10": "4100801800100c0000",
	} {
		if got := ask(t, gearbox, 0, request, true); got != want {
			t.Errorf("%s: %s, want %s", request, got, want)
		}
	}
}

func TestSeveralParametersComeInOneAnswer(t *testing.T) {
	u := fresh(Options{Dialect: Both}).Units()[0]
	at := 100 * time.Second
	got := payload(t, ask(t, u, at, "010c10040b110f", true))
	if len(got) != 15 || got[0] != 0x41 || got[1] != 0x0C || got[4] != 0x10 || got[7] != 0x04 || got[9] != 0x0B || got[11] != 0x11 || got[13] != 0x0F {
		t.Errorf("six parameters give % X", got)
	}
	if got := payload(t, ask(t, u, at, "010cee10", true)); len(got) != 7 {
		t.Errorf("what is not fitted is not left out: % X", got)
	}
	if got := payload(t, ask(t, u, at, "22f40cf410", true)); len(got) != 9 || !bytes.Equal(got[:3], []byte{0x62, 0xF4, 0x0C}) {
		t.Errorf("two identifiers give % X", got)
	}
	few := fresh(Options{MostParameters: 1}).Units()[0]
	if got := ask(t, few, 0, "010c10", false); got != "7f0113" {
		t.Errorf("a unit that takes one parameter answers two with %s", got)
	}
}

func TestNamesAreValidAndBelongToNobody(t *testing.T) {
	for _, name := range scenario.Names() {
		c, err := scenario.Named(name)
		if err != nil {
			t.Fatal(err)
		}
		id := newIdentity(&c)
		if len(id.vin) != 17 || id.vin[:3] != maker || checkDigit([]byte(id.vin)) != id.vin[checkPosition] {
			t.Errorf("%s: identification number %q", name, id.vin)
		}
		if again := newIdentity(&c); !reflect.DeepEqual(id, again) {
			t.Errorf("%s: %v, then %v", name, id, again)
		}
	}
	// The example of 49 CFR 565.15 for the check digit, all ones, has the digit 1.
	if got := checkDigit([]byte("11111111111111111")); got != '1' {
		t.Errorf("check digit %c, want 1", got)
	}
}

func TestAVehicleFallsSilentWithItsDrive(t *testing.T) {
	v, stays := fresh(Options{}), fresh(Options{StayOn: true})
	if got := ask(t, v.Units()[0], 2000*time.Second, "010c", true); got != "" {
		t.Errorf("after the drive: %s", got)
	}
	if _, over := v.Driven(); !over {
		t.Error("the drive is not over after 2000 s")
	}
	if got := ask(t, stays.Units()[0], 2000*time.Second, "010c", true); got == "" {
		t.Error("a vehicle that stays on is silent after the drive")
	}
}

// The same vehicle asked alike says the same, jitter and faults included.
func TestVehiclesAreDeterminedByTheirSeed(t *testing.T) {
	run := func(seed uint64) (all []Reply) {
		v := fresh(Options{Jitter: 10 * time.Millisecond, Seed: seed, Faults: Faults{Chances: Chances{Lost: 0.1, Late: 0.1, Malformed: 0.1, Pending: 0.1}}})
		for i := range 300 {
			for _, u := range v.Units() {
				all = append(all, u.Handle(noon.Add(time.Duration(i)*time.Second/10), []byte{1, 0x0C, 0x10, 0x0D}, true)...)
			}
		}
		return all
	}
	if a, b := run(5), run(5); !reflect.DeepEqual(a, b) {
		t.Error("two runs of one seed differ")
	}
	if a, b := run(5), run(6); reflect.DeepEqual(a, b) {
		t.Error("two seeds give the same")
	}
}

func TestTimeDoesNotGoBack(t *testing.T) {
	v := fresh(Options{})
	later := ask(t, v.Units()[0], time.Minute, "011f", true)
	if got := ask(t, v.Units()[0], time.Second, "011f", true); got != later {
		t.Errorf("an earlier instant shows %s, after %s", got, later)
	}
}

func FuzzHandle(f *testing.F) {
	for _, request := range []string{"0100", "010c10040b110f", "020200", "03", "04", "07", "0a", "0600", "0681", "0902", "22f40cf410", "1902ff", "194233ff1e", "195533", "1904017100ff", "1001", "3e80", ""} {
		f.Add(payload(f, request), true, uint16(0))
	}
	vehicles := []*Vehicle{NewVehicle(named("leak"), Options{Dialect: Both}), fresh(Options{}), fresh(Options{Dialect: UDS, Faults: Faults{
		Chances: Chances{0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1},
	}})}
	f.Fuzz(func(t *testing.T, request []byte, functional bool, ms uint16) {
		before := slices.Clone(request)
		for i, v := range vehicles {
			for _, u := range v.Units() {
				for _, r := range u.Handle(noon.Add(time.Duration(ms)*time.Millisecond), request, functional) {
					if len(r.Payload) == 0 || len(r.Payload) > 4095 || r.After < 0 {
						t.Fatalf("% X: % X after %v", request, r.Payload, r.After)
					}
					if i < 2 && r.Payload[0] != 0x7F && r.Payload[0] != request[0]+0x40 {
						t.Fatalf("% X: % X is no answer to it", request, r.Payload)
					}
				}
			}
		}
		if !bytes.Equal(before, request) {
			t.Fatal("the request was changed")
		}
	})
}
