"""A drive's standby timer, learned from when it was found asleep.

Rules: the timer is the idle age on which two spin-downs in a row agree: a command is not a timer.
A drive whose timer probes restart has no such age. Where no timer is declared:

- A drive that sleeps only in a silence has no probe in its next gap for as long as it took. If it
  sleeps again, at an idle age at which it was awake while probed, probes restart its timer; if it
  is awake, they do not.
- Then its timer lies between the longest time without a probe after which it was awake and the
  shortest after which it slept. A probe in the middle halves that. If it finds the drive awake, it
  has delayed the sleep once, and for a day no probe comes before the longer of the two times.
- When they differ by a `slow` interval at most, the timer is known, and no probe comes before it.
"""

from __future__ import annotations

from spinledger.ledger.account import Account, Probing
from spinledger.model import DAY


def learn(probing: Probing, bracket: tuple[int, int]) -> None:
    """Keep the timer where two spin-downs in a row agree. Idle ages in nanoseconds."""
    if probing.bracket is not None:
        low, high = max(bracket[0], probing.bracket[0]), min(bracket[1], probing.bracket[1])
        if low < high:
            probing.learned = (low, high)
    probing.bracket = bracket


def learns(account: Account) -> bool:
    """True where its probes follow the time without a probe after which it sleeps."""
    return account.probing.unprobed is not None and account.policy.declared_ns is None


def unprobed_ns(account: Account) -> int | None:
    """How long the next probe waits after the last one or the last I/O; None: as usual."""
    probing, cadence = account.probing, account.policy.cadence
    if probing.unprobed is None or not learns(account):
        return None
    low, high = probing.unprobed
    delayed_ns = probing.delayed_ns
    if _wide(account, low, high) and (delayed_ns is None or account.at_ns - delayed_ns >= DAY):
        return (low + high) // 2
    return high + cadence.fast_ns


def note_awake(account: Account) -> bool:
    """It spins after `undisturbed_ns` without a probe. True if the probe delayed its sleep."""
    probing = account.probing
    if probing.unprobed is None or _foreign(account):
        return False
    low, high = probing.unprobed
    if probing.undisturbed_ns > high:  # probes do not restart it, or its timer was changed
        probing.acquitted = not probing.restarter
        probing.restarter, probing.unprobed, probing.learned = "", None, None
        return False
    if not probing.restarter:
        return False
    probing.unprobed = (max(low, probing.undisturbed_ns), high)
    probing.delayed_ns = probing.sent_ns
    return True


def note_asleep(account: Account, low: int, age: int, in_silence: bool) -> bool:
    """It slept between these idle ages. True where probes restart its timer.

    `in_silence`: it was awake while it was probed, and slept only without probes.
    """
    probing, undisturbed = account.probing, account.probing.undisturbed_ns
    if account.policy.declared_ns is not None or _foreign(account):
        return bool(probing.restarter)
    if not probing.restarter:
        if probing.unprobed is None:
            probing.unprobed = (0, undisturbed) if in_silence else None
            return False
        if low or probing.bracket is None or age >= probing.bracket[0]:
            return False
    awake, asleep = probing.unprobed or (0, undisturbed)
    awake, asleep = awake if awake < undisturbed else 0, min(asleep, undisturbed)
    probing.restarter, probing.unprobed, probing.bracket = "confirmed", (awake, asleep), None
    probing.learned = None if _wide(account, awake, asleep) else (awake, asleep)
    return True


def _wide(account: Account, low: int, high: int) -> bool:
    """The timer is not known yet."""
    return bool(account.probing.restarter) and high - low > account.policy.cadence.slow_ns


def _foreign(account: Account) -> bool:
    """Commands of others, which may restart a timer too, came in this gap; or its beginning was
    not observed."""
    probing = account.probing
    return account.io_ns is None or account.gap_censored or probing.hinted_ns is not None
