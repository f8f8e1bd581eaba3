// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

func TestMonitorStatusIsRead(t *testing.T) {
	for _, tc := range []struct {
		pid          byte
		answer, want string
	}{
		{0x01, "41 01 83 07 65 04", "lit 3: misfire, fuel system, components, catalyst, tank vapour not, oxygen sensors, oxygen sensor heaters"},
		{0x01, "41 01 00 2E EA 82", "0 compression: fuel system not, components, nitrogen oxides not, boost, exhaust sensors, particle filter, exhaust gas recirculation or valve timing not"},
		{0x41, "41 41 00 07 00 00", "0: misfire, fuel system, components"},
		{0x41, "41 41 85 00 10 10", "0:"},
	} {
		s, err := new(Coding).ReadMonitorStatus(tc.pid, payload(t, tc.answer))
		var got strings.Builder
		if s.Lamp {
			got.WriteString("lit ")
		}
		got.WriteByte('0' + byte(s.Codes))
		if s.Compression {
			got.WriteString(" compression")
		}
		for i, m := range s.Monitors {
			got.WriteString([2]string{": ", ", "}[min(i, 1)] + m.Name)
			if !m.Complete {
				got.WriteString(" not")
			}
		}
		if err != nil || got.String() != strings.TrimSuffix(tc.want, ":") {
			t.Errorf("%s: got %s, %v, want %s", tc.answer, got.String(), err, tc.want)
		}
	}
	if _, err := new(Coding).ReadMonitorStatus(0x0C, payload(t, "41 0C 0000")); !errors.Is(err, ErrBadRequest) {
		t.Errorf("got %v", err)
	}
}

func TestDataOfAParameterAreGivenAsTheyAre(t *testing.T) {
	for answer, want := range map[string]string{"41 1E 01": "01", "41 66 03 0001": "03 0001", "62 F41E 01": ""} {
		got, err := new(Coding).ReadData(payload(t, answer)[1], payload(t, answer))
		if (err == nil) != (want != "") || !bytes.Equal(got, payload(t, want)) {
			t.Errorf("%s: got % X, %v", answer, got, err)
		}
	}
	for _, bad := range []string{"41 1E", "41 1E 01 02", "41 0C 0102"} {
		var e *DecodeError
		if got, err := new(Coding).ReadData(0x1E, payload(t, bad)); !errors.As(err, &e) || got != nil {
			t.Errorf("%s: got % X, %v", bad, got, err)
		}
	}
	request := AppendIdentifierRequest(nil, 0xF501)
	got, err := ReadIdentifier(0xF501, payload(t, "62 F501 0102"))
	if CheckReadOnly(request) != nil || err != nil || !bytes.Equal(got, []byte{1, 2}) {
		t.Errorf("got % X, %v", got, err)
	}
	if _, err := ReadIdentifier(0xF501, payload(t, "62 F502 0102")); err == nil {
		t.Error("another identifier passes")
	}
}

func FuzzReadData(f *testing.F) {
	f.Add(payload(f, "410183076504"), byte(1))
	f.Fuzz(func(t *testing.T, answer []byte, pid byte) {
		var c Coding
		data, err := c.ReadData(pid, answer)
		if (err == nil) != (len(data) > 0) {
			t.Errorf("% X: % X, %v", answer, data, err)
		}
		_, _ = c.ReadMonitorStatus(pid, answer)
		_, _ = ReadIdentifier(uint16(pid)|0xF400, answer)
	})
}
