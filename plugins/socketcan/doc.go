// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package socketcan is the adapter for Linux's own CAN interfaces. Each interface that the administrator's configuration
// allows is a device; the control units behind it are asked by ISO 15765-4, and the broadcasts of heavy vehicles (SAE J1939)
// are listened to.
//
// Times are the kernel's. Requests go through sdk/canlink over a raw socket, or through the kernel's ISO-TP sockets where the
// configuration says so; samples come from sdk/poll over the same link. On other systems the adapter lists no device and says
// why none can be opened.
//
// # Care
//
// A bus is listened to before anything is sent. The bit rate of an interface is changed only where the configuration says
// that it may be; else the error has the command that an administrator runs. In listening, nothing is ever sent.
//
// # Errors
//
// An interface that is gone or down is UNPLUGGED, and comes back by itself when it is up again. An interface at another bit
// rate than the configuration asks for is BAD_CONFIGURATION. A bus whose controller reports errors is a kind of SILENT.
package socketcan
