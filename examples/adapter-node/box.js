// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The hardware of this example, which exists nowhere: a box that measures an engine and carries requests to its two
// control units. An engine warms nothing and goes nowhere; its speed and its air flow swing like a sine.
//
// A file stands for the cable, so that you can pull it: the box is there while the file exists. What the file says is
// how the vehicle is: "off" is an ignition that is off, so that no control unit answers. Beside it lies a lock, FILE.lock,
// while somebody holds the box, and FILE.traffic grows by a line for each request that goes to the vehicle.

import { appendFileSync, existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { setTimeout as sleep } from 'node:timers/promises';
import { AdapterError, now } from './lib/index.js';

// P2CAN,max of ISO 15765-4: how long a control unit may take for its answer, in milliseconds.
const answerTime = 50;

// units are the control units: where each answers, after how many milliseconds, and what it tells of service 01, with the
// scale and the size of SAE J1979. The run time since start is always one byte short, so that you can see a garbled answer.
const units = [
  {
    address: 0x7e0,
    source: 0x7e8,
    delay: 6,
    parameters: {
      0x0c: ({ rpm }) => bytesOf(rpm * 4, 2),
      0x0f: ({ celsius }) => bytesOf(celsius + 40, 1),
      0x10: ({ flow }) => bytesOf(flow * 100, 2),
      0x1f: () => {
        throw new AdapterError('GARBLED', 'a frame announced 4 bytes and held 3');
      },
    },
  },
  { address: 0x7e1, source: 0x7e9, delay: 9, parameters: {} },
];

const bytesOf = (value, size) => {
  const bytes = Buffer.alloc(size);
  bytes.writeUIntBE(Math.min(Math.max(Math.round(value), 0), 2 ** (8 * size) - 1), 0, size);
  return [...bytes];
};

// supported is the answer to a parameter that is a multiple of 0x20: a bit for each of the 32 parameters behind it.
function supported(parameters, from) {
  let mask = 0;
  for (const parameter of Object.keys(parameters)) {
    const place = parameter - from;
    if (place >= 1 && place <= 32) mask += 2 ** (32 - place);
  }
  return bytesOf(mask, 4);
}

// answerOf is what a control unit sends on a request; undefined is silence, which is how service 01 says no.
function answerOf({ parameters }, [service, ...asked], measured) {
  if (service === 0x22) return [0x7f, 0x22, 0x31]; // request out of range
  if (service !== 0x01) return [0x7f, service, 0x11]; // service not supported
  const told = asked.flatMap((parameter) => {
    if (parameter === 0) return [parameter, ...supported(parameters, parameter)];
    return parameters[parameter] ? [parameter, ...parameters[parameter](measured)] : [];
  });
  return told.length > 0 ? [0x41, ...told] : undefined;
}

function runs(pid) {
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    return error.code === 'EPERM';
  }
}

export class Box {
  #cable;
  #mean;
  #period;

  constructor({ cable, mean_g_per_s: mean, period_s: period }) {
    this.#cable = cable;
    this.#mean = mean;
    this.#period = period;
  }

  plugged() {
    return this.#cable === '' || existsSync(this.#cable);
  }

  // take makes this process the only one that uses the box.
  take() {
    if (!this.plugged()) throw new AdapterError('UNPLUGGED', `${this.#cable} is gone`);
    if (this.#cable === '') return;
    try {
      writeFileSync(this.#lock, `${process.pid}\n`, { flag: 'wx' });
    } catch (error) {
      if (error.code !== 'EEXIST') throw error;
      const holder = Number(readFileSync(this.#lock, 'utf8'));
      if (runs(holder)) throw new AdapterError('BUSY', `process ${holder} holds the box`);
      rmSync(this.#lock, { force: true }); // it was killed
      this.take();
    }
  }

  release() {
    if (this.#cable !== '') rmSync(this.#lock, { force: true });
  }

  get #lock() {
    return `${this.#cable}.lock`;
  }

  // state reads what the cable's file says.
  #state() {
    if (this.#cable === '') return '';
    try {
      return readFileSync(this.#cable, 'utf8').trim();
    } catch (error) {
      throw new AdapterError('UNPLUGGED', `${this.#cable} is gone`, { cause: error });
    }
  }

  // measure gives what the box measures at an instant: air flow in g/s, engine speed in rpm, intake air in °C.
  measure(timeUs) {
    if (this.#state() === 'off') throw new AdapterError('SILENT', 'the ignition is off');
    const swing = Math.sin((2 * Math.PI * timeUs) / 1e6 / this.#period);
    return { flow: this.#mean * (1 + 0.5 * swing), rpm: 2000 + 1000 * swing, celsius: 25 };
  }

  // ask sends one request to the control units and waits for their answers.
  async ask({ payload, target, timeoutMs, expected }, signal) {
    if (this.#cable !== '') appendFileSync(`${this.#cable}.traffic`, `${payload.toString('hex')}\n`);
    const sentUs = now();
    const asked = this.#state() === 'off' ? [] : units.filter(({ address }) => target === 0 || target === address);
    const answers = [];
    for (const unit of asked) {
      const answer = answerOf(unit, payload, this.measure(sentUs));
      if (!answer || (expected > 0 && answers.length === expected)) continue;
      await sleep(unit.delay - (now() - sentUs) / 1000, undefined, { signal });
      const receivedUs = now();
      answers.push({ source: unit.source, payload: Buffer.from(answer), receivedUs, uncertaintyUs: (receivedUs - sentUs) / 2 });
    }
    if (answers.length === 0) {
      await sleep(timeoutMs, undefined, { signal });
      throw new AdapterError('SILENT', `no control unit answered within ${timeoutMs} ms`);
    }
    if (expected === 0) await sleep(answerTime - (now() - sentUs) / 1000, undefined, { signal });
    return { sentUs, answers };
  }
}
