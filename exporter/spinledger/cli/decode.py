"""`spinledger decode`: what sense bytes say."""

from __future__ import annotations

import argparse
import json

from spinledger.codec.explain import decode_hex


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "hex",
        nargs="+",
        metavar="HEX",
        help="sense data as hexadecimal bytes, with or without spaces, any case",
    )
    parser.add_argument("--json", action="store_true", help="JSON instead of words")


def run(arguments: argparse.Namespace) -> int:
    """Print the state, and why."""
    given = decode_hex(arguments.hex)
    if arguments.json:
        print(json.dumps(given))
        return 0
    print(f"state      {given['state']}")
    for key in ("condition", "reason", "source"):
        if given[key]:
            print(f"{key:10} {given[key]}")
    return 0
