"""`spinledger decode`: the power state that sense data reports."""

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
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """Print the state, and why."""
    decoded = decode_hex(arguments.hex)
    if arguments.json:
        print(json.dumps(decoded))
        return 0
    print(f"state      {decoded['state']}")
    for key in ("condition", "reason", "source"):
        if decoded[key]:
            print(f"{key:10} {decoded[key]}")
    return 0
