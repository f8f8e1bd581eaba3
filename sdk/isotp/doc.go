// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package isotp is the transport of diagnostic messages over CAN (ISO 15765-2): it cuts a message into frames and puts
// frames together into a message.
package isotp
