// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package socket speaks to Linux's CAN sockets: raw frames with the kernel's time on each, ISO-TP done by the kernel, and
// the list of interfaces with what the kernel knows of them.
//
// The layouts of the kernel's structures are decoded in files that every system compiles and fuzzes; what needs the kernel
// itself is compiled on Linux alone. Elsewhere everything that opens says that the system has no CAN sockets.
package socket
