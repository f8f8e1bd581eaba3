// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package ecu is a vehicle to talk to: control units that answer SAE J1979 and
// SAE J1979-2 (ISO 14229) from a simulated drive.
//
// It speaks in payloads, service byte first: what a Unit is asked and what it
// answers has no transport around it. CAN, Ethernet, K-line timing or a serial
// command set are put around it by whoever has such a link; package canbus does so
// for CAN.
//
// A Vehicle drives a scenario in step with the instants at which it is asked, so it
// needs no clock and no goroutine: the caller's time decides, virtual or real. Its
// sensors are read no oftener than the control unit refreshes each parameter.
// Trouble codes are set as a control unit would set them, from what it reads, with
// a freeze frame of that moment; nobody tells it what is wrong.
//
//	vehicle.go     the drive behind the control units
//	fitted.go      which parameters are fitted, and their bytes
//	monitor.go     what a control unit watches, and what it stores
//	identity.go    identification number, calibration ids
//	unit.go        requests in, answers out, with their latency
//	services.go    SAE J1979: 01 02 03 06 07 09 0A
//	uds.go         SAE J1979-2: 22 19, and the session services 10 and 3E
//	fault.go       what goes wrong with answers on their way
//
// Nothing can be changed through it: services that clear, write or control are
// refused and counted (Unit.Counts), so that a test can show that none came.
package ecu
