// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package canlink makes a link to a vehicle's control units out of a CAN bus, as ISO 15765-4 describes it: a Bus carries
// frames, a Link is an adapter.Linker over it. Whoever has CAN hardware writes a Bus, and has the rest:
//
//	link, found, err := canlink.Search(ctx, tuner, canlink.Options{}) // finds bit rate and addressing; or
//	link, err := canlink.New(bus, canlink.Options{})                  // where the bit rate is known
//	answers, err := link.Request(ctx, adapter.Request{Payload: []byte{0x01, 0x0C}})
//
// # Who is asked, and who answers
//
// All control units are asked at 7DF or 18DB33F1, one at 7E0 to 7E7 or 18DAxxF1; they answer by 7E8 to 7EF or 18DAF1xx. In
// requests and answers these identifiers stand as numbers, those of 29 bits with Wide added. Several may answer at once and
// in many frames; each gets its flow control (block size 0, STmin 0) at its own identifier. A probe finds the addressing,
// the dialects (service 01, service 22) and the control units. It listens first.
//
// # When a request is over
//
// A control unit begins its answer within P2 (50 ms), or P2* (5 s) after it asked for patience (response code 78). Waiting
// for P2 after each request would halve the rate, so a link learns who answers which request and returns when all of them
// have: two requests are waited for to the end, for in one an answer may be lost. Who misses three times in a row, or more
// often where it has missed before, is no longer waited for, and every two minutes two requests wait for P2 again, to find
// who is new. Nothing tells an answer to a request from a late one to the same request before: where the number of
// expected answers is less than that of the control units that answer, or the time-out is below P2, the rest may be taken
// for answers to the next request if that is the same.
//
// # What goes wrong
//
// A frame that comes twice in a row, and an answer that is given twice, count once; ISO 15765-2 would have the answer given
// up. Two answers of one control unit that differ are none. An answer is taken that repeats the service, and the parameter or identifier, of the request, and that came after it.
// One that belongs to an earlier request is passed over, and stopped (flow control "overflow") where it has many frames. What breaks the transport's rules is adapter.ErrGarbled with the
// control unit and what was wrong; what is left of it does not reach the next request. Nobody is adapter.ErrSilent. After
// an error on the bus nothing is sent for 100 ms, then twice that and so on up to 2 s, until an answer comes; after two
// bus-offs without an answer in between the link sends nothing more. Hardware that is gone is adapter.ErrUnplugged, for
// this request and for all others.
//
// # What is sent
//
// Only requests that read: every one passes j1979.CheckReadOnly here, whoever checked it before, and a refusal is logged
// and counted. Besides them a link sends flow controls.
//
// One goroutine receives, from New to Close. Whoever's turn it is sends, keeps the time and drives the transport.
package canlink
