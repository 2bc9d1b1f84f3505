-- The ledger: what was recognised, judged and agreed. Times are integer milliseconds since 1970 (UTC), energy in
-- watt-hours, money in decimal text. The recorder is its only writer. Readings live in files of their own.

CREATE TABLE machine (
  id            TEXT PRIMARY KEY,
  name          TEXT NOT NULL,
  kind          TEXT NOT NULL,
  place         TEXT,
  meter         TEXT,                 -- the meter it hangs on
  file_text     TEXT,                 -- the machine file as it was last read
  -- what it does now, for the page at a glance
  state         TEXT NOT NULL DEFAULT 'silent',   -- idle | running | no_power | silent
  state_since_ms INTEGER,
  phase         TEXT,
  stage         TEXT,
  phase_until_ms INTEGER,
  last_reading_ms INTEGER,
  -- set by a person while the machine is being worked on; its alerts are recorded and not announced
  out_of_service_since_ms INTEGER,
  out_of_service_by TEXT,
  out_of_service_reason TEXT
) STRICT;

CREATE TABLE cycle (
  id            INTEGER PRIMARY KEY,
  machine       TEXT NOT NULL REFERENCES machine(id),
  key_ms        INTEGER NOT NULL,     -- names the cycle for good: when it was first suspected
  start_ms      INTEGER NOT NULL,
  end_ms        INTEGER NOT NULL,
  programme     TEXT,
  outcome       TEXT NOT NULL,        -- completed | stopped_early | running
  energy_wh     REAL,
  peak_w        REAL,
  standby_w     REAL,
  cost          TEXT,
  currency      TEXT,
  own_wh        REAL,                 -- of the energy, from the site's own generation
  saved         TEXT,                 -- what that saved against buying all
  verdict       TEXT NOT NULL,        -- pass | attention
  pinned        INTEGER NOT NULL DEFAULT 0,
  UNIQUE (machine, key_ms)
) STRICT;
CREATE INDEX cycle_by_start ON cycle (machine, start_ms);

CREATE TABLE phase (
  cycle         INTEGER NOT NULL REFERENCES cycle(id) ON DELETE CASCADE,
  position      INTEGER NOT NULL,     -- 0, 1, 2 … along the cycle
  id            TEXT,                 -- the chart's, where there is one
  stage         TEXT NOT NULL,
  start_ms      INTEGER,
  end_ms        INTEGER,
  power_w       REAL,
  energy_wh     REAL,
  parts_on      TEXT NOT NULL DEFAULT '[]',  -- JSON list of component ids seen to draw
  verdict       TEXT NOT NULL,
  PRIMARY KEY (cycle, position)
) STRICT, WITHOUT ROWID;

-- What each part was seen to draw in each phase of a cycle (events.PartMeasured).
CREATE TABLE part_measured (
  cycle         INTEGER NOT NULL REFERENCES cycle(id) ON DELETE CASCADE,
  position      INTEGER NOT NULL,
  component     TEXT NOT NULL,
  phase         TEXT,
  power_w       REAL NOT NULL,
  seconds       REAL NOT NULL,
  at_rated_w    REAL,
  resistance_ohm REAL,
  PRIMARY KEY (cycle, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE alert (
  id            INTEGER PRIMARY KEY,
  machine       TEXT NOT NULL REFERENCES machine(id),
  key           TEXT NOT NULL,        -- Alert.key
  cycle         INTEGER REFERENCES cycle(id) ON DELETE SET NULL,
  cycle_key_ms  INTEGER,              -- the key of that cycle, also while it is not written down yet
  kind          TEXT NOT NULL,
  phase         TEXT,
  component     TEXT,
  began_ms      INTEGER NOT NULL,
  raised_ms     INTEGER NOT NULL,
  cleared_ms    INTEGER,
  measured      REAL,
  low           REAL,
  high          REAL,
  unit          TEXT,
  causes        TEXT NOT NULL DEFAULT '[]',  -- JSON list of {cause, because, check, safety}
  seen_ms       INTEGER,              -- when somebody said he had seen it; a second fact beside cleared_ms
  seen_by       TEXT,
  UNIQUE (machine, key)
) STRICT;
CREATE INDEX alert_by_raised ON alert (machine, raised_ms);

-- Alerts of a kind put aside on a machine by a person, for a stated time and reason.
CREATE TABLE shelf (
  machine       TEXT NOT NULL REFERENCES machine(id),
  kind          TEXT NOT NULL,
  from_ms       INTEGER NOT NULL,
  until_ms      INTEGER NOT NULL,
  by            TEXT,
  reason        TEXT NOT NULL,
  PRIMARY KEY (machine, kind)
) STRICT, WITHOUT ROWID;

CREATE TABLE note (
  id            INTEGER PRIMARY KEY,
  machine       TEXT NOT NULL REFERENCES machine(id),
  cycle         INTEGER REFERENCES cycle(id) ON DELETE SET NULL,  -- what people wrote outlives what it was about
  alert         INTEGER REFERENCES alert(id) ON DELETE SET NULL,
  at_ms         INTEGER NOT NULL,
  author        TEXT,
  text          TEXT NOT NULL
) STRICT;

-- Where the recogniser of a machine stands. Saved in the same transaction as what it said.
CREATE TABLE assessor_state (
  machine       TEXT PRIMARY KEY REFERENCES machine(id),
  at_ms         INTEGER NOT NULL,     -- the last reading it has seen, on the store's time line
  shift_ms      INTEGER NOT NULL DEFAULT 0,  -- the store's time line less the recogniser's own (clock steps)
  state         TEXT NOT NULL         -- Assessor.save() as JSON
) STRICT;

-- What has been received for good, per run of a poller and meter.
CREATE TABLE committed (
  session       TEXT NOT NULL,        -- one run of a poller
  meter         TEXT NOT NULL,
  sequence      INTEGER NOT NULL,     -- all up to and including this one are in the store
  PRIMARY KEY (session, meter)
) STRICT, WITHOUT ROWID;

-- Requests already carried out, with their answer: a request that comes twice is carried out once.
CREATE TABLE answered (
  id            TEXT PRIMARY KEY,
  at_ms         INTEGER NOT NULL,
  answer        TEXT NOT NULL         -- JSON
) STRICT, WITHOUT ROWID;
