"""The conditions of findings: each judges one disk's facts and gives its evidence, or "".

Rules of this room: pure, and cheap, since all of them run at every tick: the usual case ends at
the first comparison. A fact that is not known is no evidence. Durations are given without a clock
time, since nothing here knows a time zone.
"""

from __future__ import annotations

from spinledger.facts import Awake, Facts, Restless
from spinledger.model import DAY, SECOND, Reason
from spinledger.whatif.energy import break_even_s, net_joules
from spinledger.words import duration, why

SILENCE_ENDS = 3.5
"""In timers: by this idle age the drive has not been probed for one and a half timers, so that our
probes cannot be what keeps it awake (sampler.silences)."""

LIGHT_SHARE = 0.5
"""Of a time without a pause: with more of it in light samples something accesses it on and on."""

PARKS_A_DAY = 240.0
"""Head loads a day worth a finding where no rating is known; common practice, no source."""

SLEEPS_ENOUGH = 12
EAGER_SLEEPS = 24
EAGER_SHARE = 0.7
"""Of that many sleeps this share is short where gaps are about as long as the timer; random
(Poisson) use with a mean gap of twice the timer does it in one window of 500 (binomial tail)."""

LENGTHENED = 1.5
LENGTHENED_S = 2.0
"""Spin-up waits count as lengthened from both, ratio and seconds; common practice, no source."""

NEW_NS = 14 * DAY
INITIALISING_SECTORS_S = (100.0, 40_000.0)
"""Lazy initialisation waits ten times as long as each group took to write (Linux 6.12
fs/ext4/ext4.h EXT4_DEF_LI_WAIT_MULT), so it writes at a tenth of the disk's pace at most: 50 kB/s
to 20 MB/s."""

KERNEL_INTERVALS: tuple[tuple[float, str], ...] = (
    (5.0, "5 s is the kernel's default for writing back dirty pages and for an ext4 journal"),
    (30.0, "30 s is the kernel's default for a btrfs commit, for xfs' log and for dirty pages"),
)
"""Linux 6.12: mm/page-writeback.c dirty_writeback_interval and dirty_expire_interval,
include/linux/jbd2.h JBD2_DEFAULT_MAX_COMMIT_AGE, fs/btrfs/fs.h BTRFS_DEFAULT_COMMIT_INTERVAL,
Documentation/admin-guide/xfs.rst fs.xfs.xfssyncd_centisecs."""

ROUNDED = 0.05
"""A drive may round its timer by this share; common practice, no source."""

DISTURBED_LASTS_NS = 7 * DAY
"""A single disturbance is reported for a week; one that ended the probes as long as that lasts."""


def against_sleep(facts: Facts) -> str:
    """Why this disk should not be made to sleep; "" when nothing speaks against it."""
    disk = facts.disk
    if disk.probe_method is None:
        return "a controller stands before it that may drop a member which is slow to spin up"
    if disk.transport == "sas" and not disk.allow_restart:
        return "the kernel is not allowed to start this SAS disk again (allow_restart is not 1)"
    if disk.pool and disk.timeout_s is None:
        return f"it is not known how long pool {disk.pool} waits for a disk that spins up"
    return ""


def probes_disturb(facts: Facts) -> str:
    """Our probes woke it, reset its link, or took far too long."""
    counts = facts.totals.disturbances
    kinds = {"woke": "spin-ups", "slow_answer": "slow answers", "link_reset": "link resets"}
    seen = [f"{name}: {counts[kind]}" for kind, name in kinds.items() if counts.get(kind)]
    since_ns = facts.sampled_wall_ns - (facts.disturbed_wall_ns or 0)
    if not seen or (since_ns > DISTURBED_LASTS_NS and not facts.probing_ended):
        return ""
    now = "it is no longer probed" if facts.probing_ended else "no probe until other I/O"
    near = facts.near_probes
    test = ""
    if near is not None:
        test = (
            f"; {near.near} of {near.wakes} within {near.within_ns // SECOND} s of probes at "
            f"random times, by chance with a probability of {near.chance:.1g}"
        )
    counted = ", ".join(seen)
    return f"after our probes, with no other I/O or command at the time: {counted}{test}; {now}"


