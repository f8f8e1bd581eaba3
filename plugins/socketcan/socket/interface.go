// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
)

// Interface is a CAN interface as the kernel lists it.
type Interface struct {
	Name  string
	Index int
	// MTU tells CAN FD (72) from classic CAN (16).
	MTU int
	// Up says that an administrator has put it into service.
	Up bool
	// Kind is how the kernel calls its driver's family, such as can for hardware and vcan for an emulated bus.
	Kind string
	// Bus and Parent say where hardware is attached, such as usb and 1-1.2:1.0; empty where the kernel does not tell.
	Bus, Parent string
	// Serial is the hardware's serial number, where it has one.
	Serial string
	// BitRate and DataBitRate are in bits a second, the latter that of the data of CAN FD frames; 0 where not set or not
	// known.
	BitRate, DataBitRate int
	// State is the controller's; StateUnknown where the interface has none.
	State State
	// ListenOnly says that the controller does not even acknowledge frames.
	ListenOnly bool
}

// FD says whether the interface carries CAN FD frames.
func (i *Interface) FD() bool { return i.MTU >= fdSize }

// Hardware says whether there is a controller behind the interface, with a bit rate of its own.
func (i *Interface) Hardware() bool { return i.Kind == "can" }

// State is that of a CAN controller.
type State int

// The states, in the kernel's order and one off (linux/can/netlink.h: enum can_state).
const (
	StateUnknown State = iota
	StateActive
	StateWarning
	StatePassive
	StateOff
	StateStopped
	StateSleeping
)

var stateNames = [...]string{"unknown", "error-active", "error-warning", "error-passive", "bus-off", "stopped", "sleeping"}

func (s State) String() string {
	if s < 0 || int(s) >= len(stateNames) {
		return stateNames[StateUnknown]
	}
	return stateNames[s]
}

// Attributes of a link message (linux/if_link.h, linux/can/netlink.h) and sizes.
const (
	attrName       = 3
	attrMTU        = 4
	attrLinkInfo   = 18
	attrParentName = 56
	attrParentBus  = 57

	attrInfoKind = 1
	attrInfoData = 2

	attrBitTiming     = 1
	attrState         = 4
	attrControlMode   = 5
	attrDataBitTiming = 9

	linkHeader    = 16  // struct ifinfomsg
	hardwareCAN   = 280 // linux/if_arp.h: ARPHRD_CAN
	flagUp        = 1   // linux/if.h: IFF_UP
	modeListen    = 2   // linux/can/netlink.h: CAN_CTRLMODE_LISTENONLY
	attrTypeMask  = 0x3FFF
	attrHeader    = 4
	attrAlignment = 4
)

// readLink reads a link message of rtnetlink; false where it is of no CAN interface.
func readLink(text []byte) (Interface, bool) {
	if len(text) < linkHeader || binary.NativeEndian.Uint16(text[2:]) != hardwareCAN {
		return Interface{}, false
	}
	i := Interface{Index: int(int32(binary.NativeEndian.Uint32(text[4:]))), Up: binary.NativeEndian.Uint32(text[8:])&flagUp != 0}
	eachAttribute(text[linkHeader:], func(kind int, value []byte) {
		switch kind {
		case attrName:
			i.Name = stringOf(value)
		case attrMTU:
			i.MTU = int(numberOf(value))
		case attrParentName:
			i.Parent = stringOf(value)
		case attrParentBus:
			i.Bus = stringOf(value)
		case attrLinkInfo:
			i.readInfo(value)
		}
	})
	return i, i.Name != "" && i.Index > 0
}

func (i *Interface) readInfo(text []byte) {
	var data []byte
	eachAttribute(text, func(kind int, value []byte) {
		switch kind {
		case attrInfoKind:
			i.Kind = stringOf(value)
		case attrInfoData:
			data = value
		}
	})
	if !i.Hardware() {
		return
	}
	eachAttribute(data, func(kind int, value []byte) {
		switch kind {
		case attrBitTiming: // struct can_bittiming begins with the bit rate
			i.BitRate = int(numberOf(value))
		case attrDataBitTiming:
			i.DataBitRate = int(numberOf(value))
		case attrState:
			i.State = State(min(numberOf(value), uint32(StateSleeping))) + 1
		case attrControlMode: // struct can_ctrlmode: the mask, then the flags
			if len(value) >= 8 {
				i.ListenOnly = binary.NativeEndian.Uint32(value[4:])&modeListen != 0
			}
		}
	})
}

// eachAttribute walks over the attributes in a message, as far as they are whole.
func eachAttribute(text []byte, visit func(kind int, value []byte)) {
	for len(text) >= attrHeader {
		length := int(binary.NativeEndian.Uint16(text))
		if length < attrHeader || length > len(text) {
			return
		}
		visit(int(binary.NativeEndian.Uint16(text[2:])&attrTypeMask), text[attrHeader:length])
		text = text[min(len(text), (length+attrAlignment-1)/attrAlignment*attrAlignment):]
	}
}

func stringOf(value []byte) string {
	text, _, _ := strings.Cut(string(value), "\x00")
	return text
}

// numberOf reads the 32 bits that a value begins with; 0 where it has fewer.
func numberOf(value []byte) uint32 {
	if len(value) < 4 {
		return 0
	}
	return binary.NativeEndian.Uint32(value)
}

// find gives the interface of a name.
func find(all []Interface, name string) (*Interface, error) {
	at := slices.IndexFunc(all, func(i Interface) bool { return i.Name == name })
	if at < 0 {
		return nil, fmt.Errorf("there is no CAN interface %s", name)
	}
	return &all[at], nil
}
