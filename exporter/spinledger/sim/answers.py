"""What a simulated drive replies, and when: command bytes in, a completion out.

Rules: bytes are parsed and built by the codec alone, as the program parses and builds them. An
ATA drive that is becoming ready replies when it is ready, since a command outside the queue waits
for the queued ones; a SAS drive replies at once (common practice, no source). REQUEST SENSE to an
ATA drive is emulated by the host as NO SENSE and never reaches it (Linux 6.12
drivers/ata/libata-scsi.c:4694). A drive in PM3:Sleep takes no command: the host resets the link,
and COUNT 00h comes back with ATA status 00h (seen on Linux 6.1, where the next reply was FFh).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from functools import lru_cache

from spinledger.codec import ata, identify, logs, modes, pages, sat, scsi
from spinledger.codec import sense as envelope
from spinledger.codec import statistics as log
from spinledger.errors import Undecodable
from spinledger.model import HOUR, MILLISECOND, SECOND, Completion, Condition, Mode
from spinledger.sim.drive import TOP, Drive
from spinledger.sim.kinds import Interface, Response, SpinUpOnProbe

GOOD, CHECK_CONDITION = 0x00, 0x02  # SAM-5 status codes, from memory
SENSE_PRESENT = 0x08  # driver_status of SG_IO
NO_CONNECT = 0x01  # host_status of SG_IO: the device is not there
RESET_NS = 390 * MILLISECOND  # link reset included: seen on Linux 6.1
EMULATED_NS = MILLISECOND // 100  # a reply by the host alone; common practice, no source
INVALID_OPERATION = (0x20, 0x00)  # invalid command operation code: SPC-4, from memory
EXPORTER = "exporter"


def answer(drive: Drive, cdb: bytes, at_ns: int) -> tuple[int, Completion] | None:
    """Send a command to the drive: when its completion comes, and what it holds. None: never.

    Times in nanoseconds of the boot clock.
    """
    if not drive.plugged:
        return gone(at_ns, at_ns)
    page = _page_of(cdb)
    drive.commanded(at_ns, "probe" if page is None else "log_read", cdb)
    kind = drive.kind
    if kind.answer_ns is None:
        return None
    delay = kind.answer_ns
    if delay < SECOND:  # spread from half to one and a half, by the time of the probe
        delay = delay * (32 + (at_ns >> 20) % 64) // 64
    if kind.response is Response.REJECTS or not cdb:
        return _refusal(at_ns, delay)
    if page is not None:
        return _record(drive, page, at_ns, delay)
    if kind.interface is Interface.SAS:
        return _sas(drive, cdb, at_ns, delay)
    if cdb[0] == scsi.REQUEST_SENSE:
        return at_ns + EMULATED_NS, Completion(GOOD, 0, 0, b"", _sas_data(None), EMULATED_NS)
    return _ata(drive, cdb, at_ns, delay)


def gone(at_ns: int, sent_ns: int) -> tuple[int, Completion]:
    """The completion of a command whose device went away at that time."""
    return at_ns, Completion(GOOD, NO_CONNECT, 0, b"", b"", at_ns - sent_ns)


def _refusal(at_ns: int, delay: int) -> tuple[int, Completion]:
    sense = envelope.encode_fixed(envelope.ILLEGAL_REQUEST, INVALID_OPERATION)
    completion = Completion(CHECK_CONDITION, 0, SENSE_PRESENT, sense, b"", delay)
    return at_ns + delay, completion


def _sas(drive: Drive, cdb: bytes, at_ns: int, delay: int) -> tuple[int, Completion]:
    try:
        view = scsi.parse_request_sense(cdb)
    except Undecodable:
        return _refusal(at_ns, delay)
    mode, condition = _effects(drive, at_ns)
    answered_ns = _served_ns(drive, at_ns, mode) + delay
    data = _sas_data(condition)[: view.allocation]
    return answered_ns, Completion(GOOD, 0, 0, b"", data, answered_ns - at_ns)


def _ata(drive: Drive, cdb: bytes, at_ns: int, delay: int) -> tuple[int, Completion]:
    try:
        view = sat.parse_cdb(cdb)
    except Undecodable:
        return _refusal(at_ns, delay)
    kind, level = drive.kind, drive.level
    if kind.response is Response.NO_REGISTERS or not view.ck_cond:
        return at_ns + delay, Completion(GOOD, 0, 0, b"", b"", delay)
    known = view.command in (ata.CHECK_POWER_MODE, ata.CHECK_POWER_MODE_OLD)
    if kind.response is Response.ABORTS or not known:
        return _registers(at_ns, delay, 0x00, ata.READY | ata.ERR, ata.ABRT)
    if level is not None and level.sleeps:
        drive.climb(at_ns, "probe", EXPORTER)
        return _registers(at_ns, RESET_NS, 0x00, 0x00)
    mode, condition = _effects(drive, at_ns)
    answered_ns = _served_ns(drive, at_ns, mode) + delay
    return _registers(at_ns, answered_ns - at_ns, ata.encode_count(mode, condition), ata.READY)


def _effects(drive: Drive, at_ns: int) -> tuple[Mode, Condition | None]:
    """What a probe does to the drive, and the state that it reports."""
    kind = drive.kind
    if kind.restarts_on_probe:
        drive.restart_timer(at_ns)
    if drive.stopped and kind.on_probe is SpinUpOnProbe.SPINS_FIRST:
        drive.climb(at_ns, "probe", EXPORTER)
    level = drive.level
    if level is None:
        late = kind.standby_while_recovering and at_ns < drive.spun_ns
        return (Mode.STANDBY if late else Mode.ACTIVE_OR_IDLE), None
    if drive.stopped and kind.on_probe is SpinUpOnProbe.ANSWERS_FIRST:
        drive.climb(at_ns, "probe", EXPORTER)
    return level.mode, level.condition


def _served_ns(drive: Drive, at_ns: int, mode: Mode) -> int:
    """When the drive takes the probe."""
    waits = (
        drive.kind.interface is Interface.ATA or drive.kind.on_probe is SpinUpOnProbe.SPINS_FIRST
    )
    return max(at_ns, drive.ready_ns) if waits and mode is Mode.ACTIVE_OR_IDLE else at_ns


def _registers(
    at_ns: int, elapsed: int, count: int, status: int, error: int = 0
) -> tuple[int, Completion]:
    sense = _ata_sense(count, status, error)
    completion = Completion(CHECK_CONDITION, 0, SENSE_PRESENT, sense, b"", elapsed)
    return at_ns + elapsed, completion


@lru_cache(maxsize=64)
def _ata_sense(count: int, status: int, error: int) -> bytes:
    return sat.encode_ata_return(sat.AtaReturn(count=count, status=status, error=error))


@lru_cache(maxsize=16)
def _sas_data(condition: Condition | None) -> bytes:
    return scsi.encode_power_sense(condition)


Page = tuple[int, int]  # operation code or ATA command, and page, or log address and page


def _page_of(cdb: bytes) -> Page | None:
    """Which of the drive's records a command reads; None for any other command."""
    with contextlib.suppress(Undecodable):
        if cdb[:1] == bytes([sat.PASS_THROUGH_16]):
            view = sat.parse_cdb(cdb)
            if view.command == ata.SMART and view.feature != ata.SMART_READ_DATA:
                return None
            return (view.command, view.lba) if view.command in _ATA_RECORDS else None
        read = pages.parse_page_read(cdb)
        return read.opcode, read.page
    return None


