"""The conditions of findings: each looks at one disk's view and gives its evidence, or "".

Rules of this room: pure, and cheap, since all of them run at every tick: the usual case ends at
the first comparison. A fact that is not in the view is no evidence. Durations are told without a
clock time, since nothing here knows a time zone.
"""

from __future__ import annotations

from collections.abc import Mapping

from spinledger.model import SECOND, DiskView, Labels, Number, Reason
from spinledger.whatif.energy import break_even_s, net_joules

SILENCE_ENDS = 3.5
"""In timers: by this idle age the drive has been left unasked for one and a half timers, so that
our questions cannot be what keeps it awake (sampler.silences)."""

LIGHT_SHARE = 0.5
"""Of a restless time: with more of it in light samples something keeps tapping the disk."""

PARKS_A_DAY = 240.0
"""Head loads a day worth a word where no rating is known; common practice, no source."""

NAPS_ENOUGH = 12
EAGER_NAPS = 24
EAGER_SHARE = 0.7
"""Of that many sleeps this share is short where gaps are about as long as the timer; random
(Poisson) use with a mean gap of twice the timer does it in one window of 500 (binomial tail)."""

WAITS_A_DAY = 5.0
"""Waits in waking hours that people bear; the default of what_if.waits_per_day."""

LENGTHENED = 1.5
LENGTHENED_S = 2.0
"""Spin-up waits count as lengthened from both, ratio and seconds; common practice, no source."""

NEW_S = 14 * 86400.0
INITIALISING_SECTORS_S = (100.0, 40_000.0)
"""Lazy initialisation waits ten times as long as each group took to write (Linux 6.12
fs/ext4/ext4.h EXT4_DEF_LI_WAIT_MULT), so it writes at a tenth of the disk's pace at most: 50 kB/s
to 20 MB/s."""

KERNEL_BEATS: tuple[tuple[float, str], ...] = (
    (5.0, "5 s is the kernel's default for writing back dirty pages and for an ext4 journal"),
    (30.0, "30 s is the kernel's default for a btrfs commit, for xfs' log and for dirty pages"),
)
"""Linux 6.12: mm/page-writeback.c dirty_writeback_interval and dirty_expire_interval,
include/linux/jbd2.h JBD2_DEFAULT_MAX_COMMIT_AGE, fs/btrfs/fs.h BTRFS_DEFAULT_COMMIT_INTERVAL,
Documentation/admin-guide/xfs.rst fs.xfs.xfssyncd_centisecs."""

ROUNDED = 0.05
"""A drive may round its timer by this share; common practice, no source."""

_NONE: Mapping[Labels, Number] = {}
_ENABLED: Mapping[Labels, Number] = {(): 1}  # a SCSI drive's timers have no such switch


def lasting(seconds: float) -> str:
    """A duration for a person: 45 s, 12 min, 3 h 5 min, 4 d 2 h."""
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def against_sleep(view: DiskView) -> str:
    """Why this disk should not be made to sleep; "" when nothing speaks against it."""
    disk = view.disk
    if disk.probe_method is None:
        return "a controller stands before it that may drop a member which is slow to spin up"
    if disk.transport == "sas" and not disk.allow_restart:
        return "the kernel is not allowed to start this SAS disk again (allow_restart is not 1)"
    if disk.pool and disk.timeout_s is None:
        return f"it is not known how long pool {disk.pool} waits for a disk that spins up"
    return ""


DISTURBED_LASTS_S = 7 * 86_400
"""A single disturbance is told for a week; one that ended the questions for as long as it does."""


def disturbs(view: DiskView) -> str:
    """Our questions woke it, reset its link, or took far too long."""
    counts = view.samples.get("probe_disturbances", _NONE)
    given = [
        f"{kind} {count}"
        for kind in ("woke", "slow_answer", "link_reset")
        if (count := counts.get((kind,), 0))
    ]
    last = _one(view, "last_sample") - _one(view, "disturbed")
    if not given or (last > DISTURBED_LASTS_S and not _one(view, "probe_given_up")):
        return ""
    peace = "; no longer asked" if _one(view, "probe_given_up") else "; silent until other I/O"
    listed = ", ".join(given)
    return f"disturbances: {listed}, with no other I/O or command at the time{peace}"


