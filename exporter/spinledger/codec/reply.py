"""A completed command becomes the state that the drive reports: the only decoder of replies.

Rules: the reply is judged from the outside in: host adapter, driver, SCSI status, sense envelope,
ATA status, and only then the value. Whatever fails on the way is `Undecodable`; nothing is ever
guessed into a state.

CHECK POWER MODE is answered by an ATA status return, in sense data that may come with CHECK
CONDITION or, where the kernel took RECOVERED ERROR for the success it is, with GOOD. Accepted are
RECOVERED ERROR 00/1D, and NO SENSE with 00/1D or (old kernels) 00/00 (Linux commit "Set proper
SK when CK_COND is set"). The returned ATA status is judged before the sense key, since a cleared
status under ABORTED COMMAND is a link reset and not a refusal.

REQUEST SENSE is answered by its data, under GOOD.

A SCSI status other than these two (BUSY, RESERVATION CONFLICT, TASK ABORTED, ...) is no lasting
refusal: OTHER_SENSE, so that the probe is repeated a period later. CHECK CONDITION
without one byte of sense data contradicts itself: MALFORMED.
"""

from __future__ import annotations

from spinledger.codec import ata, sat, scsi
from spinledger.codec import sense as envelope
from spinledger.codec.octets import spell
from spinledger.codec.sense import Sense
from spinledger.errors import Misuse, Undecodable
from spinledger.model import Command, Completion, Reason, Reported

GOOD, CHECK_CONDITION = 0x00, 0x02  # SAM-5 status codes, from memory
_SENSE_PRESENT = 0x08  # driver_status of SG_IO: sense data came along, which is normal

STATE_PROBES = frozenset(
    {Command.CHECK_POWER_MODE_16, Command.CHECK_POWER_MODE_12, Command.REQUEST_SENSE}
)
"""Commands whose reply is a state; the others' is a record (`codec.counters`)."""

_SUCCESS = (
    (envelope.RECOVERED_ERROR, envelope.ATA_INFORMATION),
    (envelope.NO_SENSE, envelope.ATA_INFORMATION),
    (envelope.NO_SENSE, envelope.NO_CODE),
)


def interpret(command: Command, completion: Completion) -> Reported:
    """The state the drive reports; `Undecodable` with a `model.Reason` if it reports none."""
    if command not in STATE_PROBES:
        raise Misuse(f"{command} is not a probe of the state")
    check_arrival(completion)
    if command is Command.REQUEST_SENSE:
        return _request_sense(completion)
    if completion.status == GOOD and not completion.sense:
        raise Undecodable(Reason.NO_REGISTERS, "GOOD without an ATA status return")
    return judge_ata(envelope.parse(completion.sense))


def check_arrival(completion: Completion) -> None:
    """Raise `Undecodable` unless the command reached the device and GOOD or sense came back."""
    if completion.host_status:
        raise Undecodable(
            Reason.HOST_ERROR, f"host adapter status {completion.host_status:02X}h (SG_IO)"
        )
    if completion.driver_status not in (0, _SENSE_PRESENT):
        raise Undecodable(
            Reason.HOST_ERROR, f"driver status {completion.driver_status:02X}h (SG_IO)"
        )
    if completion.status not in (GOOD, CHECK_CONDITION):
        raise Undecodable(
            Reason.OTHER_SENSE,
            f"SCSI status {completion.status:02X}h; sense {spell(completion.sense)}",
        )


def judge_ata(sense: Sense) -> Reported:
    """The state that sense data of CHECK POWER MODE reports, by the rules above."""
    returned = None if sense.deferred else sat.find_return(sense)
    if returned is None:
        raise Undecodable(_why_none(sense), str(sense))
    ata.check_status(returned.status, returned.error)
    if sense.key in envelope.REFUSALS:
        raise Undecodable(Reason.REJECTED, str(sense))
    if (sense.key, sense.code) not in _SUCCESS:
        raise Undecodable(Reason.OTHER_SENSE, str(sense))
    return ata.decode_count(returned.count)


def _request_sense(completion: Completion) -> Reported:
    """The state that the data of REQUEST SENSE report."""
    if completion.status == GOOD:
        return scsi.decode_power_sense(envelope.parse(completion.data))
    sense = envelope.parse(completion.sense)
    refused = sense.key in envelope.REFUSALS and not sense.deferred
    raise Undecodable(Reason.REJECTED if refused else Reason.OTHER_SENSE, str(sense))


def _why_none(sense: Sense) -> Reason:
    """Why sense data without a status return holds no state."""
    if sense.deferred:
        return Reason.OTHER_SENSE
    if sense.key in envelope.REFUSALS:
        return Reason.REJECTED
    if sense.key in (envelope.NO_SENSE, envelope.RECOVERED_ERROR):
        return Reason.NO_REGISTERS
    return Reason.OTHER_SENSE
