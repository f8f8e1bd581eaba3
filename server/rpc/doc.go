// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package rpc is the border between the API's messages and the domain: protobuf
// in, domain call, protobuf out. No rule of the trade lives here.
package rpc
