// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package push sends the batches of a capture to an Airassay server and loses
// none of them, whatever happens to the network or the server. It is what a box
// in a car needs, and small enough to be copied.
//
// The rules that make it work:
//
//   - A batch is kept until the server has acknowledged it, and the server
//     acknowledges what is on its disk. So nothing is ever in one place only.
//   - Batches are numbered from 1 without holes. After a break the server says
//     which number it has, and the writer goes on with the next: what was on
//     its way is sent again, and what had arrived is not.
//   - Whoever opens a capture holds an epoch. After a break the writer shows it;
//     if somebody else has taken the capture over meanwhile, the server refuses,
//     and two writers never mix.
//   - A call that creates something carries a request id, and is repeated with the
//     same one when its answer is lost. So nothing is created twice.
//   - Waiting between attempts grows and is jittered: after an outage a whole
//     fleet does not come back in the same instant.
package push
