// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import "encoding/binary"

// Change is what to set of an interface. It takes the right to administer the network (CAP_NET_ADMIN).
type Change struct {
	// Up puts the interface into service, or takes it out of it.
	Up bool
	// BitRate is set before the interface goes up, in bits a second; 0 leaves all of the controller's settings alone.
	BitRate int
	// ListenOnly makes the controller listen only: it sends nothing, not even acknowledgements.
	ListenOnly bool
}

// bitTimingSize is that of struct can_bittiming (linux/can/netlink.h), which begins with the bit rate; the kernel works out
// the rest.
const bitTimingSize = 32

// request lays out the message of rtnetlink that sets the controller, or only takes the interface up or down: struct
// ifinfomsg and attributes.
func (c *Change) request(index int, set bool) []byte {
	var flags uint32
	if c.Up && !set {
		flags = flagUp
	}
	text := []byte{0, 0, 0, 0}
	text = binary.NativeEndian.AppendUint32(text, uint32(index))
	text = binary.NativeEndian.AppendUint32(text, flags)
	if !set {
		return binary.NativeEndian.AppendUint32(text, flagUp) // what the flags change
	}
	text = binary.NativeEndian.AppendUint32(text, 0)
	timing := make([]byte, bitTimingSize)
	binary.NativeEndian.PutUint32(timing, uint32(c.BitRate))
	mode := binary.NativeEndian.AppendUint32(nil, modeListen) // which to set
	var listen uint32
	if c.ListenOnly {
		listen = modeListen
	}
	mode = binary.NativeEndian.AppendUint32(mode, listen)
	var data []byte
	data = appendAttribute(data, attrBitTiming, timing)
	data = appendAttribute(data, attrControlMode, mode)
	var info []byte
	info = appendAttribute(info, attrInfoKind, []byte("can"))
	info = appendAttribute(info, attrInfoData, data)
	return appendAttribute(text, attrLinkInfo, info)
}

// appendAttribute lays one attribute out as the kernel does.
func appendAttribute(text []byte, kind int, value []byte) []byte {
	text = binary.NativeEndian.AppendUint16(text, uint16(attrHeader+len(value)))
	text = binary.NativeEndian.AppendUint16(text, uint16(kind))
	text = append(text, value...)
	for len(text)%attrAlignment != 0 {
		text = append(text, 0)
	}
	return text
}
