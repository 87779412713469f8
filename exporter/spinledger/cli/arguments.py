"""Arguments that several commands share."""

from __future__ import annotations

import argparse
import os
import stat
from pathlib import Path

from spinledger.config import values
from spinledger.config.load import USUAL, find, load
from spinledger.config.settings import Config
from spinledger.errors import BadConfig, BadInput
from spinledger.model import SECOND

DISK_HELP = "the disk, by kernel name, serial number or identity"


def add_config(parser: argparse._ActionsContainer) -> None:
    """`--config FILE`."""
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help=f"configuration file; default: {USUAL} if there is one, else built-in defaults",
    )


def configuration(arguments: argparse.Namespace) -> Config:
    """The settings that `--config` gives. Raises BadConfig."""
    return load(find(arguments.config))


def ledger_file(path: Path) -> Path:
    """The path if a file is there. Raises BadInput."""
    try:
        if stat.S_ISREG(os.stat(path).st_mode):
            return path
    except PermissionError:
        fix = "run this as root, or name a copy"
        raise BadInput(str(path), "you may not read it", fix) from None
    except OSError:
        pass
    raise BadInput(str(path), "there is no such file", "name a ledger file")


def address(text: str) -> tuple[str, int]:
    """HOST:PORT, [V6]:PORT or :PORT; an empty host is 127.0.0.1."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not port.isdecimal() or int(port) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is not HOST:PORT, such as 127.0.0.1:9786")
    return host or "127.0.0.1", int(port)


def length(text: str) -> int:
    """A duration as the configuration has it, or decimal seconds: nanoseconds, 0 or more."""
    try:
        return values.length(text)
    except BadConfig as bad:
        fix = f"{bad.fix}, or decimal seconds"
        raise argparse.ArgumentTypeError(f"{bad.what}; {fix}") from None


def positive_length(text: str) -> int:
    """Likewise, above 0."""
    length_ns = length(text)
    if not length_ns:
        raise argparse.ArgumentTypeError("must be longer than 0; write it such as 40s or 8h")
    return length_ns


def seconds(text: str) -> float:
    """Likewise, in seconds."""
    return positive_length(text) / SECOND


def positive(text: str) -> float:
    """A number above zero."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return value
