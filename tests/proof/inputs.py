"""Bad input of every kind, a great many cases each: no crash, no hang, typed errors only.

Run at the top: python -m tests.proof inputs [NAME...] [--cases N] [--seconds S]. Each case is
valid input with random changes, by a random.Random whose seed is the input's name and the number
of the case: `--first N --cases 1` repeats one. An input stops at its number of cases, or after S
seconds of processor time; the table says how many were run. Times are processor time, so that a
busy machine changes nothing. A case that takes ten seconds counts as a hang.
"""

from __future__ import annotations

import argparse
import random
import signal
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field

from tests.bench.machine import machine
from tests.proof.seeds import INPUTS

CASES = 1_000_000
SECONDS = 180.0
HANG_S = 10.0

Case = Callable[[random.Random], str]
Opened = Callable[[], AbstractContextManager[Case]]


@dataclass
class Ran:
    """What came of the cases of one input. An outcome is `accepted` or how it was refused."""

    name: str
    outcomes: Counter[str] = field(default_factory=Counter)
    crashes: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    took_s: float = 0.0

    @property
    def cases(self) -> int:
        """How many were run."""
        return self.outcomes.total() + len(self.crashes)

    def line(self) -> str:
        """A row of the table."""
        accepted = self.outcomes["accepted"]
        refused = ", ".join(
            f"{number} {kind}" for kind, number in self.outcomes.most_common() if kind != "accepted"
        )
        each = self.cases / self.took_s if self.took_s else 0.0
        return (
            f"{self.name:14} {self.cases:8} {accepted:8} {len(self.crashes):7} "
            f"{1000 * self.slowest_s:10.1f} {each:8.0f}  {refused}"
        )


class Hang(BaseException):
    """A case that does not end."""


@contextmanager
def bounded() -> Iterator[None]:
    """Raise Hang after HANG_S of processor time."""

    def over(*_: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGVTALRM, over)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def run(name: str, cases: int, seconds: float = SECONDS, first: int = 0) -> Ran:
    """The cases of one input from number `first` on."""
    ran = Ran(name)
    opened: Opened = INPUTS[name]
    with opened() as case, bounded():
        began = now = time.process_time()
        for number in range(first, first + cases):
            dice = random.Random(f"{name} {number}")
            signal.setitimer(signal.ITIMER_VIRTUAL, HANG_S)
            try:
                ran.outcomes[case(dice)] += 1
            except (Exception, Hang):
                ran.crashes.append(f"{name}, case {number}:\n{traceback.format_exc()}")
            before, now = now, time.process_time()
            ran.slowest_s = max(ran.slowest_s, now - before)
            if now - began > seconds or len(ran.crashes) > 20:
                break
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        ran.took_s = now - began
    return ran


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 where a case crashed."""
    parser = argparse.ArgumentParser(prog="python -m tests.proof inputs", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"of {', '.join(INPUTS)}; default: all")
    parser.add_argument("--cases", type=int, default=CASES, help=f"of each input ({CASES})")
    parser.add_argument("--seconds", type=float, default=SECONDS, help=f"at most ({SECONDS:.0f})")
    parser.add_argument("--first", type=int, default=0, help="the number of the first case (0)")
    given = parser.parse_args(arguments)
    unknown = [name for name in given.name if name not in INPUTS]
    if unknown:
        parser.error(f"{unknown[0]} is no input; choose from {', '.join(INPUTS)}")
    print(f"Run on: {machine()}")
    print(
        f"{'INPUT':14} {'CASES':>8} {'ACCEPTED':>8} {'CRASHES':>7} {'SLOWEST ms':>10} "
        f"{'A SECOND':>8}  REFUSED, BY KIND"
    )
    crashes: list[str] = []
    for name in given.name or INPUTS:
        ran = run(name, given.cases, given.seconds, given.first)
        print(ran.line(), flush=True)
        crashes += ran.crashes
    for crash in crashes[:5]:
        print(f"\n{crash}")
    return int(bool(crashes))
