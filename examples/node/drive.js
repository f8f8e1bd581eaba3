// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Pushes a recording to an Airassay server as if it were driven now, shows how far the drive has come, and prints the
// verdict. The finding goes to stdout, all else to stderr.

import { randomUUID } from 'node:crypto';
import { dirname, join } from 'node:path';
import { parseArgs } from 'node:util';
import { call, connect, reasonOf } from './api.js';
import { push } from './push.js';
import { readFacts, readRecording } from './recording.js';

const usage = 'usage: node drive.js [--server HOST:PORT] [--speed NUMBER|max] [--second-person] RECORDING';
const note = (text) => process.stderr.write(`${text}\n`);

function options() {
  const flags = { server: { type: 'string', default: '127.0.0.1:7632' }, speed: { type: 'string', default: '1' }, 'second-person': { type: 'boolean', default: false } };
  const { values, positionals } = parseArgs({ options: flags, allowPositionals: true });
  const speed = values.speed === 'max' ? Infinity : Number(values.speed);
  if (positionals.length !== 1 || !(speed > 0)) throw new Error(usage);
  return { server: values.server, speed, secondPerson: values['second-person'], path: positionals[0] };
}

// begin creates vehicle, session and capture. A request_id makes it safe to repeat a call whose answer was lost.
async function begin({ vehicles, sessions }, { vehicle, day }, signals, secondPerson) {
  const made = await call(vehicles, 'CreateVehicle', { vehicle: { ...vehicle, display_name: 'van' }, request_id: randomUUID() });
  const opened = await call(sessions, 'CreateSession', {
    session: { vehicle: made.vehicle.name, day_conditions: day, second_person_confirmed: secondPerson, external_reference: 'order 2207' },
    request_id: randomUUID(),
  });
  const declared = await call(sessions, 'CreateCapture', { parent: opened.session.name, capture: { signals, clock: 'CLOCK_KIND_HOST' }, request_id: randomUUID() });
  return { session: opened.session.name, capture: declared.capture.name };
}

// watch tells how far the drive has come, whenever there is something new to say, until the session is closed. What is
// watched is not what counts: where the stream breaks, the drive goes on without it.
async function watch({ sessions }, session) {
  let said = '';
  let prompt = '';
  try {
    for await (const { progress } of sessions.WatchProgress({ session })) {
      const used = progress.manoeuvres.filter((manoeuvre) => manoeuvre.used).length;
      const [leading] = progress.conditions;
      const state = `manoeuvres used: ${used}; likeliest: ${leading ? `${leading.condition} ${Math.round(100 * leading.probability)} %` : 'unknown'}`;
      if (state !== said) note(`${(progress.latest_time_us / 1e6).toFixed(0).padStart(5)} s: ${state}`);
      if (progress.prompt !== prompt) note(`next: ${progress.prompt}`);
      said = state;
      prompt = progress.prompt;
    }
  } catch (error) {
    note(`progress is no longer shown: ${error.details}`);
  }
}

async function drive(clients, { speed, secondPerson, path }) {
  const { signals, batches } = readRecording(path);
  const { session, capture } = await begin(clients, readFacts(join(dirname(path), 'vehicle.json')), signals, secondPerson);
  note(`${batches.length} batches go into ${capture}`);
  const watched = watch(clients, session);
  await push(clients.sessions, capture, batches, speed, note);
  await call(clients.sessions, 'FinishCapture', { name: capture });
  const closed = await call(clients.sessions, 'CloseSession', { name: session });
  await watched;
  return (await call(clients.verdicts, 'GetVerdict', { name: closed.verdict })).verdict;
}

async function main() {
  const o = options();
  const clients = connect(o.server);
  try {
    const { name, text } = await drive(clients, o);
    note(name);
    process.stdout.write(`${text.headline}\n`);
    for (const advice of text.advice) process.stdout.write(`\n${advice}\n`);
  } finally {
    clients.close();
  }
}

main().catch((error) => {
  const info = reasonOf(error);
  note(info ? `${error.details} (${info.reason} ${JSON.stringify(info.metadata)})` : error.details || error.message);
  process.exitCode = 1;
});
