// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package assaytest makes streams of samples of a vehicle that does not exist,
// for the tests of the assay: what a logger would have recorded on a drive with
// one known fault.
//
// It is a static model of its own. It shares no code and no constant with the
// assay's physics, so that a mistake there is not repeated here: the reference
// engine is given by four measured-looking points and what lies between them,
// and each fault acts on the air, on the fuel or on a sensor where a real one would.
package assaytest
