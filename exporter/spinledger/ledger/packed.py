"""What an account knows of the drive's packed counters: which reading is shown, and since when.

Rules: `wear.packed` and `codec.packings` decide; here is what of the account they need.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.ledger.account import Account
from spinledger.model import Command, Record
from spinledger.wear.packed import decided
from spinledger.wear.reading import origins

_CLOCK = "power_on_raw"


def shown_counts(
    account: Account, records: Sequence[Record], second: Mapping[str, int], elapsed_s: int
) -> Sequence[Record]:
    """The records with packed counts as far as they are shown; the others are doubtful."""
    last = account.reading
    before: dict[str, int] = {}
    if last is not None:
        for name, source in origins(last).items():
            value = getattr(last, name)
            if source == Command.SMART_READ_DATA and value is not None:
                before[name] = value - account.shifts.get(name, 0)
    age_s = None if last is None else last.power_on_s
    given, account.doubtful = decided(
        records, account.packed, before=before, second=second, age_s=age_s, elapsed_s=elapsed_s
    )
    return given


def power_on_anchor(
    account: Account, records: Sequence[Record], elapsed_s: int | None
) -> tuple[int | None, int]:
    """The first value of attribute 9 since power came, and the seconds since. None: it is new."""
    raw = next((one.values[_CLOCK] for one in records if _CLOCK in one.values), None)
    if raw is not None and (elapsed_s is None or not account.clock):
        account.clock = [raw, 0]
    elif account.clock:
        account.clock[1] += elapsed_s or 0
    return (account.clock[0], account.clock[1]) if account.clock else (None, 0)