def restarts(view: DiskView) -> str:
    """Our questions restart its timer."""
    if not _one(view, "restarter"):
        return ""
    return "awake through twice its timer while asked, asleep after one and a half without"


def unasked(view: DiskView) -> str:
    """There is no question for it."""
    return view.disk.not_probed_because if view.disk.probe_method is None else ""


def refused(view: DiskView) -> str:
    """It, or what stands before it, does not answer."""
    if not _one(view, "probe_given_up"):
        return ""
    counts = view.samples.get("probe_failures", _NONE)
    lasting_kinds = (Reason.REJECTED, Reason.NO_REGISTERS)
    return ", ".join(f"{r} {n}" for r in lasting_kinds if (n := counts.get((r.value,), 0)))


def forbidden(view: DiskView) -> str:
    """The kernel refused us."""
    count = view.samples.get("probe_failures", _NONE).get((Reason.PERMISSION.value,), 0)
    return f"refused by the kernel: {count}" if count else ""


def uncounted(view: DiskView) -> str:
    """The kernel counts no sectors."""
    return "" if view.disk.iostats else "queue/iostats is 0"


def never_slept(view: DiskView) -> str:
    """Idle far beyond its declared timer, and never once in standby."""
    awake = view.samples.get("awake", _NONE)
    if awake.get(("slept",), 1) or not view.policy.declared_ns:
        return ""
    if not _outlasts(view, awake, view.policy.declared_ns / SECOND):
        return ""
    return f"{_idle(awake)}, and was never in standby in {lasting(awake[('seconds',)])}"


def timer_not_holding(view: DiskView) -> str:
    """It has slept by itself before, and now idles far beyond that time."""
    awake = view.samples.get("awake", _NONE)
    if not awake.get(("slept",), 0):
        return ""
    timer = _timer(view)
    if not timer or not _outlasts(view, awake, timer):
        return ""
    upset = awake.get(("upset_seconds",))
    since = (
        "nothing but a program or a setting seems to have changed since then"
        if upset is None
        else f"it came back {lasting(upset)} ago (re-plug, resume, reboot or our own restart)"
    )
    return f"{_idle(awake)}; it last slept {lasting(awake[('seconds',)])} ago; {since}"


def drift_s(view: DiskView) -> float | None:
    """How much later it sleeps by itself than declared, seconds; negative: earlier.

    0 within what sampling can tell and a drive may round; None without a declared timer, or before
    two spin-downs agree. A timer declared as disabled is one of 0 s.
    """
    learned = view.samples.get("learned_timer", _NONE)
    if not learned or view.policy.declared_ns is None:
        return None
    declared, cadence = view.policy.declared_ns / SECOND, view.policy.cadence
    # Idle time runs from a sample that lies up to one interval behind the last sector.
    low, high = learned[("low_seconds",)], learned[("high_seconds",)] + cadence.fast_ns / SECOND
    slack = max(cadence.slow_ns / SECOND, ROUNDED * declared)
    if low - slack <= declared <= high + slack:
        return 0.0
    return low - declared if declared < low else high - declared


def differs(view: DiskView) -> str:
    """It sleeps at another idle time than declared, or its own record names another timer."""
    if view.policy.declared_ns is None:
        return ""
    declared = view.policy.declared_ns / SECOND
    given = view.samples.get("power_timer_seconds", _NONE)
    own = given.get(("standby_z",)) if view.samples.get("epc_enabled", _ENABLED).get(()) else None
    record = "" if own is None else f"; its own record says {_timer_text(own)}"
    drift = drift_s(view)
    if drift is None and own is not None:
        drift = own - declared if abs(own - declared) > ROUNDED * declared else 0.0
    if not drift:
        return ""
    seen = ""
    if learned := view.samples.get("learned_timer", _NONE):
        low, high = (lasting(learned[(name,)]) for name in ("low_seconds", "high_seconds"))
        idle = high if low == high else f"{low} to {high}"
        seen = f"; it sleeps when idle for about {idle}, twice in a row"
    return f"declared as {lasting(declared) if declared else 'disabled'}{seen}{record}"


