// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import "fmt"

// UpCommand is what an administrator runs to put the interface into service at a bit rate; 0 leaves the rate as it is, or
// 500000 where none is set.
func (i *Interface) UpCommand(bitRate int) string {
	if !i.Hardware() {
		return fmt.Sprintf("ip link set %s up", i.Name)
	}
	if bitRate == 0 {
		bitRate = i.BitRate
	}
	if bitRate == 0 {
		bitRate = usualBitRate
	}
	command := fmt.Sprintf("ip link set %s type can bitrate %d && ip link set %s up", i.Name, bitRate, i.Name)
	if i.Up {
		return fmt.Sprintf("ip link set %s down && %s", i.Name, command)
	}
	return command
}

// usualBitRate is that of most cars with CAN, in bits a second (ISO 15765-4 knows it and 250000).
const usualBitRate = 500_000
