-- Every text a machine file has had, as kept from the dashboard. The newest is the one in force; taking a change back
-- keeps an older text once more, so nothing is ever lost.

CREATE TABLE machine_file_version (
  id            INTEGER PRIMARY KEY,
  machine       TEXT NOT NULL REFERENCES machine(id),
  at_ms         INTEGER NOT NULL,
  author        TEXT NOT NULL DEFAULT '',
  why           TEXT NOT NULL DEFAULT '',
  file_text     TEXT NOT NULL
) STRICT;
CREATE INDEX machine_file_version_by_machine ON machine_file_version (machine, id);
