"""The conditions of findings about several disks: a pool's members.

Rules of this room: pure; each takes the views of one wake group and gives evidence by identity,
for the disks it concerns. The day's figures are those of `lately`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinledger.model import DiskView, Labels, Number, State

KNOWN_S = 20 * 3600.0  # of the last day
AWAKE_SHARE = 0.05  # a member that slept less is the one that stays awake
ASLEEP_SHARE = 0.5  # and the others slept more than this
BUSY_SHARE = 0.5  # a member whose sectors moved more of the time is in use, not kept awake

_NONE: Mapping[Labels, Number] = {}


def keeps_awake(views: Sequence[DiskView]) -> dict[str, str]:
    """Members that hardly slept in the last day, while all the others slept most of it."""
    if len(views) < 2 or not views[0].disk.pool:
        return {}
    shares = {}
    for view in views:
        day = view.samples.get("day_state_seconds", _NONE)
        known = sum(day.get((state.value,), 0) for state in _KNOWN)
        if known < KNOWN_S:
            return {}
        shares[view.disk.identity] = day[(State.STANDBY.value,)] / known
    awake = [view for view in views if shares[view.disk.identity] < AWAKE_SHARE]
    others = [view for view in views if shares[view.disk.identity] > ASLEEP_SHARE]
    if len(awake) != 1 or len(others) != len(views) - 1:
        return {}
    used = [v for v in others if v.samples.get("recent_cycles", _NONE).get(("7d",), 0)]
    day = awake[0].samples["day_state_seconds"]
    busy = day[(State.ACTIVE.value,)] / sum(day[(state.value,)] for state in _KNOWN)
    if len(used) != len(others) or busy > BUSY_SHARE:
        return {}
    identity = awake[0].disk.identity
    given = ", ".join(f"{v.disk.kernel_name} {shares[v.disk.identity]:.0%}" for v in others[:4])
    return {identity: f"asleep {shares[identity]:.0%} of the last day; of the others, {given}"}


_KNOWN = (State.ACTIVE, State.IDLE, State.STANDBY)
