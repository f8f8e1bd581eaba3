// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Waiting for an author's code, but not for ever: the contract gives every call a second after its end.

// Late is why a call goes on without its method. Its cause is why the call ended.
export class Late extends Error {}

// gate makes a promise and the function that fulfils it.
export function gate() {
  let open;
  const opened = new Promise((resolve) => {
    open = resolve;
  });
  return { opened, open };
}

// ended is fulfilled when the signal aborts; forget lets go of the signal.
export function ended(signal) {
  const { opened, open } = gate();
  if (signal.aborted) open();
  else signal.addEventListener('abort', open, { once: true });
  return { opened, forget: () => signal.removeEventListener('abort', open) };
}

// join makes a signal that aborts with the first of several. leave lets go of them.
export function join(...signals) {
  const controller = new AbortController();
  const hooks = signals.map((signal) => [signal, () => controller.abort(signal.reason)]);
  for (const [signal, hook] of hooks) {
    if (signal.aborted) hook();
    else signal.addEventListener('abort', hook, { once: true });
  }
  const leave = () => hooks.forEach(([signal, hook]) => signal.removeEventListener('abort', hook));
  return { signal: controller.signal, abort: (reason) => controller.abort(reason), leave };
}

// bounded waits for a promise, at most so many milliseconds, and says whether it came.
export async function bounded(promise, milliseconds) {
  let timer;
  const timeout = new Promise((resolve) => {
    timer = setTimeout(resolve, milliseconds, false);
  });
  try {
    return await Promise.race([promise.then(() => true), timeout]);
  } finally {
    clearTimeout(timer);
  }
}

// patient waits for work. Once the signal has aborted, the work gets so many milliseconds to end; after that the caller
// goes on with a Late error.
export async function patient(signal, work, milliseconds) {
  const end = ended(signal);
  work.catch(() => {}); // nobody may be left to hear of it
  try {
    const settled = work.then(
      () => true,
      () => true,
    );
    const inTime = await Promise.race([settled, end.opened.then(() => bounded(settled, milliseconds))]);
    if (!inTime) throw new Late('the method goes on', { cause: signal.reason });
    return await work;
  } finally {
    end.forget();
  }
}

// Turns lets one at a time in, in the order of their coming.
export class Turns {
  #last = Promise.resolve();

  // enter waits for a turn, and gives the function that ends it. It throws the signal's reason if that comes first.
  async enter(signal) {
    const before = this.#last;
    const { opened, open: leave } = gate();
    this.#last = opened;
    const end = ended(signal);
    await Promise.race([before, end.opened]);
    end.forget();
    if (!signal.aborted) return leave;
    before.then(leave);
    throw signal.reason;
  }

  // idle is fulfilled when all that entered so far have left.
  idle() {
    return this.#last;
  }
}
