"""The tables of a ledger, as `sqlite3 ledger.db .schema` shows them.

Rules: STRICT, WITHOUT ROWID, plain columns; the unit is part of a name: `_ms` and `_ns` are
integers, `_s` the same in seconds, made by SQLite when they are read. A time is of the wall clock,
since 1970 in UTC, unless its name says `boot` or `length`. The key begins with day and disk, so
that a commit touches few pages; there is no second index.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import NamedTuple

VERSION = 2
APPLICATION_ID = 0x53504C47  # "SPLG": bytes 68 to 71 of the file
PAGE_BYTES = 4096

TABLES = {
    "meta": """CREATE TABLE meta (
  version INTEGER NOT NULL,    -- of this schema
  owner TEXT NOT NULL,         -- random identity of this ledger
  number INTEGER NOT NULL,     -- of the last commit
  at_ns INTEGER NOT NULL,      -- its time by the boot clock
  wall_ns INTEGER NOT NULL,    -- its time since 1970 UTC
  boot INTEGER NOT NULL,       -- how many boots this ledger has seen
  boot_id TEXT NOT NULL,       -- the kernel's identity of the last one
  clean INTEGER NOT NULL,      -- 1: that commit was the last of an orderly stop
  damaged INTEGER NOT NULL,    -- files found damaged and set aside before this one
  rows INTEGER NOT NULL,       -- how many rows of disks, accounts and days there are
  sum INTEGER NOT NULL,        -- of their checksums, modulo 2^64, as a signed integer
  checksum INTEGER NOT NULL,   -- of the columns before it
  PRIMARY KEY (owner)
) STRICT, WITHOUT ROWID""",
    "disks": """CREATE TABLE disks (
  disk INTEGER NOT NULL,       -- its number in all tables
  identity TEXT NOT NULL,      -- the label disk of the metrics
  model TEXT NOT NULL,
  serial TEXT NOT NULL,
  pool TEXT NOT NULL,          -- '' where it belongs to none
  checksum INTEGER NOT NULL,
  PRIMARY KEY (disk)
) STRICT, WITHOUT ROWID""",
    "accounts": """CREATE TABLE accounts (
  disk INTEGER NOT NULL,
  identity TEXT NOT NULL,
  state TEXT NOT NULL,         -- the counters as JSON, for the exporter's next start
  checksum INTEGER NOT NULL,
  PRIMARY KEY (disk)
) STRICT, WITHOUT ROWID""",
    "days": """CREATE TABLE days (
  day INTEGER NOT NULL,        -- days since 1970-01-01 UTC
  disk INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,      -- when the totals were taken; 0: there are none of this day
  active_ms INTEGER NOT NULL,  -- this and all below: since the ledger began
  idle_ms INTEGER NOT NULL,
  standby_ms INTEGER NOT NULL,
  unknown_ms INTEGER NOT NULL,
  unobserved_ms INTEGER NOT NULL,
  quiet_active_ms INTEGER NOT NULL,  -- quiet_: the part of it inside quiet hours
  quiet_idle_ms INTEGER NOT NULL,
  quiet_standby_ms INTEGER NOT NULL,
  quiet_unknown_ms INTEGER NOT NULL,
  quiet_unobserved_ms INTEGER NOT NULL,
  observed_cycles INTEGER NOT NULL,
  unobserved_cycles INTEGER NOT NULL,
  energy_j INTEGER NOT NULL,
  saved_j INTEGER NOT NULL,
  lost_j INTEGER NOT NULL,
  commands INTEGER NOT NULL,   -- sent to the disk
  failed_probes INTEGER NOT NULL,
  probe_disturbances INTEGER NOT NULL,
  rejected_readings INTEGER NOT NULL,
  spans_checksum INTEGER NOT NULL,   -- of the day's spans and gaps; 0: there are none
  cycles_checksum INTEGER NOT NULL,  -- of the day's cycles and reading; 0: there are none
  checksum INTEGER NOT NULL,         -- of the columns before it
  PRIMARY KEY (day, disk)
) STRICT, WITHOUT ROWID""",
    "cycles": """CREATE TABLE cycles (
  day INTEGER NOT NULL,
  disk INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,      -- when the disk began to spin
  number INTEGER NOT NULL,     -- of the disk's spin-ups since its account began
  boot INTEGER NOT NULL,       -- which boot, counted as in meta
  boot_ns INTEGER NOT NULL,    -- when, by the clock of that boot
  observed INTEGER NOT NULL,   -- 0: known from the drive's counters alone
  cause TEXT,                  -- this and the rest: NULL until explained, '' if not known
  actor TEXT,
  place TEXT,
  wait_ms INTEGER,             -- how long the first request waited
  at_s REAL GENERATED ALWAYS AS (at_ms / 1000.0) VIRTUAL,
  wait_s REAL GENERATED ALWAYS AS (wait_ms / 1000.0) VIRTUAL,
  PRIMARY KEY (day, disk, at_ms, number)
) STRICT, WITHOUT ROWID""",
    "readings": """CREATE TABLE readings (
  day INTEGER NOT NULL,
  disk INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  boot_ms INTEGER NOT NULL,    -- when, by the boot clock
  start_stops INTEGER,         -- the drive's counters; NULL: it does not report this one
  loads INTEGER,
  power_cycles INTEGER,
  power_on_s INTEGER,
  rated_load INTEGER,
  rated_start_stop INTEGER,
  apm INTEGER,                 -- level; 0: unsupported or off
  origin TEXT,                 -- which record each counter came from
  retracts INTEGER,
  spindle_s INTEGER,           -- time the motor ran
  timer_ms INTEGER,            -- standby timer; 0: off
  power_on_raw INTEGER,        -- attribute 9 as it stands
  packing TEXT,                -- how it was read
  to_standby_z INTEGER,
  epc INTEGER,                 -- 1: Extended Power Conditions are enabled
  timers TEXT,                 -- of power conditions, milliseconds
  at_s REAL GENERATED ALWAYS AS (at_ms / 1000.0) VIRTUAL,
  PRIMARY KEY (day, disk)
) STRICT, WITHOUT ROWID""",
    "spans": """CREATE TABLE spans (
  day INTEGER NOT NULL,        -- of its end
  disk INTEGER NOT NULL,
  number INTEGER NOT NULL,     -- in that day, from 1
  began_ms INTEGER NOT NULL,
  ended_ms INTEGER NOT NULL,
  length_ms INTEGER NOT NULL,  -- by the boot clock: another one where the wall clock was set
  active_ms INTEGER NOT NULL,  -- the part of it in which sectors moved
  state TEXT NOT NULL,         -- spinning, standby, unknown or unobserved
  evidence TEXT NOT NULL,      -- what began it
  began_s REAL GENERATED ALWAYS AS (began_ms / 1000.0) VIRTUAL,
  ended_s REAL GENERATED ALWAYS AS (ended_ms / 1000.0) VIRTUAL,
  length_s REAL GENERATED ALWAYS AS (length_ms / 1000.0) VIRTUAL,
  active_s REAL GENERATED ALWAYS AS (active_ms / 1000.0) VIRTUAL,
  PRIMARY KEY (day, disk, number)
) STRICT, WITHOUT ROWID""",
    "gaps": """CREATE TABLE gaps (
  day INTEGER NOT NULL,        -- of its end
  disk INTEGER NOT NULL,
  began_ms INTEGER NOT NULL,   -- the last I/O request before it; ours do not count
  length_ms INTEGER NOT NULL,
  censored INTEGER NOT NULL,   -- 1: its beginning or end was not observed
  began_s REAL GENERATED ALWAYS AS (began_ms / 1000.0) VIRTUAL,
  length_s REAL GENERATED ALWAYS AS (length_ms / 1000.0) VIRTUAL,
  PRIMARY KEY (day, disk, began_ms, length_ms, censored)
) STRICT, WITHOUT ROWID""",
}

VIEWS = {
    "spin_ups": """CREATE VIEW spin_ups AS
