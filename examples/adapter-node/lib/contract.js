// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The contract as Node sees it, made from the .proto files at run time. There is nothing to generate.

import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import grpc from '@grpc/grpc-js';
import loader from '@grpc/proto-loader';

const folder = (path) => fileURLToPath(new URL(path, import.meta.url));

// An installed adapter has its definitions beside it; in the repository where it was written they lie in api.
export const protoFolders = existsSync(folder('../proto')) ? [folder('../proto')] : [folder('../../../api'), folder('../../../api/third_party')];
export const protoFiles = ['airassay/adapter/v1beta1/adapter.proto', 'google/rpc/status.proto', 'google/rpc/error_details.proto'];

// Fields keep the names of the contract, enums are their names. Every int64 in it fits a number: times are microseconds
// since the start of the process.
const options = { keepCase: true, longs: Number, enums: String, defaults: true, oneofs: true };
const definition = loader.loadSync(protoFiles, { ...options, includeDirs: protoFolders });

export const { service: AdapterService } = grpc.loadPackageDefinition(definition).airassay.adapter.v1beta1.AdapterService;

// reasons are those of AdapterErrorReason, without its prefix.
export const reasons = definition['airassay.adapter.v1beta1.AdapterErrorReason'].type.value.map(({ name }) => name.replace('ADAPTER_ERROR_REASON_', ''));

// encode gives the bytes of a message.
export const encode = (message, value) => definition[message].serialize(value);

// Of the plugin protocol, only what a host asks of a program that does not use the plugin library.
const rpc = (requestType, responseType) => ({ requestType, responseType });
const plugin = grpc.loadPackageDefinition(
  loader.fromJSON(
    {
      nested: {
        grpc: {
          nested: {
            health: {
              nested: {
                v1: {
                  nested: {
                    HealthCheckRequest: { fields: { service: { type: 'string', id: 1 } } },
                    HealthCheckResponse: { fields: { status: { type: 'ServingStatus', id: 1 } }, nested: { ServingStatus: { values: { UNKNOWN: 0, SERVING: 1, NOT_SERVING: 2 } } } },
                    Health: { methods: { Check: rpc('HealthCheckRequest', 'HealthCheckResponse') } },
                  },
                },
              },
            },
          },
        },
        plugin: { nested: { Empty: { fields: {} }, GRPCController: { methods: { Shutdown: rpc('Empty', 'Empty') } } } },
      },
    },
    options,
  ),
);

export const { service: HealthService } = plugin.grpc.health.v1.Health;
export const { service: ControllerService } = plugin.plugin.GRPCController;
