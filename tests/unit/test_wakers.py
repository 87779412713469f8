"""Who wakes what: pools, causes, waits. Worked by hand; common practice, no source."""

from __future__ import annotations

import pytest

from spinledger.causes import where
from spinledger.model import DAY, SECOND
from spinledger.strip import DiskHistory, SpinUp
from spinledger.wakers import PERIODS, sentence, wakers, wakes

NOW = 1_790_000_000 * SECOND


def up(at_s: float, wait_s: float | None = 8.0, actor: str = "", cause: str = "read") -> SpinUp:
    """A spin-up so many seconds after the beginning."""
    wait = None if wait_s is None else round(wait_s * SECOND)
    return SpinUp(round(at_s * SECOND), True, cause, actor, wait, f"md0, xfs on /srv/{actor}")


def test_waits_one_after_another_add_up() -> None:
    """Three members of a RAID 5, each woken once the one before it is ready: 24 s in one wake.

    Recorded at the beginning of their samples of 5 s: 0, 5 (really 8) and 15 (really 16).
    """
    (one,) = wakes({"a": [up(0, actor="smbd")], "b": [up(5)], "c": [up(15)]})
    assert one.members == ("a", "b", "c")
    assert one.wait == 24 * SECOND
    assert (one.actor, one.cause) == ("smbd", "read")


def test_waits_at_the_same_time_count_once() -> None:
    """A write wakes both members of a RAID 1 in one sample: somebody waited 8 s, not 16."""
    (one,) = wakes({"a": [up(0)], "b": [up(0, actor="backup")]})
    assert (one.members, one.wait, one.actor) == (("a", "b"), 8 * SECOND, "backup")


def test_short_waits_at_the_same_time_count_once() -> None:
    """As seen in the virtual machine: both members of a RAID 1 are ready a second later."""
    (one,) = wakes({"a": [up(0, 1.0)], "b": [up(0.003, 1.0)]})
    assert one.wait == pytest.approx(1.003 * SECOND)


def test_one_member_may_wake_alone() -> None:
    """A read of a RAID 1 wakes one member; twenty minutes later another read wakes the other."""
    made = list(wakes({"a": [up(0), up(2400)], "b": [up(1200, None)]}))
    assert [one.members for one in made] == [("a",), ("b",), ("a",)]
    assert made[1].wait is None


def test_a_disk_wakes_once_a_wake() -> None:
    """Twice within seconds: the second is another wake."""
    assert [one.at for one in wakes({"a": [up(0), up(9)]})] == [0, 9 * SECOND]


def test_what_only_the_counter_knows_belongs_to_no_wake() -> None:
    """Its time is that of a reading, not of a spin-up."""
    assert list(wakes({"a": [up(0)._replace(observed=False)]})) == []


def test_counts_of_a_day_a_week_and_a_month() -> None:
    """Two programs on a pool of two, most wakes first, shares of all its wakes."""
    ago = [60, 3 * 86400, 20 * 86400, 40 * 86400]
    histories = {
        "a": DiskHistory((), tuple(up(NOW / SECOND - at, actor="smbd") for at in reversed(ago))),
        "b": DiskHistory((), (up(NOW / SECOND - 60), up(NOW / SECOND - 30 * 60, None, "cron"))),
    }
    sorted_b = DiskHistory((), tuple(sorted(histories["b"].spin_ups)))
    found = wakers({"plates": ["a", "b"]}, {**histories, "b": sorted_b}, NOW)
    assert [(one.actor, one.wakes, one.spin_ups) for one in found] == [
        ("smbd", (1, 2, 3), (2, 3, 4)),
        ("cron", (1, 1, 1), (1, 1, 1)),
    ]
    assert [one.share for one in found] == [0.75, 0.25]
    assert [span for _, span in PERIODS] == [DAY, 7 * DAY, 30 * DAY]
    assert found[0].wait == 24 * SECOND


def test_a_period_ends_now_and_does_not_have_its_beginning() -> None:
    """A wake that is exactly 30 days old is in no period; one of this instant is in all."""
    ends = [NOW / SECOND - 30 * 86400, NOW / SECOND]
    of = {at: {"a": DiskHistory((), (up(at, actor="smbd"),))} for at in ends}
    assert wakers({"plates": ["a"]}, of[ends[0]], NOW) == []
    (one,) = wakers({"plates": ["a"]}, of[ends[1]], NOW)
    assert (one.wakes, one.spin_ups, one.share) == ((1, 1, 1), (1, 1, 1), 1.0)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("read", "smbd", "sda1, ext4 on /srv/photos", 8 * SECOND),
         "read by smbd on /srv/photos, waited 8 s"),
        (("journal", "", "sda1", None), "journal written on sda1"),
        (("passthrough", "smartctl", "sda", None), "command sent by smartctl on sda"),
        (("", "", "", 8 * SECOND), "waited 8 s"),
        (("other", "", "", None), "no data moved"),
    ],
)  # fmt: skip
def test_a_wake_in_words(given: tuple[str, str, str, int | None], words: str) -> None:
    """As far as it is known."""
    assert sentence(*given) == words


def test_the_end_of_a_place() -> None:
    """A mount point, else the highest device."""
    assert where("sda1, md0, ext4 on /srv/a b") == "/srv/a b"
    assert where("sda2, swap") == "swap"
