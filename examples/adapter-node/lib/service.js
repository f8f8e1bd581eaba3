// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The contract over an author's object: who may call what and when, one thing at a time, every wait bounded.

import { setTimeout as sleep } from 'node:timers/promises';
import { now } from './clock.js';
import { AdapterError, badRequest, Cancelled, ConfigurationError, failureOf, unimplemented } from './errors.js';
import { bounded, ended, gate, join, Late, patient, Turns } from './patience.js';
import { checkReadOnly } from './readonly.js';
import { Sink } from './sink.js';

// times are those of the contract in milliseconds, with some room for the way to the host and back.
const times = {
  patience: 700, // for an author's method after its end; C3 and S12 allow 1 s
  flush: 200, // for the host to take what is left when a feed ends
  lifeline: 10_000, // for the first lifeline; K2
  beat: 1000, // between messages of the lifeline; K3
  release: 4000, // for all hardware to be released; K1 allows 5 s until the process is gone
  linger: 250, // from the answer to Shutdown to the end; Q1 allows 2 s
  retry: 1000, // before a feed is tried again on a silent vehicle
};

// mostTimeout is the longest wait for a first answer, and how long a control unit that asked for patience may take
// for each further one (P2*CAN,max of ISO 15765-4). usualTimeout serves a host that states none.
const mostTimeout = 5000;
const usualTimeout = 1000;

const idForm = /^[a-z0-9.-]{1,60}$/;

const abilities = { feed: 'ABILITY_FEED', link: 'ABILITY_LINK' };
const methodsOf = { feed: ['signals', 'feed'], link: ['request'] };
const timeSources = { hardware: 'TIME_SOURCE_HARDWARE', adapter: 'TIME_SOURCE_ADAPTER', recorded: 'TIME_SOURCE_RECORDED' };

