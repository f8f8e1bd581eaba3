// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package engine is a mean-value model of a spark or compression ignition
// engine with its intake, its sensors and its control unit.
//
// It exists to be the opponent of the assay: it makes recordings whose truth
// is known. So it is built from the physics of the parts (orifices, volumes,
// heated elements, a lambda controller with a dead time) and not from the
// signatures that a fault is supposed to show; it shares no constant and no
// line with the judge.
//
// All quantities inside are SI (kg/s, Pa, K, m³, rad/s is not used: speed is in
// revolutions per minute because every curve of the trade is) unless the name
// says otherwise. An Engine is not safe for concurrent use; two engines share
// nothing that is written.
package engine
