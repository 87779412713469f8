"""A hard disk as its interface sees it, which logs every command and what the command did to it.

Rules:

- Pure: no clock, file or kernel. Time is an argument, in seconds; the caller (`rack.py`) waits
  `Answer.wait_s` before it hands the answer on. So the same drive runs without a machine.
- The log is the judge. Each command is logged with the time it came, the power mode before and
  after, whether it woke the drive and whether it set the standby timer back to its start.
- The standby timer counts from the end of the last command that touched the medium, or that set
  the mode or the timer. Probes and SYNCHRONIZE CACHE do not restart it and do not spin the drive
  up, except by a quirk. The timer needs no thread: it is brought up to date at each call.
- Two interfaces: ATA behind a SAT layer (the default), and with the quirk `sas` a SCSI drive.

Sources: power modes and counts as in the Ultrastar HC580 specification, p138; pass-through CDBs and
the ATA status return descriptor as in Linux 6.12 drivers/ata/libata-scsi.c; what is cited by ACS-3,
SAT-3, SPC-4, SBC-3 or SAM-5 alone is from memory. What a drive does in Sleep follows Linux 6.1: the
probe makes libata reset the link, which takes 0.4 s and ends the sleep, and the answer is all zeros
(measured with an emulated AHCI disk, see test_kernel.py).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.lab.guest import records
from tests.lab.guest.names import (
    ATA_NAMES,
    MEDIA,
    RECORDS,
    SCSI_NAMES,
    STATE_PROBES,
    command_name,
    is_power_page,
)
from tests.lab.guest.senses import fixed_sense, registers

BLOCK = 512  # bytes

GOOD, CHECK_CONDITION = 0x00, 0x02  # SAM-5 status codes
NO_SENSE, RECOVERED, NOT_READY, ILLEGAL_REQUEST, ABORTED = 0x0, 0x1, 0x2, 0x5, 0xB  # SPC-4 keys

# Each quirk, and what a drive that has it does.
QUIRKS = {
    "restart-timer": "any probe sets its standby timer back to the start",
    "wakes-on-probe": "a probe in standby spins it up; the answer comes once it is ready",
    "rejects": "no pass-through: 85h and A1h end in ILLEGAL REQUEST",
    "aborts": "CHECK POWER MODE ends in ABORTED COMMAND",
    "no-registers": "pass-through ends in GOOD, and no registers come back",
    "status-clear": "CHECK POWER MODE returns count 00h and ATA status 00h",
    "sas": "a SCSI drive: no pass-through, no VPD page 89h; REQUEST SENSE reports the condition",
    "wakes-on-record": "reading one of its records in standby spins it up, then it answers",
    "restarts-on-record": "reading one of its records sets its standby timer back to the start",
    "removable": "sets the removable bit in INQUIRY, as hot-plug bays do",
}

# COUNT of CHECK POWER MODE: Ultrastar HC580 specification, p138 table 86.
COUNT_OF_MODE = {
    "active": 0xFF,
    "idle": 0x80,
    "idle_a": 0x81,
    "idle_b": 0x82,
    "idle_c": 0x83,
    "standby": 0x00,
    "standby_y": 0x01,
}
# (mode, entered by) -> ASCQ of ASC 5Eh: Linux 6.12 drivers/scsi/sense_codes.h:743-758.
LOW_POWER_QUALIFIER = {
    ("idle_a", "timer"): 0x01,
    ("standby", "timer"): 0x02,
    ("idle_a", "command"): 0x03,
    ("standby", "command"): 0x04,
    ("idle_b", "timer"): 0x05,
    ("idle_b", "command"): 0x06,
    ("idle_c", "timer"): 0x07,
    ("idle_c", "command"): 0x08,
    ("standby_y", "timer"): 0x09,
    ("standby_y", "command"): 0x0A,
}
SPUN_DOWN = ("standby", "stopped", "sleep")
SLEEP_RESET_S = 0.4


@dataclass(frozen=True, slots=True)
class Traits:
    """What a drive is; `number` (1 to 999) makes its serial number and world-wide name."""

    name: str
    number: int
    timer_s: float = 0.0
    """Standby timer in seconds; 0: none."""
    spinup_s: float = 1.0
    answer_s: float = 0.0
    """How long it takes to answer a probe, in seconds."""
    size_mib: int = 16
    model: str = "LAB HDD 7200"
    rotation_rpm: int = 7200
    quirks: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if unknown := self.quirks - QUIRKS.keys():
            raise ValueError(f"unknown quirks: {', '.join(sorted(unknown))}")

    @property
    def serial(self) -> str:
        """Serial number, as INQUIRY and IDENTIFY DEVICE give it."""
        return f"LAB{self.number:05d}"

    @property
    def wwn(self) -> int:
        """World-wide name: NAA 5h, then an identifier with the locally administered bit set."""
        return 0x502A5B0000000000 + self.number


@dataclass(frozen=True, slots=True)
class Answer:
    """What a drive returns for one command."""

    status: int
    data: bytes = b""
    sense: bytes = b""
    wait_s: float = 0.0
    """Time from the command's arrival to this answer."""
    held: bool = False
    """The drive hangs: the answer must not be handed on before it is released."""


