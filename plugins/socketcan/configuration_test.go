// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"errors"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
)

func TestConfigurationIsReadWrongly(t *testing.T) {
	c, err := decode([]byte("{}"))
	if err != nil || c.addressing != canlink.Unknown || c.kernel || c.setBitRate || c.heavy || c.listenOnly || !c.allows("can7") || c.filters() != nil {
		t.Errorf("nothing is read as %+v: %v", c, err)
	}
	c, err = decode([]byte(`{"interfaces": ["can0"], "addressing": "29", "bit_rate": 250000, "set_bit_rate": true, "transport": "kernel", "max_requests_per_s": 50}`))
	if err != nil || c.addressing != canlink.Bits29 || !c.kernel || c.bitRate != 250_000 || !c.setBitRate || c.maxRequests != 50 || c.allows("can1") || !c.allows("can0") {
		t.Errorf("read as %+v: %v", c, err)
	}
	if c, err = decode([]byte(`{"addressing": "11"}`)); err != nil || len(c.filters()) != 1 || c.filters()[0] != (socket.Filter{ID: 0x7E8, Mask: 0x7F8}) {
		t.Errorf("with 11 bits it filters %+v: %v", c.filters(), err)
	}
}

func TestWrongConfigurationIsTaken(t *testing.T) {
	for text, fields := range map[string]string{
		`{"interfaces": ["a b", "can0", "..", "a/b", ""], "addressing": "12", "transport": "none", "bit_rate": 1, "max_requests_per_s": -1}`: "interfaces[0] interfaces[2] interfaces[3] interfaces[4] addressing transport bit_rate max_requests_per_s",
		`{"max_requests_per_s": 1e9}`: "max_requests_per_s",
		`{"heavy": 1}`:                "heavy",
		`{"speed": 1}`:                "speed",
		`[]`:                          "configuration",
		"":                            "configuration",
	} {
		_, err := decode([]byte(text))
		bad, ok := errors.AsType[*adapter.ConfigurationError](err)
		if !ok {
			t.Errorf("%s gives %v", text, err)
			continue
		}
		var got []string
		for _, v := range bad.Violations {
			got = append(got, v.Field)
		}
		if strings.Join(got, " ") != fields {
			t.Errorf("%s: named are %v, want %s", text, got, fields)
		}
	}
}

func TestInterfaceIsChangedAgainstTheConfiguration(t *testing.T) {
	up := socket.Interface{Name: "can0", Kind: "can", Up: true, BitRate: 250_000}
	down := socket.Interface{Name: "can0", Kind: "can", BitRate: 250_000}
	for _, tc := range []struct {
		name   string
		i      socket.Interface
		config configuration
		want   error
		says   string
	}{
		{"as it is", up, configuration{}, nil, ""},
		{"at the rate that is asked for", up, configuration{bitRate: 250_000}, nil, ""},
		{"down", down, configuration{}, adapter.ErrUnplugged, "ip link set can0 type can bitrate 250000 && ip link set can0 up"},
		{"down, and a rate asked for", down, configuration{bitRate: 500_000}, adapter.ErrUnplugged, "bitrate 500000"},
		{"an emulated bus that is down", socket.Interface{Name: "vcan0", Kind: "vcan"}, configuration{setBitRate: true}, adapter.ErrUnplugged, "ip link set vcan0 up"},
	} {
		_, err := ready(t.Context(), &tc.i, &tc.config)
		if !errors.Is(err, tc.want) || err != nil && !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v, want %v", tc.name, err, tc.want)
		}
	}
	_, err := ready(t.Context(), &up, &configuration{bitRate: 500_000})
	if bad, ok := errors.AsType[*adapter.ConfigurationError](err); !ok || bad.Violations[0].Field != "bit_rate" || !strings.Contains(err.Error(), "ip link set can0 down && ") {
		t.Errorf("another rate gives %v", err)
	}
}

func TestNameOfInterfaceIsNoID(t *testing.T) {
	seen := map[string]bool{}
	for _, name := range []string{"can0", "CAN0", "can_0", "can-0", "vcan0.1", "slcan#1", "übercan"} {
		id := idOf(name)
		if !idForm.MatchString(id) || seen[id] || idOf(name) != id {
			t.Errorf("%s has the id %s", name, id)
		}
		seen[id] = true
	}
	if idOf("can0") != "can0" {
		t.Errorf("can0 has the id %s", idOf("can0"))
	}
}

func TestDeviceIsDescribedWrongly(t *testing.T) {
	i := socket.Interface{Name: "can0", Kind: "can", Up: true, BitRate: 500_000, DataBitRate: 2_000_000, State: socket.StatePassive, ListenOnly: true, Bus: "usb", Parent: "1-1:1.0"}
	if got, want := describe(&i), "can0, 500000 bit/s, data at 2000000 bit/s, error-passive, listening only"; got != want {
		t.Errorf("described as %q, want %q", got, want)
	}
	if got := location(&i); got != "usb 1-1:1.0" {
		t.Errorf("it is at %q", got)
	}
	if got := describe(&socket.Interface{Name: "vcan0", Kind: "vcan"}); got != "vcan0, emulated, down" {
		t.Errorf("described as %q", got)
	}
}

func TestAnswerOfAnotherRequestIsTaken(t *testing.T) {
	for _, tc := range []struct {
		request, answer string
		belongs         bool
	}{
		{"\x01\x0C", "\x41\x0C\x10\x00", true},
		{"\x01\x0C\x10", "\x41\x10\x10\x00", true},
		{"\x01\x0C", "\x41\x10\x10\x00", false},
		{"\x01\x0C", "\x7F\x01\x12", true},
		{"\x01\x0C", "\x7F\x09\x12", false},
		{"\x01\x0C", "\x7F\x01", false},
		{"\x01\x0C", "", false},
		{"\x03", "\x43\x00", true},
		{"\x22\xF4\x0C", "\x62\xF4\x0C\x00\x00", true},
		{"\x22\xF4\x0C", "\x62\xF4\x10\x00\x00", false},
		{"\x22\xF4\x0C", "\x62\xF4", false},
	} {
		if got := answersTo([]byte(tc.request), []byte(tc.answer)); got != tc.belongs {
			t.Errorf("% X answers % X: %t", tc.answer, tc.request, got)
		}
	}
}