def _record(drive: Drive, page: Page, at_ns: int, delay: int) -> tuple[int, Completion]:
    """A record of the drive, as the bytes that it would send."""
    kind, level = drive.kind, drive.level
    if (kind.interface is Interface.ATA) != (page[0] in _ATA_RECORDS):
        return _refusal(at_ns, delay)
    if level is not None and level.sleeps:
        drive.climb(at_ns, "log_read", EXPORTER)
        return _registers(at_ns, RESET_NS, 0x00, 0x00)
    _read_effects(drive, at_ns)
    make = _RECORDS.get(page)
    if kind.response is Response.ABORTS or make is None:
        if kind.interface is Interface.SAS:
            return _refusal(at_ns, delay)
        return _registers(at_ns, delay, 0x00, ata.READY | ata.ERR, ata.ABRT)
    answered_ns = max(at_ns, drive.ready_ns) + delay
    return answered_ns, Completion(GOOD, 0, 0, b"", make(drive, at_ns), answered_ns - at_ns)


def _read_effects(drive: Drive, at_ns: int) -> None:
    """What reading a record does to the drive, beside the reply."""
    if drive.stopped and drive.kind.wakes_on_log_read:
        drive.climb(at_ns, "log_read", EXPORTER)
    if drive.kind.restarts_on_log_read:
        drive.restart_timer(at_ns)


