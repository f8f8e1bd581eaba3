// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package canlink makes a link to a vehicle's control units out of a CAN bus, as ISO 15765-4 describes it.
package canlink
