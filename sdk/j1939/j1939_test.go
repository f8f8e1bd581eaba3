// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/j1979"
)

func raw(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestIdentifiersAreTakenApart(t *testing.T) {
	for id, want := range map[uint32]Header{
		0x0CF00400: {3, EngineSpeed, Global, 0x00},
		0x18FEF600: {6, Intake, Global, 0x00},
		0x18FECA03: {6, ActiveCodes, Global, 0x03},
		0x18EA00F9: {6, request, 0x00, 0xF9},
		0x1CECFF00: {7, transferSetup, Global, 0x00},
		0x1CEB2100: {7, transferData, 0x21, 0x00},
	} {
		if got := Read(id); got != want || want.ID() != id {
			t.Errorf("%08X: got %+v and back %08X, want %+v", id, got, want.ID(), want)
		}
	}
}

func TestBroadcastsMeanWhatTheStandardSays(t *testing.T) {
	for _, tc := range []struct {
		pgn        PGN
		data, want string
	}{
		{EngineSpeed, "F0 96 A5 40 38 FFFFFF", "SPN 512 Vehicle.OBD.TorqueDemand: 25; SPN 513 Vehicle.OBD.TorqueActual: 40; SPN 190 Vehicle.OBD.EngineSpeed: 1800"},
		{Accelerator, "FF 7D 37 FFFFFFFFFF", "SPN 91 Vehicle.OBD.AcceleratorPositionD: 50; SPN 92 Vehicle.OBD.EngineLoad: 55"},
		{AirFlow, "FFFF 2071 FFFFFFFF", "SPN 132 Vehicle.OBD.MAF: 402.222"},
		{AirFlow, "6400 00FE FFFFFFFF", "SPN 2659: 1.38889; SPN 132 Vehicle.OBD.MAF: sensor fails"},
		{EngineTemperatures, "7D FF E02D FFFFFFFF", "SPN 110 Vehicle.OBD.CoolantTemperature: 85; SPN 175 Vehicle.OBD.OilTemperature: 94"},
		{Ambient, "C8 FFFF 8024 41 FFFF", "SPN 108 Vehicle.OBD.BarometricPressure: 100; SPN 171 Vehicle.OBD.AmbientAirTemperature: 19; SPN 172 Vehicle.OBD.IntakeTemp: 25"},
		{Intake, "FF 32 50 FF 28 FFFFFF", "SPN 102: 100; SPN 102 Vehicle.OBD.MAP: 200; SPN 105 Vehicle.OBD.ChargeAirTemperature11: 40; SPN 107: 2"},
		{IntakeAbsolute, "FFFFFFFF 63 FFFFFF", "SPN 3563 Vehicle.OBD.MAP: 198"},
		// Once the absolute pressure is sent, no sum takes its place.
		{Intake, "FF 32 FFFFFFFFFFFF", "SPN 102: 100"},
		{EngineSpeed, "FFFFFFFFFFFFFFFF", ""},
		{EngineSpeed, "FF FB FC 00 FB FFFFFF", ""},
		{EngineSpeed, "FF FE FD FF FA FFFFFF", "SPN 512 Vehicle.OBD.TorqueDemand: sensor fails; SPN 190 Vehicle.OBD.EngineSpeed: 8031.88"},
		{65280, "00", ""},
	} {
		var got []string
		readings, err := shared.Decode(nil, tc.pgn, raw(t, tc.data))
		for _, r := range readings {
			r.Value = math.Round(r.Value*1e6) / 1e6
			if r.Value > 100 {
				r.Value = math.Round(r.Value*1e3) / 1e3
			}
			got = append(got, r.String())
		}
		want := strings.ReplaceAll(tc.want, "1.38889", "1.388889")
		want = strings.ReplaceAll(want, "8031.88", "8031.875")
		if err != nil || strings.Join(got, "; ") != want {
			t.Errorf("%d %s:\n got %s, %v\nwant %s", tc.pgn, tc.data, strings.Join(got, "; "), err, want)
		}
	}
}

// shared hears all frames of the test above, one after the other, as on one vehicle.
var shared Decoder

func TestFramesOfAnotherLengthAreRefused(t *testing.T) {
	var d Decoder
	for _, pgn := range Groups() {
		for _, length := range []int{0, 1, 7, 9, 64} {
			var e *Error
			if got, err := d.Decode(nil, pgn, make([]byte, length)); !errors.As(err, &e) || got != nil {
				t.Errorf("%d with %d bytes: got %v, %v", pgn, length, got, err)
			}
		}
	}
	if len(Groups()) != 7 {
		t.Errorf("groups %v are read, want 7", Groups())
	}
}

func TestSignalsOfTheTableExist(t *testing.T) {
	for _, s := range spns {
		if _, ok := j1979.Lookup(s.signal); s.signal != "" && !ok {
			t.Errorf("SPN %d: no signal is called %s", s.spn, s.signal)
		}
	}
	if manifold.Path() != "Vehicle.OBD.MAP" {
		t.Errorf("got %s", manifold)
	}
}

// What may be asked for is decided in one place.
func TestOnlyWhatReadsIsAskedFor(t *testing.T) {
	for _, pgn := range append(Groups(), ActiveCodes, PreviousCodes, SoftwareIdentity, ComponentIdentity, VehicleIdentity) {
		id, data, err := Request(pgn, 0xF9, Global)
		if err != nil || id != 0x18EAFFF9 || PGN(data[0])|PGN(data[1])<<8|PGN(data[2])<<16 != pgn {
			t.Errorf("%d: got %08X % X, %v", pgn, id, data, err)
		}
	}
	for _, clears := range []PGN{65228, 65235} {
		if _, _, err := Request(clears, 0xF9, 0); !errors.Is(err, j1979.ErrNotReadOnly) {
			t.Errorf("%d may be asked for: %v", clears, err)
		}
	}
}

func TestCodesAreRead(t *testing.T) {
	for _, tc := range []struct{ data, want, lamps string }{
		{"00 FF 00 00 00 00 FFFF", "", ""},
		{"44 FF 84 00 03 05 FFFF", "SPN 132 FMI 3", "mil warning"},
		{"10 FF 84 00 03 05 66 00 0B 81 FFFF", "SPN 132 FMI 3 SPN 102 FMI 11 old", "stop"},
		{"01FF FFFF FE7E FFFF", "SPN 524287 FMI 30", "protect"},
		{"00 FF FFFFFFFF FFFF", "", ""},
	} {
		troubles, lamps, err := ReadTrouble(nil, ActiveCodes, raw(t, tc.data))
		var got []string
		for _, x := range troubles {
			got = append(got, x.String())
			if x.Old {
				got = append(got, "old")
			}
		}
		lit := ""
		for name, on := range map[string]bool{"mil": lamps.Malfunction, "warning": lamps.Warning, "stop": lamps.Stop, "protect": lamps.Protect} {
			if on != strings.Contains(tc.lamps, name) {
				lit += name + " "
			}
		}
		if err != nil || strings.Join(got, " ") != tc.want || lit != "" {
			t.Errorf("%s: got %s, %v, want %s; wrong lamps: %s", tc.data, got, err, tc.want, lit)
		}
	}
	for _, bad := range []string{"", "00FF", "00FF840003", "00FF 84000305 66", "00FF FFFFFFFF 84000305"} {
		var e *Error
		if got, _, err := ReadTrouble(nil, ActiveCodes, raw(t, bad)); !errors.As(err, &e) || got != nil {
			t.Errorf("%s: got %v, %v", bad, got, err)
		}
	}
	if FMI(3).String() == "" || FMI(29).String() != "failure mode 29" {
		t.Error("failures have no words")
	}
}

func TestIdentificationsAreRead(t *testing.T) {
	for _, tc := range []struct {
		pgn        PGN
		text, want string
	}{
		{VehicleIdentity, "ZZZAR00A5AY000042*", "ZZZAR00A5AY000042"},
		{VehicleIdentity, "ZZZAR00A5AY000042*\xFF\xFF", "ZZZAR00A5AY000042"},
		{ComponentIdentity, "OWN *ENGINE 9**7*", "OWN|ENGINE 9||7"},
		{SoftwareIdentity, "\x02A1*B2*", "A1|B2"},
		{VehicleIdentity, "\xFF\xFF", ""},
	} {
		got, err := ReadText(tc.pgn, []byte(tc.text))
		if err != nil || strings.Join(got, "|") != tc.want {
			t.Errorf("%q: got %q, %v", tc.text, got, err)
		}
	}
	for _, bad := range []string{"", "\x01A\x07*"} {
		if got, err := ReadText(SoftwareIdentity, []byte(bad)); err == nil {
			t.Errorf("%q: got %q", bad, got)
		}
	}
}

// sent is how a control unit broadcasts its active codes.
func sent(source uint8, message []byte) (frames [][]byte, headers []Header) {
	const pgn = ActiveCodes
	packets := (len(message) + packetLength - 1) / packetLength
	frames = append(frames, []byte{broadcast, byte(len(message)), byte(len(message) >> 8), byte(packets), 0xFF, byte(pgn & 0xFF), byte(pgn >> 8), byte(pgn >> 16)})
	headers = append(headers, Header{7, transferSetup, Global, source})
	for i := range packets {
		packet := bytes.Repeat([]byte{0xFF}, 8)
		packet[0] = byte(i + 1)
		copy(packet[1:], message[i*packetLength:])
		frames = append(frames, packet)
		headers = append(headers, Header{7, transferData, Global, source})
	}
	return frames, headers
}

func TestLongMessagesOfSeveralSendersArePutTogether(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	var a Assembler
	now := time.Duration(0)
	for range 200 {
		type sender struct {
			frames  [][]byte
			headers []Header
		}
		var all []sender
		want := map[uint8][]byte{}
		for source := range uint8(1 + random.IntN(senders)) {
			message := make([]byte, minMessage+random.IntN(maxMessage-minMessage+1))
			for i := range message {
				message[i] = byte(random.IntN(256))
			}
			want[source] = message
			frames, headers := sent(source, message)
			all = append(all, sender{frames, headers})
		}
		for len(all) > 0 {
			i := random.IntN(len(all))
			s := &all[i]
			now += time.Millisecond / 10
			m, done, err := a.Frame(now, s.headers[0], s.frames[0])
			if err != nil {
				t.Fatal(err)
			}
			if done {
				if m.PGN != ActiveCodes || !bytes.Equal(m.Data, want[m.Source]) {
					t.Fatalf("the message of %d came out wrong", m.Source)
				}
				delete(want, m.Source)
			}
			s.frames, s.headers = s.frames[1:], s.headers[1:]
			if len(s.frames) == 0 {
				all = slices.Delete(all, i, i+1)
			}
		}
		if len(want) > 0 {
			t.Fatalf("%d messages never came out", len(want))
		}
	}
}

func TestBrokenMessagesAreGivenUp(t *testing.T) {
	message := bytes.Repeat([]byte{1, 2, 3}, 10)
	for name, spoil := range map[string]func(frames [][]byte, at []time.Duration) [][]byte{
		"lost packet":     func(f [][]byte, _ []time.Duration) [][]byte { return slices.Delete(f, 2, 3) },
		"repeated packet": func(f [][]byte, _ []time.Duration) [][]byte { f[2] = f[1]; return f },
		"short packet":    func(f [][]byte, _ []time.Duration) [][]byte { f[2] = f[2][:5]; return f },
		"late packet": func(f [][]byte, at []time.Duration) [][]byte {
			for i := 3; i < len(at); i++ {
				at[i] += time.Second
			}
			return f
		},
		"too long":           func(f [][]byte, _ []time.Duration) [][]byte { f[0][1], f[0][2], f[0][3] = 0xFA, 0x06, 0xFF; return f },
		"too short":          func(f [][]byte, _ []time.Duration) [][]byte { f[0][1], f[0][3] = 8, 2; return f },
		"wrong count":        func(f [][]byte, _ []time.Duration) [][]byte { f[0][3] = 9; return f },
		"short announcement": func(f [][]byte, _ []time.Duration) [][]byte { f[0] = f[0][:4]; return f },
	} {
		var a Assembler
		frames, headers := sent(3, message)
		at := make([]time.Duration, len(frames))
		for i := range at {
			at[i] = time.Duration(i) * 50 * time.Millisecond
		}
		var failed []error
		for i, frame := range spoil(frames, at) {
			h := headers[min(i, len(headers)-1)]
			_, done, err := a.Frame(at[i], h, frame)
			if done {
				t.Errorf("%s: a message came out", name)
			}
			if err != nil {
				failed = append(failed, err)
			}
		}
		var e *Error
		if len(failed) != 1 || !errors.As(failed[0], &e) {
			t.Errorf("%s: got %v, want one error", name, failed)
		}
		// The next message is none the worse for it.
		frames, headers = sent(3, message)
		ok := false
		for i := range frames {
			m, done, err := a.Frame(time.Minute, headers[i], frames[i])
			ok = ok || done && err == nil && bytes.Equal(m.Data, message)
		}
		if !ok {
			t.Errorf("%s: the next message does not come out", name)
		}
	}
}

func TestManySendersDoNotNeedMoreMemory(t *testing.T) {
	var a Assembler
	for source := range 254 {
		frames, headers := sent(uint8(source), make([]byte, 20))
		if _, _, err := a.Frame(time.Duration(source), headers[0], frames[0]); err != nil {
			t.Fatal(err)
		}
	}
	frames, headers := sent(253, make([]byte, 20))
	for i, f := range frames[1:] {
		if _, done, err := a.Frame(time.Second/2, headers[i+1], f); err != nil || done != (i == 2) {
			t.Errorf("the last sender's packet %d: %t, %v", i+1, done, err)
		}
	}
	frames, headers = sent(0, make([]byte, 20))
	for i, f := range frames[1:] {
		if _, done, err := a.Frame(time.Second/2, headers[i+1], f); err != nil || done {
			t.Errorf("the first sender, which had to give way: %t, %v", done, err)
		}
	}
}

func TestListeningAllocatesNothing(t *testing.T) {
	var d Decoder
	var a Assembler
	readings, troubles := make([]Reading, 0, 16), make([]Trouble, 0, 16)
	speed, code := raw(t, "F096A54038FFFFFF"), raw(t, "44FF84000305FFFF")
	frames, headers := sent(3, make([]byte, 30))
	if n := testing.AllocsPerRun(100, func() {
		_, _ = d.Decode(readings, EngineSpeed, speed)
		_, _, _ = ReadTrouble(troubles, ActiveCodes, code)
		for i := range frames {
			_, _, _ = a.Frame(0, headers[i], frames[i])
		}
	}); n > 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkDecode(b *testing.B) {
	var d Decoder
	readings, speed := make([]Reading, 0, 16), raw(b, "F096A54038FFFFFF")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Decode(readings, EngineSpeed, speed); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzListen(f *testing.F) {
	f.Add(uint32(0x0CF00400), raw(f, "F096A54038FFFFFF"))
	f.Add(uint32(0x18FECA03), raw(f, "44FF84000305FFFF"))
	f.Add(uint32(0x18FEEC00), []byte("ZZZAR00A5AY000042*"))
	f.Fuzz(func(t *testing.T, id uint32, data []byte) {
		h := Read(id)
		if h.ID() != id&0x1FFFFFFF {
			t.Errorf("%08X comes back as %08X", id, h.ID())
		}
		var d Decoder
		for range 2 {
			readings, err := d.Decode(nil, h.PGN, data)
			if err != nil && readings != nil {
				t.Errorf("% X gives %v and %v", data, readings, err)
			}
			for _, r := range readings {
				if math.IsNaN(r.Value) || math.Abs(r.Value) > 10000 {
					t.Errorf("% X: %v", data, r)
				}
			}
		}
		_, _, _ = ReadTrouble(nil, h.PGN, data)
		_, _ = ReadText(h.PGN, data)
	})
}

func FuzzAssemble(f *testing.F) {
	frames, _ := sent(3, make([]byte, 30))
	f.Add(slices.Concat(frames...))
	f.Fuzz(func(t *testing.T, stream []byte) {
		var a Assembler
		for len(stream) > 0 {
			n := min(len(stream), 1+int(stream[0])%9)
			h := Header{7, transferData, Global, stream[n-1] % 12}
			if n > 3 && stream[1]%3 == 0 {
				h.PGN = transferSetup
			}
			if n == 9 {
				stream = stream[1:]
				n = 8
			}
			m, done, _ := a.Frame(time.Duration(len(stream)), h, stream[:n])
			if done && (len(m.Data) < minMessage || len(m.Data) > maxMessage) {
				t.Fatalf("a message of %d bytes", len(m.Data))
			}
			stream = stream[n:]
		}
	})
}
