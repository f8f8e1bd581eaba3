// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// What may go wrong, and how a host is told: a status code, one google.rpc.ErrorInfo with the reason, and for
// configurations one google.rpc.BadRequest with each thing that is wrong.

import grpc from '@grpc/grpc-js';
import { encode } from './contract.js';

const { status } = grpc;

// domain is that of the details.
export const domain = 'adapter.airassay.dev';

// codes maps each reason of the contract to its status code.
export const codes = {
  UNPLUGGED: status.UNAVAILABLE,
  SILENT: status.DEADLINE_EXCEEDED,
  NEGATIVE_RESPONSE: status.FAILED_PRECONDITION,
  GARBLED: status.DATA_LOSS,
  UNSUPPORTED_SIGNAL: status.NOT_FOUND,
  BUSY: status.FAILED_PRECONDITION,
  NOT_READ_ONLY: status.PERMISSION_DENIED,
  BAD_CONFIGURATION: status.INVALID_ARGUMENT,
  NOT_CONFIGURED: status.FAILED_PRECONDITION,
  NO_SUCH_DEVICE: status.NOT_FOUND,
  NOT_OPEN: status.FAILED_PRECONDITION,
  OVERRUN: status.RESOURCE_EXHAUSTED,
  CLOSED: status.ABORTED,
  DEFECT: status.INTERNAL,
};

// AdapterError is an error that the contract knows. An author throws it with one of
//   UNPLUGGED           the cable or the box is gone
//   SILENT              no control unit answers
//   GARBLED             what came breaks the transport's rules
//   UNSUPPORTED_SIGNAL  the vehicle or the adapter lacks the signal
//   NEGATIVE_RESPONSE   a control unit refuses; for the error of a signal
//   BUSY                somebody else holds the device
//   NO_SUCH_DEVICE      no device has the id
// Anything else that is thrown is reported as a defect of the adapter.
export class AdapterError extends Error {
  constructor(reason, message, { code = codes[reason], violations = [], cause } = {}) {
    super(message, { cause });
    if (code === undefined) throw new TypeError(`no reason ${reason}; there are ${Object.keys(codes).join(', ')}`);
    Object.assign(this, { name: 'AdapterError', reason, code, violations });
  }
}

const list = (violations) => violations.map(({ field, problem }) => `${field} ${problem}`).join('; ');

// ConfigurationError lists what is wrong with a configuration, as {field, problem}: the path of the field in the JSON,
// and what is wrong with it, what was expected and what to do.
export class ConfigurationError extends AdapterError {
  constructor(violations) {
    super('BAD_CONFIGURATION', `the configuration cannot be used: ${list(violations)}`, { violations });
  }
}

// badRequest refuses a request with unusable fields.
export const badRequest = (violations) =>
  new AdapterError('UNSPECIFIED', `the request cannot be sent: ${list(violations)}`, { code: status.INVALID_ARGUMENT, violations });

// unimplemented refuses an ability that the description does not list.
export const unimplemented = (message) => new AdapterError('UNSPECIFIED', message, { code: status.UNIMPLEMENTED });

// Cancelled is why the work for a call ends when the host wants it no more.
export class Cancelled extends Error {
  code = status.CANCELLED;
}

// decode checks an administrator's configuration against defaults, and fills them in: each field must be known and of
// the type of its default. The author checks ranges.
export function decode(configuration, defaults) {
  const violations = [];
  for (const [field, value] of Object.entries(configuration)) {
    const want = typeof defaults[field];
    if (!Object.hasOwn(defaults, field)) violations.push({ field, problem: `is not known; there are: ${Object.keys(defaults).join(', ')}` });
    else if (typeof value !== want) violations.push({ field, problem: `is ${JSON.stringify(value)}; use a ${want}` });
  }
  if (violations.length > 0) throw new ConfigurationError(violations);
  return { ...defaults, ...configuration };
}

// Everything of a status travels in one block of HTTP/2 headers, which some libraries bound at 8 KiB.
const mostText = 1000;
const mostViolations = 4000;
const bounded = (text, most) => (text.length > most ? `${text.slice(0, most)} …` : text).toWellFormed();

const any = (message, value) => ({ type_url: `type.googleapis.com/${message}`, value: encode(message, value) });

function fieldsOf(violations) {
  let room = mostViolations;
  const fields = violations.map((v) => ({ field: bounded(v.field, 100), description: bounded(v.problem, 300) }));
  return fields.filter(({ field, description }) => {
    room -= field.length + description.length;
    return room >= 0;
  });
}

// statusOf makes the google.rpc.Status of an error, as the contract has it in a message.
export function statusOf(error) {
  const message = bounded(String(error?.message ?? error), mostText);
  if (error instanceof Cancelled) return { code: error.code, message, details: [] };
  const { reason, code, violations } = error instanceof AdapterError ? error : { reason: 'DEFECT', code: codes.DEFECT, violations: [] };
  const details = [any('google.rpc.ErrorInfo', { domain, reason })];
  if (violations.length > 0) details.push(any('google.rpc.BadRequest', { field_violations: fieldsOf(violations) }));
  return { code, message, details };
}

// failureOf makes what grpc-js sends as the end of a call.
export function failureOf(error) {
  const { code, message, details } = statusOf(error);
  const metadata = new grpc.Metadata();
  if (details.length > 0) metadata.set('grpc-status-details-bin', encode('google.rpc.Status', { code, message, details }));
  return { code, details: message, metadata };
}
