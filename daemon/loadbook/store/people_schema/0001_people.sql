-- Who may sign in at the dashboard: people, their open sessions, tokens of scripts, failed tries. Of every secret only a
-- hash is kept. The dashboard and `loadbook people` write it; the recorder has nothing to do with it.

CREATE TABLE person (
    name TEXT NOT NULL COLLATE NOCASE PRIMARY KEY,
    may TEXT NOT NULL CHECK (may IN ('look', 'change')),
    passphrase_hash TEXT NOT NULL,
    since_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE session (
    id_hash TEXT NOT NULL PRIMARY KEY,
    person TEXT NOT NULL COLLATE NOCASE REFERENCES person (name) ON DELETE CASCADE ON UPDATE CASCADE,
    begun_ms INTEGER NOT NULL,
    used_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX session_of_person ON session (person);

CREATE TABLE script (
    label TEXT NOT NULL COLLATE NOCASE PRIMARY KEY,
    may TEXT NOT NULL CHECK (may IN ('look', 'change')),
    token_hash TEXT NOT NULL UNIQUE,
    since_ms INTEGER NOT NULL,
    used_ms INTEGER
) STRICT;

CREATE TABLE failed (
    who TEXT NOT NULL PRIMARY KEY,
    tries INTEGER NOT NULL,
    last_ms INTEGER NOT NULL
) STRICT;
