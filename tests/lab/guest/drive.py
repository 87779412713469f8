"""A hard disk as its interface sees it, which logs every command and what the command did to it.

Rules:

- Pure: no clock, file or kernel. Time is an argument, in seconds; the caller (`rack.py`) waits
  `Answer.wait_s` before it hands the answer on. So the same drive runs on a bench without a
  machine.
- The log is the judge. Each command is logged with the time it came, the power mode before and
  after, whether it woke the drive and whether it set the standby timer back to its start.
- The standby timer counts from the end of the last command that touched the medium, or that set
  the mode or the timer. Questions and SYNCHRONIZE CACHE leave it alone and do not spin the drive
  up, unless a quirk says otherwise. The timer needs no thread: it is settled at each look.
- Two guises: ATA behind a SAT layer (the default), and with the quirk `sas` a SCSI drive.

Sources: ACS-3 for the commands, power modes and IDENTIFY words; SAT-3 for the pass-through CDBs and
the ATA status return descriptor; SPC-4 and SBC-3 for the rest. What a drive does in Sleep follows
what Linux 6.1 does about it: the question makes libata reset the link, which takes 0.4 s and ends
the sleep, and the answer is all zeros (measured with an emulated AHCI disk, see test_kernel.py).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.lab.guest.senses import fixed_sense, registers

BLOCK = 512  # bytes

GOOD, CHECK_CONDITION = 0x00, 0x02  # SAM-5 status codes
NO_SENSE, RECOVERED, NOT_READY, ILLEGAL_REQUEST, ABORTED = 0x0, 0x1, 0x2, 0x5, 0xB  # SPC-4 keys

# Each quirk, and what a drive that has it does.
QUIRKS = {
    "restart-timer": "any question sets its standby timer back to the start",
    "wakes-on-question": "a question in standby spins it up; the answer comes once it is ready",
    "rejects": "no pass-through: 85h and A1h end in ILLEGAL REQUEST",
    "aborts": "CHECK POWER MODE ends in ABORTED COMMAND",
    "no-registers": "pass-through ends in GOOD, and no registers come back",
    "status-clear": "CHECK POWER MODE returns count 00h and ATA status 00h",
    "sas": "a SCSI drive: no pass-through, no VPD page 89h; REQUEST SENSE tells the condition",
    "removable": "sets the removable bit in INQUIRY, as hot-plug bays do",
}

# ACS-3, CHECK POWER MODE, count field; 80h is what a drive without EPC may say when idle.
COUNT_OF_MODE = {
    "active": 0xFF,
    "idle": 0x80,
    "idle_a": 0x81,
    "idle_b": 0x82,
    "idle_c": 0x83,
    "standby": 0x00,
    "standby_y": 0x01,
}
# SPC-4 annex of additional sense codes: (mode, entered by) -> ASCQ of ASC 5Eh.
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

# SCSI operation codes (SPC-4, SBC-3, SAT-3) and ATA commands (ACS-3) by the names in the log.
SCSI_NAMES = {
    0x00: "TEST UNIT READY",
    0x03: "REQUEST SENSE",
    0x08: "READ",
    0x0A: "WRITE",
    0x12: "INQUIRY",
    0x1A: "MODE SENSE",
    0x1B: "START STOP UNIT",
    0x25: "READ CAPACITY",
    0x28: "READ",
    0x2A: "WRITE",
    0x2F: "VERIFY",
    0x35: "SYNCHRONIZE CACHE",
    0x5A: "MODE SENSE",
    0x88: "READ",
    0x8A: "WRITE",
    0x8F: "VERIFY",
    0x91: "SYNCHRONIZE CACHE",
    0x9E: "READ CAPACITY",
}
ATA_NAMES = {
    0x94: "STANDBY IMMEDIATE",
    0x95: "IDLE IMMEDIATE",
    0x96: "STANDBY",
    0x97: "IDLE",
    0x98: "CHECK POWER MODE",
    0x99: "SLEEP",
    0xB0: "SMART",
    0xE0: "STANDBY IMMEDIATE",
    0xE1: "IDLE IMMEDIATE",
    0xE2: "STANDBY",
    0xE3: "IDLE",
    0xE5: "CHECK POWER MODE",
    0xE6: "SLEEP",
    0xE7: "FLUSH CACHE",
    0xEC: "IDENTIFY DEVICE",
}
QUESTIONS = ("CHECK POWER MODE", "REQUEST SENSE")
MEDIA = ("READ", "WRITE", "VERIFY")


@dataclass(frozen=True, slots=True)
class Traits:
    """What a drive is; `number` (1 to 999) makes its serial number and world-wide name."""

    name: str
    number: int
    timer_s: float = 0.0
    """Standby timer in seconds; 0: none."""
    spinup_s: float = 1.0
    answer_s: float = 0.0
    """How long it takes to answer a question, in seconds."""
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
    """The time of the last look, in seconds."""
    mode: str = "active"
    entered_by: str = "command"
    timer_s: float = 0.0
    start_stops: int = 100
    load_cycles: int = 193
    power_cycles: int = 12
    wakes: int = 0
    hangs_on_questions: bool = False
    log: list[dict[str, object]] = field(default_factory=list)
    _counting_since: float = 0.0
    _medium: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self.timer_s = self.traits.timer_s
        self._counting_since = self.now
        self._medium = bytearray(self.traits.size_mib << 20)

    # What the interface sees

    def execute(self, cdb: bytes, out: bytes, now: float) -> Answer:
        """Run one command that came at `now`; log it."""
        self.settle(now)
        before, since, wakes = self.mode, self._counting_since, self.wakes
        name = command_name(cdb)
        question = name in QUESTIONS
        answer = self._dispatch(cdb, out)
        wait_s = answer.wait_s + (self.traits.answer_s if question else 0.0)
        if question and "restart-timer" in self.traits.quirks:
            self._counting_since = now + wait_s
        held = question and self.hangs_on_questions
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
            }
        )
        return Answer(answer.status, answer.data, answer.sense, wait_s, held)

    def settle(self, now: float) -> None:
        """Let time pass up to `now`: the standby timer may have run out."""
        self.now = max(self.now, now)
        due = self._counting_since + self.timer_s
        if self.timer_s > 0 and self.mode not in (*SPUN_DOWN, "standby_y") and due <= self.now:
            self.note("standby timer ran out", due, "standby")
            self.mode, self.entered_by = "standby", "timer"

    def note(self, what: str, at: float, mode: str) -> None:
        """Log something that is no command."""
        self.log.append({"at": at, "what": what, "before": self.mode, "after": mode})

    def set_mode(self, mode: str, now: float) -> None:
        """Put the drive into a mode by its own doing, as a timer of its firmware would."""
        self.settle(now)
        self.note("set by the test", now, mode)
        self.mode, self.entered_by = mode, "timer"
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
        self.mode, self.entered_by = mode, "command"
        self._counting_since = self.now

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
        """SPC-4: GOOD status; the parameter data tells. A SAT layer knows nothing and says so."""
        if "sas" not in self.traits.quirks:
            return Answer(GOOD, fixed_sense(NO_SENSE, 0, 0))
        wait_s = self._wake_if_questions_do()
        if self.mode == "stopped":
            return Answer(GOOD, fixed_sense(NOT_READY, 0x04, 0x02))
        qualifier = LOW_POWER_QUALIFIER.get((self.mode, self.entered_by))
        if qualifier is None:
            return Answer(GOOD, fixed_sense(NO_SENSE, 0, 0), wait_s=wait_s)
        return Answer(GOOD, fixed_sense(NO_SENSE, 0x5E, qualifier), wait_s=wait_s)

    def _wake_if_questions_do(self) -> float:
        if "wakes-on-question" in self.traits.quirks and self.mode in SPUN_DOWN:
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
            # SAT-3 turns START=0 into STANDBY IMMEDIATE; a SCSI drive then wants a START.
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
        want_registers = bool(cdb[2] & 0x20)  # CK_COND
        name = ATA_NAMES.get(command, "")
        if self.mode == "sleep":
            self._touch_medium()
            clear = registers(RECOVERED, count=0, status=0)
            return Answer(CHECK_CONDITION, sense=clear, wait_s=SLEEP_RESET_S)
        if name == "CHECK POWER MODE" and "aborts" in quirks:
            return _aborted()
        done = self._ata(name, feature, count)
        if done is None:
            return _aborted()
        data, returned, wait_s = done
        if not want_registers or "no-registers" in quirks:
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
            wait_s = self._wake_if_questions_do()
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
            return identify(self.traits), {}, 0.0
        if name == "SMART":
            return self._smart(feature)
        return None

    def _smart(self, feature: int) -> tuple[bytes, dict[str, int], float] | None:
        """SMART READ DATA, READ THRESHOLDS, ENABLE and RETURN STATUS (ACS-3)."""
        attributes = {
            4: self.start_stops,
            9: 1234,  # power-on hours
            12: self.power_cycles,
            193: self.load_cycles,
            194: 31,  # degrees Celsius
        }
        page = bytearray(BLOCK)
        page[0] = 16  # revision
        for row, (number, raw) in enumerate(attributes.items()):
            if feature == 0xD0:
                struct.pack_into("<BHBBQ", page, 2 + 12 * row, number, 0x32, 100, 100, raw)
            else:
                page[2 + 12 * row] = number
        page[511] = -sum(page[:511]) & 0xFF
        if feature in (0xD0, 0xD1):
            return bytes(page), {}, 0.0
        if feature == 0xD8:
            return b"", {}, 0.0
        if feature == 0xDA:
            return b"", {"mid": 0x4F, "high": 0xC2}, 0.0  # no threshold exceeded
        return None

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
            pages[0x89] = bytes(4) + head + identify(traits)
        pages[0x00] = bytes(sorted([0x00, *pages]))
        page = cdb[2]
        if page not in pages:
            return _illegal(0x24)
        return Answer(GOOD, struct.pack(">BBH", 0, page, len(pages[page])) + pages[page])


def command_name(cdb: bytes) -> str:
    """A command's name for the log: that of the ATA command inside a pass-through."""
    operation = cdb[0]
    if operation in (0x85, 0xA1):
        command = cdb[14] if operation == 0x85 else cdb[9]
        return ATA_NAMES.get(command, f"ATA {command:02X}h")
    return SCSI_NAMES.get(operation, f"{operation:02X}h")


