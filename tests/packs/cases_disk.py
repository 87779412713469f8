"""For each alert about a disk: a base for its scenes, the text that arrives, its limits.

The limits are those that rules/README.md and the runbooks state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rules.parts import CLOCK
from tests.packs.scenes import (
    ATTIC,
    DAY,
    DOME,
    HOUR,
    MINUTE,
    NAMES,
    PLATE,
    SICK,
    TARGETS,
    WELL,
    Base,
    Fired,
    Labels,
    Scene,
    Series,
    placed,
)

FINDING = "spinledger_disk_finding"
INFO = "spinledger_disk_info"
REACHED = "spinledger_disk_cycle_limit_reached_timestamp_seconds"
RECENT = "spinledger_disk_recent_cycles"
QUIET = "spinledger_disk_quiet_window"
LIFE = "spinledger_disk_rated_life"
FULL: Labels = {**SICK, **NAMES[SICK["disk"]]}
EVERY_CODE = (
    "absent",
    "capability_missing",
    "awake_in_quiet_hours",
    "never_slept",
    "not_sampled",
    "parks_heads_often",
    "probes_disturb",
    "probes_restart_timer",
    "regular_access",
    "retracts_rising",
    "sleep_does_not_pay",
    "spin_up_wait_lengthening",
    "state_unknown",
    "timer_differs",
    "timer_not_holding",
    "unobserved_cycles",
)


def _finding(
    alert: str, code: str, summary: str, *also: str, brief: bool = True, of_disk: bool = True
) -> Base:
    """An alert that carries a finding; with all other findings it stays silent."""

    def of(disk: Labels, one: str, value: float) -> Series:
        return Series(FINDING, {**disk, **NAMES[disk["disk"]], "code": one}, value)

    others = [one for one in EVERY_CODE if one not in (code, *also)]
    return Base(
        alert,
        [
            of(SICK, code, 1),
            of(WELL, code, 0),
            *(of(disk, one, 1) for disk in (SICK, WELL) for one in others),
        ],
        [Fired({**FULL, "code": code}, f"{PLATE} on INSTANCE {summary}")],
        brief=brief,
        of_disk=of_disk,
    )


FINDINGS = (
    _finding(
        "DiskAwakeInQuietHours",
        "awake_in_quiet_hours",
        "is awake in its quiet hours, although it is hardly used",
    ),
    _finding("DiskCyclesUnobserved", "unobserved_cycles", "spins up more often than is observed"),
    _finding(
        "DiskEmergencyRetracts",
        "retracts_rising",
        "retracts its heads in an emergency again and again",
    ),
    _finding("DiskStateUnknown", "state_unknown", "has had an unknown power state for an hour"),
    _finding("DiskSampleStale", "not_sampled", "has not been sampled for five minutes or longer"),
    _finding("DiskVanished", "absent", "is gone", brief=False, of_disk=False),
    _finding(
        "DiskNotPermitted",
        "capability_missing",
        "may not be probed: the kernel does not permit it",
    ),
    _finding(
        "DiskTimerNotHolding",
        "timer_not_holding",
        "no longer spins down when its standby timer is due",
    ),
    _finding(
        "DiskNeverSlept",
        "never_slept",
        "has never spun down, although it was idle far longer than its timer",
    ),
    _finding(
        "DiskTimerDiffers",
        "timer_differs",
        "spins down by another timer than the declared one",
    ),
    _finding(
        "DiskDisturbedByProbes",
        "probes_disturb",
        "is disturbed by probes (probes_disturb)",
        "probes_restart_timer",
        brief=False,
    ),
    _finding(
        "DiskDisturbedByProbes",
        "probes_restart_timer",
        "is disturbed by probes (probes_restart_timer)",
        "probes_disturb",
    ),
    _finding("DiskSleepDoesNotPay", "sleep_does_not_pay", "sleeps too briefly to save energy"),
    _finding(
        "DiskSpinUpWaitLengthening",
        "spin_up_wait_lengthening",
        "takes longer to spin up than it used to",
    ),
    _finding(
        "DiskParksHeadsOften",
        "parks_heads_often",
        "parks its heads too often without spinning down",
    ),
)


def _moved(base: Base, name: str, fires: bool, **changes: Mapping[str, object]) -> Scene:
    """The base at one target, with values of some series of the disk with the trouble changed."""
    series = [
        replace(one, **changes[one.name])  # type: ignore[arg-type]
        if one.name in changes and one.labels["disk"] == SICK["disk"]
        else one
        for one in base.at(ATTIC, {"end": 2 * HOUR})
    ]
    clock = Series(CLOCK, ATTIC, rises=True, end=2 * HOUR)
    return Scene(name, [*series, clock], {HOUR: base.fires(ATTIC) if fires else []})


def _reached(alert: str, window: str, counted: str, days: str) -> Base:
    """An alert on the cycle budget: a limit that was reached an hour ago, and one long ago."""
    plates = {"wake_group": "plates"}
    second = {"disk": "wwn-0x5000c500a1b2c3d5"}

    def of(disk: Labels, window: str, reached: float) -> Series:
        group = NAMES.get(disk["disk"], plates)["wake_group"]
        return Series(REACHED, {**disk, "wake_group": group, "window": window}, reached)

    windows = ("1h", "3h", "6h", "1d", "1d_early", "2d_early", "7d", "30d")
    others = [one for one in windows if one not in window.split("|")]
    return Base(
        alert,
        [
            # It lasts through all scenes; other windows say nothing here.
            *(of(SICK, one, 8 * HOUR) for one in window.split("|")),
            *(of(WELL, one, 8 * HOUR) for one in others),
            *(of(WELL, one, -7 * HOUR) for one in window.split("|")),
            of(second, window.split("|")[0], 8 * HOUR),
            *(
                Series(RECENT, {**disk, "window": one}, count if one == counted else 999)
                for disk, count in ((SICK, 55), (WELL, 70), (second, 54))
                for one in windows
            ),
        ],
        [Fired(plates, f"plates on INSTANCE {alert_words(alert)}: 55 spin-ups in the last {days}")],
    )


def alert_words(alert: str) -> str:
    """How the summary says it."""
    if alert == "DiskCyclesRunaway":
        return "spins up far too often"
    return "spins up more often than its budget allows"


def _held(base: Base, windows: Sequence[str], counted: str) -> Base:
    """Each window by itself; six hours after the last spin-up it ends, and not a minute before."""
    more = []
    for window, at in [*((window, 0.0) for window in windows), (windows[0], 0.5)]:
        series = [
            Series(REACHED, {**SICK, "wake_group": "plates", "window": window}, at, end=7 * HOUR),
            Series(RECENT, {**SICK, "window": counted}, 55, end=7 * HOUR),
            Series(CLOCK, {}, rises=True, end=7 * HOUR),
        ]
        every = [replace(one, labels={**ATTIC, **one.labels}) for one in series]
        fired = placed(base.fired, ATTIC)
        more.append(
            Scene(
                f"{window} alone, reached at {at:g} s",
                every,
                {
                    HOUR: fired,
                    359 * MINUTE: fired,
                    360 * MINUTE: fired if at else [],
                    361 * MINUTE: [],
                },
            )
        )
    return replace(base, more=more)


RUNAWAY = _held(
    _reached("DiskCyclesRunaway", "1h|3h|6h|1d", "1d", "day"), ("1h", "3h", "6h", "1d"), "1d"
)
BURNING = _held(
    _reached("DiskCycleBudgetBurning", "1d_early|2d_early|7d|30d", "30d", "30 days"),
    ("1d_early", "2d_early", "7d", "30d"),
    "30d",
)


def _info(disk: Labels) -> list[Series]:
    """An info series that was relabelled a moment ago: for some minutes there are two."""
    names = {**disk, **NAMES[disk["disk"]]}
    return [Series(INFO, {**names, "kernel_name": name}) for name in ("sdb", "sdc")]


def _nameless(one: Fired) -> Fired:
    if "model" not in one.labels:
        return one
    names = NAMES[one.labels["disk"]]
    return replace(
        one,
        labels={key: value for key, value in one.labels.items() if key not in names},
        summary=one.summary.replace(PLATE, one.labels["disk"]),
    )


def _without_names(base: Base) -> Base:
    """The same where the info series is lost: nothing ends, and the disk is named by its label."""
    scenes = [
        replace(
            scene,
            series=[one for one in scene.series if one.name != INFO],
            checks={at: list(map(_nameless, fired)) for at, fired in scene.checks.items()},
        )
        for scene in base.more
        if "names" not in scene.name
    ]
    return replace(
        base,
        series=[one for one in base.series if one.name != INFO],
        fired=list(map(_nameless, base.fired)),
        optional={
            metric: list(map(_nameless, fired))
            for metric, fired in base.optional.items()
            if metric != INFO
        },
        more=scenes,
    )


def _one_nameless(base: Base, change: Mapping[str, Mapping[str, object]]) -> Scene:
    """The healthy neighbour has the trouble as well, and its info series is lost."""
    end = 2 * HOUR
    series = [
        replace(one, **change.get(one.name, {}))  # type: ignore[arg-type]
        for one in base.at(ATTIC, {"end": end})
        if one.labels["disk"] == SICK["disk"] or one.name != INFO
    ]
    fired = placed(base.fired, ATTIC)
    other = [
        replace(
            one,
            labels={**one.labels, "disk": WELL["disk"]},
            summary=one.summary.replace(SICK["disk"], WELL["disk"]),
        )
        for one in map(_nameless, fired)
    ]
    return Scene(
        "two disks of a host, and the names of one are lost",
        [*series, Series(CLOCK, ATTIC, rises=True, end=end)],
        {HOUR: [*fired, *other]},
    )


def _slept() -> Base:
    def of(disk: Labels, asleep: float) -> list[Series]:
        return [
            Series(f"{QUIET}_asleep_ratio", disk, asleep),
            Series(f"{QUIET}_asleep_min_ratio", disk, 0.5),
            Series(f"{QUIET}_observed_ratio", disk, 0.9),
            Series(f"{QUIET}_end_timestamp_seconds", disk, -8 * HOUR),
            *_info(disk),
        ]

    fired = Fired(FULL, f"{PLATE} on INSTANCE slept for 12.5% of its last quiet hours")
    base = Base(
        "DiskSleptTooLittleInQuietHours",
        [*of(SICK, 0.125), *of(WELL, 0.4)],
        [fired],
        optional={INFO: [_nameless(fired)]},
    )
    ratio, end = f"{QUIET}_asleep_ratio", f"{QUIET}_end_timestamp_seconds"
    at_limit = replace(
        base, fired=[replace(fired, summary=fired.summary.replace("12.5%", "39.99%"))]
    )
    return replace(
        base,
        more=(
            _moved(at_limit, "just too little", True, **{ratio: {"value": 0.3999}}),
            _moved(base, "just enough: 0.5 + 0.9 - 1", False, **{ratio: {"value": 0.4001}}),
            _moved(base, "a window of 26 h ago", False, **{end: {"value": -25 * HOUR}}),
            _moved(base, "a window of nearly 26 h", True, **{end: {"value": -25 * HOUR + 0.5}}),
            _one_nameless(base, {ratio: {"value": 0.125}}),
        ),
    )


def _ends() -> Base:
    end, used = f"{LIFE}_end_timestamp_seconds", f"{LIFE}_used_ratio"
    load = {"kind": "load"}

    def of(disk: Labels, late: float) -> list[Series]:
        return [
            Series(end, {**disk, **load, "bound": "late"}, late),
            Series(end, {**disk, **load, "bound": "early"}, DAY),
            Series(f"{LIFE}_horizon_seconds", disk, 100 * DAY),
            Series(used, {**disk, "kind": "start_stop"}, 1.5),
            Series(used, {**disk, **load}, 0.995),
            *_info(disk),
        ]

    fired = Fired(
        {**FULL, **load, "bound": "late"},
        f"{PLATE} on INSTANCE will use up its rated load cycles within LEFT",
        30 * DAY,
    )
    base = Base(
        "DiskRatedLifeEndsTooSoon",
        [*of(SICK, 30 * DAY), *of(WELL, 300 * DAY)],
        [fired],
        optional={INFO: [_nameless(fired)], used: [fired]},
        of_disk=False,
    )

    def only(change: Mapping[str, object], metric: str, **labels: str) -> list[Series]:
        """One target, on which one series of the disk with the trouble is changed."""
        return [
            replace(one, **change)  # type: ignore[arg-type]
            if one.name == metric and {**SICK, **load, **labels}.items() <= one.labels.items()
            else one
            for one in base.at(ATTIC, {})
        ]

    limit = 100 * DAY + HOUR
    last = placed([replace(fired, ends=limit - 1)], ATTIC)
    return replace(
        base,
        more=(
            Scene("used up: that is another alert", only({"value": 1.0}, used), {HOUR: []}),
            Scene(
                "another disk, the same disk on another host, and that in another job are used up",
                [
                    replace(one, value=1.0)
                    if one.name == used and not {**ATTIC, **SICK}.items() <= one.labels.items()
                    else one
                    for target in TARGETS
                    for one in base.at(target, {})
                ],
                {HOUR: base.fires(ATTIC)},
            ),
            Scene(
                "used up, and then the count is missing",
                only({"value": 1.0, "end": HOUR}, used),
                {HOUR + 14 * MINUTE: [], HOUR + 17 * MINUTE: base.fires(ATTIC)},
            ),
            Scene(
                "a second before the horizon, and at it",
                [
                    *only({"value": limit - 1}, end, bound="late"),
                    *(
                        replace(one, labels={**one.labels, **DOME})
                        for one in only({"value": limit}, end, bound="late")
                    ),
                ],
                {HOUR: last},
            ),
            _one_nameless(base, {end: {"value": 30 * DAY}}),
        ),
    )


def _used_up() -> Base:
    def of(disk: Labels, load: float) -> list[Series]:
        return [
            Series(f"{LIFE}_used_ratio", {**disk, "kind": "load"}, load),
            Series(f"{LIFE}_used_ratio", {**disk, "kind": "start_stop"}, 0.995),
            *_info(disk),
        ]

    fired = Fired(
        {**FULL, "kind": "load"}, f"{PLATE} on INSTANCE has done 100% of its rated load cycles"
    )
    base = Base(
        "DiskRatedLifeUsedUp",
        [*of(SICK, 1.0), *of(WELL, 0.995)],
        [fired],
        optional={INFO: [_nameless(fired)]},
        of_disk=False,
    )
    both = replace(
        base,
        fired=[
            fired,
            Fired({**FULL, "kind": "start_stop"}, fired.summary.replace("load", "start_stop")),
        ],
    )
    return replace(base, more=[_one_nameless(both, {f"{LIFE}_used_ratio": {"value": 1.0}})])


DISKS: tuple[Base, ...] = (
    RUNAWAY,
    BURNING,
    *(made for base in (_slept(), _ends(), _used_up()) for made in (base, _without_names(base))),
    *FINDINGS,
)
