"""The table of findings: what each says, what to try, what that may cost, whom to ask first.

Rules: a row is data; its condition is a function of one disk's view (`evidence`) or, in
`POOL_TABLE`, of all views of a pool (`pools`). No suggestion switches off what keeps data safe
without its caution saying what may be lost. Where `for_sleep` is set the suggestion helps a disk to
sleep, and is replaced where something speaks against that (`conditions.against_sleep`). `innocent`
are other explanations: each says what rules it out, or how the reader can.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spinledger.findings import conditions, pools
from spinledger.model import DiskView

MAKER = "the drive maker's document"


@dataclass(frozen=True, slots=True)
class Words:
    """What a finding says."""

    code: str
    sentence: str
    suggestion: str
    caution: str
    ask_first: str
    innocent: tuple[str, ...]
    for_sleep: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One finding about one disk."""

    words: Words
    evidence: Callable[[DiskView], str]  # "" while it does not hold

    @property
    def code(self) -> str:
        """The label value."""
        return self.words.code


@dataclass(frozen=True, slots=True)
class PoolRow:
    """One finding about the disks of a pool."""

    words: Words
    evidence: Callable[[Sequence[DiskView]], dict[str, str]]  # identity -> evidence

    @property
    def code(self) -> str:
        """The label value."""
        return self.words.code


