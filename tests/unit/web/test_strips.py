"""Strips and the line of times: what is drawn is the time that was recorded."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from spinledger.model import DAY, HOUR, MINUTE, SECOND
from spinledger.strip import DiskHistory, Period, SpinUp, strip
from spinledger.web.strips import BLOCK, FOOT, RANGES, TALL, axis, bands, drawing, sentence

NOW = 1_790_000_000 * SECOND
DAY_RANGE, WEEK_RANGE, MONTH_RANGE = RANGES


def columns(path: str, bins: int, foot: int) -> list[int]:
    """Height of each bin of a closed outline, by the path grammar of SVG 1.1, 8.3."""
    heights = [0] * bins
    x = y = 0
    for letter, inside in re.findall(r"([Mhvz])([^Mhvz]*)", path):
        numbers = [int(one) for one in inside.split()]
        if letter == "M":
            x, y = numbers
            assert y == foot
        elif letter == "v":
            y += numbers[0]
        elif letter == "h":
            for at in range(x, x + numbers[0]):
                heights[at] = foot - y
            x += numbers[0]
        else:
            assert y == foot
    return heights


def drawn(svg: str, name: str) -> str:
    """The path of a class; "" where there is none."""
    found = re.search(rf'<path class="{name}" d="([^"]*)"', svg)
    return found.group(1) if found else ""


def test_shapes_distinguish_the_states() -> None:
    """Spinning is a tall block, asleep a flat one, unknown hatched, unobserved a dotted line."""
    hours = ("spinning", "standby", "unknown", "unobserved")
    periods = tuple(
        Period(NOW - (4 - at) * HOUR, NOW - (3 - at) * HOUR, state, 0)
        for at, state in enumerate(hours)
    )
    svg = drawing(strip(DiskHistory(periods, (SpinUp(NOW - 4 * HOUR, True),)), DAY_RANGE, NOW), "")
    bins, hour = DAY_RANGE.bins, HOUR // DAY_RANGE.bin_ns
    spinning = columns(drawn(svg, "t"), bins, FOOT)
    asleep = columns(drawn(svg, "z"), bins, TALL)
    unknown = columns(drawn(svg, "u"), bins, FOOT)
    began = bins - 4 * hour
    assert spinning == [0] * began + [BLOCK] * hour + [0] * (3 * hour)
    assert [at for at, height in enumerate(asleep) if height] == [
        *range(began + hour, began + 2 * hour)
    ]
    assert 0 < max(asleep) < TALL - FOOT  # below the blocks: both can be seen in one bin
    assert [at for at, height in enumerate(unknown) if height] == [
        *range(began + 2 * hour, began + 3 * hour)
    ]
    assert drawn(svg, "n") == f"M{bins - hour} 25h{hour}"
    assert columns(drawn(svg, "w"), bins, 10)[began] > 0
    assert not drawn(svg, "a")


def test_a_short_use_is_never_drawn_away() -> None:
    """A spin-up of 5 s in a sleeping month still stands up, and has its tick."""
    use = Period(NOW - DAY, NOW - DAY + 5 * SECOND, "spinning", SECOND)
    periods = (
        Period(NOW - 40 * DAY, use.began, "standby", 0),
        use,
        Period(use.ended, NOW, "standby", 0),
    )
    svg = drawing(
        strip(DiskHistory(periods, (SpinUp(use.began, True),)), MONTH_RANGE, NOW), "q0-30d"
    )
    assert sum(1 for height in columns(drawn(svg, "t"), MONTH_RANGE.bins, FOOT) if height) == 1
    assert sum(1 for height in columns(drawn(svg, "k"), MONTH_RANGE.bins, 10) if height) == 1
    assert all(columns(drawn(svg, "z"), MONTH_RANGE.bins, TALL))  # asleep for most of every bin
    assert '<use href="#q0-30d"/>' in svg


def test_the_sentence_says_what_the_strip_shows() -> None:
    """Readers who do not see the strip get the time in each state and the number of spin-ups."""
    periods = (
        Period(NOW - 30 * HOUR, NOW - 6 * HOUR, "standby", 0),
        Period(NOW - 6 * HOUR, NOW - 30 * MINUTE, "spinning", HOUR),
        Period(NOW - 30 * MINUTE, NOW, "unknown", 0),
    )
    recorded = DiskHistory(periods, (SpinUp(NOW - 25 * HOUR, True), SpinUp(NOW - 6 * HOUR, True)))
    assert sentence(strip(recorded, DAY_RANGE, NOW)) == (
        "Last 24 hours: asleep 18 h, spinning 5 h 30 min, unknown 30 min; 1 spin-up"
    )
    assert sentence(strip(DiskHistory(), DAY_RANGE, NOW)) == "Last 24 hours: nothing recorded"


def test_quiet_hours_are_shaded_where_they_were() -> None:
    """A window's band has the window's place and width, cut at the ends of the range."""
    window = (NOW - 10 * HOUR, NOW - HOUR)
    assert bands([window], DAY_RANGE, NOW) == "M420.0 0h270.0v42h-270.0z"
    assert bands([(NOW - 30 * HOUR, NOW - 20 * HOUR)], DAY_RANGE, NOW).startswith("M0.0 0h120.0")
    assert bands([(NOW - 3 * DAY, NOW - 2 * DAY)], DAY_RANGE, NOW) == ""


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2026-10-25", 25), ("2026-03-29", 23), ("2026-06-10", 24)],  # tz database, Europe/Prague
)
def test_times_stand_at_whole_local_hours(day: str, hours: int) -> None:
    """On days of 23, 24 and 25 hours the marks stand where the local clock shows their hour."""
    zone = ZoneInfo("Europe/Prague")
    midnight = datetime.fromisoformat(f"{day}T00:00").replace(tzinfo=zone)
    following = datetime.fromisoformat(f"{day}T23:00").replace(tzinfo=zone)
    now = int(following.timestamp()) * SECOND + HOUR
    assert (now // SECOND - midnight.timestamp()) / 3600 == hours
    found = re.findall(
        r'<text x="([\d.]+)%" y="11"(?: class="o")?>(\d\d:00)', axis(DAY_RANGE, now, zone)
    )
    assert len(found) >= 6
    for share, label in found:
        at = (now - DAY) / SECOND + float(share) / 100 * 86400
        shown = datetime.fromtimestamp(round(at / 60) * 60, UTC).astimezone(zone)
        # A hundredth of a percent of a day is 8.6 s.
        assert abs(at - shown.timestamp()) < 10
        assert f"{shown:%H:%M}" == label


def test_a_month_has_a_mark_every_five_days() -> None:
    """Thirty days hold six marks five days apart, each at a local midnight."""
    labels = re.findall(r">(\d+ \w{3})<", axis(MONTH_RANGE, NOW, UTC))
    days = [datetime.strptime(f"{one} 2026", "%d %b %Y").toordinal() for one in labels]
    assert [after - before for before, after in pairwise(days)] == [5] * (len(days) - 1)
    assert len(days) in (5, 6)
