// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package app is the wiring of the program: it knows every part, and every
// part is put together here. Main is the program without its process; each of
// its commands has a file of its own and an entry in commands.
package app