@dataclass(slots=True)
class Drive:
    """One drive. `execute` is its interface; everything else is for whoever runs the test."""

    traits: Traits
    now: float
    """The time of the last call, in seconds."""
    mode: str = "active"
    entered_by: str = "command"
    timer_s: float = 0.0
    start_stops: int = 100
    stops: int = 99
    load_cycles: int = 193
    power_cycles: int = 12
    wakes: int = 0
    hangs_on_probes: bool = False
    log: list[dict[str, object]] = field(default_factory=list)
    _counting_since: float = 0.0
    _made: float = 0.0
    _medium: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self.timer_s = self.traits.timer_s
        self._counting_since = self._made = self.now
        self._medium = bytearray(self.traits.size_mib << 20)

    # What the interface sees

    def execute(self, cdb: bytes, out: bytes, now: float) -> Answer:
        """Run one command that came at `now`; log it."""
        self.settle(now)
        before, since, wakes = self.mode, self._counting_since, self.wakes
        name = command_name(cdb)
        probe = name in STATE_PROBES
        record, quirks = name in RECORDS, self.traits.quirks
        wait_s = self.traits.answer_s if probe else 0.0
        if record and "wakes-on-record" in quirks and self.mode in SPUN_DOWN:
            wait_s += self._touch_medium()
        answer = self._dispatch(cdb, out)
        wait_s += answer.wait_s
        if (probe and "restart-timer" in quirks) or (record and "restarts-on-record" in quirks):
            self._counting_since = now + wait_s
        held = probe and self.hangs_on_probes
        self.log.append(
            {
                "at": now,
                "what": name,
                "cdb": cdb.hex(),
                "before": before,
                "after": self.mode,
                "woke": self.wakes > wakes,
                "restarted_timer": self._counting_since != since,
                "status": answer.status,
                "done": now + wait_s,
                "held": held,
                **({"counts": self.counts()} if record else {}),
            }
        )
        return Answer(answer.status, answer.data, answer.sense, wait_s, held)

    def settle(self, now: float) -> None:
        """Let time pass up to `now`: the standby timer may have run out."""
        self.now = max(self.now, now)
        due = self._counting_since + self.timer_s
        if self.timer_s > 0 and self.mode not in (*SPUN_DOWN, "standby_y") and due <= self.now:
            self.note("standby timer ran out", due, "standby")
            self._change_mode("standby", "timer")

    def note(self, what: str, at: float, mode: str) -> None:
        """Log something that is no command."""
        self.log.append({"at": at, "what": what, "before": self.mode, "after": mode})

    def set_mode(self, mode: str, now: float) -> None:
        """Put the drive into a mode as a timer of its firmware would."""
        self.settle(now)
        self.note("set by the test", now, mode)
        self._change_mode(mode, "timer")
        self._counting_since = now

    # What it does inside

    def _touch_medium(self) -> float:
        """Be active; seconds until the medium can be read."""
        wait_s = SLEEP_RESET_S if self.mode == "sleep" else 0.0
        if self.mode in SPUN_DOWN:
            wait_s += self.traits.spinup_s
            self.start_stops += 1
            self.load_cycles += 1
            self.wakes += 1
        self.mode = "active"
        self._counting_since = self.now + wait_s
        return wait_s

    def _enter(self, mode: str) -> None:
        self._change_mode(mode, "command")
        self._counting_since = self.now

    def _change_mode(self, mode: str, entered_by: str) -> None:
        self.stops += mode in SPUN_DOWN and self.mode not in SPUN_DOWN
        self.mode, self.entered_by = mode, entered_by

    def counts(self) -> dict[str, int]:
        """Its counters; a SCSI drive counts `stops`, the complete cycles (MAX3073 manual, 4-66)."""
        hours = 1234 + int((self.now - self._made) // 3600)
        return {
            "start_stops": self.start_stops,
            "stops": self.stops,
            "load_cycles": self.load_cycles,
            "power_cycles": self.power_cycles,
            "power_on_hours": hours,
            "spindle_hours": hours,
        }

    def _dispatch(self, cdb: bytes, out: bytes) -> Answer:
        operation, traits = cdb[0], self.traits
        name = SCSI_NAMES.get(operation, "")
        if operation in (0x85, 0xA1):
            return self._pass_through(cdb)
        if operation == 0x00:
            return Answer(GOOD) if self.mode != "stopped" else _stopped()
        if operation == 0x03:
            return self._request_sense()
        if operation == 0x12:
            return self._inquiry(cdb)
        if operation == 0x4D:
            return self._log_sense(cdb)
        if is_power_page(cdb) and "sas" in traits.quirks:
            return Answer(GOOD, records.power_conditions(self.timer_s))
        if name == "READ CAPACITY":
            last = (traits.size_mib << 20) // BLOCK - 1
            if operation == 0x25:
                return Answer(GOOD, struct.pack(">II", last, BLOCK))
            if cdb[1] & 0x1F == 0x10:
                return Answer(GOOD, struct.pack(">QI20x", last, BLOCK))
        if name == "MODE SENSE":
            # SBC-3 caching mode page, byte 2 bit 2: the write cache is on, so the kernel flushes.
            caching = bytes([0x08, 0x12, 0x04]) + bytes(17)
            if operation == 0x1A:
                return Answer(GOOD, bytes([3 + len(caching), 0, 0, 0]) + caching)
            return Answer(GOOD, struct.pack(">H6x", 6 + len(caching)) + caching)
        if operation == 0x1B:
            return self._start_stop(cdb)
        if name == "SYNCHRONIZE CACHE":
            return Answer(GOOD)
        if name in MEDIA:
            if self.mode == "stopped":
                return _stopped()
            wait_s = self._touch_medium()
            at, count = _blocks(cdb)
            if name == "WRITE":
                self._medium[at * BLOCK : (at + count) * BLOCK] = out
            read = bytes(self._medium[at * BLOCK : (at + count) * BLOCK])
            return Answer(GOOD, read if name == "READ" else b"", wait_s=wait_s)
        return _illegal(0x20)  # INVALID COMMAND OPERATION CODE

    def _request_sense(self) -> Answer:
        """GOOD status; the parameter data has the condition (SCSI Commands Reference Manual, 3.41).
        A SAT layer reports NO SENSE always (Linux 6.12 drivers/ata/libata-scsi.c:4694)."""
        if "sas" not in self.traits.quirks:
            return Answer(GOOD, fixed_sense(NO_SENSE, 0, 0))
        wait_s = self._wake_if_probes_do()
        if self.mode == "stopped":
            return Answer(GOOD, fixed_sense(NOT_READY, 0x04, 0x02))
        qualifier = LOW_POWER_QUALIFIER.get((self.mode, self.entered_by))
        if qualifier is None:
            return Answer(GOOD, fixed_sense(NO_SENSE, 0, 0), wait_s=wait_s)
        return Answer(GOOD, fixed_sense(NO_SENSE, 0x5E, qualifier), wait_s=wait_s)

    def _wake_if_probes_do(self) -> float:
        if "wakes-on-probe" in self.traits.quirks and self.mode in SPUN_DOWN:
            return self._touch_medium()
        return 0.0

    def _start_stop(self, cdb: bytes) -> Answer:
        """SBC-3 START STOP UNIT, byte 4: POWER CONDITION in bits 7:4, START in bit 0."""
        condition, start = cdb[4] >> 4, cdb[4] & 1
        sas = "sas" in self.traits.quirks
        if condition == 0x3:
            self._enter("standby" if cdb[3] & 0xF == 0 else "standby_y")
        elif condition == 0x2:
            self._enter(("idle_a", "idle_b", "idle_c")[min(cdb[3] & 0xF, 2)])
        elif condition == 0x1 or (condition == 0 and start):
            return Answer(GOOD, wait_s=self._touch_medium())
        elif condition == 0:
            # SAT-3 turns START=0 into STANDBY IMMEDIATE; a SCSI drive then needs a START.
            self._enter("stopped" if sas else "standby")
        else:
            return _illegal(0x24)  # INVALID FIELD IN CDB
        return Answer(GOOD)

    def _pass_through(self, cdb: bytes) -> Answer:
        quirks = self.traits.quirks
        if quirks & {"sas", "rejects"}:
            return _illegal(0x20)
        # SAT-3 ATA PASS-THROUGH: register bytes of the 12- and the 16-byte CDB.
        feature, count, command = (
            (cdb[4], cdb[6], cdb[14]) if cdb[0] == 0x85 else (cdb[3], cdb[4], cdb[9])
        )
        returns_registers = bool(cdb[2] & 0x20)  # CK_COND
        name = ATA_NAMES.get(command, "")
        if self.mode == "sleep":
            self._touch_medium()
            clear = registers(RECOVERED, count=0, status=0)
            return Answer(CHECK_CONDITION, sense=clear, wait_s=SLEEP_RESET_S)
        if name == "CHECK POWER MODE" and "aborts" in quirks:
            return _aborted()
        done = self._log_page(cdb) if name == "READ LOG EXT" else self._ata(name, feature, count)
        if done is None:
            return _aborted()
        data, returned, wait_s = done
        if not returns_registers or "no-registers" in quirks:
            return Answer(GOOD, data, wait_s=wait_s)
        status = 0x50  # DRDY, and bit 4
        if name == "CHECK POWER MODE" and "status-clear" in quirks:
            returned, status = {"count": 0}, 0x00
        sense = registers(RECOVERED, status=status, **returned)
        return Answer(CHECK_CONDITION, data, sense, wait_s)

    def _ata(
        self, name: str, feature: int, count: int
    ) -> tuple[bytes, dict[str, int], float] | None:
        """One ATA command: data, returned registers, seconds; None when it aborts."""
        if name == "CHECK POWER MODE":
            wait_s = self._wake_if_probes_do()
            return b"", {"count": COUNT_OF_MODE[self.mode]}, wait_s
        if name in ("STANDBY", "IDLE"):
            self.timer_s = timer_seconds(count)
        if name in ("STANDBY", "STANDBY IMMEDIATE"):
            self._enter("standby")
            return b"", {}, 0.0
        if name in ("IDLE", "IDLE IMMEDIATE"):
            wait_s = self._touch_medium()
            self.mode = "idle"
            return b"", {}, wait_s
        if name == "SLEEP":
            self._enter("sleep")
            return b"", {}, 0.0
        if name == "FLUSH CACHE":
            return b"", {}, 0.0
        if name == "IDENTIFY DEVICE":
            return self._identify(), {}, 0.0
        if name == "SMART":
            return self._smart(feature)
        return None

    def _log_page(self, cdb: bytes) -> tuple[bytes, dict[str, int], float] | None:
        """READ LOG EXT (ACS-3): log address in LBA 7:0, page in LBA 15:8. SAT-3: bytes 8 and 10."""
        page = records.statistics(cdb[10], self.counts()) if cdb[8] == 0x04 else None
        return None if page is None else (page, {}, 0.0)

    def _smart(self, feature: int) -> tuple[bytes, dict[str, int], float] | None:
        """SMART READ DATA, READ THRESHOLDS, ENABLE and RETURN STATUS (ACS-3)."""
        if feature in (0xD0, 0xD1):
            return records.smart(feature, self.counts()), {}, 0.0
        if feature == 0xD8:
            return b"", {}, 0.0
        if feature == 0xDA:
            return b"", {"mid": 0x4F, "high": 0xC2}, 0.0  # no threshold exceeded
        return None

    def _log_sense(self, cdb: bytes) -> Answer:
        """SPC-4 LOG SENSE: page code in byte 2, bits 5:0. A SAT layer has no such pages."""
        pages = {0x0E: records.start_stop, 0x1A: records.transitions}
        make = pages.get(cdb[2] & 0x3F)
        if make is None or "sas" not in self.traits.quirks:
            return _illegal(0x24)  # INVALID FIELD IN CDB
        return Answer(GOOD, make(self.counts()))

    def _identify(self) -> bytes:
        traits = self.traits
        return records.identify(
            sectors=(traits.size_mib << 20) // BLOCK,
            wwn=traits.wwn,
            rotation_rpm=traits.rotation_rpm,
            serial=traits.serial,
            firmware="LAB1",
            model=traits.model,
        )

    def _inquiry(self, cdb: bytes) -> Answer:
        traits = self.traits
        sas = "sas" in traits.quirks
        if not cdb[1] & 1:  # standard data; ANSI version 5 is SPC-3, the least that has VPD pages
            vendor = b"LAB     " if sas else b"ATA     "
            header = bytes([0, 0x80 if "removable" in traits.quirks else 0, 5, 2, 91, 0, 0, 2])
            product = traits.model.encode().ljust(16)[:16]
            return Answer(GOOD, (header + vendor + product + b"LAB1").ljust(96, b"\0"))
        pages = {
            0x80: traits.serial.encode().ljust(20),
            0x83: bytes([1, 3, 0, 8]) + struct.pack(">Q", traits.wwn),
            0xB0: bytes(60),
            0xB1: struct.pack(">HBB56x", traits.rotation_rpm, 0, 2),  # SBC-3; 2: 3.5 inch
        }
        if not sas:  # SAT-3 ATA Information: IDENTIFY DEVICE data from byte 60 on
            head = b"LAB     " + b"SAT LAYER       " + b"1   " + bytes(20) + b"\xec\0\0\0"
            pages[0x89] = bytes(4) + head + self._identify()
        pages[0x00] = bytes(sorted([0x00, *pages]))
        page = cdb[2]
        if page not in pages:
            return _illegal(0x24)
        return Answer(GOOD, struct.pack(">BBH", 0, page, len(pages[page])) + pages[page])


def timer_seconds(code: int) -> float:
    """Seconds of a standby timer's count (Travan 40 manual, p105; FDh and FEh: 8 h and 21 min 15 s
    are what drives keep, Deskstar 7K1000.C specification, p134, MHW2 BS specification, p125)."""
    if code <= 0xF0:
        return code * 5.0
    if code <= 0xFB:
        return (code - 0xF0) * 1800.0
    return {0xFC: 1260.0, 0xFD: 8 * 3600.0, 0xFE: 1275.0, 0xFF: 1275.0}[code]


def _blocks(cdb: bytes) -> tuple[int, int]:
    """First block and number of blocks of a READ, WRITE or VERIFY (SBC-3)."""
    if cdb[0] < 0x20:
        return int.from_bytes(cdb[1:4], "big") & 0x1FFFFF, cdb[4] or 256
    if cdb[0] < 0x80:
        return int.from_bytes(cdb[2:6], "big"), int.from_bytes(cdb[7:9], "big")
    return int.from_bytes(cdb[2:10], "big"), int.from_bytes(cdb[10:14], "big")


def _illegal(asc: int) -> Answer:
    return Answer(CHECK_CONDITION, sense=fixed_sense(ILLEGAL_REQUEST, asc, 0))


def _stopped() -> Answer:
    """NOT READY, INITIALIZING COMMAND REQUIRED (SPC-4)."""
    return Answer(CHECK_CONDITION, sense=fixed_sense(NOT_READY, 0x04, 0x02))


def _aborted() -> Answer:
    """ATA status 51h has ERR set; error 04h is ABRT (ACS-3)."""
    return Answer(CHECK_CONDITION, sense=registers(ABORTED, status=0x51, error=0x04))


def commands(log: Iterable[dict[str, object]], *names: str) -> list[dict[str, object]]:
    """The log's commands with one of these names, or all commands."""
    return [row for row in log if "cdb" in row and (not names or row["what"] in names)]
