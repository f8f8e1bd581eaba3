// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package architecture holds the tests that keep the house as it was planned: who may import whom, what an outsider
// drags in with the SDK, what the assay must not touch, and the form that every file keeps. It has no code of its own.
//
// The rules are tables, each row with its reason; a package that no row covers is a violation, so that a new folder
// is a decision and not an accident. To change a rule, change its row and say why there.
package architecture
