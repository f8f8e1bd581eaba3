// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/isotp"
)

// setFlag sets a bit of the identifier of a message.
func setFlag(message []byte, flag uint32) {
	binary.NativeEndian.PutUint32(message, binary.NativeEndian.Uint32(message)|flag)
}

func TestControllersReportIsMisread(t *testing.T) {
	frame := func(id uint32, data ...byte) isotp.Frame {
		f := isotp.Frame{ID: id, Length: 8}
		copy(f.Data[:], data)
		return f
	}
	for _, tc := range []struct {
		name    string
		frame   isotp.Frame
		want    Report
		trouble bool
		says    string
	}{
		{"bus-off", frame(classOff), Report{Off: true}, true, "bus-off"},
		{"back on the bus", frame(classRestarted), Report{Restarted: true}, false, "back"},
		{"nobody acknowledges", frame(classNoAck|classController, 0, 0x20, 0, 0, 0, 0, 128, 3), Report{NoAck: true, Passive: true, TransmitErrors: 128, ReceiveErrors: 3}, true, "acknowledges"},
		{"warning", frame(classController|classCounters, 0, 0x04, 0, 0, 0, 0, 1, 97), Report{Warning: true, TransmitErrors: 1, ReceiveErrors: 97}, false, "high"},
		{"overflow", frame(classController, 0, 0x01), Report{Overflow: true}, false, "lost"},
		{"well again", frame(classController, 0, stateActive), Report{}, false, "itself"},
		{"damaged frames", frame(classProtocol | classBus), Report{}, true, "bit rate"},
	} {
		got := readError(&tc.frame)
		if says := got.String(); !strings.Contains(says, tc.says) || got.trouble() != tc.trouble {
			t.Errorf("%s: it says %q, trouble %t", tc.name, says, got.trouble())
		}
		if got.classes = 0; got != tc.want {
			t.Errorf("%s: read as %+v, want %+v", tc.name, got, tc.want)
		}
	}
}

func TestStuckFrameIsBlamedOnNobody(t *testing.T) {
	var quiet Report
	if e := quiet.stuck("can0", "the queue is full"); !e.NoAcknowledge || e.Off || !strings.Contains(e.Error(), "can0: the queue is full") {
		t.Errorf("a controller that says nothing gives %v", e)
	}
	off := Report{Off: true, classes: classOff}
	if e := off.stuck("can0", "the queue is full"); e.NoAcknowledge || !e.Off {
		t.Errorf("a controller that is off the bus gives %v", e)
	}
}