SELECT datetime(at_s, 'unixepoch', 'localtime') AS local_time, identity, model, serial, pool,
       observed, cause, actor, place, wait_s
FROM cycles JOIN disks USING (disk)""",
    "daily": """CREATE VIEW daily AS
SELECT date(day * 86400, 'unixepoch') AS utc_date, identity, model, serial, pool,
       observed_cycles - lag(observed_cycles, 1, 0) OVER disk_days AS observed_cycles,
       unobserved_cycles - lag(unobserved_cycles, 1, 0) OVER disk_days AS unobserved_cycles,
       (standby_ms - lag(standby_ms, 1, 0) OVER disk_days) / 3600000.0 AS standby_h,
       (active_ms + idle_ms - lag(active_ms + idle_ms, 1, 0) OVER disk_days) / 3600000.0
           AS spinning_h,
       (energy_j - lag(energy_j, 1, 0) OVER disk_days) / 3600000.0 AS energy_kwh
FROM days JOIN disks USING (disk) WHERE at_ms > 0
WINDOW disk_days AS (PARTITION BY disk ORDER BY day)""",
}

SCHEMA = {**TABLES, **VIEWS}

Dump = Mapping[str, object]  # of an account: JSON types


@dataclass(frozen=True, slots=True)
class Meta:
    """The row of `meta`, less its checksum. Times in nanoseconds, as in ports.Commit."""

    version: int
    owner: str
    number: int = 0
    at_ns: int = 0
    wall_ns: int = 0
    boot: int = 0
    boot_id: str = ""
    clean: int = 0
    damaged: int = 0
    rows: int = 0
    sum: int = 0


class DiskRow(NamedTuple):
    """A row of `disks` after its number."""

    identity: str
    model: str = ""
    serial: str = ""
    pool: str = ""

    @classmethod
    def of(cls, identity: str, dump: Dump) -> DiskRow:
        """From an account's dump, where it names the disk."""
        disk = dump.get("disk")
        given = disk if isinstance(disk, dict) else {}
        return cls(identity, *(str(given.get(name, "")) for name in cls._fields[1:]))


META = (*(field.name for field in fields(Meta)), "checksum")
"""The columns of `meta`."""
