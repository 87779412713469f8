"""For each alert about the exporter: its scenes, and the text that arrives."""

from __future__ import annotations

from dataclasses import replace

from rules.parts import CLOCK
from tests.packs.hosts import BUILD, HOST, at, one, raw
from tests.packs.scenes import (
    ATTIC,
    DOME,
    HOUR,
    MINUTE,
    OTHER,
    SLOW,
    Base,
    Fired,
    Scene,
    Series,
)


def _host(alert: str, summary: str, metric: str, bad: float, good: float) -> Base:
    """An alert on the exporter's own state: in all samples of 15 minutes."""
    base = Base(alert, [Series(metric, {}, bad)], [Fired({}, summary)], of_disk=False)
    turns = Series(metric, ATTIC, raw=f"{good:g}+0x20 {bad:g}+0x40 {good:g}+0x20")
    return replace(
        base,
        more=(
            Scene(
                "after 15 minutes, and until the first good sample",
                [turns],
                {
                    35 * MINUTE: [],
                    37 * MINUTE: base.fires(ATTIC),
                    60 * MINUTE: base.fires(ATTIC),
                    63 * MINUTE: [],
                },
                step=MINUTE,
            ),
            Scene("all is well", [replace(turns, raw=f"{good:g}+0x100")], {HOUR: []}, step=MINUTE),
        ),
    )


EXPORTER_STATES = (
    _host(
        "SpinledgerMetricsIncomplete",
        f"Disks or metrics missing from the output of {HOST}: 1",
        "spinledger_render_failures",
        1,
        0,
    ),
    _host(
        "SpinledgerLedgerNotSaved",
        f"The ledger of {HOST} cannot be written",
        "spinledger_ledger_write_failing",
        1,
        0,
    ),
    _host(
        "SpinledgerConfigurationRefused",
        f"The changed configuration of {HOST} was refused",
        "spinledger_config_reload_success",
        0,
        1,
    ),
)


FROZEN_WORDS = f"The metrics of {HOST} have not changed for 15 minutes"
FROZEN = one(
    "SpinledgerOutputFrozen",
    FROZEN_WORDS,
    Scene(
        "the clock stands still, and goes on again",
        [
            raw(CLOCK, ATTIC, "0+60x20 1200+0x40 3660+60x40"),
            *(raw(CLOCK, target, "0+60x200") for target in (DOME, OTHER)),
        ],
        {
            34 * MINUTE: [],
            36 * MINUTE: at(FROZEN_WORDS, ATTIC),
            60 * MINUTE: at(FROZEN_WORDS, ATTIC),
            63 * MINUTE: [],
        },
        step=MINUTE,
    ),
    Scene(
        "one sample, then two",
        [raw(CLOCK, ATTIC, "_x4 1200 _x3 1200 _x9")],
        {
            22 * MINUTE: [],
            34 * MINUTE: [],
            39 * MINUTE: [],
            41 * MINUTE: [],
        },
        step=SLOW,
    ),
    Scene(
        "scrapes are 5 minutes apart",
        [raw(CLOCK, ATTIC, "1200+0x30")],
        {
            2 * MINUTE: [],
            6 * MINUTE: at(FROZEN_WORDS, ATTIC),
            64 * MINUTE: at(FROZEN_WORDS, ATTIC),
        },
        step=SLOW,
    ),
)


def _clock_words(off: str) -> str:
    return f"The clock of {HOST} differs from that of Prometheus by {off}"


