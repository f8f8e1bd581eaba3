-- Copyright 2026 The Airassay Authors
-- SPDX-License-Identifier: Apache-2.0

-- A serial is never used twice, not even after its fact was deleted: pages of
-- a list go on from it.
CREATE TABLE facts (
  serial    INTEGER PRIMARY KEY AUTOINCREMENT,
  shop      TEXT    NOT NULL,
  kind      TEXT    NOT NULL,
  id        TEXT    NOT NULL,
  parent    TEXT    NOT NULL,
  reference TEXT    NOT NULL,
  state     TEXT    NOT NULL,
  version   INTEGER NOT NULL,
  digest    BLOB    NOT NULL,
  blob      BLOB    NOT NULL,
  UNIQUE (shop, kind, id)
) STRICT;

-- Every index ends with the serial by itself, so each of them reads a page in
-- order without sorting.
CREATE INDEX facts_by_kind      ON facts (shop, kind);
CREATE INDEX facts_by_parent    ON facts (shop, kind, parent)    WHERE parent <> '';
CREATE INDEX facts_by_reference ON facts (shop, kind, reference) WHERE reference <> '';
CREATE INDEX facts_by_state     ON facts (shop, kind, state)     WHERE state <> '';

CREATE TABLE requests (
  shop     TEXT    NOT NULL,
  method   TEXT    NOT NULL,
  id       TEXT    NOT NULL,
  body     BLOB    NOT NULL,
  response TEXT    NOT NULL,
  time_us  INTEGER NOT NULL,
  PRIMARY KEY (shop, method, id, body)
) STRICT;

CREATE INDEX requests_by_time ON requests (time_us);

-- The number stands for shop, session and capture in the key of chunks; it is
-- never used twice.
CREATE TABLE captures (
  number  INTEGER PRIMARY KEY AUTOINCREMENT,
  shop    TEXT    NOT NULL,
  session TEXT    NOT NULL,
  capture TEXT    NOT NULL,
  epoch   INTEGER NOT NULL,
  removed INTEGER NOT NULL DEFAULT 0,
  UNIQUE (shop, session, capture)
) STRICT;

-- Rows lie in the order in which they came, whatever capture they belong to:
-- with many captures at once that costs half of what keeping each capture's
-- rows together does. The blob comes last, so that the other columns are read
-- without walking through it.
CREATE TABLE chunks (
  place    INTEGER PRIMARY KEY,
  capture  INTEGER NOT NULL REFERENCES captures (number),
  sequence INTEGER NOT NULL,
  first_us INTEGER NOT NULL,
  last_us  INTEGER NOT NULL,
  samples  INTEGER NOT NULL,
  digest   BLOB    NOT NULL,
  blob     BLOB    NOT NULL,
  UNIQUE (capture, sequence)
) STRICT;
