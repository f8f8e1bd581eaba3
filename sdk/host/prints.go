// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"io"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/types/known/emptypb"
)

// printed is the library's message of a print, whose generated type is internal to it: an empty message keeps the
// fields that it does not know.
type printed = emptypb.Empty

// Fields of plugin.StdioData, and the channel's values.
const (
	printedChannel = 1
	printedData    = 2
	channelStderr  = 2
)

// passOnPrint writes a print to where it was meant to go.
func passOnPrint(raw []byte, stdout, stderr io.Writer) {
	channel, data := splitPrint(raw)
	to := stdout
	if channel == channelStderr {
		to = stderr
	}
	_, _ = to.Write(data) // the writers never fail
}

func splitPrint(raw []byte) (channel uint64, data []byte) {
	for len(raw) > 0 {
		number, kind, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return channel, data
		}
		raw = raw[n:]
		switch {
		case number == printedChannel && kind == protowire.VarintType:
			channel, n = protowire.ConsumeVarint(raw)
		case number == printedData && kind == protowire.BytesType:
			data, n = protowire.ConsumeBytes(raw)
		default:
			n = protowire.ConsumeFieldValue(number, kind, raw)
		}
		if n < 0 {
			return channel, data
		}
		raw = raw[n:]
	}
	return channel, data
}
