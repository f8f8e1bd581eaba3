// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { facts, parse } from './recording.js';

test('a blank cell is no sample, and the others keep their own times', () => {
  const { signals, batches } = parse('time_s,EngineSpeed,Vehicle.OBD.MAF\n0.000,800,\n0.031,,3.42\n0.250,805.25,3.5\n');
  assert.deepEqual(
    signals.map(({ path, unit }) => [path, unit]),
    [
      ['Vehicle.OBD.EngineSpeed', 'rpm'],
      ['Vehicle.OBD.MAF', 'g/s'],
    ],
  );
  assert.deepEqual(batches, [
    { sequence: 1, base_time_us: 0, offset_us: [0, 31_000], signal: [0, 1], value: [800, 3.42] },
    { sequence: 2, base_time_us: 250_000, offset_us: [0, 0], signal: [0, 1], value: [805.25, 3.5] },
  ]);
});

test('what is no number, no column and no time is refused with its line', () => {
  for (const line of ['0,fast', '0,1,2', ',1', 'soon,1']) assert.throws(() => parse(`time_s,MAF\n0,1\n${line}\n`), /line 3/);
  assert.throws(() => parse('seconds,MAF\n'), /expected time_s/);
  assert.throws(() => parse('time_s,Colour\n'), /Colour/);
});

test('facts go to the vehicle or to the day, words become those of the contract', () => {
  assert.deepEqual(facts('{"cylinders": 4, "air_meter": "hot_wire", "ambient_c": 18.5, "purpose": "complaint"}'), {
    vehicle: { cylinders: 4, air_meter: 'AIR_METER_TECHNOLOGY_HOT_WIRE' },
    day: { ambient_c: 18.5, purpose: 'PURPOSE_COMPLAINT' },
  });
  assert.throws(() => facts('{"colour": "red"}'), /colour/);
});
