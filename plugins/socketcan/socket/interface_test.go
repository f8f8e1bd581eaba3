// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"strings"
	"testing"
)

func attribute(kind int, value []byte) []byte { return appendAttribute(nil, kind, value) }

func number(n ...uint32) []byte {
	var text []byte
	for _, v := range n {
		text = binary.NativeEndian.AppendUint32(text, v)
	}
	return text
}

// link lays out a link message of an interface of hardware.
func link(hardware uint16, flags uint32, attributes ...[]byte) []byte {
	text := binary.NativeEndian.AppendUint16([]byte{0, 0}, hardware)
	text = append(text, number(7, flags, 0)...)
	for _, a := range attributes {
		text = append(text, a...)
	}
	return text
}

func controller() []byte {
	return link(hardwareCAN, flagUp,
		attribute(attrName, []byte("can0\x00")), attribute(attrMTU, number(16)),
		attribute(attrParentName, []byte("1-1.2:1.0\x00")), attribute(attrParentBus, []byte("usb\x00")),
		attribute(attrLinkInfo|0x8000, append(attribute(attrInfoKind, []byte("can\x00")), attribute(attrInfoData, append(append(append(
			attribute(attrBitTiming, number(500_000, 875, 125)), attribute(attrState, number(2))...),
			attribute(attrControlMode, number(0xFF, modeListen))...), attribute(attrDataBitTiming, number(2_000_000))...))...)),
	)
}

func TestInterfaceIsReadWrongly(t *testing.T) {
	got, ok := readLink(controller())
	want := Interface{
		Name: "can0", Index: 7, MTU: 16, Up: true, Kind: "can", Bus: "usb", Parent: "1-1.2:1.0",
		BitRate: 500_000, DataBitRate: 2_000_000, State: StatePassive, ListenOnly: true,
	}
	if !ok || got != want {
		t.Errorf("read as %+v, %t; want %+v", got, ok, want)
	}
	if got.FD() || !got.Hardware() || got.State.String() != "error-passive" {
		t.Errorf("it has FD %t, hardware %t, state %v", got.FD(), got.Hardware(), got.State)
	}
	if _, ok := readLink(link(1, flagUp, attribute(attrName, []byte("eth0")))); ok {
		t.Error("an Ethernet card passes for CAN")
	}
}

func TestCommandIsWrong(t *testing.T) {
	for _, tc := range []struct {
		i    Interface
		rate int
		want string
	}{
		{Interface{Name: "vcan0", Kind: "vcan"}, 0, "ip link set vcan0 up"},
		{Interface{Name: "can0", Kind: "can"}, 0, "ip link set can0 type can bitrate 500000 && ip link set can0 up"},
		{Interface{Name: "can0", Kind: "can", BitRate: 250_000}, 0, "ip link set can0 type can bitrate 250000 && ip link set can0 up"},
		{Interface{Name: "can0", Kind: "can", BitRate: 250_000, Up: true}, 500_000, "ip link set can0 down && ip link set can0 type can bitrate 500000 && ip link set can0 up"},
	} {
		if got := tc.i.UpCommand(tc.rate); got != tc.want {
			t.Errorf("got %q, want %q", got, tc.want)
		}
	}
}

func FuzzReadLink(f *testing.F) {
	f.Add(controller())
	f.Add([]byte{})
	f.Add(controller()[:50])
	f.Fuzz(func(t *testing.T, text []byte) {
		i, ok := readLink(text)
		if ok && (i.Name == "" || i.Index <= 0 || strings.ContainsRune(i.Name, 0)) {
			t.Errorf("%+v passes", i)
		}
		_ = i.State.String()
	})
}

// What is asked of the kernel is what is read back from it.
func TestChangeIsLaidOutWrongly(t *testing.T) {
	c := Change{BitRate: 250_000, ListenOnly: true}
	text := c.request(7, true)
	text = append(link(hardwareCAN, flagUp, attribute(attrName, []byte("can\x00")))[:linkHeader+8], text[linkHeader:]...)
	if got, ok := readLink(text); !ok || got.BitRate != 250_000 || !got.ListenOnly || got.Kind != "can" {
		t.Errorf("it asks for %+v, %t", got, ok)
	}
	up := Change{Up: true}
	if text := up.request(7, false); len(text) != linkHeader || text[8] != flagUp || text[12] != flagUp || text[4] != 7 {
		t.Errorf("going up is laid out as % X", text)
	}
}
