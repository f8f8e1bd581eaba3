// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// A recording in Airassay's own format, and the facts beside it, as messages of the API. A box in a car has its
// samples from elsewhere; what it needs of this file is the shape of a batch.

import { readFileSync } from 'node:fs';
import { fieldsOf } from './api.js';

// units is what this client's signals are measured in, and the smallest step of each. The server refuses a unit that is not
// the one that COVESA VSS gives the signal.
const units = {
  AbsoluteLoad: ['percent', 100 / 255],
  AcceleratorPositionD: ['percent', 100 / 255],
  AmbientAirTemperature: ['Celsius', 1],
  BarometricPressure: ['kPa', 1],
  CommandedEquivalenceRatio: ['ratio', 2 / 65536],
  CommandedEVAP: ['percent', 100 / 255],
  ControlModuleVoltage: ['V', 0.001],
  CoolantTemperature: ['Celsius', 1],
  EngineLoad: ['percent', 100 / 255],
  EngineSpeed: ['rpm', 0.25],
  FuelStatus: ['', undefined],
  IntakeTemp: ['Celsius', 1],
  LongTermFuelTrim1: ['percent', 100 / 128],
  MAF: ['g/s', 0.01],
  MAP: ['kPa', 1],
  'O2WR.Sensor1.Lambda': ['ratio', 2 / 65536],
  RunTime: ['s', 1],
  ShortTermFuelTrim1: ['percent', 100 / 128],
  Speed: ['km/h', 1],
  ThrottlePosition: ['percent', 100 / 255],
};

// requestTime is what one request to the vehicle took, in microseconds: a value was taken at some instant within it.
const requestTime = 20_000;

// Of one batch, in microseconds and in samples: short enough for a verdict that keeps up with the driver.
const batchSpan = 200_000;
const batchSamples = 256;

function signal(header) {
  const name = header.replace(/^Vehicle\.OBD\./, '');
  if (!(name in units)) throw new Error(`column ${header}: unit unknown; add it to the table in recording.js`);
  const [unit, resolution] = units[name];
  return { path: `Vehicle.OBD.${name}`, unit, resolution, time_uncertainty_us: requestTime / 2 };
}

// samples gives time, signal and value of every cell that is not blank, in the order of the file.
function* samples(lines, columns) {
  for (const [row, line] of lines.entries()) {
    const [time, ...cells] = line.split(',');
    for (const [index, cell] of cells.entries()) {
      if (cell.trim() === '') continue;
      const at = Math.round(Number(time) * 1e6);
      const value = Number(cell);
      if (index >= columns || time.trim() === '' || !Number.isFinite(at) || !Number.isFinite(value)) {
        throw new Error(`line ${row + 2}: expected a time in seconds and at most ${columns} numbers, found ${line}`);
      }
      yield { at, index, value };
    }
  }
}

// cut makes batches of samples, numbered from 1. The cut depends on the samples alone, so a program that was ended cuts the
// same batches again.
function cut(all) {
  const batches = [];
  let batch;
  for (const { at, index, value } of all) {
    if (!batch || batch.value.length === batchSamples || at - batch.base_time_us >= batchSpan) {
      batch = { sequence: batches.length + 1, base_time_us: at, offset_us: [], signal: [], value: [] };
      batches.push(batch);
    }
    batch.offset_us.push(at - batch.base_time_us);
    batch.signal.push(index);
    batch.value.push(value);
  }
  return batches;
}

// parse gives the signals and the batches in the text of a recording.
export function parse(text) {
  const [head, ...lines] = text.trimEnd().split(/\r?\n/);
  const [time, ...headers] = head.split(',');
  if (time !== 'time_s') throw new Error(`line 1: the first column is ${time}; expected time_s`);
  return { signals: headers.map(signal), batches: cut(samples(lines, headers.length)) };
}

// The enumerations that facts are of.
const enums = {
  aspiration: 'ASPIRATION',
  fuel: 'FUEL',
  air_meter: 'AIR_METER_TECHNOLOGY',
  combustion_cycle: 'COMBUSTION_CYCLE',
  intake_air_temperature_location: 'INTAKE_AIR_TEMPERATURE_LOCATION',
  purpose: 'PURPOSE',
};

// facts sorts the facts of a vehicle.json into those of the vehicle and those of the day.
export function facts(json) {
  const vehicle = {};
  const day = {};
  for (const [name, value] of Object.entries(JSON.parse(json))) {
    const message = fieldsOf('Vehicle').includes(name) ? vehicle : fieldsOf('DayConditions').includes(name) ? day : undefined;
    if (!message) throw new Error(`the vehicle file has ${name}, which is no fact of a vehicle or a day`);
    message[name] = name in enums ? `${enums[name]}_${value.toUpperCase()}` : value;
  }
  return { vehicle, day };
}

export const readRecording = (path) => parse(readFileSync(path, 'utf8'));
export const readFacts = (path) => facts(readFileSync(path, 'utf8'));
