"""For each alert about scrapes that fail: its scenes, and the text that arrives."""

from __future__ import annotations

from tests.packs.hosts import BUILD, HOST, at, off, one, raw
from tests.packs.scenes import ATTIC, DOME, HOUR, MINUTE, OTHER, SLOW, Base, Fired, Labels, Scene

DOWN_WORDS = f"Prometheus cannot scrape {HOST}"
ANSWERS = "1+0x2000"
DOWN = one(
    "SpinledgerDown",
    DOWN_WORDS,
    Scene(
        "after 10 minutes, for a day, for the target that gave our metrics and no other",
        [
            raw("up", ATTIC, "1+0x10 0+0x2000 1+0x20"),
            raw(BUILD, ATTIC, "1+0x10 stale"),
            raw("up", DOME, ANSWERS),
            raw(BUILD, DOME, ANSWERS),
            raw("up", OTHER, "0+0x2000"),
            raw("up", {"job": "spinledger", "instance": "dome:9100"}, "0+0x2000"),
            raw(
                "ALERTS",
                {"alertname": "HostDown", "job": "spinledger", "instance": "dome:9100"},
                ANSWERS,
            ),
        ],
        {
            19 * MINUTE: [],
            22 * MINUTE: at(DOWN_WORDS, ATTIC),
            5 * HOUR: at(DOWN_WORDS, ATTIC),
            24 * HOUR: at(DOWN_WORDS, ATTIC),
            2014 * MINUTE: [],
        },
        step=MINUTE,
    ),
    Scene(
        "the server was off while the exporter went down, five hours ago",
        [
            raw("up", ATTIC, "_x300 0+0x30"),
            raw(BUILD, ATTIC, "1+0x10 _x400"),
        ],
        {315 * MINUTE: at(DOWN_WORDS, ATTIC)},
        step=MINUTE,
    ),
    Scene(
        "the same, more than six hours ago: nothing says any more that it is an exporter",
        [raw("up", ATTIC, "_x380 0+0x30"), raw(BUILD, ATTIC, "1+0x10 _x400")],
        {395 * MINUTE: []},
        step=MINUTE,
    ),
    Scene(
        "hosts of which one may be suspended: it is not missed, for as long as it is remembered",
        [
            *(raw("up", target, "1+0x10 0+0x2000") for target in (ATTIC, DOME, OTHER)),
            *(raw(BUILD, target, "1+0x10 stale") for target in (ATTIC, DOME, OTHER)),
            raw("spinledger_may_be_suspended", {**ATTIC, "relabelled": "yes"}, "1+0x10 stale"),
            raw("spinledger_may_be_suspended", DOME, "0+0x10 stale"),
            raw("spinledger_may_be_suspended", OTHER, "0+0x10 stale"),
        ],
        {minute * MINUTE: at(DOWN_WORDS, DOME, OTHER) for minute in (22, 310, 400)},
        step=MINUTE,
    ),
    Scene(
        "it might have been suspended more than six hours before it went down",
        [
            raw("up", ATTIC, "1+0x400 0+0x100"),
            raw(BUILD, ATTIC, "1+0x400 stale"),
            raw("spinledger_may_be_suspended", ATTIC, "1+0x10 stale"),
        ],
        {412 * MINUTE: at(DOWN_WORDS, ATTIC)},
        step=MINUTE,
    ),
    Scene(
        "one of the scrapes fails that are 5 minutes apart",
        [raw("up", ATTIC, "1+0x3 0 1+0x9"), raw(BUILD, ATTIC, "1+0x3 stale 1+0x9")],
        {minute * MINUTE: [] for minute in range(15, 40)},
        step=SLOW,
    ),
    Scene(
        "two of the scrapes fail that are 5 minutes apart",
        [raw("up", ATTIC, "1+0x3 0+0x2 1+0x9"), raw(BUILD, ATTIC, "1+0x3 stale _x2 1+0x9")],
        {27 * MINUTE: at(DOWN_WORDS, ATTIC), 36 * MINUTE: []},
        step=SLOW,
    ),
    off(DOWN_WORDS, 0),
    Scene(
        "the target is no longer configured",
        [raw("up", ATTIC, "1+0x10 0+0x30 _x90"), raw(BUILD, ATTIC, "1+0x10 stale")],
        {35 * MINUTE: at(DOWN_WORDS, ATTIC), 55 * MINUTE: []},
        step=MINUTE,
    ),
)

FLAPS = f"Scrapes of {HOST} fail again and again: "


def _flaps(share: str, *targets: Labels) -> list[Fired]:
    return at(f"{FLAPS}{share} % of them within an hour", *targets)


