"""Who wakes what, as a table of the pages and as JSON; and one wake in words.

Rules: a pool is one row a program, whichever members spin up; every text from outside is escaped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo

from spinledger import wakers
from spinledger.causes import where
from spinledger.facts import DiskView
from spinledger.model import HOUR, SECOND
from spinledger.strip import DiskHistory, SpinUp
from spinledger.wakers import PERIODS, Wake, Waker
from spinledger.web.html import safe, time_tag, wide_row, wide_table
from spinledger.words import duration, listed, number, percent

SPAN_NS = PERIODS[-1][1]
ROWS = 20  # shown at most
Histories = Mapping[str, DiskHistory]

ABOUT = (
    "Programs, services and guests that made a disk spin up, in the last day, 7 days and 30 days. "
    "Disks of a pool that spin up together are one wake. Unknown: nobody was named, as when the "
    "kernel&#x27;s trace events cannot be read."
)


def groups(views: Sequence[DiskView]) -> dict[str, list[str]]:
    """The identities of each pool, or of a disk alone, by the name that a person reads."""
    found: dict[str, list[str]] = {}
    for view in views:
        found.setdefault(view.disk.wake_group, []).append(view.disk.identity)
    return found


def table(
    views: Sequence[DiskView], histories: Histories, now: int, only: str = "", folded: bool = False
) -> str:
    """The section, or nothing where no wake is recorded. `only`: of one pool or disk."""
    wanted = {name: disks for name, disks in groups(views).items() if only in ("", name)}
    found = wakers.wakers(wanted, histories, now)
    if not found:
        return ""
    rows = "".join(_row(one, not only) for one in found[:ROWS])
    more = f'<p class="soft">{len(found) - ROWS} more</p>' if len(found) > ROWS else ""
    table = wide_table("Who wakes what", _columns(not only), rows)
    inside = f'<p class="about">{ABOUT}</p>{table}{more}'
    if folded:
        return (
            '<section><details id="t-who-wakes-what"><summary><h2>Who wakes what</h2></summary>'
            f"{inside}</details></section>"
        )
    return f"<section><h2>Who wakes what</h2>{inside}</section>"


def _row(one: Waker, grouped: bool) -> str:
    cells = [
        *([safe(one.group)] if grouped else []),
        *(number(count) for count in one.wakes),
        percent(one.share),
        duration(one.wait / SECOND) if one.wait else "",
        safe(where(one.place)),
    ]
    return wide_row(_columns(grouped), safe(one.actor), cells)


def _columns(grouped: bool) -> list[tuple[str, str]]:
    """Titles and classes."""
    return [
        ("Who", ""),
        *([("Pool or disk", "")] if grouped else []),
        ("Day", "num"),
        ("7 days", "num"),
        ("30 days", "num"),
        ("Share", "num"),
        ("Waited in 30 days", "num"),
        ("Last place", ""),
    ]


def newest(
    view: DiskView, views: Sequence[DiskView], histories: Histories, count: int, tz: tzinfo
) -> list[str]:
    """The newest spin-ups of a disk in words, as HTML, with what else of its pool spun up."""
    names = {one.disk.identity: one.disk.kernel_name for one in views}
    disks = groups(views).get(view.disk.wake_group, [view.disk.identity])
    own = histories[view.disk.identity].spin_ups if view.disk.identity in histories else ()
    shown = own[: -count - 1 : -1]
    recent = {
        disk: [one for one in histories[disk].spin_ups if one.at >= shown[-1].at - HOUR]
        for disk in disks
        if shown and disk in histories
    }
    made = {
        at: wake
        for wake in wakers.wakes(recent)
        for name, at in zip(wake.members, wake.times, strict=True)
        if name == view.disk.identity
    }
    return [_words(one, made.get(one.at), names, tz) for one in shown]


def _words(one: SpinUp, wake: Wake | None, names: Mapping[str, str], tz: tzinfo) -> str:
    """03:12, read by smbd on /srv/photos, waited 8 s; of its pool: sda, then sdb, 16 s in all."""
    when = time_tag(one.at, tz) + ("" if one.observed else " (from the drive's counter)")
    cause, actor, place = one.cause, one.actor, one.place
    if wake is not None and not actor and wake.actor:
        cause, actor, place = wake.cause, wake.actor, wake.place
    parts = [when, safe(wakers.sentence(cause, actor, place, one.wait))]
    if wake is not None and len(wake.members) > 1:
        order = listed(safe(names.get(name, name)) for name in wake.members)
        waited = "" if wake.wait is None else f", {duration(wake.wait / SECOND)} in all"
        parts.append(f"in this order: {order}{waited}")
    return ", ".join(part for part in parts if part)


def who_json(views: Sequence[DiskView], histories: Histories, now: int) -> list[dict[str, object]]:
    """For /snapshot: who wakes what, most wakes first."""
    members = groups(views)
    return [
        {
            "actor": one.actor,
            "wake_group": one.group,
            "disks": members[one.group],
            **{f"wakes_{name}": count for (name, _), count in zip(PERIODS, one.wakes, strict=True)},
            **{
                f"spin_ups_{name}": count
                for (name, _), count in zip(PERIODS, one.spin_ups, strict=True)
            },
            "share_ratio": one.share,
            "waited_seconds": one.wait / SECOND,
            "place": one.place,
        }
        for one in wakers.wakers(members, histories, now)
    ]
