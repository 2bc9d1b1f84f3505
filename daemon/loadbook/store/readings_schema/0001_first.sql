-- Readings, a row per meter and instant. Values are integers, scaled by the decimals of reading.QUANTITIES; NULL is
-- "not read". The key begins with the time: new rows then land on the same page, which spares the card.

CREATE TABLE meter (
  number        INTEGER PRIMARY KEY,
  id            TEXT NOT NULL UNIQUE,
  first_ms      INTEGER,              -- its oldest and newest reading, so that neither needs a search
  last_ms       INTEGER
) STRICT;

CREATE TABLE reading (
  at_ms         INTEGER NOT NULL,     -- milliseconds since 1970 (UTC)
  meter         INTEGER NOT NULL,     -- meter.number
  power_w       INTEGER,              -- 0.01 W
  voltage_v     INTEGER,              -- 0.01 V
  current_a     INTEGER,              -- 0.001 A
  frequency_hz  INTEGER,              -- 0.001 Hz
  power_factor  INTEGER,              -- 0.001
  energy_wh     INTEGER,              -- 0.1 Wh
  reactive_power_var INTEGER,         -- 0.01 var
  apparent_power_va  INTEGER,         -- 0.01 VA
  PRIMARY KEY (at_ms, meter)
) STRICT, WITHOUT ROWID;

-- One minute of one meter, kept when the full rate has gone. Energy is exact: the sum of the steps that begin in it.
CREATE TABLE minute (
  meter         INTEGER NOT NULL,
  minute_ms     INTEGER NOT NULL,     -- its first millisecond
  readings      INTEGER NOT NULL,     -- how many it was made from
  power_min_w   REAL,
  power_mean_w  REAL,
  power_max_w   REAL,
  voltage_min_v REAL,
  voltage_mean_v REAL,
  voltage_max_v REAL,
  energy_wh     REAL NOT NULL,        -- energy used in it
  counter_wh    REAL,                 -- the meter's own counter at the last reading of it
  PRIMARY KEY (meter, minute_ms)
) STRICT, WITHOUT ROWID;

-- How far each meter has been rolled up, and how far its full rate has been dropped.
CREATE TABLE rolled (
  meter         INTEGER PRIMARY KEY,
  upto_ms       INTEGER NOT NULL,
  dropped_upto_ms INTEGER NOT NULL DEFAULT 0
) STRICT;

-- Moves already made (clock steps), by poller session, meter and sequence: each is made once.
CREATE TABLE moved (
  mark          TEXT PRIMARY KEY
) STRICT, WITHOUT ROWID;

-- Up to where a time-series server is known to have a meter's readings (store kind line_protocol).
CREATE TABLE forwarded (
  meter         INTEGER PRIMARY KEY,  -- meter.number
  upto_ms       INTEGER NOT NULL
) STRICT;
