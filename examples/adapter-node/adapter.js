#!/usr/bin/env node
// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// An adapter in plain JavaScript. This file and box.js are what you write; lib holds the contract and is taken as it is.

import { ConfigurationError, decode, now, serve } from './lib/index.js';
import { isAbsolute } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { Box } from './box.js';

// Paths and units are those of COVESA VSS. The box samples all of them at once, within a millisecond.
const signals = [
  { path: 'Vehicle.OBD.MAF', unit: 'g/s', resolution: 0.01, uncertaintyUs: 1000, of: ({ flow }) => flow },
  { path: 'Vehicle.OBD.EngineSpeed', unit: 'rpm', resolution: 0.25, uncertaintyUs: 1000, of: ({ rpm }) => rpm },
  { path: 'Vehicle.OBD.IntakeTemp', unit: 'Celsius', resolution: 1, uncertaintyUs: 1000, of: ({ celsius }) => celsius },
];

// Opened is the box while somebody uses it.
class Opened {
  // Nothing is measured here. A real box leaves timeSource out, or says 'hardware' where it stamps its samples itself.
  details = { timeSource: 'recorded', maxRequestsPerS: 20 };
  #box;
  #every; // milliseconds between two samples
  #due = new Map(); // when each signal is to be sent next

  constructor(box, samplesPerS) {
    this.#box = box;
    this.#every = 1000 / samplesPerS;
    box.take();
  }

  // signals says what of the wanted signals can be had. It may say more than what is wanted; what it leaves out is
  // reported as unsupported.
  signals() {
    return signals;
  }

  // feed sends samples until the signal aborts.
  async feed(sink, signal) {
    for (let due = now() / 1000; ; due = Math.max(due + this.#every, now() / 1000)) {
      await sleep(due - now() / 1000, undefined, { signal });
      const timeUs = now();
      const measured = this.#box.measure(timeUs);
      const ripe = sink.wanted.filter(({ path, rateHz }) => this.#isDue(path, rateHz, timeUs));
      const samples = ripe.map(({ path }) => ({ path, timeUs, value: signals.find((s) => s.path === path).of(measured) }));
      await sink.send(...samples);
    }
  }

  #isDue(path, rateHz, timeUs) {
    if (rateHz === 0) return true;
    if (timeUs < (this.#due.get(path) ?? 0)) return false;
    this.#due.set(path, timeUs + 1e6 / rateHz);
    return true;
  }

  // request sends one diagnostic request; the library has seen to it that it only reads.
  request(request, signal) {
    return this.#box.ask(request, signal);
  }

  // close gives the box back. It is called once, and also when the host dies.
  close() {
    this.#box.release();
  }
}

const defaults = { mean_g_per_s: 20, period_s: 10, samples_per_s: 50, cable: '' };
let config = defaults;

serve({
  about: {
    name: 'airflow-node',
    version: '0.1.0',
    summary: 'A made-up box that measures an engine whose speed swings like a sine.',
    abilities: ['feed', 'link'],
    feedSignals: signals.map(({ path }) => path),
  },

  // configure checks what the administrator wrote, and gives what puts it to use: the host may only be asking.
  configure(given) {
    const next = decode(given, defaults);
    const wrong = [];
    const range = (field, low, high) => {
      if (!(next[field] >= low && next[field] <= high)) wrong.push({ field, problem: `is ${next[field]}; use ${low} to ${high}` });
    };
    range('mean_g_per_s', 1, 300);
    range('period_s', 1, 3600);
    range('samples_per_s', 1, 1000);
    if (next.cable !== '' && !isAbsolute(next.cable)) wrong.push({ field: 'cable', problem: `is ${next.cable}; use an absolute path` });
    if (wrong.length > 0) throw new ConfigurationError(wrong);
    return () => {
      config = next;
    };
  },

  // devices looks for hardware, and must not disturb what is open.
  devices() {
    return new Box(config).plugged() ? [{ id: 'box-1', name: 'Air flow box', location: config.cable || 'nowhere', serial: 'AF-0001' }] : [];
  },

  // open takes a device that was listed and is not open.
  open() {
    return new Opened(new Box(config), config.samples_per_s);
  },
});