CLOCK_WRONG = one(
    "SpinledgerClockWrong",
    "",
    Scene(
        "ahead, behind, and within two minutes",
        [
            raw(CLOCK, ATTIC, "600+60x200"),
            raw(CLOCK, DOME, "-120.5+60x200"),
            raw(CLOCK, OTHER, "-119.5+60x200"),
        ],
        {
            HOUR: [*at(_clock_words("10m 0s"), ATTIC), *at(_clock_words("2m 0s"), DOME)],
        },
        step=MINUTE,
    ),
    Scene(
        "after 15 minutes, and until it is right again",
        [raw(CLOCK, ATTIC, "0+60x20 660+60x40 3720+60x40")],
        {
            34 * MINUTE: [],
            37 * MINUTE: at(_clock_words("10m 0s"), ATTIC),
            61 * MINUTE: at(_clock_words("10m 0s"), ATTIC),
            64 * MINUTE: [],
        },
        step=MINUTE,
    ),
    Scene(
        "the output is frozen: that is another alert, at its own target",
        [
            raw(CLOCK, ATTIC, "1200+0x200"),
            raw(CLOCK, DOME, "600+60x200"),
            raw(CLOCK, OTHER, "600+60x200"),
        ],
        {
            HOUR: at(_clock_words("10m 0s"), DOME, OTHER),
        },
        step=MINUTE,
    ),
    Scene(
        "one sample 20 minutes after another, then a second with the same clock",
        [raw(CLOCK, ATTIC, "600 _x3 1800 1800 _x9")],
        {21 * MINUTE: at(_clock_words("10m 0s"), ATTIC), 26 * MINUTE: []},
        step=SLOW,
    ),
    Scene(
        "ten minutes behind, and the output is frozen from the 20th minute on",
        [raw(CLOCK, ATTIC, "-600+60x20 600+0x100")],
        {34 * MINUTE: at(_clock_words("10m 0s"), ATTIC), 36 * MINUTE: []},
        step=MINUTE,
    ),
    Scene(
        "the same, scraped every 5 minutes",
        [raw(CLOCK, ATTIC, "-600+0x20")],
        {64 * MINUTE: []},
        step=SLOW,
    ),
    Scene(
        "ten minutes behind, by a text file that is written every 10 minutes",
        [raw(CLOCK, ATTIC, " ".join(f"{600 * (n // 10) - 600}" for n in range(90)))],
        {minute * MINUTE: at(_clock_words("10m 0s"), ATTIC) for minute in range(40, 60)},
        step=MINUTE,
    ),
    Scene(
        "a text file that is written every 10 minutes",
        [raw(CLOCK, ATTIC, " ".join(f"{600 * (n // 10)}" for n in range(90)))],
        {minute * MINUTE: [] for minute in range(20, 80, 3)},
        step=MINUTE,
    ),
)

DAMAGED_WORDS = f"A ledger file of {HOST} was damaged and set aside, 1 so far"
DAMAGED = one(
    "SpinledgerLedgerDamaged",
    DAMAGED_WORDS,
    Scene(
        "for a day; old damage and other hosts say nothing",
        [
            raw("spinledger_ledger_damaged_total", ATTIC, "0+0x40 1+0x800"),
            raw("spinledger_ledger_damaged_total", DOME, "1+0x800"),
            raw("spinledger_ledger_damaged_total", OTHER, "2+0x800"),
        ],
        {
            81 * MINUTE: [],
            83 * MINUTE: at(DAMAGED_WORDS, ATTIC),
            25 * HOUR: at(DAMAGED_WORDS, ATTIC),
            1523 * MINUTE: [],
        },
        step=2 * MINUTE,
    ),
)

DAMAGED = replace(
    DAMAGED,
    more=(
        *DAMAGED.more,
        Scene(
            "the target is no longer scraped",
            [raw("spinledger_ledger_damaged_total", ATTIC, "0+0x40 1+0x80 _x80")],
            {134 * MINUTE: at(DAMAGED_WORDS, ATTIC), 138 * MINUTE: []},
            step=MINUTE,
        ),
    ),
)

ALIVE = one(
    "SpinledgerAlertsLoaded",
    "",
    Scene(
        "two exporters, then none",
        [raw(BUILD, ATTIC, "1+0x30"), raw(BUILD, DOME, "1+0x30")],
        {
            44 * MINUTE: [
                Fired({}, "The alerts of Spinledger are evaluated; exporters that give metrics: 2")
            ],
            47 * MINUTE: [
                Fired({}, "The alerts of Spinledger are evaluated; exporters that give metrics: 0")
            ],
        },
        step=MINUTE,
    ),
)

UNMATCHED_WORDS = f"Entries of `disks` that match no disk, in the configuration of {HOST}: 1"
UNMATCHED = one(
    "SpinledgerConfigurationUnmatched",
    UNMATCHED_WORDS,
    Scene(
        "after a day, until the first good sample",
        [
            raw("spinledger_config_unmatched_entries", ATTIC, "0+0x10 1+0x300 0+0x20"),
            raw("spinledger_config_unmatched_entries", DOME, "0+0x400"),
        ],
        {
            24 * HOUR: [],
            25 * HOUR: at(UNMATCHED_WORDS, ATTIC),
            311 * 5 * MINUTE: at(UNMATCHED_WORDS, ATTIC),
            313 * 5 * MINUTE: [],
        },
        step=SLOW,
    ),
)

EXPORTERS: tuple[Base, ...] = (
    *EXPORTER_STATES,
    FROZEN,
    CLOCK_WRONG,
    DAMAGED,
    ALIVE,
    UNMATCHED,
)
