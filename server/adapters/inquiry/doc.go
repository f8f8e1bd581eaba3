// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package inquiry asks the control units of a vehicle what they say of themselves:
// trouble codes with their freeze frame, monitors, identification, fuel and the
// signals that they have. It makes an airassay.v1beta1.VehicleReport of it.
//
// It only reads, by SAE J1979 or, where no control unit answers that, by SAE
// J1979-2; sdk/j1979 writes the requests and takes the answers apart. What carries
// them is given by the caller, so that the package knows no adapter.
//
// A report is not an assay: nothing in it can fail the capture that it stands
// beside. What is silent, refused, garbled or late is written down as such, and all
// the rest is asked all the same. The link is shared with the samples of the drive:
// after each request the link is left alone for as long as the request took.
package inquiry