def _identify(drive: Drive, at_ns: int) -> bytes:
    kind = drive.kind
    epc = any(level.condition for level in kind.ladder)
    return identify.encode(
        identify.Identify(
            serial="",
            firmware="SIM1",
            model=kind.model,
            wwn=None,
            rotation_rpm=kind.rpm,
            non_rotating=False,
            apm_enabled=kind.apm is not None,
            apm_level=kind.apm,
            epc_supported=epc,
            epc_enabled=epc,
            standard_timer=True,
            gpl_supported=True,
        )
    )


def _smart(drive: Drive, at_ns: int) -> bytes:
    raws = smart(drive, at_ns)
    return logs.encode_smart(
        [
            logs.Attribute(number, 0x0032, 100, 100, value.to_bytes(6, "little"))
            for number, value in raws.items()
        ]
    )


def _statistics(number: int) -> Callable[[Drive, int], bytes]:
    def make(drive: Drive, at_ns: int) -> bytes:
        values = {
            log.STATISTICS[at]: value
            for at, value in statistics(drive, at_ns).items()
            if at[0] == number
        }
        return log.encode_statistics(number, values)

    return make


def _timers_ms(drive: Drive) -> Mapping[Condition, int]:
    """Timers of the power conditions; the legacy timer cannot be read back (from memory)."""
    return {
        level.condition: 0 if level.stopped and drive.timer_lost else level.after_ns // MILLISECOND
        for level in drive.kind.ladder
        if level.condition is not None
    }


def _conditions(drive: Drive, at_ns: int) -> bytes:
    return log.encode_conditions(_timers_ms(drive))


def _mode_page(drive: Drive, at_ns: int) -> bytes:
    return modes.encode_timers(_timers_ms(drive))


def _start_stop(drive: Drive, at_ns: int) -> bytes:
    drive.settle(at_ns)
    kind = drive.kind
    return logs.encode_start_stop(
        logs.StartStop(
            rated_start_stop=kind.rated_start_stop,
            start_stops=start_stops(drive),
            rated_load=kind.rated_load,
            loads=drive.odometer.loads,
        )
    )


def _transitions(drive: Drive, at_ns: int) -> bytes:
    drive.settle(at_ns)
    entered = drive.odometer.entered
    levels = [level.name for level in drive.kind.ladder]
    return logs.encode_transitions({f"to_{name}": entered.get(name, 0) for name in (TOP, *levels)})


_RECORDS: Mapping[Page, Callable[[Drive, int], bytes]] = {
    (ata.IDENTIFY_DEVICE, 0): _identify,
    (ata.SMART, ata.SMART_SIGNATURE): _smart,
    (ata.READ_LOG_EXT, 0x0104): _statistics(0x01),
    (ata.READ_LOG_EXT, 0x0304): _statistics(0x03),
    (ata.READ_LOG_EXT, 0x0008): _conditions,
    (pages.LOG_SENSE, pages.START_STOP_CYCLES): _start_stop,
    (pages.LOG_SENSE, pages.TRANSITIONS): _transitions,
    (pages.MODE_SENSE_10, pages.POWER_CONDITION): _mode_page,
}
_ATA_RECORDS = frozenset({ata.IDENTIFY_DEVICE, ata.SMART, ata.READ_LOG_EXT})


def start_stops(drive: Drive) -> int:
    """Starts of an ATA drive; complete cycles of a SAS drive (MAX3073 manual, 4-66)."""
    meter = drive.odometer
    return meter.stops if drive.kind.interface is Interface.SAS else meter.starts


def smart(drive: Drive, at_ns: int) -> Mapping[int, int]:
    """Raw values by attribute number; names as in public drive databases, spin-up time in ms."""
    drive.settle(at_ns)
    meter = drive.odometer
    return {
        3: meter.spinup_ns // MILLISECOND,  # spin-up time
        4: meter.starts,  # start/stop count
        9: meter.powered_ns // HOUR,  # power-on hours
        10: meter.spin_retries,
        12: meter.power_cycles,
        192: meter.retracts,  # power-off retract count
        193: meter.loads,  # load cycle count
    }


def statistics(drive: Drive, at_ns: int) -> Mapping[tuple[int, int], int]:
    """Device Statistics by (page, offset); ACS-3 log 04h, offsets from memory."""
    drive.settle(at_ns)
    meter = drive.odometer
    return {
        (0x01, 0x008): meter.power_cycles,  # lifetime power-on resets
        (0x01, 0x010): meter.powered_ns // HOUR,
        (0x03, 0x008): meter.spinning_ns // HOUR,  # spindle motor power-on hours
        (0x03, 0x018): meter.loads,  # head load events
        (0x03, 0x040): meter.retracts,  # high-priority unload events
    }