def probes_restart_timer(facts: Facts) -> str:
    """Our probes restart its timer."""
    if not facts.timer_restarted:
        return ""
    return "asleep after a time without a probe, and awake for longer than that while probed"


def state_not_available(facts: Facts) -> str:
    """There is no probe for it."""
    return facts.disk.not_probed_because if facts.disk.probe_method is None else ""


def state_refused(facts: Facts) -> str:
    """It, or what stands before it, does not answer."""
    if not facts.probing_ended:
        return ""
    counts = facts.totals.failures
    lasting_kinds = (Reason.REJECTED, Reason.NO_REGISTERS)
    return "; ".join(f"{n} times: {why(r)}" for r in lasting_kinds if (n := counts.get(r, 0)))


def capability_missing(facts: Facts) -> str:
    """The kernel refused us, and no probe has succeeded since."""
    if facts.last_probe_ok:
        return ""
    count = facts.totals.failures.get(Reason.PERMISSION, 0)
    return f"refused by the kernel {count} times" if count else ""


def sectors_not_counted(facts: Facts) -> str:
    """The kernel counts no sectors."""
    return "" if facts.disk.iostats else "queue/iostats is 0"


def never_slept(facts: Facts) -> str:
    """Idle far beyond its declared timer, and never once in standby."""
    awake, declared_ns = facts.awake, facts.policy.declared_ns
    if awake is None or awake.slept or not declared_ns:
        return ""
    if not _outlasts(facts, awake, declared_ns):
        return ""
    return f"{_idle(awake)}, and was never in standby in {_words(awake.lasted_ns)}"


def timer_not_holding(facts: Facts) -> str:
    """It has slept by itself before, and now idles far beyond that time."""
    awake, timer_ns = facts.awake, _timer_ns(facts)
    if awake is None or not awake.slept or not timer_ns:
        return ""
    if not _outlasts(facts, awake, timer_ns):
        return ""
    since = (
        "since then nothing but a program or a setting seems to have changed"
        if awake.came_back_ns is None
        else f"it came back {_words(awake.came_back_ns)} ago (re-plug, resume, reboot or a restart "
        "of the exporter)"
    )
    return f"{_idle(awake)}; it last slept {_words(awake.lasted_ns)} ago; {since}"


def drift_ns(facts: Facts) -> int | None:
    """How much later it sleeps by itself than declared, nanoseconds; negative: earlier.

    0 within what sampling can resolve and a drive may round; None without a declared timer, or
    before two spin-downs agree. A timer declared as disabled is one of 0 s.
    """
    declared_ns, cadence = facts.policy.declared_ns, facts.policy.cadence
    if facts.learned is None or declared_ns is None:
        return None
    # Idle time runs from a sample that lies up to one interval behind the last sector.
    low, high = facts.learned.low_ns, facts.learned.high_ns + cadence.fast_ns
    slack = max(cadence.slow_ns, round(ROUNDED * declared_ns))
    if low - slack <= declared_ns <= high + slack:
        return 0
    return low - declared_ns if declared_ns < low else high - declared_ns


def timer_differs(facts: Facts) -> str:
    """It sleeps at another idle time than declared, or its own setting is another timer."""
    declared_ns = facts.policy.declared_ns
    if declared_ns is None:
        return ""
    declared_s = declared_ns / SECOND
    # A SCSI drive's timers have no switch; those of an ATA drive run while EPC is enabled.
    runs = facts.epc_enabled is not False
    own = facts.drive_timers_s.get("standby_z") if runs else None
    drift = drift_ns(facts)
    if drift is None and own is not None:
        drift = 0 if abs(own - declared_s) <= ROUNDED * declared_s else 1
    if not drift:
        return ""
    parts = [f"declared: {duration(declared_s) if declared_s else 'disabled'}"]
    if facts.learned is not None:
        low, high = (_words(bound) for bound in facts.learned)
        parts.append(f"it sleeps when idle for {high if low == high else f'{low} to {high}'}")
    if own is not None:
        parts.append(f"the drive's own setting: {duration(own) if own else 'disabled'}")
    return "; ".join(parts)


