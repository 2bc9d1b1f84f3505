-- What has been received for good, per run of a poller and meter. Beside the readings, so that both are one commit and
-- one forced write. Until now it was a table of the ledger; the recorder brings over what is there.
CREATE TABLE committed (
  session       TEXT NOT NULL,        -- one run of a poller
  meter         TEXT NOT NULL,
  sequence      INTEGER NOT NULL,     -- all up to and including this one are in the store
  last_ms       INTEGER NOT NULL,     -- the meter's newest reading then: tells which runs are the newest
  PRIMARY KEY (session, meter)
) STRICT, WITHOUT ROWID;
