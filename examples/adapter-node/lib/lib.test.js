// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

import assert from 'node:assert/strict';
import { X509Certificate } from 'node:crypto';
import { test } from 'node:test';
import { makeCertificate } from './certificate.js';
import { reasons } from './contract.js';
import { AdapterError, codes, statusOf } from './errors.js';
import { bounded, patient, Turns } from './patience.js';
import { describe } from './service.js';
import { Sink } from './sink.js';

const path = 'Vehicle.OBD.MAF';
const silent = { warn() {} };

// drain reads what a sink holds.
async function drain(sink) {
  sink.finish();
  const messages = [];
  for (let message = await sink.next(); message; message = await sink.next()) messages.push(message);
  return messages;
}

async function subscribed(signal = new AbortController().signal) {
  const sink = new Sink(signal, silent);
  await sink.subscribe([{ path, rateHz: 0, group: 0 }], [{ path, unit: 'g/s', uncertaintyUs: 5 }]);
  await sink.next();
  return sink;
}

test('a certificate is well-formed, of its own key and for localhost', () => {
  for (let i = 0; i < 50; i++) {
    const { certificate, der } = makeCertificate();
    const read = new X509Certificate(certificate);
    assert.ok(read.raw.equals(der));
    assert.ok(read.verify(read.publicKey));
    assert.equal(read.checkHost('localhost'), 'localhost');
    assert.equal(read.publicKey.asymmetricKeyDetails.namedCurve, 'prime256v1');
  }
});

test('every reason of the contract has a code', () => {
  assert.deepEqual(Object.keys(codes).sort(), reasons.filter((reason) => reason !== 'UNSPECIFIED').sort());
  assert.throws(() => new AdapterError('FORGOTTEN', 'x'), /no reason FORGOTTEN/);
});

test('what is thrown is never unprintable', () => {
  for (const thrown of [undefined, null, 3, {}, 'text', new Error(), new Error('\ud800')]) {
    const { code, message, details } = statusOf(thrown);
    assert.deepEqual([code, details.length, message.isWellFormed()], [codes.DEFECT, 1, true]);
  }
});

test('a description says all that is wrong with it', () => {
  assert.throws(() => describe(), /name.*version.*summary.*abilities/);
  assert.throws(() => describe({ name: 'A', version: '1', summary: '', abilities: ['fly'] }), /name.*version.*summary.*abilities/);
});

test('a gap stands before the batch that follows it, and in a batch of its own where none does', async () => {
  const sink = await subscribed();
  await sink.send({ path, value: 1, timeUs: 10 });
  sink.gap(20, 30);
  sink.gap(15, 25);
  await sink.send({ path, value: 2, timeUs: 40 });
  sink.gap(50, 60, 'GARBLED');
  const batches = (await drain(sink)).map(({ batch }) => [batch.sequence, batch.value, batch.gap]);
  assert.deepEqual(batches, [
    [1, [1], undefined],
    [2, [2], { start_us: 15, end_us: 30, reason: 'ADAPTER_ERROR_REASON_OVERRUN' }],
    [3, [], { start_us: 50, end_us: 60, reason: 'ADAPTER_ERROR_REASON_GARBLED' }],
  ]);
});

test('a sample after a silence says that the link is up, and what is missing is marked', async () => {
  const sink = await subscribed();
  await sink.send({ path, value: 1, timeUs: 10 });
  sink.link('SILENT');
  sink.link('SILENT');
  await sink.send({ path, value: 2, timeUs: 1e12 });
  const [first, down, up, second] = await drain(sink);
  assert.equal(first.batch.value[0], 1);
  assert.equal(down.link_state.condition, 'LINK_CONDITION_SILENT');
  assert.deepEqual(up.link_state, { condition: 'LINK_CONDITION_UP', since_us: 1e12 });
  assert.deepEqual(second.batch.gap, { start_us: 10, end_us: 1e12, reason: 'ADAPTER_ERROR_REASON_SILENT' });
});

test('a full sink makes send wait, and lets it go when the feed ends', async () => {
  const life = new AbortController();
  const sink = await subscribed(life.signal);
  const samples = Array.from({ length: 10_000 }, (_, i) => ({ path, value: i, timeUs: i }));
  const sending = sink.send(...samples);
  sending.catch(() => {});
  assert.equal(await bounded(sending, 100), false);
  await sink.next();
  assert.equal(await bounded(sending, 50), false);
  life.abort(new Error('over'));
  await assert.rejects(sending, /over/);
});

test('samples that nobody wants cost nothing and are named once', async () => {
  const warnings = [];
  const sink = new Sink(new AbortController().signal, { warn: (_, { path: named }) => warnings.push(named) });
  await sink.subscribe([], [{ path }]);
  await sink.send({ path, value: 1 }, { path: 'Vehicle.Other', value: 1 }, { path: 'Vehicle.Other', value: 2 });
  assert.deepEqual([(await drain(sink)).length, warnings], [1, ['Vehicle.Other']]);
});

test('a signal that changes its unit is a defect', async () => {
  const sink = await subscribed();
  await assert.rejects(sink.subscribe([{ path }], [{ path, unit: 'kg/h' }]), /unit of Vehicle.OBD.MAF was g\/s/);
});

test('turns come in order, also when somebody gives up waiting', async () => {
  const turns = new Turns();
  const forever = new AbortController().signal;
  const impatient = new AbortController();
  const order = [];
  const leave = await turns.enter(forever);
  const second = turns.enter(impatient.signal);
  const third = turns.enter(forever).then((done) => {
    order.push('third');
    done();
  });
  impatient.abort(new Error('gave up'));
  await assert.rejects(second, /gave up/);
  order.push('first');
  leave();
  await third;
  await turns.idle();
  assert.deepEqual(order, ['first', 'third']);
});

test('work that ends within its patience is waited for', async () => {
  const life = new AbortController();
  const work = new Promise((resolve) => setTimeout(resolve, 30, 'done'));
  life.abort(new Error('over'));
  assert.equal(await patient(life.signal, work, 1000), 'done');
  await assert.rejects(patient(life.signal, new Promise(() => {}), 10), { message: 'the method goes on', cause: life.signal.reason });
});