def _timer_text(seconds: Number) -> str:
    return lasting(seconds) if seconds else "disabled"


def read_restarts(view: DiskView) -> str:
    """It sleeps later where its own counters were read."""
    slept = view.samples.get("slept_after", _NONE)
    if not slept.get(("restarts",), 0):
        return ""
    later = slept[("later_seconds",)]
    read, unread = slept[("reading_count",)], slept[("none_count",)]
    return (
        f"{later:.1f} s later after a reading than without, give or take "
        f"{2 * slept[('error_seconds',)]:.1f} s; {read} and {unread} spin-downs"
    )


def commanded(view: DiskView) -> str:
    """Others' commands that move no sectors come at least once a timer, and it does not sleep."""
    awake = view.samples.get("awake", _NONE)
    timer = _timer(view)
    slack = 2 * view.policy.cadence.slow_ns / SECOND
    if not timer or awake.get(("longest_idle_seconds",), 0) <= timer + slack:
        return ""
    if not _spoken_to(view, awake, timer):
        return ""
    return f"{_idle(awake)}; commands without sectors were seen {_one(view, 'signals')} times"


def _outlasts(view: DiskView, awake: Mapping[Labels, Number], timer: float) -> bool:
    slack = view.policy.cadence.slow_ns / SECOND
    idle = awake[("longest_idle_seconds",)]
    return idle > SILENCE_ENDS * timer + slack and not _spoken_to(view, awake, timer)


def _spoken_to(view: DiskView, awake: Mapping[Labels, Number], timer: float) -> bool:
    count = _one(view, "signals")
    return count >= 3 and count * timer >= awake[("seconds",)]


def _idle(awake: Mapping[Labels, Number]) -> str:
    return f"it stayed idle for {lasting(awake[('longest_idle_seconds',)])} at a stretch"


def regular_access(view: DiskView) -> str:
    """Touched at one interval again and again, or a little in every sample for an hour."""
    if view.policy.declared_ns == 0:
        return ""
    beat = view.samples.get("beat", _NONE)
    if beat:
        period, kept = beat[("seconds",)], beat[("agreeing",)]
        return f"touched every {lasting(period)}, {kept} of the last 24 times{_known(view, period)}"
    restless = view.samples.get("restless", _NONE)
    if not restless or _initialising(view, restless):
        return ""
    seconds, light = restless[("seconds",)], restless[("light_seconds",)]
    if light < LIGHT_SHARE * seconds:
        return ""
    fast = view.policy.cadence.fast_ns / SECOND
    given = f"touched in every sample for {lasting(seconds)}, lightly in {light / seconds:.0%}"
    return f"{given}, so at least every {lasting(2 * fast)}{_known(view, fast)}"


def _known(view: DiskView, period: float) -> str:
    within = view.policy.cadence.fast_ns / SECOND
    for beat, words in KERNEL_BEATS:
        if abs(period - beat) < within:
            return f"; {words}"
    return ""


def _moved(restless: Mapping[Labels, Number]) -> Number:
    return restless[("sectors_read",)] + restless[("sectors_written",)]


def initialising(view: DiskView) -> str:
    """New here, and written to without a pause at a moderate pace."""
    restless = view.samples.get("restless", _NONE)
    if not restless or not _initialising(view, restless):
        return ""
    seconds = restless[("seconds",)]
    pace = restless[("sectors_written",)] / 2 / 1024 / seconds
    known = lasting(_known_for(view))
    return f"known for {known}; {pace:.2f} MiB/s written for {lasting(seconds)}, next to no reads"


