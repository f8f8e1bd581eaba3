// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package adapters runs the adapters that the administrator has installed and captures live drives from their devices.
// sdk/host keeps the processes alive; this package says which there are, tells callers how they stand, and carries what
// they deliver into captures of server/session, as any client that pushes would.
//
// A sample's way: an adapter's batch comes in over its feed; its times are placed on the session's axis; it is appended
// to the capture's writer, which makes it durable; what the drive does now decides which signals are asked for next.
// When the feed breaks, the capture stays: the device is opened again as soon as that can be, the same writer goes on,
// and the first batch that comes carries the gap.
package adapters
