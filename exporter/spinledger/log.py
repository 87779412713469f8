"""Lines for the operator, on standard error, by the standard library's logging.

Rules: a line never raises and never waits. One that cannot be written (the disk is full, the
reader is gone or does not read) is lost, and the exporter goes on. Under systemd each line begins
with its priority (sd-daemon(3): <3> error, <4> warning, <6> information), so that `journalctl -p`
selects; systemd.exec(5) describes `JOURNAL_STREAM`. Who calls says each matter once.
"""

from __future__ import annotations

import logging
import os
import select
import sys

LONGEST = 4000  # bytes; a pipe that is ready takes PIPE_BUF, 4096, without waiting (pipe(7))

_PRIORITIES = {logging.ERROR: 3, logging.WARNING: 4, logging.INFO: 6}
_LOG = logging.getLogger("spinledger")


def say(line: str) -> None:
    """Something has happened, as it should."""
    _LOG.info("%s", line)


def warn(line: str) -> None:
    """Something deserves attention."""
    _LOG.warning("%s", line)


def fail(line: str) -> None:
    """Something does not work."""
    _LOG.error("%s", line)


class _StandardError(logging.Handler):
    """Writes to standard error as it is at that moment."""

    def emit(self, record: logging.LogRecord) -> None:
        try:
            line = f"spinledger: {record.getMessage()}\n"
            stream = sys.stderr
            try:
                descriptor = stream.fileno()
            except (OSError, ValueError):  # not a file, as in a test
                stream.write(line)
                return
            if _is_journal(descriptor):
                line = f"<{_PRIORITIES.get(record.levelno, 6)}>{line}"
            ready = select.poll()
            ready.register(descriptor, select.POLLOUT)
            if ready.poll(0):
                whole = line.encode("utf-8", "backslashreplace")
                cut = whole if len(whole) <= LONGEST else whole[: LONGEST - 1] + b"\n"
                os.write(descriptor, cut)
        except Exception:  # see the rules; there is nowhere to say it
            pass


def _is_journal(descriptor: int) -> bool:
    named = os.environ.get("JOURNAL_STREAM", "")
    if not named:
        return False
    it = os.fstat(descriptor)
    return named == f"{it.st_dev}:{it.st_ino}"


_LOG.addHandler(_StandardError())
_LOG.setLevel(logging.INFO)
_LOG.propagate = False
