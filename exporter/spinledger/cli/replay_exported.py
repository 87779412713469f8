"""What a replay assumes, from a running exporter: budget, watts, price and timers of its disk.

Rules: an exporter that was named must answer and watch the disk; where none was named and none that
watches the disk answers at the usual address, what is assumed otherwise stays. /snapshot has no
quiet hours: times of day are in the exporter's zone, and not split by quiet hours.
"""

from __future__ import annotations

from dataclasses import replace

from spinledger.cli.exporter import Exporter, NoExporter, chosen, listening
from spinledger.cli.replay_report import Setting
from spinledger.config.load import load
from spinledger.errors import BadInput, Unavailable
from spinledger.model import SECOND, Watts
from spinledger.web.snapshot_json import Json


def exported(setting: Setting, named: Exporter | None, disk: str) -> Setting:
    """The setting with what the exporter has for the disk, by any of its names.

    Raises Unavailable or BadInput where an exporter was named and does not help.
    """
    if named and not disk:
        raise BadInput("--exporter", "no disk is named", "give --disk")
    try:
        exporter = named or _configured()
        snapshot = exporter.snapshot()
        found = chosen(snapshot["disks"], disk, f"--exporter {exporter.url}")
    except (BadInput, Unavailable) as absent:
        if named is None:
            return setting
        raise (absent.with_fix() if isinstance(absent, NoExporter) else absent) from None
    return _of(setting, snapshot, found["policy"], exporter.url)


def _configured() -> Exporter:
    config = load(None)
    return listening(config.listen, config.tls_and_users)


def _of(setting: Setting, snapshot: Json, policy: Json, url: str) -> Setting:
    tariff = snapshot.get("tariff") or {}
    terms = replace(
        setting.terms,
        budget_per_day=policy["budget_per_day"],
        waits_per_day=policy["waits_per_day"],
        watts=Watts(
            policy["idle_watts"],
            policy["standby_watts"],
            policy["active_watts"],
            policy["watts_source"],
        ),
        spinup_j=policy["spinup_joules"],
        currency=tariff.get("currency", ""),
        per_kwh=tariff.get("per_kwh"),
        rated_start_stop=policy["rated_start_stop"],
        rated_load=policy["rated_load"],
    )
    tried = {*policy["whatif_standby_seconds"], policy["declared_standby_seconds"] or 0} - {0}
    return replace(
        setting,
        timers_ns=tuple(sorted(round(seconds * SECOND) for seconds in tried)),
        spinup_ns=round(policy["whatif_spinup_seconds"] * SECOND),
        terms=terms,
        zone=snapshot.get("zone", setting.zone),
        exporter=url,
    )