def _initialising(view: DiskView, restless: Mapping[Labels, Number]) -> bool:
    written = restless[("sectors_written",)]
    low, high = INITIALISING_SECTORS_S
    pace = written / restless[("seconds",)]
    return low <= pace <= high and written >= 0.99 * _moved(restless) and _known_for(view) <= NEW_S


def _known_for(view: DiskView) -> float:
    return view.samples.get("awake", _NONE).get(("watched_seconds",), NEW_S + 1)


def too_eager(view: DiskView) -> str:
    """Most of its sleeps in waking hours end no later than one more timer; people wait."""
    naps = view.samples.get("naps", _NONE)
    daytime = naps.get(("daytime",), 0)
    if daytime < EAGER_NAPS or naps[("daytime_short",)] < EAGER_SHARE * daytime:
        return ""
    days = naps[("span_seconds",)] / 86400
    if daytime < WAITS_A_DAY * days:
        return ""
    where = "outside quiet hours" if view.policy.quiet else "by day and night"
    return (
        f"{daytime} sleeps {where} in {lasting(naps[('span_seconds',)])}, "
        f"{naps[('daytime_short',)]} of them no longer than its timer"
    )


def does_not_pay(view: DiskView) -> str:
    """The last sleeps cost more energy than they saved."""
    naps = view.samples.get("naps", _NONE)
    count = naps.get(("count",), 0)
    if count < NAPS_ENOUGH:
        return ""
    policy = view.policy
    net = net_joules(policy.watts, policy.spinup_j, naps[("asleep_seconds",)], count)
    if net >= 0:
        return ""
    gap = break_even_s(policy.watts, policy.spinup_j)
    pays = "no sleep pays at these watts" if gap is None else f"a sleep pays after {lasting(gap)}"
    return (
        f"the last {count} sleeps, in {lasting(naps[('span_seconds',)])}, lost {-net:.0f} J; {pays}"
    )


def spin_up_wait_lengthening(view: DiskView) -> str:
    """Spin-ups take longer than they did."""
    waits = view.samples.get("wait_median_seconds", _NONE)
    if not waits:
        return ""
    first, last = waits[("first",)], waits[("last",)]
    if last < LENGTHENED * first or last - first < LENGTHENED_S:
        return ""
    return (
        f"the median of the last 20 waits is {last:.1f} s, that of the first 20 was {first:.1f} s"
    )


def parks_heads(view: DiskView) -> str:
    """Heads load far more often than the motor starts, and more often than a rating bears."""
    parking = view.samples.get("parking", _NONE)
    if not parking:
        return ""
    loads, starts = parking[("loads",)], parking[("starts",)]
    if loads <= 10 * max(1, starts):
        return ""
    days = parking[("seconds",)] / 86400
    rated = view.policy.rated_load
    bearable = PARKS_A_DAY if rated is None else rated / (5 * 365.25)
    if loads / days < bearable:
        return ""
    level = _one(view, "apm_level")
    apm = f"; APM level {level}" if level else ""
    over = "" if rated is None else f"; {rated} rated, {bearable:.0f} a day over five years"
    return f"{loads / days:.0f} head loads a day, {starts} motor starts in {days:.0f} d{over}{apm}"


def _one(view: DiskView, key: str) -> Number:
    return view.samples.get(key, _NONE).get((), 0)


def _timer(view: DiskView) -> float:
    """The timer to reckon with, in seconds: declared, else learned from two spin-downs; 0: none."""
    return 0 if view.policy.declared_ns == 0 else _one(view, "timer_seconds")


def wear_readings_disagree(view: DiskView) -> str:
    """The second reader's figures are not ours."""
    doubts = view.samples.get("doubts", _NONE)
    names = dict.fromkeys(name for name, _ in doubts)
    return "; ".join(
        f"{name} {doubts[(name, 'ours')]} by our commands, {doubts[(name, 'second')]} by smartctl"
        for name in names
    )
