"""Faults, one after the other: what was done, what happened, what was lost.

Run at the top: python -m tests.proof faults. Each row runs its fault and computes the three columns
from what came of it; a bound that does not hold is named and ends it with 1. Time is simulated,
except where a process is killed (`tests.proof.starts`).
"""

from __future__ import annotations

import errno
import fcntl
import os
import random
import shutil
import socket
import tempfile
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

from spinledger.codec import reply, sat
from spinledger.codec import sense as envelope
from spinledger.device.passthrough import Order, Worker
from spinledger.errors import Unavailable, Undecodable
from spinledger.model import (
    HOUR,
    MILLISECOND,
    MINUTE,
    SECOND,
    Command,
    Completion,
    Explained,
    Reason,
    Refused,
    State,
)
from spinledger.sim.kinds import KINDS
from spinledger.sim.shelf import Plug
from spinledger.store.file import verify
from tests.bench.machine import machine
from tests.integration.store import test_damage as damage
from tests.integration.store import test_hardships as hardships
from tests.integration.store.written import everything, store
from tests.proof.bed import PLAIN, Bed, Clock, Deaf, Replies, Vanishing
from tests.proof.smart_text import outcomes

FIRST, OTHERS = slice(0, 1), slice(1, None)
HOURS = 6.0


@dataclass
class Row:
    """One fault. `broken` are the bounds that do not hold, in words."""

    fault: str
    done: str
    happened: str
    lost: str
    broken: list[str] = field(default_factory=list)

    def holds(self, true: bool, bound: str) -> None:
        """Note a bound that is broken."""
        if not true:
            self.broken.append(bound)


def counted(found: Counter[str]) -> str:
    """3 gone, 1 state."""
    return ", ".join(f"{number} {name}" for name, number in sorted(found.items())) or "none"


def bed_row(fault: str, done: str, bed: Bed, happened: str = "") -> Row:
    """The row of a run: what became of the first disk, and whether the fault spread."""
    recorded, made = bed.spin_ups(FIRST)
    others, theirs = bed.spin_ups(OTHERS)
    unknown, unobserved = (bed.seconds(one, FIRST) for one in (State.UNKNOWN, State.UNOBSERVED))
    said = f", {len(bed.said)} lines logged" if bed.said else ""
    text = (
        f"the disk got {bed.probes(FIRST)} probes, replies: {counted(bed.reasons)}{said}; "
        f"{others} of {theirs} spin-ups of the other {len(bed.kinds) - 1} recorded"
    )
    lost = (
        f"{made - recorded} of its {made} spin-ups; {unknown:.0f} s unknown, {unobserved:.0f} s "
        f"unobserved; {abs(bed.lost_s):.0f} s in no state"
    )
    row = Row(fault, done, f"{happened}; {text}" if happened else text, lost)
    row.holds(abs(bed.lost_s) < 1e-6, "every second belongs to one state")
    row.holds(others == theirs and theirs > 0, "every spin-up of the other disks is recorded")
    row.holds(bed.seconds(State.UNKNOWN, OTHERS) < 1, "the other disks are known all the time")
    row.holds(bed.own_wakes == 0, "no probe wakes a drive")
    return row


def hung_drive() -> Row:
    """A command that never ends."""
    bed = Bed([KINDS["hung"], *[PLAIN] * 3], HOURS)
    row = bed_row("hung drive", f"a drive answers nothing for {HOURS:.0f} h", bed)
    row.holds(bed.probes(FIRST) == 1, "it is sent nothing while a command is outstanding")
    row.holds(bed.seconds(State.STANDBY, FIRST) == 0, "no standby is invented")
    return row


def slow_drive() -> Row:
    """Answers that come after the deadline."""
    bed = Bed([KINDS["slow"], *[PLAIN] * 3], HOURS)
    each = (KINDS["slow"].answer_ns or 0) // SECOND
    row = bed_row("slow answers", f"a drive answers after {each} s, for {HOURS:.0f} h", bed)
    row.holds(bed.probes(FIRST) <= 3, "it is no longer probed after two suspicious answers")
    return row


