"""`spinledger rehearse`: a simulated shelf through the real code, a month in a minute."""

from __future__ import annotations

import argparse
import tempfile
import time
from contextlib import ExitStack, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from spinledger.cli.arguments import add_config, positive
from spinledger.cli.bar import Bar
from spinledger.config.values import duration
from spinledger.errors import BadConfig, BadInput
from spinledger.ledger.summary import lifetime
from spinledger.model import DAY, HOUR, SECOND, State
from spinledger.sim.rehearse import (
    START_WALL_NS,
    Rehearsal,
    Rehearsed,
    ends_wall_ns,
    rehearse,
)

NOW = "now"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument("--days", type=positive, metavar="N", help="how long")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="which shelf")
    parser.add_argument("--disks", type=int, default=8, metavar="N", help="how many disks")
    parser.add_argument("--host", default="attic", help="attic or dome")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME[@FROM[/UNTIL]]", help="order a fault"
    )
    parser.add_argument("--zone", default="Europe/Prague", help="where the shelf's people live")
    parser.add_argument(
        "--end", metavar="TIME", help="when it ends (ISO, UTC), or `now`; default: a fixed day"
    )
    parser.add_argument("--openmetrics", type=Path, metavar="FILE", help="series for backfill")
    parser.add_argument("--job", default="spinledger", metavar="J", help="label of the series")
    parser.add_argument("--instance", default="localhost:9786", metavar="I", help="likewise")
    parser.add_argument(
        "--leave-out", default="0", metavar="DURATION", help="no series for this much of the end"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="keep the ledger here")
    parser.add_argument(
        "--continue",
        dest="goes_on",
        action="store_true",
        help="go on from the ledger's end until --end; seed, disks, host and faults as before",
    )


def run(arguments: argparse.Namespace) -> int:
    """Rehearse and say what came of it."""
    asked = _asked(arguments)
    with ExitStack() as held:
        ledger = arguments.ledger
        if ledger is None:
            folder = held.enter_context(tempfile.TemporaryDirectory(prefix="spinledger-"))
            ledger = Path(folder) / "rehearsed.db"
        if ledger.exists() and not arguments.goes_on:
            raise BadInput(f"--ledger {ledger}", "is there already", "name a file that is not")
        try:
            series = (
                nullcontext(None)
                if arguments.openmetrics is None
                else open(arguments.openmetrics, "w", encoding="utf-8")  # noqa: SIM115  closed below
            )
        except OSError as refused:
            fix = "name a file in a folder you may write to"
            place = f"--openmetrics {arguments.openmetrics}"
            raise BadInput(place, str(refused.strerror), fix) from None
        began = time.monotonic()
        with series as out, Bar("rehearsing") as bar:
            names = (arguments.job, arguments.instance)
            done = rehearse(asked, ledger, out, names, bar.show)
        if not arguments.goes_on:
            print(_compared(done), end="")
        took_s = time.monotonic() - began
        print(f"{asked.days:.4g} days in {took_s:.1f} s; {done.lines} lines of series")
    return 0


def _asked(arguments: argparse.Namespace) -> Rehearsal:
    if not 1 <= arguments.disks <= 200:
        raise BadInput(f"--disks {arguments.disks}", "is not 1 to 200", "give a number in between")
    try:
        left_out_ns = duration(arguments.leave_out)
    except BadConfig as bad:
        raise BadInput(f"--leave-out {arguments.leave_out}", bad.what, bad.fix) from None
    if (arguments.days is None) is not arguments.goes_on:
        fix = "--continue takes --end" if arguments.goes_on else "give --days N"
        raise BadInput("--days", "says how long a new rehearsal is", fix)
    asked = Rehearsal(
        days=arguments.days or 0.0,
        seed=arguments.seed,
        disks=arguments.disks,
        host=arguments.host,
        faults=tuple(arguments.fault),
        zone=arguments.zone,
        config=arguments.config,
        skip_end_ns=left_out_ns,
    )
    if arguments.goes_on:
        return _rest(arguments, asked)
    if arguments.end is None:
        return replace(asked, start_wall_ns=START_WALL_NS)
    return replace(asked, start_wall_ns=_end_ns(arguments.end) - round(asked.days * DAY))


def _rest(arguments: argparse.Namespace, asked: Rehearsal) -> Rehearsal:
    """From the ledger's end on."""
    if arguments.ledger is None or not arguments.ledger.is_file() or arguments.end is None:
        fix = "give --ledger FILE and --end TIME"
        raise BadInput("--continue", "goes on with a ledger until a time", fix)
    began_ns, ends_ns = ends_wall_ns(arguments.ledger), _end_ns(arguments.end)
    if not began_ns:
        raise BadInput(f"--ledger {arguments.ledger}", "is empty", "rehearse --days N anew")
    if ends_ns <= began_ns:
        raise BadInput(f"--end {arguments.end}", "the ledger reaches it already", "end it later")
    return replace(asked, start_wall_ns=began_ns, days=(ends_ns - began_ns) / DAY)


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
    """The ledger beside the simulator's own tally."""
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
