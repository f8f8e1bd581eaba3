// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The samples of one feed on their way to the host: batched, numbered, and with every loss marked.

import { now } from './clock.js';
import { AdapterError, codes, statusOf } from './errors.js';
import { ended, gate } from './patience.js';

// A batch is sent after batchAge milliseconds or when it has fullBatch samples. The contract allows 200 and 4096; a live
// verdict has 250 milliseconds in all.
const batchAge = 50;
const fullBatch = 256;

// What waits for the host is bounded, and with it the memory of a feed.
const mostHeld = 4096; // samples
const mostQueued = 80; // messages

// conditions are those of a link, with the reason of the gap that each leaves.
const conditions = { UP: undefined, SILENT: 'SILENT', BUS_ERRORS: 'GARBLED' };

const named = (prefix, name) => `${prefix}_${name}`;

const defect = (message) => new AdapterError('DEFECT', message);

const faultOf = (entry, sample) => {
  if (!Number.isFinite(sample.value)) return `the value of ${sample.path} is ${sample.value}; send finite numbers only`;
  if (!Number.isFinite(sample.timeUs)) return `the time of a sample of ${sample.path} is ${sample.timeUs}; give microseconds of now()`;
  if (sample.timeUs < entry.lastUs) return `a sample of ${sample.path} is ${entry.lastUs - sample.timeUs} µs earlier than the one before`;
  if (!(sample.uncertaintyUs >= 1)) return `a sample of ${sample.path} has no time uncertainty; state it for the signal or the sample, at least 1 µs`;
  return undefined;
};

// Sink takes the samples of one feed. It is of no use after the feed has ended.
export class Sink {
  #signal;
  #log;
  #entries = [];
  #positions = new Map();
  #offered = new Set();
  #strangers = new Set();
  #wanted = [];
  #queue = [];
  #held = 0; // samples in the queue
  #taken = 0; // samples of send
  #batch;
  #ripening;
  #sequence = 0;
  #gap; // before the next batch
  #latestUs = 0;
  #condition = 'UP';
  #lostFromUs = 0;
  #finished = false;
  #wake = gate();
  #room = gate();

  constructor(signal, log) {
    this.#signal = signal;
    this.#log = log;
  }

  // wanted lists the signals that are wanted now and can be had, as {path, rateHz, group}. It changes while a feed runs.
  get wanted() {
    return this.#wanted;
  }

