"""What can go wrong on the simulated shelf (a set of simulated disks), to order by name: a table.

Rules: an order is `name`, `name@FROM` or `name@FROM/UNTIL`, with local times of the shelf's zone
like 2026-03-14T21:00. Without FROM a fault has been there since the shelf's first day; some
faults need a date and are refused without one. What a fault does is data: more processes, or an
effect that the shelf knows. Nothing else differs between a faulty shelf and a healthy one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from enum import StrEnum

from spinledger.config.near import nearest, shown
from spinledger.errors import BadInput
from spinledger.model import DAY, HOUR, SECOND
from spinledger.sim.drive import NEVER, Op
from spinledger.sim.workload import Law, Process, Reach


class Effect(StrEnum):
    """What a fault does beyond more processes."""

    NONE = "none"
    LOSE_TIMER = "lose_timer"  # the drive no longer stops by itself
    DIE = "die"  # spin-ups fail more and more, then the drive is gone
    REPLACE = "replace"  # another drive takes the place
    HAND_OVER = "hand_over"  # a guest drives the disk by pass-through
    BLIND = "blind"  # the exporter is down


@dataclass(frozen=True, slots=True)
class Fault:
    """One row: what goes wrong, and where (`pool`, and its `member`; 0: every one)."""

    name: str
    pool: str
    member: int
    effect: Effect = Effect.NONE
    processes: tuple[Process, ...] = ()
    lasts_ns: int = NEVER  # unless the order says
    dated: bool = False  # an order must say when


@dataclass(frozen=True, slots=True)
class Ordered:
    """A fault with its time, nanoseconds of the wall clock; `began_wall_ns` may be -NEVER."""

    fault: Fault
    began_wall_ns: int
    ended_wall_ns: int


_S, _W = Law.PERIODIC, Op.WRITE

FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        # Just longer apart than the standby timer: a cycle each time, the most that a timer allows.
        Fault("runaway_waker", "frames", 1, processes=(
            Process("thumbnailer", "frames", _S, 1260.0, Op.READ, Reach.FIRST, 64),)),
        Fault("sleepless_pool", "frames", 0, processes=(
            Process("watcher", "frames", _S, 240.0, _W, Reach.ALL, 64, hours=(21, 8)),)),
        Fault("lost_timer", "plates", 2, Effect.LOSE_TIMER),
        # The journal commits every 5 s by default: Linux 6.12 include/linux/jbd2.h.
        Fault("journal_every_5s", "plates", 0, processes=(
            Process("journal", "plates", _S, 5.0, _W, Reach.ALL, 16, flushes=1),)),
        Fault("exporter_down_day", "", 0, Effect.BLIND, lasts_ns=DAY, dated=True),
        Fault("dying_drive", "frames", 3, Effect.DIE, lasts_ns=3 * DAY, dated=True),
        Fault("guest_disk", "darks", 1, Effect.HAND_OVER),
        Fault("disk_replaced", "frames", 4, Effect.REPLACE, lasts_ns=10 * HOUR, dated=True,
              processes=(
                  Process("resilver", "frames", _S, 2.0, _W, Reach.ALL, 40_000),)),
    )
}  # fmt: skip


def order(texts: Sequence[str], zone: tzinfo) -> tuple[Ordered, ...]:
    """Orders from their texts; `BadInput` names the text that cannot be taken and the fix."""
    return tuple(_order(text, zone) for text in texts)


def _order(text: str, zone: tzinfo) -> Ordered:
    name, _, when = text.partition("@")
    fault = FAULTS.get(name)
    if fault is None:
        near = nearest(name, FAULTS)
        fix = f"did you mean {near}" if near else f"choose from {', '.join(FAULTS)}"
        raise BadInput("--fault", f"there is no fault {shown(name)}", fix)
    if not when:
        if fault.dated:
            raise BadInput(f"--fault {text}", "has no date", f"write {name}@2026-03-14T21:00")
        return Ordered(fault, -NEVER, NEVER)
    began, _, ended = when.partition("/")
    try:
        began_ns = _wall_ns(began, zone)
        ended_ns = _wall_ns(ended, zone) if ended else min(NEVER, began_ns + fault.lasts_ns)
    except ValueError as error:
        raise BadInput(
            f"--fault {text}", "is not a date and time", f"write {name}@2026-03-14T21:00"
        ) from error
    if ended_ns <= began_ns:
        raise BadInput(f"--fault {text}", "it ends before it begins", "swap the two times")
    return Ordered(fault, began_ns, ended_ns)


def _wall_ns(text: str, zone: tzinfo) -> int:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return int(moment.timestamp()) * SECOND
