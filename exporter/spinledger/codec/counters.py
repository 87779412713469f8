"""The drive's counters: which commands read them, and what their replies say.

Rules: a record is taken whole or not at all. `Undecodable` carries the reason: REJECTED where the
drive has no such record, MALFORMED where its bytes contradict themselves. A value the drive does
not report is absent, never zero. Whether a value is plausible is judged in `wear.reading`.

The commands of a plan are read one at a time, and only while others move sectors: each
may spin up a sleeping drive, and some drives restart their standby timer at a log read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from spinledger.codec import ata, identify, logs, modes, packings, sat, statistics
from spinledger.codec import sense as envelope
from spinledger.codec.octets import malformed
from spinledger.codec.reply import GOOD, STATE_PROBES, check_arrival, interpret
from spinledger.errors import Misuse, Undecodable
from spinledger.model import (
    Command,
    Completion,
    Condition,
    Disk,
    Reason,
    Record,
    Refused,
    Reply,
    Reported,
)

# Name: unit. Counts are since the drive was made. A name ends in its unit unless it is a count.
NAMES: Mapping[str, str] = {
    "start_stops": "starts; of SCSI drives complete cycles, the present one not included",
    "loads": "head loads",
    "retracts": "emergency unloads",
    "power_cycles": "times power came",
    "power_on_s": "seconds",
    "power_on_raw": "attribute 9 as it stands, 48 bits",
    **{
        f"{row.name}{packings.RAW}": "the count's attribute as it stands, 48 bits"
        for row in packings.MEANINGS
        if not row.name.endswith(packings.RAW)
    },
    "spindle_s": "seconds the motor ran",
    "rated_start_stop": "cycles the maker specifies",
    "rated_load": "cycles the maker specifies",
    "apm_level": "01h-FEh, absent while off",
    "gpl": "0 or 1: General Purpose Logging",
    "epc_supported": "0 or 1",
    "epc_enabled": "0 or 1",
    **{f"{condition}_ms": "milliseconds of its timer; 0: off" for condition in Condition},
    **dict.fromkeys(logs.TRANSITIONS.values(), "transitions"),
}

_HOURS = {"power_on_h": "power_on_s", "spindle_h": "spindle_s"}


def plan(disk: Disk, identified: Record | None = None) -> tuple[Command, ...]:
    """The commands that read this disk's counters, in order; none where it may not be probed.

    `identified` is its last IDENTIFY record, fresher than the words the kernel cached. A bridge
    that takes only the 12-byte form gets none: a log needs the 16-byte one.
    """
    if disk.probe_method is Command.REQUEST_SENSE:
        return (Command.START_STOP_LOG, Command.TRANSITIONS_LOG, Command.POWER_CONDITION_MODE)
    if disk.probe_method is not Command.CHECK_POWER_MODE_16:
        return ()
    known = identified.values if identified else {}
    commands = [Command.IDENTIFY_DEVICE, Command.SMART_READ_DATA]
    if known.get("gpl", disk.gpl):
        commands += [Command.DEVICE_STATISTICS_GENERAL, Command.DEVICE_STATISTICS_ROTATING]
        if known.get("epc_supported", disk.epc):
            commands.append(Command.POWER_CONDITIONS_LOG)
    return tuple(commands)


def understand(command: Command, completion: Completion) -> Reported | Record:
    """What any command's completion says; `Undecodable` if nothing."""
    if command in STATE_PROBES:
        return interpret(command, completion)
    return read(command, completion)


def reply_of(command: Command, completion: Completion) -> Reply:
    """The same for any completion: bytes that say nothing are a refusal, never a state."""
    try:
        return understand(command, completion)
    except Undecodable as error:
        return Refused(Reason(error.reason), error.detail)


def read(command: Command, completion: Completion) -> Record:
    """The record in a completion, its values by `NAMES`; `Undecodable` with a `model.Reason`."""
    decode = _DECODERS.get(command)
    if decode is None:
        raise Misuse(f"{command} gives no record")
    check_arrival(completion)
    if completion.status != GOOD:
        _judge(completion)
    values = decode(completion.data)
    unknown = values.keys() - NAMES.keys()
    if unknown:
        raise Misuse(f"a record of {command} names {', '.join(sorted(unknown))}")
    return Record(command, values)


def _judge(completion: Completion) -> None:
    """Raise `Undecodable` unless the sense data beside the record says that it is one."""
    sense = envelope.parse(completion.sense)
    returned = None if sense.deferred else sat.find_return(sense)
    if returned is not None:
        ata.check_status(returned.status, returned.error)
    if sense.key in envelope.REFUSALS and not sense.deferred:
        raise Undecodable(Reason.REJECTED, str(sense))
    if sense.deferred or sense.key != envelope.RECOVERED_ERROR:
        raise Undecodable(Reason.OTHER_SENSE, str(sense))


def _identify(data: bytes) -> Mapping[str, int]:
    identify.check_integrity(data)
    view = identify.decode(data)
    if not view.model:
        raise malformed("IDENTIFY DEVICE data without a model name")
    flags = {
        "gpl": view.gpl_supported,
        "epc_supported": view.epc_supported,
        "epc_enabled": view.epc_enabled,
    }
    values = {name: int(flag) for name, flag in flags.items()}
    if view.apm_level is not None:
        values["apm_level"] = view.apm_level
    return values


def _smart(data: bytes) -> Mapping[str, int]:
    attributes = {one.number: one.value for one in logs.decode_smart(data)}
    if not attributes:
        raise malformed("SMART data without one attribute")
    values: dict[str, int] = {}
    for row in packings.MEANINGS:
        if row.number in attributes:
            name, value = packings.meaning(row.name, attributes[row.number])
            other = row.name if name != row.name else row.name + packings.RAW
            values.pop(other, None)  # of an earlier row of the same name
            values[name] = value
    return values


def _statistics(page: int) -> Callable[[bytes], Mapping[str, int]]:
    def decode(data: bytes) -> Mapping[str, int]:
        return {
            _HOURS.get(name, name): 3600 * value if name in _HOURS else value
            for name, value in statistics.decode_statistics(data, page).items()
        }

    return decode


def _conditions(data: bytes) -> Mapping[str, int]:
    return _timers(statistics.decode_conditions(data))


def _mode(data: bytes) -> Mapping[str, int]:
    return _timers(modes.decode_timers(data))


def _timers(timers_ms: Mapping[Condition, int]) -> Mapping[str, int]:
    return {f"{condition}_ms": timer for condition, timer in timers_ms.items()}


def _start_stop(data: bytes) -> Mapping[str, int]:
    view = logs.decode_start_stop(data)
    names = ("rated_start_stop", "start_stops", "rated_load", "loads")
    fields = {name: getattr(view, name) for name in names}
    # All ones are "not reported", and a specified count of zero specifies nothing (common practice,
    # no source).
    return {
        name: value
        for name, value in fields.items()
        if value not in (None, packings.MOST) and (value or not name.startswith("rated"))
    }


_DECODERS: Mapping[Command, Callable[[bytes], Mapping[str, int]]] = {
    Command.IDENTIFY_DEVICE: _identify,
    Command.SMART_READ_DATA: _smart,
    Command.DEVICE_STATISTICS_GENERAL: _statistics(0x01),
    Command.DEVICE_STATISTICS_ROTATING: _statistics(0x03),
    Command.POWER_CONDITIONS_LOG: _conditions,
    Command.START_STOP_LOG: _start_stop,
    Command.TRANSITIONS_LOG: logs.decode_transitions,
    Command.POWER_CONDITION_MODE: _mode,
}
