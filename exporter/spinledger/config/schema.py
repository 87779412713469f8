"""The configuration as data: one row a key.

Rules of this room: a row holds a key's path, the kind of its value, its default as the user would
write it, and a line of help; nothing else in the program knows the keys' names but the builder of
the settings. In a path `*` stands for a name of the user's choice and `#` for a place in a list.
The keys of a disk are listed once, in PER_DISK, for both `disks` and `defaults`. Every row has at
least one example of a bad file in the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from spinledger.config import values, windows
from spinledger.config.values import Kind, many, matching, number, one_of, span, whole

Path = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Field:
    """One key: its dotted path, the kind of its value, its default as text, and what it is for."""

    path: str
    kind: Kind
    default: str | tuple[str, ...] | None
    help: str

    @property
    def parts(self) -> Path:
        """The path in parts."""
        return tuple(self.path.split("."))

    @property
    def initial(self) -> object:
        """The default as a value: None without one, a tuple for a list."""
        if self.default is None:
            return None
        if isinstance(self.default, tuple):
            return tuple(self.kind.parse(text) for text in self.default)
        return self.kind.parse(self.default)


_FILE = "an absolute path such as /var/lib/spinledger/ledger.db"
_IDENTITY = "an identity such as wwn-0x5000c500a1b2c3d4"

PER_DISK = (
    Field(
        "budget_per_day",
        number(0.01, 1000, "2"),
        "24",
        "acceptable spin-ups a day; the default only finds runaways",
    ),
    Field(
        "rated.load",
        whole(1, 10**9, "600000"),
        None,
        "rated load/unload cycles, from the data sheet",
    ),
    Field(
        "rated.start_stop",
        whole(1, 10**9, "50000"),
        None,
        "rated start-stop cycles, from the data sheet",
    ),
    Field(
        "declared_timer",
        span("0.1s", "7d", "20m", or_zero=True),
        None,
        "the standby timer that is set in the drive; 0: none",
    ),
    Field(
        "declared_timer.code",
        Kind("a timer code such as 0xF2", values.timer_code),
        None,
        "the same, as the code of the ATA STANDBY command",
    ),
    Field("watts.idle", number(0, 100, "5.3"), "5.7", "power while spinning without I/O, watts"),
    Field("watts.standby", number(0, 100, "0.7"), "0.7", "power in standby, watts"),
    Field("watts.active", number(0, 100, "7.5"), None, "power during I/O, watts; default: as idle"),
    Field("spinup_joules", number(0, 10_000, "120"), "120", "extra energy of one spin-up, joules"),
    Field(
        "quiet",
        Kind("the name of a schedule, or none", values.quiet_name),
        None,
        "the schedule of this disk's quiet hours; none: no quiet hours whatever `defaults` says",
    ),
    Field(
        "watch",
        one_of("full", "counters", "off"),
        None,
        "full: the kernel's counters and probes; counters: never probed; off: not at all; "
        "default: full, on USB counters",
    ),
    Field(
        "may_be_absent",
        Kind("true or false", values.truth),
        None,
        "true: its removal is no finding and no alert; default: true on USB",
    ),
)

FIELDS = (
    Field(
        "listen",
        Kind("HOST:PORT such as 127.0.0.1:9786", values.address),
        "127.0.0.1:9786",
        "where /metrics is served",
    ),
    Field(
        "web.tls_and_users",
        Kind("an absolute path such as /etc/spinledger/web.yml", values.absolute_path),
        None,
        "a file with certificates and users",
    ),
    Field(
        "web.host_names",
        many(Kind("", values.host_name), "a list such as [dome.example.org]"),
        (),
        "names by which clients may call this exporter, beside its addresses and the host's name",
    ),
    Field(
        "sample.fast",
        span("0.1s", "1m", "5s"),
        "5s",
        "how often the kernel's counters are read; nothing is sent to a drive",
    ),
    Field(
        "sample.slow",
        span("0.1s", "1d", "60s"),
        "60s",
        "how often an idle disk is probed; at most in every second sample",
    ),
    Field(
        "sample.asleep", span("0.1s", "7d", "10m"), "10m", "how often a disk in standby is probed"
    ),
    Field(
        "wear.every",
        span("1s", "30d", "30m", or_zero=True),
        "30m",
        "how often a spinning drive's own counters are read; 0: never",
    ),
    Field(
        "wear.cross_check",
        Kind("an absolute path such as /usr/sbin/smartctl", values.absolute_path),
        None,
        "smartctl, to cross-check the drive's counters once a day; default: never",
    ),
    Field(
        "ledger.path",
        Kind(_FILE, values.absolute_path),
        "/var/lib/spinledger/ledger.db",
        "the ledger file",
    ),
    Field(
        "ledger.keep_spans", span("1d", "100y", "400d"), "400d", "how long spans and gaps are kept"
    ),
    Field(
        "schedules.*.zone",
        Kind("a time zone such as Europe/Prague", values.zone),
        None,
        "time zone of the windows; default: the host's",
    ),
    Field(
        "schedules.*.windows",
        many(Kind("", windows.parse), 'a list such as ["Mon-Fri 22:00-06:30"]'),
        None,
        "weekly windows of quiet hours; where they overlap they merge",
    ),
    Field(
        "schedules.*.except",
        many(Kind("", values.iso_date), 'a list such as ["2026-12-24"]'),
        (),
        "windows beginning on these dates are dropped",
    ),
    Field(
        "tariff.currency",
        matching("[A-Z]{3}", "a currency code such as EUR", "is not three capital letters"),
        None,
        "currency of the price, ISO 4217",
    ),
    Field("tariff.per_kwh", number(0, 10**6, "0.30"), None, "price of one kilowatt-hour"),
    Field(
        "what_if.timers",
        many(span("1s", "7d", "20m"), "a list such as [5m, 10m, 20m, 1h, 2h, 4h]"),
        ("5m", "10m", "20m", "1h", "2h", "4h"),
        "standby timers to calculate, at most six",
    ),
    Field(
        "what_if.spinup",
        span("0.1s", "10m", "10s", or_zero=True),
        "10s",
        "how long a spin-up takes",
    ),
    Field(
        "what_if.waits_per_day",
        number(0, 1000, "5"),
        "5",
        "acceptable waits for a spin-up, a day",
    ),
    Field("limits.actors", whole(0, 100, "8"), "8", "actors (programs) named per disk"),
    Field(
        "limits.probe_disturbances",
        whole(1, 1000, "3"),
        "3",
        "disturbances by probes after which a drive is no longer probed",
    ),
    Field(
        "limits.rated_life_horizon",
        span("1d", "100y", "3y"),
        "3y",
        "warn if the rated life ends sooner",
    ),
    Field(
        "limits.quiet_asleep_min",
        number(0, 1, "0.5"),
        "0.5",
        "share of a quiet window that a disk should sleep, 0 to 1",
    ),
    Field(
        "limits.absent_for",
        span("10m", "100y", "30d"),
        "30d",
        "an absent disk counts as removed for good after that",
    ),
    Field(
        "may_be_suspended",
        Kind("true or false", values.truth),
        "false",
        "true: this host sleeps at times, so silence of the exporter is no alert",
    ),
    Field(
        "disks.#.match.identity",
        Kind(_IDENTITY, values.identity),
        None,
        "the disk with this identity",
    ),
    Field(
        "disks.#.match.by_id",
        Kind("a link name of /dev/disk/by-id", values.by_id),
        None,
        "the disk with this link in /dev/disk/by-id",
    ),
    Field(
        "disks.#.match.model",
        Kind('a pattern such as "ARCHIVE *"', str),
        None,
        "disks whose model fits this pattern of *, ? and [...]; case matters",
    ),
    Field("disks.#.match.all", Kind("true", values.true), None, "every disk"),
    Field(
        "disks.#.also_known_as",
        many(Kind("", values.identity), "a list such as [usb-old_bridge_serial]"),
        (),
        "earlier identities of this disk; it continues their records",
    ),
    *(Field(f"disks.#.{row.path}", row.kind, row.default, row.help) for row in PER_DISK),
    *(Field(f"defaults.{row.path}", row.kind, row.default, row.help) for row in PER_DISK),
)


@dataclass(frozen=True, slots=True)
class Schema:
    """The rows of one form of file. `leaves` are its keys by path; `branches` what may stand below
    each path, where `("*",)` and `("#",)` are a map of names and a list; `name` parses a name.
    """

    leaves: Mapping[Path, Field]
    branches: Mapping[Path, tuple[str, ...]]
    name: Callable[[str], str]

    @classmethod
    def of(cls, rows: Iterable[Field], name: Callable[[str], str]) -> Schema:
        """From the rows."""
        leaves = {row.parts: row for row in rows}
        found: dict[Path, dict[str, None]] = {}
        for path in leaves:
            for depth, part in enumerate(path):
                found.setdefault(path[:depth], {})[part] = None
        return cls(leaves, {path: tuple(parts) for path, parts in found.items()}, name)


SCHEMA = Schema.of(FIELDS, values.schedule_name)
LEAVES = SCHEMA.leaves
BRANCHES = SCHEMA.branches