  // send delivers samples, each {path, value, timeUs, uncertaintyUs}: a finite value in the signal's unit, the time at
  // which it was taken, by now() and now if missing, and the half-width of the interval in which it was taken, the
  // signal's own if missing. While the host is slow it waits; it throws when the feed is to end. What is not wanted is
  // ignored. A sample that breaks the contract is replaced by a marked gap, the others are delivered, and the error says
  // what is wrong with the first.
  async send(...samples) {
    const calledUs = now();
    let first;
    for (const sample of samples) {
      while (this.#full() && !this.#signal.aborted) await this.#waitRoom();
      this.#signal.throwIfAborted();
      const fault = this.#take(calledUs, sample);
      first ??= fault;
      // Calls, deadlines and the lifeline must get their turn even if the box never pauses.
      if (++this.#taken % fullBatch === 0) await new Promise(setImmediate);
    }
    if (first) throw first;
  }

  // offer delivers samples as send does but never waits: where the host is slow, they are dropped and the gap is marked.
  // It serves hardware that cannot be held up.
  offer(...samples) {
    const calledUs = now();
    let first;
    for (const sample of samples) {
      const fault = this.#full() ? this.#drop(calledUs, sample) : this.#take(calledUs, sample);
      first ??= fault;
    }
    if (first) throw first;
  }

  // gap marks samples as lost between two instants, such as when the hardware says that its own buffer ran over.
  gap(fromUs, toUs, reason = 'OVERRUN') {
    if (!Object.hasOwn(codes, reason)) throw new TypeError(`no reason ${reason}`);
    this.#lose(fromUs, toUs, reason);
  }

  // link says that the state of the link has changed: UP, SILENT or BUS_ERRORS. What goes missing until it is up again is
  // marked as a gap. A sample after a silence says by itself that the link is up.
  link(condition) {
    if (!Object.hasOwn(conditions, condition)) throw new TypeError(`no condition ${condition}; there are ${Object.keys(conditions).join(', ')}`);
    this.#link(condition, now());
  }

  #link(condition, sinceUs) {
    if (condition === this.#condition) return;
    this.#seal();
    if (this.#condition === 'UP') {
      this.#lostFromUs = this.#latestUs || sinceUs;
    } else {
      this.#lose(this.#lostFromUs, sinceUs, conditions[this.#condition]);
      this.#lostFromUs = sinceUs;
    }
    this.#condition = condition;
    // A link that comes and goes while nobody reads must not fill the memory; the last state counts.
    if (this.#queue.at(-1)?.link_state && this.#queue.length >= mostQueued) this.#queue.pop();
    this.#push({ link_state: { condition: named('LINK_CONDITION', condition), since_us: sinceUs } });
  }

  // subscribe takes what the author says of the wanted signals, and queues the answer to the host. The list of signals
  // only grows.
  async subscribe(wanted, signals) {
    while (this.#queue.length >= mostQueued && !this.#signal.aborted) await this.#waitRoom();
    this.#signal.throwIfAborted();
    const byPath = new Map(signals.map((signal) => [signal.path, signal]));
    for (const path of byPath.keys()) this.#offered.add(path);
    for (const entry of this.#entries) entry.wanted = false;
    const unavailable = [];
    this.#wanted = wanted.filter(({ path }) => {
      const signal = byPath.get(path);
      const error = signal ? signal.error : new AdapterError('UNSUPPORTED_SIGNAL', `the signal ${path} is not supported`);
      if (error) unavailable.push({ path, status: statusOf(error) });
      else this.#want(signal);
      return !error;
    });
    this.#seal();
    this.#push({ subscribed: { signals: this.#entries.map((entry) => entry.signal), unavailable } });
  }

  #want({ path, unit = '', resolution = 0, uncertaintyUs = 0, refreshUs = 0 }) {
    if (!this.#positions.has(path)) {
      this.#positions.set(path, this.#entries.length);
      const signal = { path, unit, resolution, time_uncertainty_us: Math.round(uncertaintyUs), refresh_interval_us: Math.round(refreshUs) };
      this.#entries.push({ signal, wanted: true, uncertaintyUs, lastUs: 0 });
    }
    const entry = this.#entries[this.#positions.get(path)];
    if (entry.signal.unit !== unit) throw defect(`the unit of ${path} was ${entry.signal.unit} and is now ${unit}; it stays the same during a feed`);
    Object.assign(entry, { wanted: true, uncertaintyUs });
  }

  #full() {
    return this.#held + (this.#batch?.value.length ?? 0) >= mostHeld || this.#queue.length >= mostQueued;
  }

  async #waitRoom() {
    const end = ended(this.#signal);
    await Promise.race([this.#room.opened, end.opened]);
    end.forget();
  }

  #entryOf(path) {
    const entry = this.#entries[this.#positions.get(path)];
    if (entry?.wanted) return entry;
    if (!this.#offered.has(path) && !this.#strangers.has(path) && this.#strangers.size < 64) {
      this.#strangers.add(path);
      this.#log.warn('samples of a signal that signals() does not list are ignored', { path });
    }
    return undefined;
  }

  // take puts one sample into the batch, or gives what is wrong with it.
  #take(calledUs, { path, value, timeUs = calledUs, uncertaintyUs }) {
    const entry = this.#entryOf(path);
    if (!entry) return undefined;
    const sample = { path, value, timeUs, uncertaintyUs: uncertaintyUs ?? entry.uncertaintyUs };
    const fault = faultOf(entry, sample);
    if (fault) {
      const at = Number.isFinite(timeUs) ? timeUs : calledUs;
      this.#lose(at, at, 'DEFECT');
      return defect(fault);
    }
    this.#add(entry, sample);
    return undefined;
  }

  #drop(calledUs, { path, timeUs = calledUs }) {
    if (this.#entryOf(path)) this.#lose(timeUs, timeUs, 'OVERRUN');
  }

  #add(entry, { path, value, timeUs, uncertaintyUs }) {
    if (this.#condition !== 'UP') this.#link('UP', timeUs);
    if (!this.#batch) this.#begin(timeUs);
    const batch = this.#batch;
    const width = Math.round(uncertaintyUs);
    if (width !== entry.signal.time_uncertainty_us && batch.time_uncertainty_us.length === 0) {
      // The column was not needed until now.
      batch.time_uncertainty_us = batch.signal.map((position) => this.#entries[position].signal.time_uncertainty_us);
      batch.widths = true;
    }
    if (batch.widths) batch.time_uncertainty_us.push(width);
    batch.offset_us.push(Math.round(timeUs) - batch.base_time_us);
    batch.signal.push(this.#positions.get(path));
    batch.value.push(value);
    entry.lastUs = timeUs;
    this.#latestUs = Math.max(this.#latestUs, timeUs);
    if (batch.value.length >= fullBatch) this.#seal();
  }

  // begin opens a batch, with the gap before it.
  #begin(baseUs) {
    this.#batch = { sequence: ++this.#sequence, base_time_us: Math.round(baseUs), offset_us: [], signal: [], value: [], time_uncertainty_us: [], gap: this.#gap };
    this.#gap = undefined;
    this.#ripening = setTimeout(() => this.#seal(), batchAge);
  }

  #seal() {
    if (!this.#batch) return;
    clearTimeout(this.#ripening);
    const { widths, ...batch } = this.#batch;
    this.#batch = undefined;
    this.#held += batch.value.length;
    this.#push({ batch });
  }

  // lose marks a gap before the next batch, or widens the one that is marked.
  #lose(fromUs, toUs, reason) {
    this.#seal();
    const [start, end] = [Math.round(fromUs), Math.round(Math.max(fromUs, toUs))];
    this.#gap ??= { start_us: start, end_us: end, reason: named('ADAPTER_ERROR_REASON', reason) };
    this.#gap.start_us = Math.min(this.#gap.start_us, start);
    this.#gap.end_us = Math.max(this.#gap.end_us, end);
  }

  #push(message) {
    this.#queue.push(message);
    this.#wake.open();
  }

  // finish says that nothing more will come.
  finish() {
    this.#seal();
    if (this.#gap) {
      this.#begin(this.#gap.end_us);
      this.#seal();
    }
    this.#finished = true;
    this.#wake.open();
  }

  // next waits for a message to send; undefined says that none will come.
  async next() {
    while (this.#queue.length === 0) {
      if (this.#finished) return undefined;
      this.#wake = gate();
      await this.#wake.opened;
    }
    const message = this.#queue.shift();
    this.#held -= message.batch?.value.length ?? 0;
    this.#room.open();
    this.#room = gate();
    return message;
  }
}
