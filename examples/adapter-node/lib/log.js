// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Logs as a host reads them: one JSON object a line on standard error. Standard output belongs to the handshake.

const levels = ['debug', 'info', 'warn', 'error'];
const wanted = levels.indexOf(process.env.AIRASSAY_ADAPTER_LOG_LEVEL);
const lowest = wanted < 0 ? levels.indexOf('info') : wanted;

// mostText keeps a line below the 64 KiB at which a host cuts it.
const mostText = 16 << 10;

// mostHeld bounds what waits for a host that does not read.
const mostHeld = 1 << 20;

let dropped = 0;

// A host that has died reads no more. Unhandled, the error of the next line would end the process with the hardware
// still held. The line is lost, which is all that may happen.
for (const stream of [process.stdout, process.stderr]) stream.on('error', () => {});

// What anybody prints lands in the log.
export function guardOutput() {
  process.stdout.write = process.stderr.write.bind(process.stderr);
}

function textOf(value) {
  if (value instanceof Error) return value.stack ?? String(value);
  if (typeof value === 'bigint') return String(value);
  return value;
}

const cut = (value) => (typeof value === 'string' && value.length > mostText ? `${value.slice(0, mostText)} …` : value);

function lineOf(level, message, attributes) {
  const fields = { '@level': level, '@message': cut(String(message)), '@timestamp': new Date().toISOString() };
  for (const [key, value] of Object.entries(attributes)) fields[key.replace(/^@/, 'attr_')] = cut(textOf(value));
  try {
    return JSON.stringify(fields);
  } catch (error) {
    return JSON.stringify({ ...fields, ...Object.fromEntries(Object.keys(attributes).map((key) => [key, `not written: ${error.message}`])) });
  }
}

function write(level, message, attributes = {}) {
  if (levels.indexOf(level) < lowest) return;
  if (process.stderr.writableLength > mostHeld) {
    dropped++;
    return;
  }
  if (dropped > 0) process.stderr.write(`${lineOf('warn', 'lines of log were dropped because nobody read', { lines: dropped })}\n`);
  dropped = 0;
  process.stderr.write(`${lineOf(level, message, attributes)}\n`);
}

// log writes a message with attributes, such as log.warn('the box is hot', { celsius: 80 }).
export const log = Object.fromEntries(levels.map((level) => [level, (message, attributes) => write(level, message, attributes)]));
