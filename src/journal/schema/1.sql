-- The journal, version 1. Times are UTC: milliseconds since 1970 where a column ends in _ms, else minutes or hours since 1970.
-- Migrations are files beside this one, applied in order of their number; `PRAGMA user_version` is the number of the last.

-- What the control core must find again after a restart: latches, calibrations, alarms, overrides, burn hours. The newest
-- record of each owner, as JSON, under the room of the program that reads it: 'safety' or 'file'.
CREATE TABLE kept (
    owner   TEXT PRIMARY KEY,
    room    TEXT NOT NULL CHECK (room IN ('safety', 'file')),
    record  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Each life of the daemon. `alive_ms` is written every minute, so what lies between it and the next start is a gap.
CREATE TABLE runs (
    id          INTEGER PRIMARY KEY,
    started_ms  INTEGER NOT NULL,
    alive_ms    INTEGER NOT NULL,
    ended_ms    INTEGER,            -- none: it was killed, or is alive
    program     TEXT NOT NULL       -- its version
) STRICT;

-- What is measured where. `quantity`: 'temperature' °C, 'humidity' %, 'illuminance' lx, 'power' W, 'uvi' (calibrated by the
-- gain in force) and 'uvi-raw' (as the probe says, in its own unit).
CREATE TABLE series (
    id         INTEGER PRIMARY KEY,
    enclosure  TEXT NOT NULL,
    probe      TEXT NOT NULL,
    quantity   TEXT NOT NULL,
    UNIQUE (enclosure, probe, quantity)
) STRICT;

-- Readings, minute by minute. `low` and `high` are empty where they equal `mean`, which is empty where no reading was good.
-- `good` and `bad` count readings that were believed and that were not. Those of the last hour or two stand in `recent`, in
-- order of time, so that a minute of a whole site lies on a page or two; then they move to `minutes`, in order of series.
CREATE TABLE recent (
    minute  INTEGER NOT NULL,
    series  INTEGER NOT NULL REFERENCES series (id),
    mean    REAL,
    low     REAL,
    high    REAL,
    good    INTEGER NOT NULL,
    bad     INTEGER NOT NULL,
    PRIMARY KEY (minute, series)
) STRICT, WITHOUT ROWID;

CREATE TABLE minutes (
    series  INTEGER NOT NULL REFERENCES series (id),
    minute  INTEGER NOT NULL,
    mean    REAL,
    low     REAL,
    high    REAL,
    good    INTEGER NOT NULL,
    bad     INTEGER NOT NULL,
    PRIMARY KEY (series, minute)
) STRICT, WITHOUT ROWID;

CREATE VIEW minutely AS
    SELECT series, minute, mean, ifnull(low, mean) AS low, ifnull(high, mean) AS high, good, bad FROM recent
    UNION ALL
    SELECT series, minute, mean, ifnull(low, mean) AS low, ifnull(high, mean) AS high, good, bad FROM minutes;

-- The same by the hour. `covered`: minutes of it with a good reading. `mean` is that of those minutes.
CREATE TABLE hours (
    series   INTEGER NOT NULL REFERENCES series (id),
    hour     INTEGER NOT NULL,
    mean     REAL,
    low      REAL,
    high     REAL,
    good     INTEGER NOT NULL,
    bad      INTEGER NOT NULL,
    covered  INTEGER NOT NULL,
    PRIMARY KEY (series, hour)
) STRICT, WITHOUT ROWID;

-- How far the hours are summed ('summed', an hour: all before it are).
CREATE TABLE marks (
    name   TEXT PRIMARY KEY,
    value  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE lamps (
    id         INTEGER PRIMARY KEY,
    enclosure  TEXT NOT NULL,
    lamp       TEXT NOT NULL,
    UNIQUE (enclosure, lamp)
) STRICT;

-- Every change of a lamp's level, 0 to 1, with its reason.
CREATE TABLE switches (
    lamp    INTEGER NOT NULL REFERENCES lamps (id),
    at_ms   INTEGER NOT NULL,
    nth     INTEGER NOT NULL,       -- several within a millisecond keep their order
    level   REAL NOT NULL,
    reason  TEXT NOT NULL,
    PRIMARY KEY (lamp, at_ms, nth)
) STRICT, WITHOUT ROWID;

-- Alarms as they were raised, changed and cleared. `enclosure` is empty for the site's.
CREATE TABLE alarms (
    id         INTEGER PRIMARY KEY,
    at_ms      INTEGER NOT NULL,
    enclosure  TEXT,
    kind       TEXT NOT NULL,
    priority   TEXT NOT NULL,
    state      TEXT NOT NULL,
    since_ms   INTEGER NOT NULL,
    text       TEXT NOT NULL,
    subjects   TEXT NOT NULL        -- a JSON array of names
) STRICT;
CREATE INDEX alarms_of ON alarms (enclosure, at_ms);

-- What the keeper did, in the words of a recording: {"act": "lamp-change", "enclosure": "e1", "lamp": "uvb"}.
CREATE TABLE acts (
    id         INTEGER PRIMARY KEY,
    at_ms      INTEGER NOT NULL,
    enclosure  TEXT,
    act        TEXT NOT NULL
) STRICT;
CREATE INDEX acts_of ON acts (enclosure, at_ms);

-- What the program found worth telling beside alarms, such as what became of a meter reading.
CREATE TABLE remarks (
    id         INTEGER PRIMARY KEY,
    at_ms      INTEGER NOT NULL,
    enclosure  TEXT NOT NULL,
    subject    TEXT NOT NULL,
    text       TEXT NOT NULL
) STRICT;
CREATE INDEX remarks_of ON remarks (enclosure, at_ms);

-- Messages to people. One that waits was not sent as far as anybody knows: it is written here before the first try, and what
-- became of it after the last. `notice` names what it says, the same by every channel; `message` is all of it, as JSON.
CREATE TABLE outbox (
    id        TEXT PRIMARY KEY,
    notice    TEXT NOT NULL,
    made_ms   INTEGER NOT NULL,
    contact   TEXT NOT NULL,
    channel   TEXT NOT NULL,
    message   TEXT NOT NULL,
    state     TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'replaced', 'given up')),
    state_ms  INTEGER,
    why       TEXT
) STRICT, WITHOUT ROWID;
CREATE INDEX outbox_made ON outbox (made_ms);

-- Notices whose link was used: each works once.
CREATE TABLE seen (
    notice  TEXT PRIMARY KEY,
    at_ms   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Who was told of which alarm that stands, and what they are owed, as JSON.
CREATE TABLE told (
    what    TEXT PRIMARY KEY,
    record  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Secrets of this journal: 'links' signs the links in messages.
CREATE TABLE keys (
    name   TEXT PRIMARY KEY,
    value  BLOB NOT NULL
) STRICT, WITHOUT ROWID;
