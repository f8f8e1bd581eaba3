// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The contract as Node sees it: clients made from the .proto files at run time, calls as promises, and errors with
// their reason.

import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import grpc from '@grpc/grpc-js';
import loader from '@grpc/proto-loader';

const api = fileURLToPath(new URL('../../api', import.meta.url));

// Fields keep the names of the contract. Every int64 in it (sequences, microseconds of a drive) fits a number.
const definition = loader.loadSync(
  ['vehicle_service', 'session_service', 'verdict_service'].map((name) => `airassay/v1beta1/${name}.proto`).concat('google/rpc/status.proto', 'google/rpc/error_details.proto'),
  { includeDirs: [api, `${api}/third_party`], keepCase: true, longs: Number, enums: String, defaults: true, oneofs: true },
);
const { VehicleService, SessionService, VerdictService } = grpc.loadPackageDefinition(definition).airassay.v1beta1;

// fieldsOf names the fields of a message.
export const fieldsOf = (message) => definition[`airassay.v1beta1.${message}`].type.field.map((field) => field.name);

// connect makes clients of the three services, on one connection in plain text: right for loopback.
export function connect(server) {
  const channel = new grpc.Channel(server, grpc.credentials.createInsecure(), { 'grpc.keepalive_time_ms': 15_000, 'grpc.keepalive_timeout_ms': 10_000 });
  const client = (Service) => new Service(server, grpc.credentials.createInsecure(), { channelOverride: channel });
  return { vehicles: client(VehicleService), sessions: client(SessionService), verdicts: client(VerdictService), close: () => channel.close() };
}

// answerTime is how long one answer may take, in milliseconds.
const answerTime = 15_000;

// patience is how long the server may be away, pause what lies between two attempts; in milliseconds.
const patience = 10_000;
const pause = 250;

const callOnce = (client, method, request) =>
  new Promise((resolve, reject) => {
    client[method](request, { deadline: Date.now() + answerTime }, (error, answer) => (error ? reject(error) : resolve(answer)));
  });

// call makes a call that may be repeated, and gives its answer or throws an error with a status code. A server that is
// being started again is waited for.
export async function call(client, method, request) {
  const giveUp = Date.now() + patience;
  while (true) {
    try {
      return await callOnce(client, method, request);
    } catch (error) {
      if (!mayPass(error) || Date.now() > giveUp) throw error;
      await sleep(pause);
    }
  }
}

// reasonOf gives the google.rpc.ErrorInfo of an error, or undefined where the service gave none: then something on
// the way to it failed.
export function reasonOf(error) {
  const [bytes] = error.metadata?.get('grpc-status-details-bin') ?? [];
  if (!bytes) return undefined;
  const { details } = definition['google.rpc.Status'].deserialize(bytes);
  const info = details.find((detail) => detail.type_url.endsWith('/google.rpc.ErrorInfo'));
  return info && definition['google.rpc.ErrorInfo'].deserialize(info.value);
}

// mayPass tells whether an error may go away by trying again.
export const mayPass = (error) => error.code === grpc.status.UNAVAILABLE;