def wear_reads_restart_timer(facts: Facts) -> str:
    """It sleeps later where its counters were read."""
    effect = facts.reading_effect
    if effect is None or not effect.restarts:
        return ""
    return (
        f"{effect.later_s:.1f} s later after a reading than without, give or take "
        f"{2 * effect.error_s:.1f} s; {effect.read.spin_downs} spin-downs with a reading and "
        f"{effect.unread.spin_downs} without"
    )


def commands_keep_awake(facts: Facts) -> str:
    """Others' commands that move no sectors come at least once a timer, and it does not sleep."""
    awake, timer_ns = facts.awake, _timer_ns(facts)
    if awake is None or not timer_ns:
        return ""
    if awake.longest_idle_ns <= timer_ns + 2 * facts.policy.cadence.slow_ns:
        return ""
    if not _commanded(facts, awake, timer_ns):
        return ""
    return f"{_idle(awake)}; commands without sectors were seen {facts.bare_commands} times"


def _outlasts(facts: Facts, awake: Awake, timer_ns: int) -> bool:
    enough = SILENCE_ENDS * timer_ns + facts.policy.cadence.slow_ns
    return awake.longest_idle_ns > enough and not _commanded(facts, awake, timer_ns)


def _commanded(facts: Facts, awake: Awake, timer_ns: int) -> bool:
    count = facts.bare_commands
    return count >= 3 and count * timer_ns >= awake.lasted_ns


def _idle(awake: Awake) -> str:
    return f"it stayed idle for {_words(awake.longest_idle_ns)} at a stretch"


def _words(ns: int) -> str:
    return duration(ns / SECOND)


def regular_access(facts: Facts) -> str:
    """Accessed at one interval again and again, or a little in every sample for an hour."""
    if facts.policy.declared_ns == 0:
        return ""
    repeated, restless = facts.repeated, facts.restless
    if repeated is not None:
        period_s = repeated.period_ns / SECOND
        agreeing = f"{repeated.agreeing} of the last 24 times"
        return f"{how_accessed(facts)}, {agreeing}{_known(facts, period_s)}"
    if restless is None or _initialising(facts, restless):
        return ""
    light = restless.light_ns / restless.lasted_ns
    if light < LIGHT_SHARE:
        return ""
    fast_s = facts.policy.cadence.fast_ns / SECOND
    return (
        f"accessed in every sample for {_words(restless.lasted_ns)}, next to nothing moved in "
        f"{light:.0%} of them; so {how_accessed(facts)}{_known(facts, fast_s)}"
    )


def how_accessed(facts: Facts) -> str:
    """At which intervals a disk is accessed that `regular_access` is about; "" elsewhere."""
    if facts.repeated is not None:
        return f"accessed every {_words(facts.repeated.period_ns)}"
    if facts.restless is not None:
        return f"accessed at least every {_words(2 * facts.policy.cadence.fast_ns)}"
    return ""


def _known(facts: Facts, period_s: float) -> str:
    within = facts.policy.cadence.fast_ns / SECOND
    for interval_s, words in KERNEL_INTERVALS:
        if abs(period_s - interval_s) < within:
            return f"; {words}"
    return ""


def file_system_initialising(facts: Facts) -> str:
    """New here, and written to without a pause at a moderate pace."""
    restless = facts.restless
    if restless is None or not _initialising(facts, restless):
        return ""
    seconds = restless.lasted_ns / SECOND
    pace = restless.sectors_written / 2 / 1024 / seconds
    known = _words(_watched_ns(facts))
    return f"known for {known}; {pace:.2f} MiB/s written for {duration(seconds)}, next to no reads"


