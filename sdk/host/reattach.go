// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"strings"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// parseReattach reads the line that an adapter in debugging prints.
func parseReattach(line string) (where handshake.Reattach, address net.Addr, err error) {
	if err := json.Unmarshal([]byte(line), &where); err != nil {
		return where, nil, fmt.Errorf("reattach to %s: expected the line of JSON that the adapter printed: %w", quote(line), err)
	}
	if _, ok := handshake.Services[where.ProtocolVersion]; !ok {
		return where, nil, versionError([]int{where.ProtocolVersion})
	}
	switch where.Network {
	case "unix":
		address, err = net.ResolveUnixAddr("unix", where.Address)
	case "tcp":
		if err = checkAddress("tcp", where.Address, ""); err == nil {
			address, err = net.ResolveTCPAddr("tcp", where.Address)
		}
	default:
		err = fmt.Errorf("reattach over the network %s: expected unix or tcp", quote(where.Network))
	}
	return where, address, err
}

// levelName is a level as the adapter's side spells it.
func levelName(level slog.Level) string {
	switch {
	case level < slog.LevelInfo:
		return "debug"
	case level < slog.LevelWarn:
		return "info"
	case level < slog.LevelError:
		return "warn"
	}
	return strings.ToLower(slog.LevelError.String())
}