FLAPPING = one(
    "SpinledgerFlapping",
    "",
    Scene(
        "up for 2 minutes and down for 2 minutes; another target that gives no such metrics",
        [
            raw("up", ATTIC, " ".join(["1 1 0 0"] * 40)),
            raw(BUILD, ATTIC, " ".join(["1 1 stale _"] * 40)),
            raw("up", DOME, ANSWERS),
            raw(BUILD, DOME, ANSWERS),
            raw("up", OTHER, " ".join(["1 1 0 0"] * 40)),
            raw("up", {"job": "spinledger", "instance": "dome:9100"}, " ".join(["1 0"] * 80)),
        ],
        {119 * MINUTE: _flaps("51", ATTIC)},
        step=MINUTE,
    ),
    Scene(
        "one scrape in ten fails",
        [raw("up", ATTIC, " ".join(["0 1+0x8"] * 20)), raw(BUILD, ATTIC, "1+0x200")],
        {minute * MINUTE: [] for minute in range(60, 150, 10)},
        step=MINUTE,
    ),
    Scene(
        "one outage of half an hour, and two short ones",
        [
            raw("up", ATTIC, "1+0x59 0+0x29 1+0x59"),
            raw(BUILD, ATTIC, ANSWERS),
            raw("up", DOME, "1+0x59 0+0x9 1+0x9 0+0x9 1+0x59"),
            raw(BUILD, DOME, ANSWERS),
        ],
        {minute * MINUTE: [] for minute in range(60, 130, 10)},
        step=MINUTE,
    ),
    Scene(
        "three outages, the first of which began more than an hour ago: five changes",
        [
            raw("up", ATTIC, "1+0x55 0+0x9 1+0x9 0+0x9 1+0x14 0+0x9 1+0x100"),
            raw(BUILD, ATTIC, ANSWERS),
        ],
        {121 * MINUTE: _flaps("41", ATTIC)},
        step=MINUTE,
    ),
    Scene(
        "one outage of half an hour, an hour after several short ones",
        [
            raw("up", ATTIC, "1 0 1 0 1 0 1+0x53 1+0x9 0+0x29 1+0x59"),
            raw(BUILD, ATTIC, ANSWERS),
        ],
        {100 * MINUTE: []},
        step=MINUTE,
    ),
    Scene(
        "nearly always down",
        [raw("up", ATTIC, " ".join(["1 0+0x8"] * 20)), raw(BUILD, ATTIC, "1+0x200")],
        {119 * MINUTE: _flaps("90", ATTIC)},
        step=MINUTE,
    ),
    Scene(
        "30 of 121 scrapes fail, and 31",
        [
            raw("up", ATTIC, "_x120 " + " ".join(["0 1+0x2"] * 30) + " 1"),
            raw(BUILD, ATTIC, ANSWERS),
            raw("up", DOME, "_x120 " + " ".join(["0 1+0x2"] * 30) + " 0"),
            raw(BUILD, DOME, ANSWERS),
        ],
        {120 * MINUTE: _flaps("26", DOME)},
        step=MINUTE // 2,
    ),
    Scene(
        "a fifth of the scrapes fails, and two of seven",
        [
            raw("up", ATTIC, " ".join(["1 1 1 1 0"] * 40)),
            raw(BUILD, ATTIC, ANSWERS),
            raw("up", DOME, " ".join(["1 1 1 0 1 1 0"] * 25)),
            raw(BUILD, DOME, ANSWERS),
        ],
        {119 * MINUTE: _flaps("30", DOME)},
        step=MINUTE,
    ),
    Scene(
        "it gave our metrics five hours ago, but not within six",
        [
            raw("up", ATTIC, " ".join(["1 1 0 0"] * 120)),
            raw(BUILD, ATTIC, "1+0x10 _x400"),
        ],
        {310 * MINUTE: _flaps("51", ATTIC), 380 * MINUTE: []},
        step=MINUTE,
    ),
)

MISSING_WORDS = f"{HOST} answers without metrics of Spinledger"
MISSING = one(
    "SpinledgerMetricsMissing",
    MISSING_WORDS,
    Scene(
        "after 15 minutes, for a day; not for a target that never gave any, nor one that is down",
        [
            raw("up", ATTIC, "1+0x2100"),
            raw(BUILD, ATTIC, "1+0x10 _x2000 1+0x50"),
            raw("up", DOME, "1+0x2100"),
            raw(BUILD, DOME, "1+0x2100"),
            raw("up", OTHER, "1+0x2100"),
            raw(BUILD, OTHER, "1+0x2100"),
            raw("up", {"job": "spinledger", "instance": "dome:9787"}, "1+0x290 0+0x2000"),
            raw(BUILD, {"job": "spinledger", "instance": "dome:9787"}, "1+0x270 stale"),
            raw("up", {"job": "spinledger", "instance": "dome:9100"}, "1+0x2100"),
        ],
        {
            24 * MINUTE: [],
            27 * MINUTE: at(MISSING_WORDS, ATTIC),
            303 * MINUTE: at(MISSING_WORDS, ATTIC),
            6 * HOUR: at(MISSING_WORDS, ATTIC),
            24 * HOUR: at(MISSING_WORDS, ATTIC),
            2013 * MINUTE: [],
        },
        step=MINUTE,
    ),
    Scene(
        "one of its scrapes fails that are 5 minutes apart, and another one later",
        [
            raw("up", ATTIC, "1+0x9 0 1+0x20"),
            raw(BUILD, ATTIC, "1+0x3 _x30"),
            raw("up", DOME, "1+0x9 0 1+0x20"),
            raw(BUILD, DOME, "1+0x9 stale 1+0x20"),
        ],
        {minute * MINUTE: at(MISSING_WORDS, ATTIC) for minute in range(47, 60)},
        step=SLOW,
    ),
    off(MISSING_WORDS, 1),
    Scene(
        "the server was off meanwhile, for five hours and for more than six",
        [
            raw("up", ATTIC, "_x300 1+0x30"),
            raw(BUILD, ATTIC, "1+0x10 _x400"),
            raw("up", DOME, "_x380 1+0x30"),
            raw(BUILD, DOME, "1+0x10 _x400"),
        ],
        {315 * MINUTE: at(MISSING_WORDS, ATTIC), 395 * MINUTE: []},
        step=MINUTE,
    ),
)


SCRAPES: tuple[Base, ...] = (DOWN, FLAPPING, MISSING)
