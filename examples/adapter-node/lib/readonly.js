// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The read-only rule, sentence R1 of the contract: nothing but what is listed here may reach a vehicle. The list is that
// of the SDK, and a test compares the two.

import { AdapterError } from './errors.js';

const hex = (...bytes) => bytes.map((byte) => byte.toString(16).toUpperCase().padStart(2, '0')).join('');

const identifiers = [0xf4, 0xf5, 0xf6, 0xf8]; // high bytes of those for emissions, ISO 14229-1, Annex C

const emissions = 0x33; // the functional group that some reports are asked for, ISO 14229-1, Annex D

// reports maps each sub-function of service 19 to how many bytes follow it, ISO 14229-1.
const reports = new Map([
  [0x01, 1], [0x02, 1], [0x03, 0], [0x04, 4], [0x05, 1], [0x06, 4], [0x07, 2], [0x08, 2], [0x09, 3], [0x0a, 0], [0x0b, 0], [0x0c, 0],
  [0x0d, 0], [0x0e, 0], [0x0f, 1], [0x10, 4], [0x11, 1], [0x12, 1], [0x13, 1], [0x14, 0], [0x15, 0], [0x16, 1], [0x17, 2], [0x18, 5],
  [0x19, 5], [0x1a, 1], [0x42, 3], [0x55, 1], [0x56, 2],
]);
const grouped = [0x42, 0x55, 0x56]; // reports whose first byte is the functional group

// services maps each service that reads to what may follow it: how many bytes and in pieces of how many, which
// sub-functions with how many bytes, which identifiers of two bytes.
const services = new Map([
  [0x01, { name: 'current data', min: 1, max: 6 }],
  [0x02, { name: 'freeze frame', min: 2, max: 6, step: 2 }],
  [0x03, { name: 'confirmed trouble codes', min: 0, max: 0 }],
  [0x06, { name: 'monitor results', min: 1, max: 6 }],
  [0x07, { name: 'pending trouble codes', min: 0, max: 0 }],
  [0x09, { name: 'vehicle information', min: 1, max: 6 }],
  [0x0a, { name: 'permanent trouble codes', min: 0, max: 0 }],
  [0x10, { name: 'default session', min: 1, max: 1, subs: new Map([[0x01, 0]]) }],
  [0x19, { name: 'trouble code reports', min: 1, max: 6, subs: reports, grouped }],
  [0x22, { name: 'data by identifier', min: 2, max: 16, step: 2, identifiers }],
  [0x3e, { name: 'tester present', min: 1, max: 1, subs: new Map([[0x00, 0], [0x80, 0]]) }],
]);

function subFault(what, rule, sub, rest) {
  const length = rule.subs.get(sub);
  if (length === undefined) return `${what} with sub-function ${hex(sub)} is not one of those that read`;
  if (rest.length !== length) return `${what} with sub-function ${hex(sub)} takes ${length} bytes more, not ${rest.length}`;
  if (rule.grouped?.includes(sub) && rest[0] !== emissions) return `${what} with sub-function ${hex(sub)} for group ${hex(rest[0])}; only ${hex(emissions)}, emissions, is asked`;
  return undefined;
}

function fault(payload) {
  if (payload.length === 0) return 'it is empty; begin with the service byte';
  const [service, ...rest] = payload;
  const rule = services.get(service);
  if (!rule) return `service ${hex(service)} is not one of those that read`;
  const what = `service ${hex(service)} (${rule.name})`;
  if (rest.length < rule.min || rest.length > rule.max) return `${what} takes ${rule.min} to ${rule.max} bytes, not ${rest.length}`;
  if (rule.step && rest.length % rule.step !== 0) return `${what} takes pieces of ${rule.step} bytes, not ${rest.length} bytes`;
  if (rule.subs) return subFault(what, rule, rest[0], rest.slice(1));
  if (!rule.identifiers) return undefined;
  const at = rest.findIndex((byte, i) => i % 2 === 0 && !rule.identifiers.includes(byte));
  return at < 0 ? undefined : `${what} with identifier ${hex(rest[at], rest[at + 1])}; only F4xx, F5xx, F6xx and F8xx are asked`;
}

// checkReadOnly throws unless the payload, service byte first, only reads.
export function checkReadOnly(payload) {
  const problem = fault(payload);
  if (problem) throw new AdapterError('NOT_READ_ONLY', `the request does more than read: ${problem}`);
}