const nameForm = /^[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?$/;
const versionForm = /^(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?$/; // semver.org

const fits = (form, text) => typeof text === 'string' && form.test(text);

function list(method, value) {
  if (Array.isArray(value)) return value;
  throw new AdapterError('DEFECT', `${method} gave ${typeof value}; give an array`);
}

// describe checks what an author says of the adapter, and gives it as the contract has it.
export function describe({ name, version, summary, abilities: offered = [], feedSignals = [], deprecations = [] } = {}) {
  const wrong = [];
  if (!fits(nameForm, name)) wrong.push(`name is ${JSON.stringify(name)}; use lower-case letters, digits and hyphens, at most 40`);
  if (!fits(versionForm, version)) wrong.push(`version is ${JSON.stringify(version)}; use a semantic version, such as 1.4.0`);
  if (!summary) wrong.push('summary is empty; say in one sentence what the adapter is for');
  if (offered.length === 0 || offered.some((ability) => !Object.hasOwn(abilities, ability))) {
    wrong.push(`abilities is ${JSON.stringify(offered)}; list 'feed', 'link' or both`);
  }
  if (wrong.length > 0) throw new Error(`the adapter's description cannot be used: ${wrong.join('; ')}`);
  return { name, version, summary, abilities: offered.map((ability) => abilities[ability]), feed_signals: feedSignals, deprecations };
}

// guarded runs an author's method. What it throws that is no error of the contract is a defect, unless it says that the
// signal has aborted.
async function guarded(log, method, signal, work) {
  try {
    return await work();
  } catch (error) {
    if (error instanceof AdapterError) throw error;
    if (signal.aborted && (error === signal.reason || error?.name === 'AbortError')) throw signal.reason;
    log.error('a method of the adapter failed', { method, error });
    throw new AdapterError('DEFECT', `${method} failed: ${error?.message ?? error}; the stack is in the adapter's log`, { cause: error });
  }
}

// cancellation makes a signal that aborts when the host cancels a call or its deadline passes.
function cancellation(call) {
  const controller = new AbortController();
  call.on('cancelled', () => controller.abort(new Cancelled('the host has ended the call')));
  return controller.signal;
}

function parse(json) {
  let configuration;
  try {
    configuration = JSON.parse(json || '{}');
  } catch (error) {
    throw new ConfigurationError([{ field: 'configuration', problem: `is no JSON: ${error.message}` }]);
  }
  if (configuration === null || typeof configuration !== 'object' || Array.isArray(configuration)) {
    throw new ConfigurationError([{ field: 'configuration', problem: 'is no JSON object; write {"field": value}' }]);
  }
  return configuration;
}

// Service serves one adapter. exit ends the process, hung ends it without waiting for anything.
export class Service {
  #adapter;
  #about;
  #log;
  #exit;
  #hung;
  #configured = false;
  #changing = false; // a configuration is being put to use
  #configuring = new Turns();
  #listed = new Set();
  #devices = new Map();
  #lifelines = 0;
  #lifeMet = false;
  #end = new AbortController(); // aborts when all is to end

  constructor(adapter, about, { log, exit, hung }) {
    this.#adapter = adapter;
    this.#about = about;
    this.#log = log;
    this.#exit = exit;
    this.#hung = hung;
  }

  // handlers are what a server of grpc-js needs.
  handlers() {
    const unary = (method) => (call, callback) => {
      const signal = cancellation(call);
      method.call(this, call.request, signal).then(
        (answer) => callback(null, answer),
        (error) => callback(failureOf(this.#reported(error))),
      );
    };
    return {
      Describe: unary(this.#describe),
      Configure: unary(this.#configure),
      ListDevices: unary(this.#listDevices),
      OpenDevice: unary(this.#openDevice),
      CloseDevice: unary(this.#closeDevice),
      SendRequest: unary(this.#sendRequest),
      Shutdown: unary(this.shutdown),
      Feed: (call) => this.#feed(call),
      Lifeline: (call) => this.#lifeline(call),
    };
  }

  // reported gives what the host is told of an error, and logs what is the adapter's own fault.
  #reported(error) {
    if (error instanceof AdapterError || error instanceof Cancelled) return error;
    if (!(error instanceof Late)) {
      this.#log.error('the library of the adapter failed', { error });
      return error;
    }
    this.#log.error('a method of the adapter goes on although its call has ended');
    return error.cause;
  }

  #guarded(method, signal, work) {
    return guarded(this.#log, method, signal, work);
  }

  // #alive refuses calls once all is to end, #ready also before the first good Configure.
  #alive() {
    if (this.#end.signal.aborted) throw new AdapterError('CLOSED', 'the adapter is ending');
  }

  #ready() {
    this.#alive();
    if (!this.#configured) throw new AdapterError('NOT_CONFIGURED', 'the adapter is not configured; call Configure first');
  }

  #offers(ability) {
    if (!this.#about.abilities.includes(abilities[ability])) throw unimplemented(`${this.#about.name} does not offer ${abilities[ability]}`);
  }

  async #describe({ host_version }) {
    this.#log.debug('described', { host_version });
    return this.#about;
  }

  async #configure({ configuration_json: json, validate_only: only }, signal) {
    this.#alive();
    const leave = await this.#configuring.enter(signal);
    let checking = Promise.resolve();
    const check = () => {
      checking = this.#guarded('configure', signal, () => this.#adapter.configure(parse(json), signal));
      return patient(signal, checking, times.patience);
    };
    try {
      if (only) await check();
      else await this.#change(check, signal);
      return {};
    } finally {
      checking.catch(() => {}).then(leave);
    }
  }

  async #change(check, signal) {
    const [open] = this.#devices.keys();
    if (open !== undefined) throw new AdapterError('BUSY', `device "${open}" is open; close all devices before configuring`);
    this.#changing = true;
    try {
      const use = await check();
      signal.throwIfAborted(); // the host has given up and believes that nothing changed
      await this.#guarded('use of the configuration', signal, async () => use?.());
      this.#configured = true;
    } finally {
      this.#changing = false;
    }
  }

  async #look(signal) {
    const found = list('devices', await patient(signal, this.#guarded('devices', signal, () => this.#adapter.devices(signal)), times.patience));
    const seen = new Set();
    for (const { id } of found) {
      if (!fits(idForm, id)) throw new AdapterError('DEFECT', `devices gave the id ${JSON.stringify(id)}; use lower-case letters, digits, hyphens and dots, at most 60`);
      if (seen.has(id)) throw new AdapterError('DEFECT', `devices gave the id "${id}" twice`);
      seen.add(id);
    }
    for (const id of seen) this.#listed.add(id);
    return found;
  }

  async #listDevices(_, signal) {
    this.#ready();
    const found = await this.#look(signal);
    return { devices: found.map(({ id, name, location, serial }) => ({ id, display_name: name, location, serial_number: serial })) };
  }

  async #openDevice({ device_id: id }, signal) {
    this.#ready();
    // An adapter that was just restarted looks once itself.
    if (!this.#listed.has(id)) await this.#look(signal);
    if (!this.#listed.has(id)) throw new AdapterError('NO_SUCH_DEVICE', `no device "${id}" was found; list the devices`);
    const device = this.#reserve(id);
    const scope = join(signal, device.signal);
    const opening = this.#opened(device, scope.signal);
    try {
      return await patient(scope.signal, opening, times.patience);
    } catch (error) {
      if (!(error instanceof Late)) await bounded(device.closed, times.patience + times.flush);
      throw error;
    } finally {
      scope.leave();
    }
  }

  // #reserve takes an id, so that a second Open of it is refused.
  #reserve(id) {
    this.#alive();
    if (this.#changing) throw new AdapterError('BUSY', 'the adapter is being configured; try again');
    if (this.#devices.has(id)) throw new AdapterError('BUSY', `device "${id}" is open already; close it first`);
    const { opened, open: settle } = gate();
    const { opened: closed, open: free } = gate();
    const life = new AbortController();
    const device = { id, opened, settle, closed, free, life, signal: life.signal, turns: new Turns(), connection: undefined, feed: undefined, usable: false };
    this.#devices.set(id, device);
    return device;
  }

  // #opened opens a device, and closes it again where that failed or came too late.
  async #opened(device, signal) {
    try {
      device.connection = await this.#guarded('open', signal, () => this.#adapter.open(device.id, signal));
      const answer = this.#fits(device.connection);
      signal.throwIfAborted(); // the host has given up and believes that nothing changed
      device.usable = true;
      return answer;
    } catch (error) {
      this.#release(device);
      throw error;
    } finally {
      device.settle();
    }
  }

  // #fits says what is known of an open device, if it can do what the description promises.
  #fits(connection) {
    const missing = Object.keys(abilities)
      .filter((ability) => this.#about.abilities.includes(abilities[ability]))
      .flatMap((ability) => methodsOf[ability])
      .concat('close')
      .filter((method) => typeof connection?.[method] !== 'function');
    if (missing.length > 0) throw new AdapterError('DEFECT', `what open gave lacks the methods ${missing.join(', ')}`);
    const { timeSource = 'adapter', maxRequestsPerS = 0 } = connection.details ?? {};
    if (!Object.hasOwn(timeSources, timeSource)) throw new AdapterError('DEFECT', `details.timeSource is ${timeSource}; use one of ${Object.keys(timeSources).join(', ')}`);
    return { time_source: timeSources[timeSource], max_requests_per_s: maxRequestsPerS };
  }

  #find(id) {
    const device = this.#devices.get(id);
    if (!device?.usable || device.signal.aborted) throw new AdapterError('NOT_OPEN', `device "${id}" is not open; open it first`);
    return device;
  }

  async #closeDevice({ device_id: id }, signal) {
    this.#ready();
    const device = this.#devices.get(id);
    if (!device) return {};
    this.#release(device);
    const end = ended(signal);
    await Promise.race([device.closed, end.opened]);
    end.forget();
    return {};
  }

  // #release begins to close a device, once.
  #release(device) {
    if (device.signal.aborted) return;
    device.life.abort(new AdapterError('CLOSED', `device "${device.id}" was closed`));
    this.#close(device);
  }

  async #close(device) {
    await device.opened;
    if (device.feed) await bounded(device.feed.sent, times.patience + times.flush);
    await bounded(device.turns.idle(), times.patience + times.flush);
    try {
      await device.connection?.close?.();
    } catch (error) {
      this.#log.warn('closing a device', { device: device.id, error });
    }
    this.#devices.delete(device.id);
    device.free();
  }

  async #releaseAll() {
    const all = [...this.#devices.values()];
    all.forEach((device) => this.#release(device));
    await Promise.all(all.map((device) => device.closed));
  }

  async #sendRequest(request, signal) {
    this.#ready();
    this.#offers('link');
    const { payload, target, timeout, expected_answers: expected } = request;
    checkReadOnly(payload);
    const timeoutMs = timeout ? timeout.seconds * 1000 + timeout.nanos / 1e6 : usualTimeout;
    const wrong = [];
    if (!(timeoutMs > 0 && timeoutMs <= mostTimeout)) wrong.push({ field: 'timeout', problem: `is ${timeoutMs} ms; use more than 0 and at most ${mostTimeout} ms` });
    if (expected < 0) wrong.push({ field: 'expected_answers', problem: `is ${expected}; use 0 for all, or a number` });
    if (wrong.length > 0) throw badRequest(wrong);
    const device = this.#find(request.device_id);
    const scope = join(signal, device.signal);
    try {
      return await this.#ask(device, { payload, target, timeoutMs, expected }, scope);
    } finally {
      scope.leave();
    }
  }

  // #ask waits for the device's turn and sends.
  async #ask(device, request, scope) {
    const leave = await device.turns.enter(scope.signal);
    const silent = new AdapterError('SILENT', `no control unit answered within ${request.timeoutMs} ms`);
    const timer = setTimeout(() => scope.abort(silent), request.timeoutMs + mostTimeout);
    const startUs = now();
    const asking = this.#guarded('request', scope.signal, () => device.connection.request(request, scope.signal)).finally(leave);
    try {
      const { sentUs = startUs, answers = [] } = (await patient(scope.signal, asking, times.patience)) ?? {};
      if (answers.length === 0) throw silent;
      return { sent_us: sentUs, answers: answers.map((answer) => complete(answer, sentUs)) };
    } finally {
      clearTimeout(timer);
    }
  }

  async #feed(call) {
    const signal = cancellation(call);
    // The status is on its way when the library says that the call is over, however that came.
    const sent = new Promise((resolve) => call.on('cancelled', resolve));
    let begun = false;
    let feed;
    const fail = (error) => {
      if (!call.cancelled) call.emit('error', failureOf(this.#reported(error)));
    };
    const take = async (request) => {
      if (feed) return feed.change(request).catch((error) => feed.stop(error));
      feed = await this.#begin(call, request, signal, sent);
      feed.run().then(fail);
    };
    call.on('data', (request) => {
      begun = true;
      call.pause();
      take(request).then(() => call.resume(), fail);
    });
    call.on('end', () => {
      if (!begun) fail(badRequest([{ field: 'signals', problem: 'is missing: the feed has no first message; subscribe to signals' }]));
    });
  }

  // #begin makes a feed the only one of its device. A feed that the host has ended is waited for.
  async #begin(call, request, signal, sent) {
    this.#ready();
    this.#offers('feed');
    const device = this.#find(request.device_id);
    const giveUp = now() + times.patience * 1000;
    while (device.feed && !device.feed.freed) {
      // The news that the host has ended the last feed may come behind its call for the next.
      await bounded(device.feed.sent, times.flush);
      const patience = device.feed.call.cancelled ? (giveUp - now()) / 1000 : 0;
      if (patience <= 0) throw new AdapterError('BUSY', `device "${device.id}" has a feed already; end that one first`);
      await bounded(device.feed.over, patience);
    }
    this.#find(request.device_id); // it may have been closed meanwhile
    const feed = new Feed({ call, device, signal, sent, log: this.#log, release: () => this.#release(device) });
    device.feed = feed;
    try {
      await feed.change(request);
    } catch (error) {
      feed.leave();
      feed.free();
      throw error;
    }
    return feed;
  }

  #lifeline(call) {
    if (this.#end.signal.aborted) {
      call.emit('error', failureOf(new AdapterError('CLOSED', 'the adapter is ending')));
      return;
    }
    this.#lifelines++;
    this.#lifeMet = true;
    const beat = () => {
      if (call.writableLength === 0) call.write({ now_us: now() });
    };
    beat();
    const timer = setInterval(beat, times.beat);
    this.#end.signal.addEventListener('abort', () => call.end(), { once: true });
    call.on('cancelled', () => {
      clearInterval(timer);
      this.#lifelines--;
      if (this.#lifelines > 0 || this.#end.signal.aborted) return;
      this.#log.warn('the lifeline broke; releasing all hardware');
      this.abandon();
    });
  }

  // awaitHost ends an adapter that nobody holds.
  awaitHost() {
    setTimeout(() => {
      if (this.#lifeMet || this.#end.signal.aborted) return;
      this.#log.error(`no lifeline was opened within ${times.lifeline / 1000} s; ending`);
      this.abandon();
    }, times.lifeline);
  }

  // abandon releases all hardware and ends the process, in time whatever the author's code does.
  async abandon(code = 0) {
    const watchdog = setTimeout(this.#hung, times.release);
    this.#end.abort();
    await this.#releaseAll();
    clearTimeout(watchdog);
    this.#exit(code);
  }

  // shutdown answers when all is released, however often it is called. The process ends shortly after, so that the answer
  // still reaches the host.
  async shutdown() {
    const watchdog = setTimeout(this.#hung, times.release);
    this.#end.abort();
    await this.#releaseAll();
    clearTimeout(watchdog);
    setTimeout(() => this.#exit(0), times.linger);
    return {};
  }
}

// complete puts in what the author left out of an answer.
function complete({ source, payload, receivedUs = now(), uncertaintyUs }, sentUs) {
  if (!(payload instanceof Uint8Array)) throw new AdapterError('DEFECT', `the payload of an answer is ${typeof payload}; give a Buffer`);
  if (payload.length === 0) throw new AdapterError('GARBLED', `an answer of control unit ${source} is empty`);
  const width = uncertaintyUs ?? receivedUs - sentUs;
  return { source, payload, received_us: receivedUs, time_uncertainty_us: Math.max(1, Math.round(width)) };
}

// Feed is one stream of one device: it takes what the host wants, sends what the sink holds, and runs the author's feed.
class Feed {
  #device;
  #signal; // of the call
  #scope; // of the feed
  #sink;
  #log;
  #release;
  #over = false; // nothing more may be written
  freed = false; // the author's feed has returned

  constructor({ call, device, signal, sent, log, release }) {
    Object.assign(this, { call, sent });
    const { opened: over, open } = gate();
    this.over = over;
    this.free = () => {
      this.freed = true;
      open();
    };
    this.#device = device;
    this.#signal = signal;
    this.#scope = join(signal, device.signal);
    this.#sink = new Sink(this.#scope.signal, log);
    this.#log = log;
    this.#release = release;
  }

  stop(why) {
    this.#scope.abort(why);
  }

  leave() {
    this.#scope.leave();
  }

  // change asks the author what of a subscription can be had, and answers the host.
  async change({ device_id: id, signals }) {
    if (id !== this.#device.id) throw badRequest([{ field: 'device_id', problem: `is "${id}" in a feed of "${this.#device.id}"; it is the same in every message` }]);
    const wanted = [...new Map(signals.toReversed().map(({ path, rate_hz, group }) => [path, { path, rateHz: rate_hz, group }])).values()].reverse();
    const { signal } = this.#scope;
    const asking = guarded(this.#log, 'signals', signal, () => this.#device.connection.signals(wanted, signal));
    await this.#sink.subscribe(wanted, list('signals', await patient(signal, asking, times.patience)));
  }

  // run delivers until the feed ends, and gives why.
  async run() {
    const { signal } = this.#scope;
    const sending = this.#send();
    const delivering = this.#deliver(signal);
    delivering.catch(() => {}).then(this.free);
    let why;
    try {
      await patient(signal, delivering, times.patience);
    } catch (error) {
      why = error;
      // Traffic to the vehicle must stop now; only closing the hardware can make it.
      if (error instanceof Late) this.#release();
    }
    this.#sink.finish();
    const end = ended(this.#signal);
    await Promise.race([bounded(sending, times.flush), end.opened]);
    end.forget();
    this.#over = true;
    this.leave();
    return why;
  }

  // #deliver runs the author's feed, again and again while the vehicle is silent or the bus is disturbed.
  async #deliver(signal) {
    for (;;) {
      try {
        await guarded(this.#log, 'feed', signal, () => this.#device.connection.feed(this.#sink, signal));
        if (!signal.aborted) throw new AdapterError('DEFECT', 'feed returned although its signal had not aborted');
      } catch (error) {
        signal.throwIfAborted();
        if (error.reason === 'SILENT') {
          this.#log.info('the vehicle is silent; trying again', { device: this.#device.id, error: error.message });
          this.#sink.link('SILENT');
        } else if (error.reason === 'GARBLED') {
          this.#log.warn('the bus is disturbed; trying again', { device: this.#device.id, error: error.message });
          this.#sink.link('BUS_ERRORS');
        } else {
          throw error;
        }
      }
      await sleep(times.retry, undefined, { signal }).catch(() => {});
      signal.throwIfAborted();
    }
  }

  // #send passes on one message at a time: the library calls back when the connection has taken it, so that a slow host
  // is felt in the sink.
  async #send() {
    for (let message = await this.#sink.next(); message; message = await this.#sink.next()) {
      const end = ended(this.#signal);
      await Promise.race([new Promise((taken) => this.call.write(message, taken)), end.opened]);
      end.forget();
      if (this.#signal.aborted || this.#over) return;
    }
  }
}
