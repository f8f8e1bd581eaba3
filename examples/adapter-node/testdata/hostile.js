// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// An adapter that does one thing that an author may do wrong, named by its argument.

import { AdapterError, log, now, serve } from '../lib/index.js';
import { setTimeout as sleep } from 'node:timers/promises';

const [role] = process.argv.slice(2);
const path = 'Vehicle.OBD.MAF';
const never = new Promise(() => {});

const feeds = {
  // As fast as the host reads.
  async flood(sink) {
    const width = sink.wanted[0]?.group || 1;
    for (let n = 0; ; n += width) await sink.send(...Array.from({ length: width }, (_, i) => ({ path, value: n + i })));
  },
  // As fast as it likes, because the hardware cannot be held up.
  async offers(sink, signal) {
    for (let n = 0; !signal.aborted; n += 100) {
      sink.offer(...Array.from({ length: 100 }, (_, i) => ({ path, value: n + i })));
      await sleep(1);
    }
  },
  async 'ignores its signal'(sink) {
    await sink.send({ path, value: 1 });
    await never;
  },
  async 'ends slowly'(sink, signal) {
    await sink.send({ path, value: 1 });
    await sleep(60_000, undefined, { signal }).catch(() => {});
    await sleep(400);
  },
  async throws(sink) {
    await sink.send({ path, value: 1 });
    throw new TypeError('the box is on fire');
  },
  async returns() {},
  async 'sends nonsense'(sink) {
    await sink.send({ path, value: 1, timeUs: 1000 }, { path, value: NaN }, { path, value: 2, timeUs: 500 }, { path, value: 3, timeUs: 2000 });
  },
  async 'flickers'(sink, signal) {
    for (let n = 0; ; n++) {
      sink.link(n % 2 === 0 ? 'SILENT' : 'BUS_ERRORS');
      if (n % 1000 === 0) await sleep(1, undefined, { signal });
    }
  },
  async 'widens its uncertainty'(sink, signal) {
    await sink.send({ path, value: 1 }, { path, value: 2, uncertaintyUs: 77 }, { path, value: 3 });
    await sleep(60_000, undefined, { signal });
  },
};

const requests = {
  'ignores its signal': () => never,
  throws() {
    throw new TypeError('the wire is on fire');
  },
  'answers nothing': () => ({ answers: [] }),
  'answers emptily': () => ({ answers: [{ source: 1, payload: Buffer.alloc(0) }] }),
  async 'keeps the order'({ payload }) {
    const at = now();
    await sleep(payload[1] === 0x0c ? 60 : 1); // who came first takes longest
    return { answers: [{ source: at, payload: Buffer.from([0x41, payload[1]]) }] };
  },
};

serve({
  about: { name: 'hostile', version: '1.0.0', summary: 'Does one thing wrong.', abilities: ['feed', 'link'], deprecations: ['being hostile'] },
  configure() {
    if (role === 'prints') {
      console.log('printed by the author');
      process.stdout.write('and again\n');
      log.info('logged', { id: 1n, '@level': 'forged', loop: 'no' });
      const loop = {};
      loop.loop = loop;
      log.info('a loop', { loop });
      log.info('long', { text: 'x'.repeat(100_000) });
    }
    if (role === 'crashes later') setTimeout(() => null.nothing, 200);
    if (role === 'throws in configure') throw new TypeError('a \ud800 lone surrogate, a % and a \n line break');
    if (role === 'complains at length') {
      throw new AdapterError('BAD_CONFIGURATION', 'x'.repeat(100_000), { violations: Array.from({ length: 500 }, (_, i) => ({ field: `f${i}`, problem: 'y'.repeat(5000) })) });
    }
  },
  devices: () => (role === 'doubles its devices' ? [{ id: 'box-1' }, { id: 'box-1' }] : [{ id: 'box-1' }]),
  async open() {
    if (role === 'opens late') await sleep(1500);
    return {
      signals: () => [{ path, unit: 'g/s', uncertaintyUs: 10 }],
      feed: (sink, signal) => (feeds[role] ?? feeds.flood)(sink, signal),
      request: (request, signal) => (requests[role] ?? requests['answers nothing'])(request, signal),
      close() {
        log.info('closed');
        return role === 'never closes' ? never : undefined;
      },
    };
  },
});
