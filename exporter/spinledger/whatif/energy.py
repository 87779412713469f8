"""Energy: joules by state and spin-up, what sleeping saved, and what it lost.

Rules of this room: pure; watts and joules are estimates from the policy, so every figure here is
one. Inside, energy is an integer number of femtojoules (microwatts times nanoseconds): sums are
exact, and cutting a stretch in two changes nothing. A changed policy changes later entries only.

A sleep is the standby time between two times of spinning; unobserved and unknown time in it does
not count as slept. With r = P_idle - P_standby and E the extra energy of one spin-up, a sleep of a
seconds nets r x a - E. Positive nets add to `saved`, negative ones to `lost`. Neither ever falls:
an open sleep adds max(0, r x a - E) to `saved`, which only grows; its loss, which shrinks while the
disk sleeps on, is recorded when the disk spins again. Where the watts or the joules are configured
anew during a sleep, what `saved` already shows of it stays, and the difference is `lost`.

One rule for spin-ups: each is charged once, in `spinup` and in the net of its sleep alike, so that
saved - lost = r x (standby of ended sleeps) - spinup. A disk that was seen asleep and then spinning
has spun up, also while unobserved: charged when it is seen spinning. A spin-up that only the
drive's counters know of is charged when they report it, unless it ended such a sleep, whose
spin-up is paid already; beyond those it is `lost`, since no sleep of it was observed.
Break-even gap: T* = E / r (Albers, CACM May 2010, p. 91).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from spinledger.model import SECOND, Cycle, Entry, Policy, State, Stretch, Watts

COMPETITIVE_BOUND = 2.0  # sleeping after T* costs at most twice the optimum; no fixed rule beats it
JOULES_PER_KWH = 3_600_000
YEAR_S = 31_557_600  # the Julian year of 365.25 days
LEAST_S = 86_400  # less than a whole day would take its busy or its still half for all of it

_MICRO = 1_000_000
_FEMTO = 1_000_000 * SECOND  # femtojoules in a joule
_SPINUP = "spinup"
_POWERED = (State.ACTIVE, State.IDLE, State.STANDBY)


def break_even_s(watts: Watts, spinup_j: float) -> float | None:
    """T* in seconds: a sleep must last longer to pay. None: standby saves nothing."""
    saved_w = watts.idle - watts.standby
    return spinup_j / saved_w if saved_w > 0 else None


def net_joules(watts: Watts, spinup_j: float, asleep_s: float, cycles: float) -> float:
    """Joules saved by sleeping `asleep_s` seconds in `cycles` sleeps; negative: lost."""
    return (watts.idle - watts.standby) * asleep_s - spinup_j * cycles


def a_year(joules: float, watched_s: float) -> float | None:
    """Joules a year at the pace of the time watched; None before a whole day of it."""
    return joules / watched_s * YEAR_S if watched_s >= LEAST_S else None


def cost(joules: float, per_kwh: float) -> float:
    """Money for an amount of energy, in the tariff's currency."""
    return joules / JOULES_PER_KWH * per_kwh


def _micro(value: float) -> int:
    return round(value * _MICRO)


class Used(NamedTuple):
    """Estimated joules."""

    by_state: Mapping[str, float]  # active, idle, standby, and spinup
    saved: float
    lost: float


class Energy:
    """Fold: estimated energy by state and for spin-ups, saved by sleeps that paid, lost by others.

    Unknown and unobserved time has no energy here: no power can be named for it.
    """

    eats: tuple[type, ...] = (Stretch, Cycle)

    def __init__(self) -> None:
        self._used = dict.fromkeys([*(state.value for state in _POWERED), _SPINUP], 0)
        self._saved = 0
        self._lost = 0
        self._gained = 0  # (P_idle - P_standby) x slept of the open sleep
        self._credit = 0  # the most that the open sleep was worth so far
        self._asleep = False
        self._ahead = 0  # spin-ups charged that the drive's counters have still to report

    def step(self, entry: Entry, policy: Policy) -> None:
        """Take one stretch or cycle, at the policy's watts and joules."""
        if isinstance(entry, Stretch):
            self._stretch(entry, policy)
        elif isinstance(entry, Cycle):
            self._cycle(entry.observed, policy)

    def _cycle(self, observed: bool, policy: Policy) -> None:
        if observed and self._asleep:
            self._end_sleep(policy)
        elif not observed and self._ahead:
            self._ahead -= 1
        else:
            self._used[_SPINUP] += _spinup(policy)
            self._lost += _spinup(policy)

    def _stretch(self, stretch: Stretch, policy: Policy) -> None:
        length = stretch.ended_ns - stretch.began_ns
        power = _power(policy)
        if stretch.state in power:
            self._used[stretch.state.value] += power[stretch.state] * length
        if stretch.state is State.STANDBY:
            self._asleep = True
            self._gained += (power[State.IDLE] - power[State.STANDBY]) * length
            self._credit = max(self._credit, self._gained - _spinup(policy))
        elif stretch.state.spinning and self._asleep:
            self._end_sleep(policy)
            self._ahead += 1

    def _end_sleep(self, policy: Policy) -> None:
        net = self._gained - _spinup(policy)
        self._used[_SPINUP] += _spinup(policy)
        self._saved += max(self._credit, net)
        self._lost += max(0, self._credit - net)
        self._asleep, self._gained, self._credit = False, 0, 0

    def totals(self, pending: Stretch, policy: Policy) -> Used:
        """Joules, the open stretch included."""
        ahead = Energy()
        ahead.load(self.dump())
        ahead.step(pending, policy)
        return Used(
            {key: value / _FEMTO for key, value in ahead._used.items()},
            (ahead._saved + ahead._credit) / _FEMTO,
            ahead._lost / _FEMTO,
        )

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> dict[str, Any]:
        """Femtojoules as integers."""
        return {
            "used": dict(self._used),
            "saved": self._saved,
            "lost": self._lost,
            "gained": self._gained,
            "credit": self._credit,
            "asleep": self._asleep,
            "ahead": self._ahead,
        }

    def load(self, dumped: Any) -> None:
        """Replace the state with a dumped one."""
        self._used = dict(dumped["used"])
        self._saved, self._lost = dumped["saved"], dumped["lost"]
        self._gained, self._asleep = dumped["gained"], dumped["asleep"]
        self._credit, self._ahead = dumped["credit"], dumped.get("ahead", 0)


@lru_cache(maxsize=256)
def _power(policy: Policy) -> Mapping[State, int]:
    """Microwatts by state."""
    watts = policy.watts
    active = watts.idle if watts.active is None else watts.active
    return dict(zip(_POWERED, map(_micro, (active, watts.idle, watts.standby)), strict=True))


def _spinup(policy: Policy) -> int:
    """Femtojoules of one spin-up."""
    return _micro(policy.spinup_j) * SECOND
