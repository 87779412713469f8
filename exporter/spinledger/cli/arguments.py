"""Arguments that several commands share, and their one-line complaints."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_config(parser: argparse.ArgumentParser) -> None:
    """`--config F`."""
    parser.add_argument(
        "--config", type=Path, metavar="F", help="the configuration file; none: built-in defaults"
    )


def address(text: str) -> tuple[str, int]:
    """HOST:PORT, [V6]:PORT or :PORT; an empty host is 127.0.0.1."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not port.isdecimal() or int(port) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is not HOST:PORT, such as 127.0.0.1:9786")
    return host or "127.0.0.1", int(port)


def positive(text: str) -> float:
    """A number above zero."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return value
