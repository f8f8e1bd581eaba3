// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Pushing without losing anything: a batch is kept until it is acknowledged, and acknowledged means that it is on the
// server's disk.

import { once } from 'node:events';
import { setTimeout as sleep } from 'node:timers/promises';
import { mayPass } from './api.js';

// patience is how long the server may be away, pause what lies between two attempts; in milliseconds.
const patience = 60_000;
const pause = 250;

// send writes the batches, each when it was taken: at the speed given, counted from the first.
async function send(stream, batches, speed, signal) {
  const start = Date.now();
  for (const batch of batches) {
    const due = start + (batch.base_time_us - batches[0].base_time_us) / 1000 / speed;
    if (due > Date.now()) await sleep(due - Date.now(), undefined, { signal });
    if (!stream.write({ batch })) await once(stream, 'drain', { signal });
  }
}

// receive takes acknowledgements in; the stream ends when the last batch is acknowledged.
async function receive(stream, answers, state, last) {
  if (state.durable === last) stream.end();
  for await (const { acknowledged } of { [Symbol.asyncIterator]: () => answers }) {
    state.durable = acknowledged.last_sequence;
    state.alive = Date.now();
    if (state.durable === last) stream.end();
  }
}

// pushOnce opens the capture and pushes what the server lacks.
async function pushOnce(sessions, capture, batches, speed, state) {
  const ended = new AbortController();
  const stream = sessions.PushSamples();
  try {
    const answers = stream[Symbol.asyncIterator]();
    // An older writer is refused from here on, and this one when it shows an epoch that is not the newest.
    stream.write({ open: { capture, writer_epoch: state.epoch } });
    const { opened } = (await answers.next()).value;
    Object.assign(state, { epoch: opened.writer_epoch, durable: opened.last_sequence });
    await Promise.all([send(stream, batches.slice(state.durable), speed, ended.signal), receive(stream, answers, state, batches.length)]);
  } finally {
    ended.abort();
    stream.cancel();
  }
}

// push pushes the batches of a capture, numbered from 1, and returns when all of them are durable. A connection that is
// lost is opened again, and the server says where to go on.
export async function push(sessions, capture, batches, speed, notify) {
  const state = { epoch: 0, durable: 0, alive: Date.now() };
  while (true) {
    try {
      return await pushOnce(sessions, capture, batches, speed, state);
    } catch (error) {
      if (!mayPass(error) || Date.now() - state.alive > patience) throw error;
      notify(`the server is away (${error.details}); batch ${state.durable} of ${batches.length} is safe`);
      await sleep(pause);
    }
  }
}
