"""Findings name who wakes the disk, and what to do about that. By hand; no source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from spinledger.causes import CAUSES
from spinledger.facts import Awake, MainWaker, QuietWindow, Repeated, Restless
from spinledger.findings.judge import findings, judge
from spinledger.findings.woken import KEPT, NOT_TRACED, LastWakes, named, remedy
from spinledger.model import DAY, HOUR, SECOND, Explained, Policy
from tests.fakes.snapshots import view

PLACE = "sda1, md0, ext4 on /srv/photos"


def woken(at_ns: int, actor: str, cause: str = "read") -> Explained:
    """A spin-up."""
    return Explained(1, "d", at_ns, cause, actor, PLACE, 8 * SECOND)


def fold(*entries: Explained) -> LastWakes:
    """The fold after these."""
    made = LastWakes()
    for entry in entries:
        made.step(entry, Policy())
    return made


def test_the_main_waker_of_the_last_day_goes_on_after_a_restart() -> None:
    """Two of four are smbd's; the one of the day before does not count, nor do nameless ones."""
    now = 100 * HOUR
    made = fold(
        woken(now - DAY - HOUR, "backup"),
        woken(now - 3 * HOUR, "smbd"),
        woken(now - 2 * HOUR, ""),
        woken(now - HOUR, "smbd"),
        woken(now, "backup"),
    )
    again = LastWakes()
    again.load(made.dump())
    again.rebase(-HOUR)
    assert made.totals(now) == again.totals(now - HOUR) == MainWaker("smbd", "read", PLACE, 2, 4)
    assert fold(woken(now, "")).totals(now) is None
    assert fold(*[woken(now, "a")] * 200).totals(now) == MainWaker("a", "read", PLACE, KEPT, KEPT)


def test_regular_access_says_who_and_what_to_do() -> None:
    """Its evidence names the service, its suggestion fits the cause."""
    facts = replace(
        view(0).facts,
        repeated=Repeated(20 * 60 * SECOND, 24),
        waker=MainWaker("smbd.service", "read", PLACE, 31, 47),
    )
    (found,) = (one for one in findings(facts) if one.code == "regular_access")
    assert found.evidence.endswith(
        "; smbd.service woke it in 31 of 47 spin-ups of the last day (read, on /srv/photos)"
    )
    assert (
        found.suggestion == "Move what smbd.service reads off this disk, or have it read less often"
    )


def test_who_woke_a_disk_is_not_who_keeps_it_awake() -> None:
    """Accessed in every sample since: what woke it before is not named, but how to find out."""
    facts = replace(
        view(0).facts,
        restless=Restless(16 * HOUR, 0, 6_664_320, 15 * HOUR),
        waker=MainWaker("gallery", "read", PLACE, 3, 5),
    )
    (found,) = (one for one in findings(facts) if one.code == "regular_access")
    assert "gallery" not in found.evidence + found.suggestion
    assert found.evidence.endswith(NOT_TRACED)
    assert "`spinledger capture --for 10m`" in found.suggestion


def test_a_disk_that_is_awake_has_one_remedy() -> None:
    """A night without sleep is fixed by the lost timer's remedy, unless it was woken that often."""
    facts = view(0).facts
    now = facts.sampled_wall_ns
    facts = replace(
        facts,
        quiet_window=QuietWindow(0, 9 * HOUR, 9 * HOUR, now - HOUR),
        awake=Awake(30 * HOUR, 40 * HOUR, True, 90 * HOUR, None),
    )
    woken_since = replace(
        facts,
        awake=Awake(30 * HOUR, 2 * HOUR, True, 90 * HOUR, None),
        waker=MainWaker("smbd", "read", PLACE, 20, 25),
    )
    for given, words in ((facts, "Set its standby timer again"), (woken_since, "Move what smbd")):
        by_code = {one.code: one for one in judge([given])[0].findings}
        assert by_code["timer_not_holding"].suggestion.startswith("Set its standby timer again")
        assert by_code["slept_too_little"].suggestion.startswith(words)


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_has_a_remedy_in_whole_words(cause: str) -> None:
    """None switches off what keeps data safe: no word of journals or checks to end."""
    words = remedy(MainWaker("smbd", cause, "", 1, 1))
    assert words[0].isupper()
    assert "{" not in words
    assert "disable" not in words.lower()
    assert cause.replace("_", " ") in named(MainWaker("smbd", cause, "", 1, 1))