def timer_seconds(code: int) -> float:
    """Seconds of a standby timer's count (ACS-3, STANDBY command, standby timer periods)."""
    if code <= 0xF0:
        return code * 5.0
    if code <= 0xFB:
        return (code - 0xF0) * 1800.0
    return {0xFC: 1260.0, 0xFD: 8 * 3600.0, 0xFE: 1275.0, 0xFF: 1275.0}[code]


def identify(traits: Traits) -> bytes:
    """IDENTIFY DEVICE data (ACS-3): 256 little-endian words."""
    sectors = (traits.size_mib << 20) // BLOCK
    words = [0] * 256
    words[0] = 0x0040  # an ATA device
    words[49] = 0x2F00  # bit 13: standby timer values are the standard's
    words[53] = 0x0006
    words[60], words[61] = sectors & 0xFFFF, sectors >> 16
    words[80] = 0x01F0
    words[82] = words[85] = 0x4009  # bit 3: power management; bit 0: SMART
    words[83] = words[86] = 0x4400
    words[84] = words[87] = 0x4103  # bit 8: world-wide name
    words[88] = 0x407F
    words[100], words[101] = sectors & 0xFFFF, sectors >> 16
    words[106] = 0x4000
    words[108:112] = [traits.wwn >> shift & 0xFFFF for shift in (48, 32, 16, 0)]
    words[217] = traits.rotation_rpm
    words[222] = 0x107F
    data = bytearray(struct.pack("<256H", *words))
    for first, text, length in ((10, traits.serial, 20), (23, "LAB1", 8), (27, traits.model, 40)):
        data[first * 2 : first * 2 + length] = _swapped(text.encode().ljust(length))
    return bytes(data)


def _swapped(text: bytes) -> bytes:
    """ATA strings: the first character of each pair is the word's high byte."""
    return bytes(byte for pair in zip(text[1::2], text[::2], strict=True) for byte in pair)


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
