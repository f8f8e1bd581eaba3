#!/usr/bin/env node
// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Installs this adapter into a folder of adapters and writes its manifest, with the SHA-256 of every file. Run it anew
// after each change, and after each upgrade of Node.

import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readdirSync, readFileSync, realpathSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { dirname, extname, join, relative, resolve, sep } from 'node:path';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { protoFiles, protoFolders } from './lib/contract.js';

const name = 'airflow-node';
const program = 'adapter.js';
const source = dirname(fileURLToPath(import.meta.url));
const { version } = JSON.parse(readFileSync(join(source, 'package.json'), 'utf8'));

// Of the packages only what Node may load; sources, type declarations and pages would only have to be checked at every start.
const loaded = new Set(['.js', '.cjs', '.mjs', '.json', '.proto']);

const filesBelow = (folder) => readdirSync(folder, { recursive: true, withFileTypes: true }).filter((entry) => entry.isFile()).map((entry) => join(entry.parentPath ?? entry.path, entry.name));

const sum = (file) => createHash('sha256').update(readFileSync(file)).digest('hex');

// copy copies a file, readable for all and writable for its owner alone.
function copy(from, to) {
  mkdirSync(dirname(to), { recursive: true, mode: 0o755 });
  writeFileSync(to, readFileSync(from), { mode: statSync(from).mode & 0o755 });
}

function place(target) {
  for (const file of ['adapter.js', 'box.js', 'package.json']) copy(join(source, file), join(target, file));
  for (const folder of ['lib', 'node_modules']) {
    for (const file of filesBelow(join(source, folder))) {
      if (loaded.has(extname(file)) && !file.endsWith('.test.js')) copy(file, join(target, relative(source, file)));
    }
  }
  for (const file of protoFiles) {
    const from = protoFolders.map((folder) => join(folder, file)).find(existsSync);
    copy(from, join(target, 'proto', file));
  }
}

// manifestOf names what is started. With Node itself as the executable, its file is checked like the others and nothing
// is looked up on a search path. As a script, the adapter is started by its first line: env looks for node on the PATH of
// the host, and nobody checks what it finds.
function manifestOf(target, script) {
  const node = realpathSync(process.execPath);
  const files = Object.fromEntries(filesBelow(target).map((file) => [relative(target, file).replaceAll(sep, '/'), sum(file)]).sort());
  return {
    name,
    version,
    ...(script ? { executable: program } : { executable: node, arguments: [program] }),
    files: script ? files : { [node]: sum(node), ...files },
    protocol_versions: [1],
  };
}

const { positionals, values } = parseArgs({ allowPositionals: true, options: { script: { type: 'boolean' }, configuration: { type: 'string' } } });
if (positionals.length !== 1) {
  console.error(`usage: node install.js [--script] [--configuration JSON] FOLDER

Installs the adapter as FOLDER/${name}. With --script it is started by its first line instead of by this Node.`);
  process.exit(2);
}
if (!existsSync(join(source, 'node_modules'))) {
  console.error('the packages are missing: npm ci');
  process.exit(1);
}
const target = join(resolve(positionals[0]), name);
const manifest = join(target, 'manifest.json');
// What the administrator wrote stays.
const { configuration: kept, environment } = existsSync(manifest) ? JSON.parse(readFileSync(manifest, 'utf8')) : {};
const configuration = values.configuration ? JSON.parse(values.configuration) : kept;
rmSync(target, { recursive: true, force: true });
place(target);
writeFileSync(manifest, `${JSON.stringify({ ...manifestOf(target, values.script), environment, configuration }, null, 2)}\n`, { mode: 0o644 });
console.log(target);