def _initialising(facts: Facts, restless: Restless) -> bool:
    written, moved = restless.sectors_written, restless.sectors_read + restless.sectors_written
    low, high = INITIALISING_SECTORS_S
    pace = written / (restless.lasted_ns / SECOND)
    return low <= pace <= high and written >= 0.99 * moved and _watched_ns(facts) <= NEW_NS


def _watched_ns(facts: Facts) -> int:
    return NEW_NS + 1 if facts.awake is None else facts.awake.watched_ns


def sleeps_too_eagerly(facts: Facts) -> str:
    """Most of its sleeps in waking hours end no later than one more timer; people wait."""
    sleeps = facts.sleeps
    if sleeps is None or sleeps.daytime < EAGER_SLEEPS:
        return ""
    if sleeps.daytime_short < EAGER_SHARE * sleeps.daytime:
        return ""
    if sleeps.daytime < facts.policy.waits_per_day * sleeps.span_ns / DAY:
        return ""
    where = "outside quiet hours" if facts.policy.quiet else "by day and night"
    return (
        f"{sleeps.daytime} sleeps {where} in {_words(sleeps.span_ns)}, {sleeps.daytime_short} of "
        "them no longer than its timer"
    )


def sleep_does_not_pay(facts: Facts) -> str:
    """The last sleeps cost more energy than they saved."""
    sleeps, policy = facts.sleeps, facts.policy
    if sleeps is None or sleeps.count < SLEEPS_ENOUGH:
        return ""
    net = net_joules(policy.watts, policy.spinup_j, sleeps.asleep_ns / SECOND, sleeps.count)
    if net >= 0:
        return ""
    gap = break_even_s(policy.watts, policy.spinup_j)
    pays = "no sleep pays at these watts" if gap is None else f"a sleep pays after {duration(gap)}"
    return f"the last {sleeps.count} sleeps, in {_words(sleeps.span_ns)}, lost {-net:.0f} J; {pays}"


def spin_up_wait_lengthening(facts: Facts) -> str:
    """Spin-ups take longer than they did."""
    waits = facts.wait_medians
    if waits is None:
        return ""
    if waits.last_s < LENGTHENED * waits.first_s or waits.last_s - waits.first_s < LENGTHENED_S:
        return ""
    return (
        f"the median of the last 20 waits is {waits.last_s:.1f} s, that of the first 20 was "
        f"{waits.first_s:.1f} s"
    )


def parks_heads_often(facts: Facts) -> str:
    """Heads load far more often than the motor starts, and more often than the rating allows."""
    parking = facts.parking
    if parking is None or parking.loads <= 10 * max(1, parking.starts):
        return ""
    days, rated = parking.lasted_ns / DAY, facts.policy.rated_load
    allowed = PARKS_A_DAY if rated is None else rated / (5 * 365.25)
    if parking.loads / days < allowed:
        return ""
    apm = f"; APM level {facts.apm_level}" if facts.apm_level else ""
    over = "" if rated is None else f"; {rated} rated, {allowed:.0f} a day over five years"
    return (
        f"{parking.loads / days:.0f} head loads a day, {parking.starts} motor starts in "
        f"{days:.0f} d{over}{apm}"
    )


def wear_readings_disagree(facts: Facts) -> str:
    """The cross-check by smartctl gives other figures than ours."""
    return "; ".join(
        f"{name}: {both.ours} by our commands, {both.cross_check} by smartctl"
        for name, both in facts.disagreements.items()
    )


def _timer_ns(facts: Facts) -> int:
    """The standby timer: declared, else learned from two spin-downs; 0: none."""
    return 0 if facts.policy.declared_ns == 0 else facts.timer_ns or 0
