"""A drive on trial: how it is probed until it is known whether our probes wake it.

Rules: the first wake in which the kernel's count of requests rose by exactly our commands puts a
drive on trial. From then on its probes come at random distances, half to one and a half times
`sample.asleep`, also after its timer, and to an idle drive never sooner than without a trial.
`findings.ours.window_ns` after a probe that found it asleep another one follows. The wakes of the
trial are tested (findings.ours). A drive that slept on after `ACQUITTED` probes in a row leaves the
trial.

The distances are a function of the disk and of how often it was probed, so that a run can be
repeated.
"""

from __future__ import annotations

from hashlib import blake2b

from spinledger.findings.ours import window_ns
from spinledger.ledger.account import Account, Probing, timer_ns
from spinledger.model import State

ACQUITTED = 8
LATE = frozenset({"slow_answer", "link_reset"})
"""Disturbances in which the answer itself was late: the drive woke at that probe."""


def due_ns(account: Account) -> int | None:
    """When the next probe of a drive on trial is due; None where it is not on trial."""
    probing = account.probing
    if not probing.on_trial or account.state not in (State.IDLE, State.STANDBY):
        return None
    if probing.sent_ns is not None and account.state is State.STANDBY:
        follows_ns = window_ns(account.policy.cadence)
        return probing.sent_ns + (follows_ns if probing.follow_up else _distance_ns(account))
    began = account.idle_from_ns + (timer_ns(account) or 0)
    return max(began, probing.sent_ns or 0) + _distance_ns(account)


def sent(probing: Probing) -> None:
    """A probe goes out: the one that follows another, or not."""
    probing.followed, probing.follow_up = probing.follow_up, False


def asleep(probing: Probing) -> None:
    """The drive reported standby."""
    if not probing.on_trial:
        return
    if not probing.followed:
        probing.follow_up = True
        return
    probing.slept_on += 1
    if probing.slept_on >= ACQUITTED:
        probing.on_trial, probing.acquitted_once = False, True
        probing.wakes = probing.near = probing.slept_on = 0


def ours(probing: Probing, kind: str) -> bool:
    """Whether a wake with no other request than ours counts as a disturbance of ours.

    The one that begins the first trial does, then those right after a probe.
    """
    if not probing.on_trial:
        probing.on_trial = True
        return not probing.acquitted_once
    near = kind in LATE or probing.followed
    probing.wakes += 1
    probing.near += near
    probing.slept_on = 0 if near else probing.slept_on
    return near


def _distance_ns(account: Account) -> int:
    """Half to one and a half times the mean."""
    number = sum(account.probing.sent.values())
    digest = blake2b(f"{account.disk.identity} {number}".encode(), digest_size=4).digest()
    mean_ns = account.policy.cadence.asleep_ns
    return mean_ns // 2 + int.from_bytes(digest, "big") * mean_ns // (1 << 32)
