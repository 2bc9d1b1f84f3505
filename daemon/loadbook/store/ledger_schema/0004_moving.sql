-- A move in time (the board's clock was set) that the ledger has made and the store of readings may not have made yet.
-- It is completed after a power cut between the two, before anything else is read.
CREATE TABLE moving (
  session       TEXT NOT NULL,        -- which entry of which poller's run asked for it
  meter         TEXT NOT NULL,
  sequence      INTEGER NOT NULL,
  from_ms       INTEGER NOT NULL,     -- readings from here on, as they lay before
  by_ms         INTEGER NOT NULL,
  PRIMARY KEY (session, meter, sequence)
) STRICT, WITHOUT ROWID;