def errnos(fails: str) -> dict[int, tuple[str, bool]]:
    """By errno: the reason, and whether the drive may have got the command, when `fails` (a node's
    open, or the ioctl) raises it in the prober's worker."""
    found = {}
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with ours, theirs:
        worker = Worker("sdx", "/nonexistent", "/nonexistent")
        for code in sorted(errno.errorcode):
            error = OSError(code, os.strerror(code))
            opened = patch.object(worker.__class__, "_open", return_value=99)
            if fails == "open":
                opened = patch.object(worker.__class__, "_open", side_effect=error)
            with opened, patch.object(fcntl, "ioctl", side_effect=error):
                text = worker._answer(Order(theirs, 7, 0, Command.CHECK_POWER_MODE_16))
            kind, number, reason, sent, _ = text.split(" ", 4)
            assert (kind, number) == ("refused", "7")
            found[code] = Reason(reason).value, sent == "1"
        worker.forget()
    return found


def every_errno() -> Row:
    """Each errno of this system from open(2) and from the ioctl, then each outcome for ten minutes
    in the loop."""
    both = [*errnos("open").values(), *errnos("ioctl").values()]
    kinds = Counter(f"{reason}{' (maybe sent)' if sent else ''}" for reason, sent in both)
    row = Row(
        "every errno",
        f"each of {len(errno.errorcode)} errnos from open and from the ioctl; then each outcome "
        "for 10 min of an hour",
        f"replies: {counted(kinds)}",
        "",
    )
    return _replies(row, sorted(set(both)))


def _replies(row: Row, outcomes: list[tuple[str, bool]]) -> Row:
    """Each of these refusals from the loop's first disk for ten minutes of an hour."""
    unknown, missed = 0.0, 0
    for reason, sent in outcomes:
        refused = Refused(Reason(reason), "as ordered")
        bed = Bed(
            [PLAIN] * 2,
            1,
            1000 * SECOND,
            5 * MINUTE,
            prober=lambda rack, refused=refused, sent=sent: Replies(  # type: ignore[misc]
                rack, refused, 10 * MINUTE, sent
            ),
        )
        one = bed_row("", "", bed)
        row.broken += [f"{reason}: {bound}" for bound in one.broken]
        assert bed.replies is not None
        row.holds(bed.replies.given > 0, f"{reason}: was given at all")
        recorded, made = bed.spin_ups(FIRST)
        unknown += bed.seconds(State.UNKNOWN, FIRST)
        missed += made - recorded
    row.lost = f"{missed} spin-ups and {unknown:.0f} s unknown, in {len(outcomes)} runs of 3600 s"
    return row


def every_sense_key() -> Row:
    """Each sense key with each form of sense data, for both kinds of probe; then each outcome for
    ten minutes in the loop."""
    seen: Counter[str] = Counter()
    states = Counter[str]()
    for key in range(16):
        for code in ((0, 0), (0, 0x1D), (4, 2), (0x20, 0), (0x5E, 3)):
            for sense in _sense(key, code):
                for command in sorted(reply.STATE_PROBES):
                    data = sense if command is Command.REQUEST_SENSE else b""
                    status = 0 if data else 2
                    try:
                        given = reply.interpret(command, Completion(status, 0, 8, sense, data, 1))
                    except Undecodable as refused:
                        seen[refused.reason] += 1
                    else:
                        seen["state"] += 1
                        states[f"key {key}"] += 1
                        assert given.clause
    row = Row(
        "every sense key",
        f"{seen.total()} replies: 16 keys, 5 codes, 3 forms, 3 probes; then each refusal for "
        "10 min of an hour",
        f"replies: {counted(seen)}; states by {', '.join(states)} alone",
        "",
    )
    row.holds(set(states) <= {"key 0", "key 1"}, "a state by NO SENSE and RECOVERED ERROR alone")
    return _replies(row, [(name, True) for name in sorted(seen) if name != "state"])


def _sense(key: int, code: tuple[int, int]) -> Iterator[bytes]:
    """Fixed, descriptors, and descriptors with an ATA status return of standby."""
    yield envelope.encode_fixed(key, code)
    yield envelope.encode_descriptors(key, code, ())
    yield sat.encode_ata_return(sat.AtaReturn(0x00), key=key, code=code)


def hot_plugs() -> Row:
    """A cable that makes contact now and then."""
    times = 1000
    plugs = [Plug(2 * HOUR + n * 60 * MILLISECOND, 0, bool(n % 2)) for n in range(times)]
    bed = Bed([PLAIN] * 4, HOURS, plugs=plugs)
    row = bed_row("hot-plugs", f"a disk goes and comes, {times} events in a minute", bed)
    row.holds(len(bed.loop.accounts) == 4, "no account is added")
    row.holds(bed.seconds(State.UNOBSERVED) < 120, "two minutes unobserved at most")
    row.holds(bed.spin_ups(FIRST)[0] == bed.spin_ups(FIRST)[1], "no spin-up is missed or invented")
    return row


