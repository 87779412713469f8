"""A configuration file becomes settings, or one line that says what is wrong with it.

Rules of this room: the first fault that a value has in itself is reported, in file order; in a
file without one, the first part that does not fit the others, again in file order. No file means
the defaults; so does an empty one.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from spinledger.config import fit, values
from spinledger.config.document import Found, read
from spinledger.config.near import printable
from spinledger.config.schema import LEAVES
from spinledger.config.settings import Config, Limits, PerDisk, Rule, Tariff, WhatIf
from spinledger.config.zones import INSTALL, host_zone
from spinledger.errors import BadConfig
from spinledger.model import DAY, Cadence
from spinledger.schedule import Schedule

USUAL = Path("/etc/spinledger/config.yml")  # read where no other is named
LARGEST = 1 << 20  # bytes; a configuration is some kilobytes


def find(path: Path | None) -> Path | None:
    """The file that is named, else the usual one if it is there, else None."""
    return USUAL if path is None and os.path.lexists(USUAL) else path


def load(path: Path | None, zone: str | None = None) -> Config:
    """The settings of a file, or the defaults for None. Raises BadConfig.

    `zone` is the tz name of schedules that give none; None takes the host's.
    """
    return parse("", "", zone) if path is None else parse(text_of(path), str(path), zone)


def text_of(path: Path) -> str:
    """What a file holds. Raises BadConfig."""
    name = printable(str(path))
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise BadConfig(name, "there is no such file", "check the path") from None
    except (OSError, ValueError) as error:
        why = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else ""
        what = f"cannot be read ({why.lower() or 'not a path'})"
        raise BadConfig(name, what, "check the path and its permissions") from None
    if len(content) > LARGEST:
        what = f"is larger than {LARGEST} bytes"
        raise BadConfig(name, what, "check that it is a configuration")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        what = f"byte {content[error.start]:02X}h is not UTF-8"
        raise BadConfig(f"{name}:{line}", what, "save the file as UTF-8") from None


def parse(text: str, name: str, zone: str | None = None) -> Config:
    """The settings of a text; `name` stands for the file in messages. Raises BadConfig."""
    found = read(text, name)
    misfits = sorted(fit.misfits(found))
    if misfits:
        raise found.bad(*misfits[0])
    return _config(found, zone)


def _get(found: Found, *place: str) -> Any:
    """The value at a place, else the default of its row."""
    value = found.get(*place)
    return LEAVES[place].initial if value is None else value


def _config(found: Found, zone: str | None) -> Config:
    tls = _get(found, "web", "tls_and_users")
    cross_check = _get(found, "wear", "cross_check")
    currency = _get(found, "tariff", "currency")
    rules = tuple(
        _rule(entry, found.lines["disks", number])
        for number, entry in enumerate(found.tree.get("disks", ()))
    )
    return Config(
        source=found.name,
        listen=_get(found, "listen"),
        tls_and_users=Path(tls) if tls else None,
        host_names=frozenset(_get(found, "web", "host_names")),
        cadence=Cadence(
            fast_ns=_get(found, "sample", "fast"),
            slow_ns=_get(found, "sample", "slow"),
            asleep_ns=_get(found, "sample", "asleep"),
            wear_ns=_get(found, "wear", "every"),
            cross_check_ns=DAY if cross_check else 0,
        ),
        wear_every_ns=_get(found, "wear", "every"),
        cross_check=Path(cross_check) if cross_check else None,
        ledger_path=Path(_get(found, "ledger", "path")),
        keep_spans_ns=_get(found, "ledger", "keep_spans"),
        schedules=_schedules(found, zone),
        tariff=Tariff(currency, _get(found, "tariff", "per_kwh")) if currency else None,
        what_if=WhatIf(
            timers_ns=tuple(sorted(_get(found, "what_if", "timers"))),
            spinup_ns=_get(found, "what_if", "spinup"),
            waits_per_day=_get(found, "what_if", "waits_per_day"),
        ),
        limits=Limits(
            actors=_get(found, "limits", "actors"),
            probe_disturbances=_get(found, "limits", "probe_disturbances"),
            rated_life_horizon_ns=_get(found, "limits", "rated_life_horizon"),
            quiet_asleep_min=_get(found, "limits", "quiet_asleep_min"),
            absent_for_ns=_get(found, "limits", "absent_for"),
        ),
        may_be_suspended=_get(found, "may_be_suspended"),
        rules=rules,
        defaults=_per_disk(found.tree.get("defaults", {})),
        identity_aliases=MappingProxyType(
            {name: rule.pattern for rule in rules for name in rule.also_known_as}
        ),
    )


def _schedules(found: Found, zone: str | None) -> Mapping[str, Schedule]:
    made: dict[str, Schedule] = {}
    for name, section in found.tree.get("schedules", {}).items():
        windows = {window for line in section["windows"] for window in line}
        made[name] = Schedule(
            name=name,
            zone=section.get("zone") or _usual_zone(found, name, zone or host_zone()),
            windows=tuple(sorted(windows)),
            except_dates=frozenset(section.get("except", ())),
        )
    return MappingProxyType(made)


def _usual_zone(found: Found, name: str, usual: str | None) -> str:
    what, fix = "it has no name", "write zone: Europe/Prague or such"
    try:
        if usual is not None:
            return values.zone(usual)
    except BadConfig as error:
        what = error.what
        fix = error.fix if error.fix == INSTALL else fix
    what = f"schedules.{name} has no zone, and the host's is of no use: {what}"
    raise found.bad(found.lines["schedules", name], what, fix)


def _rule(entry: Mapping[str, Any], line: int) -> Rule:
    ((by, pattern),) = entry["match"].items()
    return Rule(
        by=by,
        pattern="" if by == "all" else pattern,
        also_known_as=entry.get("also_known_as", ()),
        settings=_per_disk(entry),
        line=line,
    )


def _per_disk(entry: Mapping[str, Any]) -> PerDisk:
    settings: dict[str, Any] = {}
    for key, value in entry.items():
        if key == "declared_timer":
            settings[key] = value.get("code") if isinstance(value, dict) else value
        elif isinstance(value, dict) and key != "match":
            settings |= {f"{key}.{below}": its for below, its in value.items()}
        elif key not in ("match", "also_known_as"):
            settings[key] = value
    return MappingProxyType(settings)
