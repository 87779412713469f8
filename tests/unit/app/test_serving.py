"""Where a simulated shelf begins, and in which boot."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from spinledger.app.serving import Serving, evening_wall_ns, simulated_boot, simulated_disks
from spinledger.model import SECOND
from spinledger.sim.clocks import boot_name
from spinledger.sim.rehearse import Rehearsal, last_boot, rehearse

REBOOT_NIGHT_NS = int(datetime(2026, 3, 18, 3, 30, tzinfo=ZoneInfo("UTC")).timestamp()) * SECOND


@pytest.mark.parametrize(
    "zone", ["UTC", "Europe/Prague", "Asia/Kolkata", "Pacific/Auckland", "America/St_Johns"]
)
def test_it_begins_at_nine_in_the_evening_where_its_people_live(zone: str) -> None:
    """21:00 by that zone's local time (the tz database), within the last day of 23 to 25 hours."""
    evening = datetime.fromtimestamp(evening_wall_ns(zone) / SECOND, ZoneInfo(zone))
    assert (evening.hour, evening.minute, evening.second) == (21, 0, 0)
    ago = timedelta(seconds=time.time() - evening.timestamp())
    assert timedelta(0) <= ago <= timedelta(hours=25)


def test_it_goes_on_in_the_boot_in_which_its_ledger_ended(tmp_path: Path) -> None:
    """Rehearsed over the reboot of a third Wednesday: the second boot; without a ledger the first;
    a file that is no ledger is left to the store."""
    ledger = tmp_path / "ledger.db"
    assert simulated_boot(Serving(ledger=str(ledger))) == boot_name(1)
    rehearse(Rehearsal(0.02, start_wall_ns=REBOOT_NIGHT_NS), ledger)
    assert last_boot(ledger) == boot_name(boot_name(1))
    assert simulated_boot(Serving(ledger=str(ledger))) == boot_name(boot_name(1))
    assert simulated_boot(Serving(ledger="memory")) == boot_name(1)
    ledger.write_bytes(b"no ledger at all" * 512)
    assert simulated_boot(Serving(ledger=str(ledger))) == boot_name(1)


def test_it_has_as_many_disks_as_its_ledger() -> None:
    """Those of the ledger on the host that it names, unless a number is given; else eight."""
    known = [f"sim-dome-frames-{number}" for number in range(20)]
    assert simulated_disks(Serving(), known) == (20, "dome")
    assert simulated_disks(Serving(disks=3), known) == (3, "dome")
    assert simulated_disks(Serving(), []) == (8, "attic")
