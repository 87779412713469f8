"""Commands and exit codes: 0; 1 for a finding or a failed check; 2 for bad input, in one line."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from typing import NoReturn

from spinledger import __version__
from spinledger.cli import (
    capture,
    check,
    config,
    decode,
    history,
    look,
    pack,
    rehearse,
    replay,
    serve,
    wear,
)
from spinledger.config.near import nearest, shown
from spinledger.errors import BadInput, Refusal, Unavailable
from spinledger.log import fail

COMMANDS = {
    "serve": (serve, "run the exporter"),
    "look": (look, "show the disks: state, sleep, spin-ups, findings"),
    "check": (check, "check the configuration, the permissions, and what each disk supports"),
    "config": (config, "print a commented configuration for the disks found"),
    "decode": (decode, "decode sense data: the power state it reports"),
    "history": (history, "print the recorded spans, spin-ups and days"),
    "wear": (wear, "show the drive's counters, and when a rating will be used up"),
    "capture": (capture, "record which program uses which disk, as a trace for replay"),
    "replay": (replay, "calculate what other standby timers would have done"),
    "rehearse": (rehearse, "run the exporter on simulated disks, a month in a few minutes"),
    "pack": (pack, "write the rules, runbooks, dashboards and sample configurations"),
}


class _Parser(argparse.ArgumentParser):
    """Bad arguments are one line on standard error, with the fix."""

    def error(self, message: str) -> NoReturn:
        wrong = re.search("COMMAND: invalid choice: '([^']*)'", message)
        if wrong:
            near = nearest(wrong[1], COMMANDS)
            fix = f"did you mean {near}" if near else f"choose from {', '.join(COMMANDS)}"
            message = f"there is no command {shown(wrong[1])}; {fix}"
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(
        prog="spinledger", description="Records and exports the power state of rotating disks."
    )
    top.add_argument("-V", "--version", action="version", version=f"spinledger {__version__}")
    commands = top.add_subparsers(
        title="commands", dest="command", metavar="COMMAND", required=True
    )
    for name, (module, words) in COMMANDS.items():
        command = commands.add_parser(name, help=words, description=words.capitalize() + ".")
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    arguments = parser().parse_args(argv)
    try:
        return int(arguments.run(arguments))
    except (BadInput, Refusal, Unavailable) as refused:
        fail(str(refused))
        return 2
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except MemoryError:
        fail("no memory is left; the ledger keeps what was recorded; raise the limit (MemoryMax)")
        return 1
    except KeyboardInterrupt:
        return 130
