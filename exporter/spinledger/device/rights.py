"""What `serve` gives up when root starts it by hand: capabilities(7) that only its children need.

Rules of this module: a capability is given up only where a program that this process starts has it
again, as the prober and smartctl do: as user root, without no_new_privs and SECBIT_NOROOT. Whoever
is no root has been given what it has, and keeps it.
"""

from __future__ import annotations

import ctypes
import os
import struct
from contextlib import suppress
from pathlib import Path

# include/uapi/linux/capability.h
CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH, CAP_FOWNER = 1, 2, 3
KEPT = 1 << CAP_DAC_OVERRIDE | 1 << CAP_DAC_READ_SEARCH | 1 << CAP_FOWNER
"""To read certificates and write a ledger that belong to the user of the service."""

_VERSION_3 = 0x20080522
_PR_GET_SECUREBITS, _SECBIT_NOROOT = 27, 1  # include/uapi/linux/prctl.h, securebits.h
_LIBC = ctypes.CDLL(None, use_errno=True)


def give_up() -> None:
    """Keep KEPT alone of the effective and permitted capabilities of this thread and of those that
    it starts. To be called before there are others.
    """
    status = _status()
    if (
        os.geteuid()
        or status.get("NoNewPrivs", 1)
        or _LIBC.prctl(_PR_GET_SECUREBITS) & _SECBIT_NOROOT
    ):
        return
    kept, inheritable = status["CapPrm"] & KEPT, status["CapInh"]
    header = struct.pack("=Ii", _VERSION_3, 0)
    data = b"".join(
        struct.pack("=3I", *(mask >> shift & 0xFFFFFFFF for mask in (kept, kept, inheritable)))
        for shift in (0, 32)
    )
    _LIBC.capset(header, data)


def _status() -> dict[str, int]:
    """The numbers of proc_pid_status(5) that are asked for here."""
    found = {}
    with suppress(OSError):
        for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
            name, _, text = line.partition(":")
            if name in ("NoNewPrivs", "CapPrm", "CapInh"):
                found[name] = int(text, 16)
    return found
