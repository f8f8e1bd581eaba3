// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The read-only rule, sentence R1 of the contract: nothing but what is listed here may reach a vehicle. The list is that
// of the SDK, and a test compares the two.

import { AdapterError } from './errors.js';

const hex = (...bytes) => bytes.map((byte) => byte.toString(16).toUpperCase().padStart(2, '0')).join('');

const identifiers = [0xf4, 0xf5, 0xf6, 0xf8]; // high bytes of those for emissions, ISO 14229-1, Annex C

const range = (low, high) => Array.from({ length: high - low + 1 }, (_, i) => low + i);

// services maps each service that reads to what may follow it: how many bytes, which first byte, which identifiers of
// two bytes.
const services = new Map([
  [0x01, { name: 'current data', min: 1, max: 6 }],
  [0x02, { name: 'freeze frame', min: 2, max: 6 }],
  [0x03, { name: 'confirmed trouble codes', min: 0, max: 0 }],
  [0x06, { name: 'monitor results', min: 1, max: 6 }],
  [0x07, { name: 'pending trouble codes', min: 0, max: 0 }],
  [0x09, { name: 'vehicle information', min: 1, max: 6 }],
  [0x0a, { name: 'permanent trouble codes', min: 0, max: 0 }],
  [0x10, { name: 'default session', min: 1, max: 1, first: [0x01] }],
  [0x19, { name: 'trouble code reports', min: 1, max: 6, first: [...range(0x01, 0x1a), 0x42, 0x55, 0x56] }],
  [0x22, { name: 'data by identifier', min: 2, max: 16, identifiers }],
  [0x3e, { name: 'tester present', min: 1, max: 1, first: [0x00, 0x80] }],
]);

function fault(payload) {
  if (payload.length === 0) return 'it is empty; begin with the service byte';
  const [service, ...rest] = payload;
  const rule = services.get(service);
  if (!rule) return `service ${hex(service)} is not one of those that read`;
  const what = `service ${hex(service)} (${rule.name})`;
  if (rest.length < rule.min || rest.length > rule.max) return `${what} takes ${rule.min} to ${rule.max} bytes, not ${rest.length}`;
  if (rule.first && !rule.first.includes(rest[0])) return `${what} with sub-function ${hex(rest[0])} is not one of those that read`;
  if (!rule.identifiers) return undefined;
  if (rest.length % 2 !== 0) return `${what} takes identifiers of two bytes, not ${rest.length} bytes`;
  const at = rest.findIndex((byte, i) => i % 2 === 0 && !rule.identifiers.includes(byte));
  return at < 0 ? undefined : `${what} with identifier ${hex(rest[at], rest[at + 1])}; only F4xx, F5xx, F6xx and F8xx are asked`;
}

// checkReadOnly throws unless the payload, service byte first, only reads.
export function checkReadOnly(payload) {
  const problem = fault(payload);
  if (problem) throw new AdapterError('NOT_READ_ONLY', `the request does more than read: ${problem}`);
}
