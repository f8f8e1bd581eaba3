// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// An adapter as a process: the handshake, the connection that only its host can use, and every way to end.

import { rmSync, writeSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { basename, join } from 'node:path';
import grpc from '@grpc/grpc-js';
import { makeCertificate } from './certificate.js';
import { AdapterService, ControllerService, HealthService } from './contract.js';
import { guardOutput, log } from './log.js';
import { describe, Service } from './service.js';

// The cookie tells a program that a host started it. It is no secret and protects nothing.
const hosted = process.env.AIRASSAY_ADAPTER_COOKIE === '7c1d5a0e-airassay-adapter-2f94b6e3';
if (hosted) guardOutput();

// versions of the protocol that this library speaks.
const versions = [1];

const exits = {
  good: 0,
  usage: 2, // started by hand, without a flag that it knows
  bad: 3, // it cannot serve
  hung: 4, // it should have ended, and its hardware did not let go in time
  crashed: 5, // code of the author failed where nobody could be told
};

// serve runs an adapter until its host lets it go, and ends the process. Started by hand it says what it is.
export async function serve(adapter) {
  try {
    const about = describe(adapter.about);
    if (hosted) await serveHost(adapter, about);
    else explain(about);
  } catch (error) {
    process.stderr.write(`${error.message}\n`);
    process.exit(exits.bad);
  }
}

function explain(about) {
  if (process.argv.includes('--describe')) {
    process.stdout.write(`${JSON.stringify(about)}\n`);
    return;
  }
  process.stderr.write(`${about.name} ${about.version}: ${about.summary}

This is an adapter for Airassay. It does nothing by itself: a host starts it and asks it for devices and samples. To use
it, put it into a folder of its own among the host's adapters, beside a manifest.json that names it.

  node ${basename(process.argv[1])} --describe   print what it can do, as JSON
`);
  process.exitCode = exits.usage;
}

async function serveHost(adapter, about) {
  const client = process.env.PLUGIN_CLIENT_CERT;
  if (!client) throw new Error('PLUGIN_CLIENT_CERT is not set: the host must give its certificate, so that nobody else can use this adapter');
  const { certificate, der, key } = makeCertificate();
  const service = new Service(adapter, about, { log, exit: (code) => process.exit(code), hung: () => process.exit(exits.hung) });
  const server = new grpc.Server();
  server.addService(AdapterService, service.handlers());
  server.addService(HealthService, { Check: checkHealth });
  server.addService(ControllerService, { Shutdown: (_, callback) => service.shutdown().then((answer) => callback(null, answer)) });
  const credentials = grpc.ServerCredentials.createSsl(Buffer.from(client), [{ cert_chain: Buffer.from(certificate), private_key: Buffer.from(key) }], true);
  const [network, address] = await listen(server, credentials);
  endOrderly(service);
  for (const what of about.deprecations) log.warn('deprecated', { what });
  writeSync(1, `1|${version()}|${network}|${address}|grpc|${der.toString('base64').replace(/=+$/, '')}\n`);
  service.awaitHost();
}

// version is the highest that host and adapter speak. Without a common one the adapter names its own, and the host says
// that the two do not fit.
function version() {
  const offered = (process.env.PLUGIN_PROTOCOL_VERSIONS ?? '').split(',').map(Number);
  const common = versions.filter((own) => offered.includes(own));
  return Math.max(...(common.length > 0 ? common : versions));
}

// listen makes a Unix socket in the host's folder; Windows has none there and gets a port of its own choice.
function listen(server, credentials) {
  const path = join(process.env.PLUGIN_UNIX_SOCKET_DIR || tmpdir(), `adapter-${process.pid}`);
  const windows = process.platform === 'win32';
  if (!windows) process.on('exit', () => rmSync(path, { force: true }));
  return new Promise((resolve, reject) => {
    server.bindAsync(windows ? '127.0.0.1:0' : `unix:${path}`, credentials, (error, port) => {
      if (error) reject(error);
      else resolve(windows ? ['tcp', `127.0.0.1:${port}`] : ['unix', path]);
    });
  });
}

// A polite kill releases the hardware. An interrupt is the host's affair: a terminal sends it to the whole group. An
// error that nobody caught leaves the program in an unknown state, but must not leave the hardware held.
function endOrderly(service) {
  for (const signal of ['SIGTERM', 'SIGHUP']) {
    process.on(signal, () => {
      log.info('asked to end by a signal', { signal });
      service.abandon();
    });
  }
  process.on('SIGINT', () => {});
  process.on('uncaughtException', (error) => {
    log.error('the adapter failed outside of a call; releasing all hardware', { error });
    service.abandon(exits.crashed);
  });
}

function checkHealth({ request: { service } }, callback) {
  if (service === '' || service === 'plugin') callback(null, { status: 'SERVING' });
  else callback({ code: grpc.status.NOT_FOUND, details: `no service "${service}" here` });
}
