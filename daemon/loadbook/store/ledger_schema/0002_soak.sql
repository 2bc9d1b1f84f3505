-- Soak tests: the order, its diary, the electrical safety test's values as a licensed person entered them, the reports.
-- Where a test stands is worked out from these and from the cycles (loadbook.soak.order), never stored.

CREATE TABLE soak_test (
  id            INTEGER PRIMARY KEY,
  number        TEXT NOT NULL UNIQUE, -- as people write it: year and a running number
  machine       TEXT NOT NULL REFERENCES machine(id),
  created_ms    INTEGER NOT NULL,
  soak_order    TEXT NOT NULL,        -- SoakOrder as JSON
  machine_file  TEXT NOT NULL,        -- the machine file as it stood when the test began
  meter         TEXT,                 -- the meter's id
  accuracy      TEXT                  -- JSON {class_percent, fixed}; NULL: the meter map states none
) STRICT;
CREATE INDEX soak_test_by_machine ON soak_test (machine, created_ms);

CREATE TABLE soak_entry (
  id            INTEGER PRIMARY KEY,
  test          INTEGER NOT NULL REFERENCES soak_test(id) ON DELETE CASCADE,
  at_ms         INTEGER NOT NULL,
  kind          TEXT NOT NULL,        -- started | paused | resumed | note | ended
  author        TEXT NOT NULL DEFAULT '',
  text          TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX soak_entry_by_test ON soak_entry (test, id);

CREATE TABLE soak_safety (
  id            INTEGER PRIMARY KEY,
  test          INTEGER NOT NULL REFERENCES soak_test(id) ON DELETE CASCADE,
  at_ms         INTEGER NOT NULL,
  tester        TEXT NOT NULL,
  standard      TEXT NOT NULL,        -- with its edition
  instrument    TEXT NOT NULL,        -- with its calibration date
  checks        TEXT NOT NULL         -- JSON list of {check, limit, value, result}
) STRICT;

CREATE TABLE soak_report (
  id            TEXT PRIMARY KEY,     -- on every page
  test          INTEGER NOT NULL REFERENCES soak_test(id) ON DELETE CASCADE,
  issued_ms     INTEGER NOT NULL,
  authorised_by TEXT NOT NULL,
  remark        TEXT NOT NULL DEFAULT '',
  replaces      TEXT REFERENCES soak_report(id),
  finding       TEXT NOT NULL,        -- met | not_met | undecided | not_assessed
  html          TEXT NOT NULL         -- as it was issued; a later change of the ledger does not change it
) STRICT;
CREATE INDEX soak_report_by_test ON soak_report (test, issued_ms);
