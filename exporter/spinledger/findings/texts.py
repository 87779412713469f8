"""The table of findings: what each says, what to try, what that may cost, whom to ask first.

Rules: conditions are in `conditions` and `pools`; rows that compare with limits, or say that a disk
is not watched, are in `alarms`. No suggestion switches off what keeps
data safe without its caution saying what may be lost. Where `for_sleep` is set the suggestion helps
a disk to sleep, and is replaced where something speaks against that (`conditions.against_sleep`).
`innocent` are other explanations: each says what rules it out, or how the reader can.
"""

from __future__ import annotations

from spinledger.findings import conditions, limits, pools
from spinledger.findings.alarms import ALARMS
from spinledger.findings.rows import HOST, MAKER, MONITORING, PoolRow, Row, Words
from spinledger.model import Severity

_INSIDE = (
    "A background media scan, an offline test, or the clean-up of a shingled drive: each ends by "
    "itself, so check tomorrow whether this still holds",
)
_NOT_OUR_PROBES = (
    "Our probes keep it awake: ruled out, it was not probed for one and a half timers in that time"
)
_NO_COMMANDS = (
    "A guest or a tool sends it commands: ruled out, the kernel's request count did not change "
    "for most timers of that time"
)
TABLE: tuple[Row, ...] = (
    *ALARMS,
    Row(
        Words(
            "probes_disturb",
            "Probes for the power state seem to disturb this drive",
            "Set `watch: counters` for it; then its sleep is not observed, its I/O is",
            "A self-test or a background scan at that moment looks the same; see the maker's "
            "document",
            MAKER,
            (
                "Another program's command at that moment: ruled out, the kernel's request count "
                "rose by our own commands alone",
            ),
            severity=Severity.TICKET,
        ),
        conditions.probes_disturb,
    ),
    Row(
        Words(
            "probes_restart_timer",
            "A probe restarts this drive's standby timer",
            "Nothing needs to be done: it is probed less often than its timer now",
            "The idle time before its spin-downs is known only roughly from now on",
            MAKER,
            (
                "A longer timer than declared: ruled out once it sleeps again while it is not "
                "probed; if it does not, this finding is withdrawn",
            ),
            severity=Severity.TICKET,
        ),
        conditions.probes_restart_timer,
    ),
    Row(
        Words(
            "sleep_does_not_pay",
            "Sleep costs this disk more energy than it saves",
            "Use a longer timer (`spinledger replay` names one that pays), or none",
            "The watts and joules are estimates unless configured; a disk that never sleeps "
            "uses its idle watts day and night",
            "whoever pays for the power; check the configured watts",
            (
                "A day of unusual use: the last 64 sleeps of seven days at most are judged, so "
                "the finding ends with them",
            ),
            severity=Severity.TICKET,
        ),
        conditions.sleep_does_not_pay,
    ),
    Row(
        Words(
            "timer_not_holding",
            "This disk no longer spins down by itself, and did so before",
            "Set its standby timer again, and let that be done after each boot, resume and re-plug",
            "Many drives forget the timer without power. A shorter timer than before costs more "
            "spin-ups",
            MAKER,
            (_NOT_OUR_PROBES, _NO_COMMANDS, *_INSIDE),
            for_sleep=True,
            severity=Severity.TICKET,
        ),
        conditions.timer_not_holding,
        limits.slept_last,
    ),
    Row(
        Words(
            "spin_up_wait_lengthening",
            "This disk takes longer to spin up than it used to",
            "Back up what is on it, then test it; keep it spinning if it is needed today",
            "A long self-test takes hours and slows other requests",
            MAKER,
            (
                "Others of the pool spin up first: compare their waits; the figures are of this "
                "disk's own first request",
                "Cold: compare with the same season; the first 20 waits are the oldest on record",
            ),
            severity=Severity.TICKET,
        ),
        conditions.spin_up_wait_lengthening,
    ),
    Row(
        Words(
            "state_not_available",
            "The power state of this disk is not available: a controller stands before it",
            "Watch it by the controller's own tools; only its I/O is recorded here",
            "Do not set spin-down timers behind a RAID controller: it may drop a member that is "
            "slow to spin up",
            "the controller's document",
            (
                "A plain disk that was taken for a volume: the evidence names what it was taken "
                "for, and `spinledger check` shows the same",
            ),
        ),
        conditions.state_not_available,
    ),
    Row(
        Words(
            "state_refused",
            "This drive, or the bridge before it, does not answer the probe for its power state",
            "Attach it directly, or behind a bridge that passes ATA commands and their registers",
            "Its state stays unknown; unknown is not standby",
            "the bridge's document",
            (
                "It was busy or being reset: ruled out, it refused several times in a row, for "
                "reasons that last",
            ),
        ),
        conditions.state_refused,
    ),
    Row(
        Words(
            "capability_missing",
            "The kernel does not let us probe this drive",
            "Give the program the capability CAP_SYS_RAWIO; membership of group disk is not enough",
            "The capability allows far more than is used here; the list of commands sent is closed",
            HOST,
            (
                "The drive itself refuses: ruled out, the kernel refused before the drive was sent "
                "anything",
            ),
            severity=Severity.TICKET,
        ),
        conditions.capability_missing,
    ),
    Row(
        Words(
            "sectors_not_counted",
            "The kernel does not count this disk's sectors, so its I/O cannot be seen",
            "Write 1 to queue/iostats of this disk",
            "It costs a little time for each request",
            f"{HOST}: it may have been set for speed",
            ("A disk that is merely unused: ruled out, the kernel says that it does not count",),
        ),
        conditions.sectors_not_counted,
    ),
    Row(
        Words(
            "never_slept",
            "This disk has never slept, although it was idle far longer than its timer",
            "Check whether the timer was ever set: ATA has no command to read it; set it again",
            "A low APM level may override the timer or be the only one that acts; some drives do "
            "not sleep by themselves at all",
            MAKER,
            (
                _NOT_OUR_PROBES,
                "It is a hot spare that nothing uses: that would let it sleep all the sooner",
                _NO_COMMANDS,
                *_INSIDE,
            ),
            for_sleep=True,
            severity=Severity.TICKET,
        ),
        conditions.never_slept,
        limits.slept_last,
    ),
    Row(
        Words(
            "timer_differs",
            "This disk's standby timer is not the declared one",
            "Declare the timer that it has, or set it anew: a legacy ATA timer cannot be read, so "
            "only its sleep shows it",
            "Until then quiet hours and figures rest on a wrong timer. A shorter timer than "
            "before costs more spin-ups",
            MAKER,
            (
                "A program on this host that puts disks to sleep: stop it for an evening and check "
                "again",
                "APM below 128 lets the drive sleep by its own choice: compare its level; of timer "
                "and APM whichever comes first acts",
            ),
            severity=Severity.TICKET,
        ),
        conditions.timer_differs,
    ),
    Row(
        Words(
            "wear_reads_restart_timer",
            "Reading this drive's counters restarts its standby timer",
            "Nothing needs to be done about our readings: they come while it is in use and cost "
            "one sample interval at most. Let other programs read its health less often than its "
            "timer",
            "Health readings come later then; do not stop them altogether: they warn of failure",
            MONITORING,
            ("Chance: ruled out, the difference is beyond three standard errors",),
        ),
        conditions.wear_reads_restart_timer,
    ),
    Row(
        Words(
            "commands_keep_awake",
            "Commands that move no sectors keep reaching this disk, and it does not sleep",
            "Find the tool that reads its temperature or health, and let it leave the disk alone "
            "while it is idle, or read less often than the timer",
            "Health readings come later then; do not stop them altogether: they warn of failure",
            MONITORING,
            (
                "The disk is passed to a guest, which manages it by itself: then its state here "
                "says little; set `watch: counters`",
                "An offline test whose progress is read: it ends by itself",
                "Our own probes: ruled out, they are not counted among these",
            ),
            for_sleep=True,
        ),
        conditions.commands_keep_awake,
        limits.slept_last,
    ),
    Row(
        Words(
            "regular_access",
            "This disk is accessed at fixed intervals",
            "Record which program uses it: `spinledger capture --for 10m`; then move "
            "what it uses off the disk, or mount a file system that commits with a longer interval",
            "What was written within the interval is lost at a power cut, so a longer one may "
            "lose more; a journal itself should stay on",
            "whoever keeps data on it",
            (
                "A scrub or a rebuild: ruled out, those move far more sectors or keep no interval",
                "A new file system that still initialises its tables: recognised by its pace",
            ),
            for_sleep=True,
        ),
        conditions.regular_access,
    ),
    Row(
        Words(
            "file_system_initialising",
            "This disk is new here and written to without a pause: a new file system may still be "
            "initialising its tables",
            "Let it finish: it sleeps afterwards. A kernel thread named ext4lazyinit confirms it",
            "Nothing is lost by waiting",
            "whoever made the file system",
            (
                "A copy or a rebuild onto the disk: it writes faster than that as a rule; check "
                "what runs",
                "The clean-up of a shingled drive: ruled out, that moves no sectors here",
            ),
        ),
        conditions.file_system_initialising,
    ),
    Row(
        Words(
            "sleeps_too_eagerly",
            "This disk falls asleep just before it is needed, and people wait for it",
            "Use a longer timer by day: `spinledger replay` shows waits and spin-ups for each",
            "It sleeps less then, and uses more power",
            "whoever works with the disk by day",
            (
                "A backup that comes in parts: `spinledger replay` shows at which hours the waits "
                "fall",
                "A scrub or an offline test: ruled out, neither lets the disk sleep in between",
            ),
        ),
        conditions.sleeps_too_eagerly,
    ),
    Row(
        Words(
            "parks_heads_often",
            "This disk often parks its heads without a spin-down; each return is a load cycle",
            "Try a higher APM level or a longer idle_b timer, and check again after a day",
            "It gets a little warmer and uses a little more power; heads that are not parked are "
            "less safe in a machine that is carried about",
            MAKER,
            (
                "Spin-downs, each of which is a load cycle too: ruled out, the motor started far "
                "less often",
                "A drive rated for more than is configured: configure its rating",
            ),
            severity=Severity.TICKET,
        ),
        conditions.parks_heads_often,
    ),
    Row(
        Words(
            "wear_readings_disagree",
            "Our reading of this drive's counters and the cross-check by smartctl differ",
            "Compare both figures with the drive maker's own tool; ours is shown until then",
            "Until then a share of a rating, or a date, may rest on a figure that is wrong",
            MAKER,
            (
                "Another program's reading in between: ruled out, the two follow each other within "
                "a minute",
                "One of them knows how this family packs its figures and the other does not: "
                "compare them again after some days, since hours rise with the clock",
            ),
        ),
        conditions.wear_readings_disagree,
    ),
)

POOL_TABLE: tuple[PoolRow, ...] = (
    PoolRow(
        Words(
            "member_keeps_pool_awake",
            "One member keeps its pool awake: the others sleep, this one does not",
            "Find what accesses this member alone: another partition of it (swap, logs, boot), or "
            "a timer or APM level unlike those of the other members",
            "Moving a partition off a disk needs a copy of it first, and a way back",
            MAKER,
            (
                "The others are hot spares: ruled out, they spun up in the last seven days",
                "A scrub or rebuild on this member: ruled out, it was mostly idle",
                *_INSIDE,
            ),
            for_sleep=True,
        ),
        pools.member_keeps_pool_awake,
    ),
)