_INSIDE = (
    "A background media scan, an offline test, or the clean-up of a shingled drive: each ends by "
    "itself, so look whether this still holds tomorrow",
)
TABLE: tuple[Row, ...] = (
    Row(
        Words(
            "probes_disturb",
            "Asking this drive for its power state seems to disturb it",
            "Set `watch: counters` for it; its sleep is then not seen, its I/O is",
            "A self-test or a background scan at that moment looks the same; see the maker's "
            "document",
            MAKER,
            (
                "Another program's command at that moment: ruled out, the kernel's request count "
                "moved by our own alone",
            ),
        ),
        conditions.disturbs,
    ),
    Row(
        Words(
            "probes_restart_timer",
            "A question restarts this drive's standby timer",
            "Nothing needs doing: it is asked less often than its timer now",
            "The idle time before its spin-downs is known only roughly from now on",
            MAKER,
            (
                "A longer timer than declared: ruled out once it sleeps again in a silence; if it "
                "does not, this is taken back",
            ),
        ),
        conditions.restarts,
    ),
    Row(
        Words(
            "sleep_does_not_pay",
            "Sleeping costs this disk more energy than it saves",
            "Use a longer timer: `spinledger replay` names one that pays; or none at all",
            "The watts and joules are estimates unless configured; a disk that never sleeps "
            "spends its idle watts day and night",
            "whoever pays the power, and the configured watts",
            (
                "A day of unusual use: it is judged by the last 64 sleeps of seven days at most, "
                "and vanishes with them",
            ),
        ),
        conditions.does_not_pay,
    ),
    Row(
        Words(
            "timer_not_holding",
            "This disk has slept by itself before and does so no more",
            "Set its standby timer again, and have that done after each boot, resume and re-plug",
            "Many drives forget the timer without power. A shorter timer than before costs more "
            "spin-ups",
            MAKER,
            (
                "Our questions keep it awake: ruled out, it was left unasked for one and a half "
                "timers in that time",
                "A guest or a tool sends it commands: ruled out, the kernel's request count stood "
                "still for most timers of that time",
                *_INSIDE,
            ),
            for_sleep=True,
        ),
        conditions.timer_not_holding,
    ),
    Row(
        Words(
            "spin_up_wait_lengthening",
            "This disk takes longer to spin up than it used to",
            "Back up what is on it, then test it; let it run through if it must serve today",
            "A long self-test takes hours and slows other requests",
            MAKER,
            (
                "Others of the pool wake first: compare their waits; the figures are this disk's "
                "own first request",
                "Cold: compare with the same season; the first 20 waits are those of the ledger's "
                "beginning",
            ),
        ),
        conditions.spin_up_wait_lengthening,
    ),
    Row(
        Words(
            "state_not_available",
            "This disk's power state cannot be asked for",
            "Watch it through the controller's own tools; only its I/O is counted here",
            "Do not set spin-down timers behind a RAID controller: it may drop a slow member",
            "the controller's document",
            (
                "A plain disk that was taken for a volume: the evidence names what it was taken "
                "for; `spinledger check` tells the same",
            ),
        ),
        conditions.unasked,
    ),
    Row(
        Words(
            "state_refused",
            "This drive, or the bridge before it, does not answer the power state question",
            "Attach it directly, or behind a bridge that passes ATA commands and their registers",
            "Its state stays unknown; unknown is not standby",
            "the bridge's document",
            (
                "It was busy or being reset: ruled out, it refused several times in a row, for "
                "reasons that last",
            ),
        ),
        conditions.refused,
    ),
    Row(
        Words(
            "capability_missing",
            "The kernel does not let us ask this drive",
            "Give the program the capability CAP_SYS_RAWIO; membership of group disk is not enough",
            "The capability allows far more than is used here; the list of commands sent is closed",
            "whoever administers this host",
            ("The drive itself refuses: ruled out, the kernel said no before it was asked",),
        ),
        conditions.forbidden,
    ),
    Row(
        Words(
            "sectors_not_counted",
            "The kernel does not count this disk's sectors, so its I/O cannot be seen",
            "Write 1 to queue/iostats of this disk",
            "Costs a little time for each request",
            "whoever administers this host: it may have been set for speed",
            ("A disk that is merely unused: ruled out, the kernel says that it does not count",),
        ),
        conditions.uncounted,
    ),
    Row(
        Words(
            "never_slept",
            "This disk has never slept, although it was idle far longer than its timer",
            "See whether the timer was ever set: ATA has no command to read it back; set it again",
            "A low APM level may override the timer or be the only one that acts; some drives do "
            "not sleep by themselves at all",
            MAKER,
            (
                "Our questions keep it awake: ruled out, it was left unasked for one and a half "
                "timers in that time",
                "It is a hot spare that no one touches: that would let it sleep all the sooner",
                "A guest or a tool sends it commands: ruled out, the kernel's request count stood "
                "still for most timers of that time",
                *_INSIDE,
            ),
            for_sleep=True,
        ),
        conditions.never_slept,
    ),
    Row(
        Words(
            "timer_differs",
            "This disk's standby timer is not the one declared",
            "Declare the timer that it has, or set it anew: a legacy ATA timer cannot be read "
            "back, so only its sleep tells",
            "Until then quiet hours and figures rest on a wrong timer. A shorter timer than "
            "before costs more spin-ups",
            MAKER,
            (
                "A program on this host that puts disks to sleep: stop it for an evening and look "
                "again",
                "APM below 128 lets the drive sleep by its own choice: compare its level; of timer "
                "and APM whichever comes first acts",
            ),
        ),
        conditions.differs,
    ),
    Row(
        Words(
            "wear_reads_restart_timer",
            "Reading this drive's own counters restarts its standby timer",
            "Nothing needs doing for our readings: they come while it is in use and cost one "
            "sample interval at most. Let other programs read its health less often than its timer",
            "Health readings come later then; do not stop them altogether: they warn of failure",
            "whoever runs the monitoring of this host",
            ("Chance: ruled out, the difference is beyond three standard errors",),
        ),
        conditions.read_restarts,
    ),
    Row(
        Words(
            "commands_keep_awake",
            "Commands that move no sectors keep reaching this disk, and it does not sleep",
            "Find the tool that reads its temperature or health, and have it leave the disk alone "
            "while it is idle; or ask less often than the timer",
            "Health readings come later then; do not stop them altogether: they warn of failure",
            "whoever runs the monitoring of this host",
            (
                "The disk is handed to a guest, which sees to it by itself: then its state here "
                "says little; set `watch: counters`",
                "An offline test that is polled for its progress: it ends by itself",
                "Our own questions: ruled out, they are not counted among these",
            ),
            for_sleep=True,
        ),
        conditions.commanded,
    ),
    Row(
        Words(
            "regular_access",
            "This disk is touched at a regular beat",
            "Find who does it, and move that off the disk; where it is a file system's commit, "
            "mount with a longer interval",
            "What was written within the interval is lost at a power cut, so a longer one may "
            "lose more; a journal itself should stay on",
            "whoever keeps data on it",
            (
                "A scrub or a rebuild: ruled out, those move far more sectors or keep no beat",
                "A newly made file system that still initialises: told apart by its pace",
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
                "A copy or a rebuild onto the disk: it writes faster than that as a rule; look at "
                "what runs",
                "The clean-up of a shingled drive: ruled out, that moves no sectors here",
            ),
        ),
        conditions.initialising,
    ),
    Row(
        Words(
            "sleeps_too_eagerly",
            "This disk falls asleep just before it is needed, and people wait for it",
            "Use a longer timer by day: `spinledger replay` shows waits and cycles for each",
            "It sleeps less then, and uses more power",
            "whoever works with the disk by day",
            (
                "A backup that comes in parts: see when the waits fall, in `spinledger replay`",
                "A scrub or an offline test: ruled out, neither lets the disk sleep in between",
            ),
        ),
        conditions.too_eager,
    ),
    Row(
        Words(
            "parks_heads_often",
            "This disk often parks its heads without spinning down; each return is a load cycle",
            "Try a higher APM level or a longer idle_b timer, and look again after a day",
            "It runs a little warmer and uses a little more power; heads not parked are less safe "
            "in a machine that is carried about",
            MAKER,
            (
                "Spin-downs, each of which is a load cycle too: ruled out, the motor started far "
                "less often",
                "A drive rated for more than is configured: give its rating",
            ),
        ),
        conditions.parks_heads,
    ),
    Row(
        Words(
            "wear_readings_disagree",
            "Two ways of reading this drive's own counters do not agree",
            "Compare both figures with the drive maker's own tool; ours is shown until then",
            "Until then a share of a rating, or a date, may rest on a figure that is wrong",
            MAKER,
            (
                "Another program's reading in between: ruled out, the two follow each other within "
                "a minute",
                "One of them knows how this family packs its figures and the other does not: which "
                "is right shows over some days, since hours go by the clock",
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
            "Find what touches this member alone: another partition of it (swap, logs, boot), or "
            "a timer or APM level unlike its brothers'",
            "Moving a partition off a disk means a copy of it first, and a way back",
            MAKER,
            (
                "The others are hot spares: ruled out, they woke in the last seven days",
                "A scrub or rebuild on this member: ruled out, it was mostly idle",
                *_INSIDE,
            ),
            for_sleep=True,
        ),
        pools.keeps_awake,
    ),
)
