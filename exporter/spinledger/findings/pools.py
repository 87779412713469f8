"""The conditions of findings about several disks: a pool's members.

Rules of this room: pure; each takes the facts of one pool's disks and gives evidence by identity,
for the disks it concerns.
"""

from __future__ import annotations

from collections.abc import Sequence

from spinledger.facts import Facts
from spinledger.model import HOUR, State

KNOWN_NS = 20 * HOUR  # of the last day
AWAKE_SHARE = 0.05  # a member that slept less is the one that stays awake
ASLEEP_SHARE = 0.5  # and the others slept more than this
BUSY_SHARE = 0.5  # a member whose sectors moved more of the time is in use, not kept awake

_KNOWN = (State.ACTIVE, State.IDLE, State.STANDBY)


def member_keeps_pool_awake(members: Sequence[Facts]) -> dict[str, str]:
    """Members that hardly slept in the last day, while all the others slept most of it."""
    if len(members) < 2 or not members[0].disk.pool:
        return {}
    known = [sum(one.last_day_ns[state] for state in _KNOWN) for one in members]
    if min(known) < KNOWN_NS:
        return {}
    shares = [one.last_day_ns[State.STANDBY] / ns for one, ns in zip(members, known, strict=True)]
    awake = [at for at, share in enumerate(shares) if share < AWAKE_SHARE]
    others = [at for at, share in enumerate(shares) if share > ASLEEP_SHARE]
    if len(awake) != 1 or len(others) != len(members) - 1:
        return {}
    (one,) = awake
    busy = members[one].last_day_ns[State.ACTIVE] / known[one]
    if busy > BUSY_SHARE or not all(members[at].windows["7d"].count for at in others):
        return {}
    listed = ", ".join(f"{members[at].disk.kernel_name} {shares[at]:.0%}" for at in others[:4])
    evidence = f"asleep for {shares[one]:.0%} of the last day; the others: {listed}"
    return {members[one].disk.identity: evidence}
