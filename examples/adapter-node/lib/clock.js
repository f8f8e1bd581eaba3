// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// The adapter's clock, in microseconds since the start of the process. It never goes back, whatever happens to the time
// of day.

export const now = () => Math.floor(performance.now() * 1000);