def many_disks() -> Row:
    """As many as a large enclosure chain has."""
    bed = Bed([PLAIN] * 256, 0.3, 400 * SECOND, 2 * MINUTE)
    recorded, made = bed.spin_ups()
    probes = bed.probes(slice(None))
    row = bed_row("256 disks", "256 disks for 18 min, timers of 2 min", bed)
    row.happened = f"{probes} probes to all; {recorded} of {made} spin-ups recorded"
    row.lost = f"{made - recorded} spin-ups; {abs(bed.lost_s):.0f} s in no state"
    row.holds(made > 250, "most drives spin up once or more")
    return row


def clock_jumps() -> Row:
    """The wall clock, while the boot clock goes on."""
    day = 24 * HOUR
    ahead = {1: HOUR, 2: -2 * HOUR, 3: 73 * 365 * day, 4: -50 * 365 * day, 5: 0}
    jumps = [(hour * HOUR, shift) for hour, shift in ahead.items()]
    bed = Bed([PLAIN] * 4, HOURS, clock=Clock(jumps=jumps), judges_clock=True)
    done = "the clock is an hour ahead, 2 h behind, in 2099, in 1976, and right, an hour each"
    row = bed_row("clock jumps", done, bed, f"spans begin in {sorted(bed.years())}")
    row.holds(bed.years() <= {2025, 2026}, "no span of a year that was not")
    row.holds(bed.spin_ups(FIRST)[0] == bed.spin_ups(FIRST)[1], "every spin-up is recorded")
    return row


def suspend() -> Row:
    """The host sleeps; CLOCK_BOOTTIME goes on."""
    slept = 2 * HOUR
    bed = Bed([PLAIN] * 4, HOURS, clock=Clock(suspends=[(3 * HOUR, slept)]))
    row = bed_row("suspend", f"the host is suspended for {slept // HOUR} h", bed)
    beyond = bed.seconds(State.UNOBSERVED) / 4 - slept / SECOND
    row.holds(0 <= beyond <= 10, "unobserved is the suspend and two samples at most")
    return row


def full_disk() -> Row:
    """No byte more may be written (RLIMIT_FSIZE), in a process of its own."""
    with tempfile.TemporaryDirectory(prefix="spinledger-") as name:
        folder = Path(name)
        (folder / "live").mkdir()
        commits, kept, said = hardships.python(
            hardships.FULL, folder / "ledger.db", folder / "live"
        )
    ended = commits.strip("[]").split(", ")
    failed = ended.count("False")
    row = Row(
        "disk full",
        f"{len(ended)} commits, the fourth to sixth while the file may not grow",
        f"{failed} failed, said {said.count('not written')} time; then "
        f"{ended[6:].count('True')} written, said {said.count('written again')} time",
        "nothing: the history is that of what was recorded" if kept == "True True" else "rows",
    )
    row.holds(failed == 3 and ended[6:] == ["True"] * 3, "three commits fail, the next do not")
    row.holds(kept == "True True", "nothing is lost, and no trouble is left")
    return row


def corruption(flips: int = 25) -> Row:
    """One bit of a ledger file at a time."""
    dice, seen, wrong, silent = random.Random(9), Counter[str](), 0, 0
    with tempfile.TemporaryDirectory(prefix="spinledger-") as name:
        folder = Path(name)
        written = damage.Written(folder)
        for number in range(flips):
            data = bytearray(written.data)
            data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
            path = written.put(folder / str(number), bytes(data))
            found = list(verify(path))
            file_store = store(path, None, keep_days=damage.KEEP)
            restored = file_store.restore()
            shown: Counter[object] = Counter()
            with suppress(Unavailable):
                shown = Counter(everything(file_store.history()))
            file_store.close()
            wrong += len(set(shown) - set(written.truth))
            whole = set(shown) == set(written.truth)
            noticed = bool(restored.lost or found)
            silent += not whole and not noticed
            seen["set aside" if restored.lost else "noticed" if noticed else "harmless"] += 1
            shutil.rmtree(path.parent)
    row = Row(
        "corruption",
        f"{flips} bits of a ledger of {len(written.data)} bytes, one at a time",
        counted(seen),
        f"{silent} rows or days without a word; {wrong} wrong figures shown",
    )
    row.holds(silent == 0 and wrong == 0, "what is damaged is noticed, and never shown")
    return row


