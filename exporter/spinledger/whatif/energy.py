"""Energy: joules by state and spin-up, what sleeping saved, and what it lost.

Rules of this room: pure; watts and joules are estimates from the policy, so every figure here is
one. Inside, energy is an integer number of femtojoules (microwatts times nanoseconds): sums are
exact, and cutting a stretch in two changes nothing. A changed policy changes later bookings only.

A sleep is the standby time between two times of spinning; time in it that nobody saw, or that
could not be read, is not counted as slept. With r = P_idle - P_standby and E the extra energy of
one spin-up, a sleep of a seconds nets r x a - E. Positive nets add to `saved`, negative ones to
`lost`. Neither ever falls: an open sleep adds max(0, r x a - E) to `saved`, which only grows and
is what the sleep will settle to; its loss, which shrinks while the disk sleeps on, is booked when
the disk spins again. Break-even gap: T* = E / r (Albers, CACM May 2010, p. 91).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.errors import Misuse
from spinledger.model import (
    SECOND,
    Cycle,
    Entry,
    Labels,
    Number,
    Policy,
    State,
    Stretch,
    Watts,
)

COMPETITIVE_BOUND = 2.0  # sleeping after T* costs at most twice the optimum; no fixed rule beats it
JOULES_PER_KWH = 3_600_000
YEAR_S = 31_557_600  # the Julian year of 365.25 days
LEAST_S = 86_400  # less than a whole day would take its busy or its still half for all of it

_MICRO = 1_000_000
_FEMTO = 1_000_000 * SECOND  # femtojoules in a joule
_SPINUP = "spinup"


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


class Energy:
    """Fold: joules as keys `energy_joules`, `energy_saved_joules` and `energy_lost_joules`.

    `energy_joules` is labelled active, idle, standby or spinup.

    Unknown and unobserved time has no energy here: no power can be named for it. Spin-ups that
    are known from the drive's counters only do count as `spinup`, but belong to no sleep that was
    seen, so `saved` and `lost` judge observed sleeps.
    """

    name = "energy"
    eats: tuple[type, ...] = (Stretch, Cycle)
    gauges: frozenset[str] = frozenset()

    def __init__(self, policy: Policy) -> None:
        watts = policy.watts
        active = watts.idle if watts.active is None else watts.active
        self._power = {
            State.ACTIVE: _micro(active),
            State.IDLE: _micro(watts.idle),
            State.STANDBY: _micro(watts.standby),
        }  # microwatts
        self._spinup = _micro(policy.spinup_j) * SECOND  # femtojoules
        self._used = dict.fromkeys([*(state.value for state in self._power), _SPINUP], 0)
        self._saved = 0
        self._lost = 0
        self._gained = 0  # (P_idle - P_standby) x slept of the open sleep
        self._asleep = False

    def step(self, entry: Entry) -> None:
        """Take one stretch or cycle."""
        if isinstance(entry, Cycle):
            self._used[_SPINUP] += self._spinup
        elif isinstance(entry, Stretch):
            self._step(entry)

    def _step(self, stretch: Stretch) -> None:
        length = stretch.ended_ns - stretch.began_ns
        state = stretch.state
        if state in self._power:
            self._used[state.value] += self._power[state] * length
        if state is State.STANDBY:
            self._asleep = True
            self._gained += (self._power[State.IDLE] - self._power[State.STANDBY]) * length
        elif state.spinning and self._asleep:
            net = self._gained - self._spinup
            self._saved += max(0, net)
            self._lost += max(0, -net)
            self._asleep, self._gained = False, 0

    def totals(self, pending: Sequence[Entry]) -> Mapping[str, Mapping[Labels, Number]]:
        """Joules, the open stretch included."""
        if any(isinstance(entry, Stretch | Cycle) for entry in pending):
            ahead = self._copy()
            for entry in pending:
                ahead.step(entry)
            return ahead.totals(())
        open_net = max(0, self._gained - self._spinup) if self._asleep else 0
        return {
            "energy_joules": {(key,): value / _FEMTO for key, value in self._used.items()},
            "energy_saved_joules": {(): (self._saved + open_net) / _FEMTO},
            "energy_lost_joules": {(): self._lost / _FEMTO},
        }

    def _copy(self) -> Energy:
        twin = Energy.__new__(Energy)
        twin.__dict__.update(self.__dict__)
        twin._used = dict(self._used)
        return twin

    def rebase(self, offset_ns: int) -> None:
        """Nothing to move: no boot-clock times are kept."""

    def dump(self) -> object:
        """Femtojoules as integers."""
        return {
            "used": dict(self._used),
            "saved": self._saved,
            "lost": self._lost,
            "gained": self._gained,
            "asleep": self._asleep,
        }

    def load(self, dumped: object) -> None:
        """Replace the state with a dumped one; the policy stays."""
        if not isinstance(dumped, Mapping):
            raise Misuse("an energy dump is a mapping")
        used = dumped["used"]
        self._used = {key: int(used.get(key, 0)) for key in self._used}
        self._saved = int(dumped["saved"])
        self._lost = int(dumped["lost"])
        self._gained = int(dumped["gained"])
        self._asleep = bool(dumped["asleep"])
