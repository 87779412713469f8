"""Findings about pools, and what holds for the whole table: no harmful advice, bounded series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from spinledger.facts import (
    Awake,
    DiskView,
    Facts,
    HeadParking,
    Repeated,
    Restless,
    Sleeps,
    WaitMedians,
)
from spinledger.findings.judge import ALWAYS, CODES, EXPORTED, exported, judge
from spinledger.findings.rows import Words
from spinledger.findings.texts import POOL_TABLE, TABLE
from spinledger.model import DAY, HOUR, SECOND, State
from tests.fakes.found import HOUR_S, MINUTE_S, by_hand, codes, only, reads, watch
from tests.fakes.watching import kind, with_timer

WORDS: tuple[Words, ...] = (*(row.words for row in TABLE), *(row.words for row in POOL_TABLE))
by_code = pytest.mark.parametrize("words", WORDS, ids=lambda words: words.code)


# Pools


@pytest.fixture(scope="module")
def shelf() -> dict[str, DiskView]:
    """Three disks watched for a day: one never slept, one slept between reads, one is a spare."""
    touched = [1.0, 8 * HOUR_S, 16 * HOUR_S]
    return {
        "awake": watch(kind("plain", None), touched, 24 * HOUR_S, with_timer(None)).view,
        "asleep": watch(kind("plain", 20 * MINUTE_S), touched, 24 * HOUR_S).view,
        "spare": watch(kind("plain", 20 * MINUTE_S), [1.0], 24 * HOUR_S).view,
        "busy": watch(
            kind("plain", 20 * MINUTE_S), reads(2, 24 * HOUR_S, 40_000), 24 * HOUR_S
        ).view,
    }


def pooled(shelf: Mapping[str, DiskView], *names: str, pool: str = "plates") -> list[Facts]:
    """Those disks as members of one pool."""
    return [
        replace(
            shelf[name].facts,
            disk=replace(shelf[name].disk, identity=f"sim-{n}", nodes=(f"sd{n}",), pool=pool),
        )
        for n, name in enumerate(names)
    ]


def pool_codes(members: Sequence[Facts]) -> list[set[str]]:
    """Codes of each, among those of pools."""
    mine = {row.code for row in POOL_TABLE}
    return [codes(seen) & mine for seen in judge(members)]


def test_one_member_keeps_its_pool_awake(shelf: Mapping[str, DiskView]) -> None:
    """It slept nothing and the others most of the day; it alone is named."""
    views = pooled(shelf, "asleep", "awake", "asleep")
    assert pool_codes(views) == [set(), {"member_keeps_pool_awake"}, set()]
    (found,) = judge(views)[1].findings
    assert "asleep for 0% of the last day; the others: sd0 9" in found.evidence


@pytest.mark.parametrize(
    "names",
    [("asleep", "asleep"), ("awake", "awake"), ("spare", "awake"), ("asleep", "busy"), ("awake",)],
    ids="-".join,
)
def test_a_pool_that_agrees_has_no_such_member(
    shelf: Mapping[str, DiskView], names: tuple[str, ...]
) -> None:
    """All asleep, all awake, spares asleep, one at work all day, or one disk alone."""
    assert not any(pool_codes(pooled(shelf, *names)))


def test_disks_without_a_pool_are_no_members(shelf: Mapping[str, DiskView]) -> None:
    """Two disks that share nothing may sleep as they like."""
    assert not any(pool_codes(pooled(shelf, "asleep", "awake", pool="")))


# No harmful advice


def advice(**disk: object) -> str:
    """What the finding of a disk that never slept suggests."""
    awake = Awake(6 * HOUR, 6 * HOUR, False, 6 * HOUR, None)
    return only(by_hand({}, {"awake": awake}, **disk), "never_slept").suggestion


def test_no_advice_to_sleep_where_that_may_harm() -> None:
    """Behind a RAID controller, SAS without allow_restart, pools of unknown time-outs."""
    assert "set it again" in advice()
    assert "set it again" in advice(transport="sas", allow_restart=True)
    assert "set it again" in advice(pool="plates", timeout_s=30)
    for barred in (
        {"probe_method": None},
        {"transport": "sas", "allow_restart": False},
        {"transport": "sas"},
        {"pool": "plates"},
    ):
        assert advice(**barred).startswith("Leave its timers as they are: ")


@by_code
def test_what_keeps_data_safe_is_not_given_up_lightly(words: Words) -> None:
    """Advice about commits, journals, scrubs or health readings says what may be lost."""
    safety = ("commit", "journal", "scrub", "health", "write cache", "self-test", "barrier")
    if any(word in words.suggestion for word in safety):
        assert any(word in words.caution for word in ("lost", "lose", "warn", "failure"))


@by_code
def test_every_finding_is_whole(words: Words) -> None:
    """Sentence, suggestion, caution, whom to ask and what else it may be, without a full stop."""
    given = (words.sentence, words.suggestion, words.caution, words.ask_first, *words.innocent)
    for text in given:
        assert text
        assert not text.endswith(".")
    assert words.innocent


def test_codes_for_rules_are_always_there() -> None:
    """Rules compare them with 1; a series that comes and goes would break `for`."""
    assert set(ALWAYS) <= set(CODES)
    assert len(set(CODES)) == len(CODES)
    assert set(exported(by_hand())) == set(ALWAYS)


def test_series_are_bounded_and_words_are_not() -> None:
    """A disk with more findings than the bound has that many series, those for rules among them."""
    worst = by_hand(
        {
            "probe_failures": {("permission",): 1, ("rejected",): 3},
            "probe_given_up": {(): 1},
            "probe_disturbances": {("woke",): 1, ("timer_restarted",): 1},
            "timer_seconds": {(): 1200},
        },
        {
            "disturbed_wall_ns": 0,
            "timer_restarted": True,
            "repeated": Repeated(30 * SECOND, 24),
            "bare_commands": 99,
            "sleeps": Sleeps(60, 60 * SECOND, DAY, 60, 60),
            "wait_medians": WaitMedians(5, 15),
            "parking": HeadParking(9999, 1, DAY),
            "awake": Awake(25 * HOUR, 25 * HOUR, True, 25 * HOUR, None),
            "restless": Restless(4000 * SECOND, 0, 4_000_000, 0),
        },
        probe_method=None,
        not_probed_because="a controller",
        iostats=False,
    )
    assert len(worst.findings) > EXPORTED - len(ALWAYS)
    flags = exported(worst)
    assert len(flags) <= EXPORTED
    assert set(ALWAYS) <= set(flags)
    given = {finding.code for finding in worst.findings}
    assert all(flags[code] == (code in given) for code in ALWAYS)


def test_a_silent_disk_costs_nothing(shelf: Mapping[str, DiskView]) -> None:
    """A healthy disk that slept has no finding at all, and its state is known."""
    assert shelf["asleep"].state is State.STANDBY
    assert shelf["asleep"].findings == ()
