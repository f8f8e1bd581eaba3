// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// What an author of an adapter imports. It must be the first import of a program: what another module prints while it
// is loaded would take the place of the handshake.

export { serve } from './process.js';
export { now } from './clock.js';
export { AdapterError, ConfigurationError, decode } from './errors.js';
export { log } from './log.js';
