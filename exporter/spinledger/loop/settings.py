"""The configuration in force, as the loop takes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spinledger.config.current import CurrentConfig
from spinledger.log import warn
from spinledger.model import Disk, Policy
from spinledger.ports import QuietHours


@dataclass(slots=True)
class Settings:
    """The configuration in force, as functions; `config.current` makes them."""

    policy: Callable[[Disk], Policy]
    calendar: Callable[[Policy], QuietHours | None]
    say: Callable[[str], None]  # one line for the operator
    fast_ns: Callable[[], int]  # how often the kernel's counters are read
    loaded: Callable[[], tuple[bool, float]] = lambda: (True, 0.0)  # the last load: good, when
    unmatched: Callable[[Sequence[Disk]], Sequence[str]] = lambda disks: ()  # entries, in words
    may_be_suspended: Callable[[], bool] = lambda: False
    identity: Callable[[str], str] = lambda name: name  # present identity of an earlier one
    reload: Callable[[], bool] = lambda: False  # read the file again; True where it is in force


def settings(current: CurrentConfig) -> Settings:
    """Those of the configuration in force."""
    return Settings(
        policy=current.policy,
        calendar=current.quiet_hours,
        say=warn,
        fast_ns=lambda: current.config.cadence.fast_ns,
        loaded=current.loaded,
        unmatched=current.unmatched,
        may_be_suspended=lambda: current.config.may_be_suspended,
        identity=current.identity,
        reload=current.reload,
    )
