"""`spinledger rehearse`: simulated disks through the real code, a month in a few minutes.

Only `--config` names a configuration: the same command gives the same result on every host.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from contextlib import ExitStack, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from spinledger.cli.arguments import length, positive
from spinledger.cli.bar import Bar
from spinledger.errors import BadInput
from spinledger.ledger.summary import lifetime
from spinledger.model import DAY, HOUR, SECOND, State
from spinledger.sim.rehearse import (
    START_WALL_NS,
    Rehearsal,
    Rehearsed,
    ends_wall_ns,
    rehearse,
)
from spinledger.store.plain import FIX, refuse_disk

NOW = "now"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="configuration file; default: built-in defaults"
    )
    parser.add_argument("--days", type=positive, metavar="N", help="how many days")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="random seed")
    parser.add_argument("--disks", type=int, default=8, metavar="N", help="how many disks")
    parser.add_argument("--host", default="attic", help="which host to simulate: attic or dome")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME[@FROM[/UNTIL]]",
        help="simulate this fault",
    )
    parser.add_argument(
        "--zone", default="Europe/Prague", help="time zone of the simulation (Europe/Prague)"
    )
    parser.add_argument(
        "--end", metavar="TIME", help="when it ends (ISO, UTC), or `now`; default: a fixed day"
    )
    parser.add_argument(
        "--openmetrics", type=Path, metavar="FILE", help="write series with timestamps to a file"
    )
    parser.add_argument("--job", default="spinledger", metavar="J", help="label job of the series")
    parser.add_argument(
        "--instance", default="localhost:9786", metavar="I", help="label instance of the series"
    )
    parser.add_argument(
        "--leave-out",
        type=length,
        default=0,
        metavar="DURATION",
        help="write no series for this much of the end",
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="keep the ledger in this file")
    parser.add_argument(
        "--continue",
        dest="goes_on",
        action="store_true",
        help="go on from the ledger's end until --end; seed, disks, host and faults as before",
    )


def run(arguments: argparse.Namespace) -> int:
    """Rehearse, and print the ledger's figures beside the simulation's own."""
    rehearsal = _rehearsal(arguments)
    with ExitStack() as held:
        ledger = arguments.ledger
        if ledger is None:
            folder = held.enter_context(tempfile.TemporaryDirectory(prefix="spinledger-"))
            ledger = Path(folder) / "rehearsed.db"
        if ledger.exists() and not arguments.goes_on:
            raise BadInput(f"--ledger {ledger}", "is there already", "name a file that is not")
        if arguments.openmetrics is not None:
            refuse_disk("--openmetrics", arguments.openmetrics)
        try:
            series = (
                nullcontext(None)
                if arguments.openmetrics is None
                else open(arguments.openmetrics, "w", encoding="utf-8")  # noqa: SIM115  closed below
            )
        except OSError as refused:
            place = f"--openmetrics {arguments.openmetrics}"
            raise BadInput(place, str(refused.strerror), FIX) from None
        began = time.monotonic()
        with series as out, Bar("rehearsing") as bar:
            names = (arguments.job, arguments.instance)
            done = rehearse(rehearsal, ledger, out, names, bar.show)
        if not arguments.goes_on:
            print(_compared(done), end="")
        took_s = time.monotonic() - began
        print(f"{rehearsal.days:.4g} days in {took_s:.1f} s; {done.lines} lines of series")
    return 0


def _rehearsal(arguments: argparse.Namespace) -> Rehearsal:
    if not 1 <= arguments.disks <= 200:
        raise BadInput(f"--disks {arguments.disks}", "is not 1 to 200", "give a number in between")
    if (arguments.days is None) is not arguments.goes_on:
        fix = "--continue takes --end" if arguments.goes_on else "give --days N"
        raise BadInput("--days", "says how long a new rehearsal is", fix)
    rehearsal = Rehearsal(
        days=arguments.days or 0.0,
        seed=arguments.seed,
        disks=arguments.disks,
        host=arguments.host,
        faults=tuple(arguments.fault),
        zone=arguments.zone,
        config=arguments.config,
        skip_end_ns=arguments.leave_out,
    )
    if arguments.goes_on:
        return _rest(arguments, rehearsal)
    if arguments.end is None:
        return replace(rehearsal, start_wall_ns=START_WALL_NS)
    start_wall_ns = _end_ns(arguments.end) - round(rehearsal.days * DAY)
    return replace(rehearsal, start_wall_ns=start_wall_ns)


def _rest(arguments: argparse.Namespace, rehearsal: Rehearsal) -> Rehearsal:
    """From the ledger's end on."""
    if arguments.ledger is None or not arguments.ledger.is_file() or arguments.end is None:
        fix = "give --ledger FILE and --end TIME"
        raise BadInput("--continue", "goes on with a ledger until a time", fix)
    began_ns, ends_ns = ends_wall_ns(arguments.ledger), _end_ns(arguments.end)
    if not began_ns:
        raise BadInput(f"--ledger {arguments.ledger}", "is empty", "rehearse --days N anew")
    if ends_ns <= began_ns:
        raise BadInput(f"--end {arguments.end}", "the ledger reaches it already", "end it later")
    return replace(rehearsal, start_wall_ns=began_ns, days=(ends_ns - began_ns) / DAY)


def _end_ns(text: str) -> int:
    if text == NOW:
        return time.time_ns() // SECOND * SECOND
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        fix = "write it as 2026-03-31T21:00"
        raise BadInput(f"--end {text}", "is not a time", fix) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return int(moment.timestamp()) * SECOND


def _compared(done: Rehearsed) -> str:
    """The ledger's figures beside the simulation's own."""
    truth = done.shelf.truth(done.clock.now())
    lines = [f"{'DISK':28} {'CYCLES':>7} {'TRUE':>7} {'ASLEEP h':>9} {'TRUE h':>9}"]
    for identity, account in sorted(done.loop.accounts.items()):
        totals = lifetime(account)
        cycles = totals.cycles + totals.unobserved_cycles
        asleep = totals.state_ns[State.STANDBY] / HOUR
        true = truth[identity]
        lines.append(
            f"{identity:28} {cycles:7.0f} {true.cycles:7} {asleep:9.2f}"
            f" {true.stopped_ns / SECOND / 3600:9.2f}"
        )
    return "\n".join(lines) + "\n"
