// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"bytes"
	"testing"

	"github.com/airassay/airassay/sdk/isotp"
)

func frameOf(id uint32, data ...byte) isotp.Frame {
	f := isotp.Frame{ID: id, Extended: id > isotp.MaxStandardID, Length: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

func TestFrameChangesOnItsWay(t *testing.T) {
	long := make([]byte, 64)
	for i := range long {
		long[i] = byte(i)
	}
	fd := frameOf(0x18DA10F1, long...)
	fd.FD, fd.BitRateSwitch = true, true
	for _, sent := range []isotp.Frame{frameOf(0x7DF, 2, 1, 0x0C), frameOf(0), frameOf(0x18DB33F1, 1, 2, 3, 4, 5, 6, 7, 8), fd} {
		var buffer [fdSize]byte
		message, err := encode(&buffer, &sent)
		if err != nil {
			t.Fatal(err)
		}
		var got isotp.Frame
		if k, err := decode(message, &got); err != nil || k != kindData || got != sent {
			t.Errorf("%v came back as %v, kind %d: %v", &sent, &got, k, err)
		}
	}
}

func TestImpossibleFrameIsSent(t *testing.T) {
	for _, f := range []isotp.Frame{{ID: 0x800}, {ID: 1, Length: 9}, {ID: 1, Length: 11, FD: true}, {ID: 1, BitRateSwitch: true}} {
		var buffer [fdSize]byte
		if _, err := encode(&buffer, &f); err == nil {
			t.Errorf("%v is taken", &f)
		}
	}
}

func TestRemoteAndErrorFramesPassForData(t *testing.T) {
	var buffer [fdSize]byte
	for flag, want := range map[uint32]kind{flagRemote: kindRemote, flagError: kindError} {
		f := frameOf(0x40)
		message, err := encode(&buffer, &f)
		if err != nil {
			t.Fatal(err)
		}
		setFlag(message, flag)
		if k, err := decode(message, &f); err != nil || k != want {
			t.Errorf("flag %X is taken for kind %d: %v", flag, k, err)
		}
	}
}

// A message of any content is a frame that can be sent again, or an error.
func FuzzDecode(f *testing.F) {
	f.Add(bytes.Repeat([]byte{0}, classicSize))
	f.Add(bytes.Repeat([]byte{0x40}, fdSize))
	f.Add([]byte{1, 2, 3})
	f.Fuzz(func(t *testing.T, message []byte) {
		var frame isotp.Frame
		k, err := decode(message, &frame)
		if err != nil {
			return
		}
		if k == kindError {
			_ = readError(&frame)
			return
		}
		// A length that CAN FD does not have is the kernel's to refuse; ours is not to read beyond the message.
		if len(frame.Payload()) != int(frame.Length) {
			t.Errorf("%v has %d bytes", &frame, len(frame.Payload()))
		}
	})
}
