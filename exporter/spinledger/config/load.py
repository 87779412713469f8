"""A configuration file becomes settings, or one line that says what is wrong with it.

Rules of this room: the first fault that a value has in itself is reported, in file order; only a
file without such is asked whether its parts fit together, again in file order. No file means the
defaults; so does an empty one.
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
from spinledger.config.settings import Config, Limits, Rule, Tariff, WhatIf, Wishes
from spinledger.errors import BadConfig
from spinledger.model import DAY, Cadence
from spinledger.schedule import Schedule

LARGEST = 1 << 20  # bytes; a configuration is some kilobytes
LOCALTIME = Path("/etc/localtime")


def load(path: Path | None, zone: str | None = None) -> Config:
    """The settings of a file, or the defaults for None. Raises BadConfig.

    `zone` is the tz name of schedules that give none; None takes the host's.
    """
    if path is None:
        return parse("", "", zone)
    name = str(path)
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise BadConfig(printable(name), "there is no such file", "check the path") from None
    except (OSError, ValueError) as error:
        why = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else ""
        what = f"cannot be read ({why.lower() or 'not a path'})"
        raise BadConfig(printable(name), what, "check the path and its permissions") from None
    if len(content) > LARGEST:
        what = f"is larger than {LARGEST} bytes"
        raise BadConfig(printable(name), what, "check that it is a configuration")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        what = f"byte {content[error.start]:02x}h is not UTF-8"
        raise BadConfig(f"{printable(name)}:{line}", what, "save the file as UTF-8") from None
    return parse(text, name, zone)


def parse(text: str, name: str, zone: str | None = None) -> Config:
    """The settings of a text; `name` stands for the file in complaints. Raises BadConfig."""
    found = read(text, name)
    misfits = sorted(fit.misfits(found))
    if misfits:
        raise found.bad(*misfits[0])
    return _config(found, zone)


def host_zone(localtime: Path = LOCALTIME) -> str | None:
    """The host's tz name, told by where its link points; UTC without a link; None if unnamed.

    As in the manual page localtime(5): a link into the zoneinfo folder; UTC if there is none.
    """
    try:
        target = os.readlink(localtime)
        if "zoneinfo/" not in target:
            target = os.path.realpath(localtime)
    except FileNotFoundError:
        return "UTC"
    except OSError:
        return None
    _, marker, name = target.rpartition("zoneinfo/")
    return name if marker else None


def _get(found: Found, *place: str) -> Any:
    """The value at a place, else the default of its row."""
    value = found.get(*place)
    return LEAVES[place].initial if value is None else value


def _config(found: Found, zone: str | None) -> Config:
    tls = _get(found, "web", "tls_and_users")
    second = _get(found, "wear", "cross_check")
    currency = _get(found, "tariff", "currency")
    rules = tuple(
        _rule(given, found.lines["disks", number])
        for number, given in enumerate(found.tree.get("disks", ()))
    )
    return Config(
        source=found.name,
        listen=_get(found, "listen"),
        tls_and_users=Path(tls) if tls else None,
        cadence=Cadence(
            fast_ns=_get(found, "sample", "fast"),
            slow_ns=_get(found, "sample", "slow"),
            asleep_ns=_get(found, "sample", "asleep"),
            wear_ns=_get(found, "wear", "every"),
            cross_check_ns=DAY if second else 0,
        ),
        wear_every_ns=_get(found, "wear", "every"),
        cross_check=Path(second) if second else None,
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
        ),
        rules=rules,
        defaults=_wishes(found.tree.get("defaults", {})),
        identity_aliases=MappingProxyType(
            {name: rule.pattern for rule in rules for name in rule.also_known_as}
        ),
    )


def _schedules(found: Found, zone: str | None) -> Mapping[str, Schedule]:
    made: dict[str, Schedule] = {}
    for name, given in found.tree.get("schedules", {}).items():
        windows = {window for line in given["windows"] for window in line}
        made[name] = Schedule(
            name=name,
            zone=given.get("zone") or _usual_zone(found, name, zone or host_zone()),
            windows=tuple(sorted(windows)),
            except_dates=frozenset(given.get("except", ())),
        )
    return MappingProxyType(made)


def _usual_zone(found: Found, name: str, usual: str | None) -> str:
    what = "has no name"
    try:
        if usual is not None:
            return values.zone(usual)
    except BadConfig as error:
        what = error.what
    what = f"schedules.{name} has no zone, and the host's {what}"
    raise found.bad(found.lines["schedules", name], what, "write zone: Europe/Prague or such")


def _rule(given: Mapping[str, Any], line: int) -> Rule:
    ((by, pattern),) = given["match"].items()
    return Rule(
        by=by,
        pattern="" if by == "all" else pattern,
        also_known_as=given.get("also_known_as", ()),
        wishes=_wishes(given),
        line=line,
    )


def _wishes(given: Mapping[str, Any]) -> Wishes:
    wishes: dict[str, Any] = {}
    for key, value in given.items():
        if key == "declared_timer":
            wishes[key] = value.get("code") if isinstance(value, dict) else value
        elif isinstance(value, dict) and key != "match":
            wishes |= {f"{key}.{below}": its for below, its in value.items()}
        elif key not in ("match", "also_known_as"):
            wishes[key] = value
    return MappingProxyType(wishes)