def hostile_text(cases: int = 1500) -> Row:
    """Reports of smartctl that were cut, repeated and changed."""
    seen = outcomes(cases, random.Random(4))
    row = Row(
        "hostile smartctl text",
        f"{cases} reports: cut, repeated, with other numbers, bytes and lines",
        f"{counted(seen)}",
        f"{seen['crashed']} crashes; counters are read from {seen['values']}",
    )
    row.holds(seen["crashed"] == 0, "each gives counters or one of the known troubles")
    return row


def tracefs_vanishes() -> Row:
    """The kernel stops to say who wakes a disk."""
    bed = Bed([PLAIN] * 4, HOURS, wakes=lambda rack: Vanishing(rack, 3 * HOUR))
    causes = [one for one in bed.entries if isinstance(one, Explained)]
    named = sum(bool(one.actor) for one in causes)
    happened = f"{len(causes)} spin-ups have a cause, {named} of them a program"
    row = bed_row("tracefs vanishes", "tracing ends after 3 of 6 h", bed, happened)
    row.lost = f"the program of {len(causes) - named} spin-ups; {row.lost}"
    row.holds(len(causes) == bed.spin_ups()[0], "each spin-up has one cause")
    row.holds(0 < named < len(causes), "programs are named until then, and not after it")
    return row


def udev_restarts() -> Row:
    """Events that nobody passes on for two minutes; then each disk is reported again."""
    at = 2 * HOUR
    plugs = [Plug(at + 5 * SECOND, 0, False), Plug(at + 60 * SECOND, 0, True)]
    plugs.append(Plug(at + 70 * SECOND, 1, False))
    bed = Bed(
        [PLAIN] * 4, HOURS, plugs=plugs, discoverer=lambda rack: Deaf(rack, at, at + 2 * MINUTE)
    )
    assert bed.deaf is not None
    here = sum(one.present for one in bed.loop.accounts.values())
    done = "udev is away for 2 min, while one disk goes and comes back and one goes for good"
    happened = (
        f"{bed.deaf.missed} events missed, {bed.deaf.repeated} repeated; {here} disks watched"
    )
    row = bed_row("udev restarts", done, bed, happened)
    row.holds(here == 3, "who is here is known again")
    row.holds(bed.seconds(State.UNOBSERVED, FIRST) <= 130, "two minutes unobserved at most")
    return row


FAULTS: dict[str, Callable[[], Row]] = {
    made.__name__: made
    for made in (
        hung_drive,
        slow_drive,
        every_errno,
        every_sense_key,
        hot_plugs,
        many_disks,
        clock_jumps,
        suspend,
        full_disk,
        corruption,
        hostile_text,
        tracefs_vanishes,
        udev_restarts,
    )
}
WIDTHS = (14, 26, 34, 26)


def lines(row: Row) -> list[str]:
    """The row as lines of a table."""
    texts = (row.fault, row.done, row.happened, row.lost)
    cells = [textwrap.wrap(text, width) for text, width in zip(texts, WIDTHS, strict=True)]
    found = []
    for number in range(max(map(len, cells))):
        parts = [cell[number] if number < len(cell) else "" for cell in cells]
        found.append("  ".join(f"{p:{w}}" for p, w in zip(parts, WIDTHS, strict=True)).rstrip())
    return [*found, *(f"  BROKEN: {bound}" for bound in row.broken)]


def main() -> int:
    """Print the table; 1 where a bound is broken."""
    from tests.proof.starts import killed_while_starting

    print(f"Run on: {machine()}")
    heads = ("FAULT", "WHAT WAS DONE", "WHAT HAPPENED", "WHAT WAS LOST")
    print("  ".join(f"{head:{width}}" for head, width in zip(heads, WIDTHS, strict=True)).rstrip())
    broken = 0
    runs: dict[str, Callable[[], Row]] = {
        **FAULTS,
        "corruption": lambda: corruption(400),
        "hostile_text": lambda: hostile_text(20_000),
        "starts": lambda: killed_while_starting(range(0, 2000, 100)),
    }
    for made in runs.values():
        row = made()
        broken += bool(row.broken)
        print("\n".join(["", *lines(row)]), flush=True)
    return int(bool(broken))
