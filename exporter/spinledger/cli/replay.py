"""`spinledger replay`: what other standby timers, or another load, would have done.

Rules: the computation is in `whatif`; here are only arguments and files. Bad input raises BadInput,
which the caller prints as one line with exit code 2. Options that change the load apply in the
order --without, --absorb, --hold; what they leave is replayed as if it were the trace.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import chain, islice
from pathlib import Path

from spinledger.app.capture import disk_here
from spinledger.cli import replay_plot, replay_report
from spinledger.cli.arguments import DISK_HELP, add_config, ledger_file, length
from spinledger.cli.bar import Bar
from spinledger.cli.exporter import add_exporter
from spinledger.cli.replay_exported import exported
from spinledger.cli.replay_report import Setting
from spinledger.cli.traces import Progress, Trace
from spinledger.config.load import find, load
from spinledger.config.zones import host_zone, time_zone
from spinledger.errors import BadInput, BadTrace, Unavailable
from spinledger.model import SECOND, Disk, State
from spinledger.quiet.hours import Calendar
from spinledger.store.history import History, PastGap
from spinledger.store.history import read as read_ledger
from spinledger.store.plain import FIX, refuse_disk
from spinledger.whatif.replay import (
    DEFAULT_TIMERS_NS,
    Outcome,
    Replay,
    Terms,
    choose_of,
    worth,
)
from spinledger.whatif.trace import READ, WRITE, Row, absorb, hold, without
from spinledger.whatif.woken import Between, merged

SEEDS = (1, 2, 3, 4, 5)  # of --absorb
MOST_NAMED = 8  # actors in a message
MOST_TIMERS = 512
SHORTEST_KEPT_NS = 60 * SECOND  # of the gaps that a ledger keeps
WITHOUT = (
    "Without {}: its spin-ups, and all I/O after each up to the next pause of a minute, are left "
    "out. What it did while the disk was spinning anyway is not known apart and stays, so there "
    "would be fewer spin-ups than shown; a trace (`spinledger capture`) has all of it."
)
NO_DISK = Disk("", ("",), "", "", "", "", "", 0, "", "", probe_method=None, diskseq=0)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--ledger", metavar="F", type=Path, help="replay the gaps in a ledger")
    source.add_argument("--trace", metavar="F.csv", type=Path, help="replay a trace file")
    parser.add_argument(
        "--disk", metavar="NAME", help=f"{DISK_HELP}, where the ledger or trace has several"
    )
    for option, name, words in (
        ("--timers", "5m,10m", "standby timers to try, also in seconds"),
        ("--budget", "N", "acceptable spin-ups a day"),
        ("--without", "ACTOR", "leave out the I/O of this program"),
        ("--absorb", "SHARE", "let a cache answer this share of the reads, 0 to 1"),
        ("--hold", "DURATION", "delay writes by this time and write them together"),
        ("--spinup", "DURATION", "duration of a spin-up; I/O during it waits"),
    ):
        parser.add_argument(option, metavar=name, help=words)
    settings = parser.add_mutually_exclusive_group()
    add_config(settings)
    add_exporter(settings)
    parser.add_argument("--plot", metavar="FILE", type=Path, help="write a chart as SVG")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print JSON")
    form.add_argument("--csv", action="store_true", help="print CSV")


def run(args: argparse.Namespace) -> int:
    """Replay and print. Returns 0; raises BadInput or Refusal."""
    if args.plot:
        refuse_disk("--plot", args.plot)
    name, outcomes, setting = _ledger(args) if args.ledger else _trace(args)
    runs = [[worth(outcome, setting.terms) for outcome in run] for run in outcomes]
    choice = choose_of(runs, setting.terms)
    # Longer timers are tried for the advice; of those only a recommended one is shown.
    shown = {*setting.timers_ns, choice.standby_ns}
    outcomes = [[one for one in run if one.standby_ns in shown] for run in outcomes]
    worths = [one for one in runs[0] if one.outcome.standby_ns in shown]
    if args.plot:
        drawing = replay_plot.svg(worths, choice, setting.terms, name)
        try:
            args.plot.write_text(drawing, encoding="utf-8")
        except OSError as error:
            raise BadInput(f"--plot {args.plot}", str(error.strerror), FIX) from None
    if args.json:
        report = replay_report.report(worths, outcomes, choice, setting)
        print(json.dumps(report, indent=1, allow_nan=False))
    elif args.csv:
        csv.writer(sys.stdout, lineterminator="\n").writerows(
            replay_report.rows(worths, outcomes, setting)
        )
    else:
        print("\n".join(replay_report.table(name, worths, outcomes, choice, setting)))
        if args.ledger and args.without is not None:
            print(WITHOUT.format(args.without))
    return 0


# Options


def _setting(args: argparse.Namespace, disk: Disk | None, name: str) -> Setting:
    """What applies to the disk; where no more than its name is known, that is its identity.

    From the exporter that is named, else from the configuration, else from the exporter that
    listens at the usual address, if it watches the disk; else the defaults.
    """
    path = None if args.exporter else find(args.config)
    setting = _configured(path, disk or replace(NO_DISK, identity=name))
    if args.ledger and setting.calendar is None:
        setting = replace(setting, zone=host_zone() or "UTC")
    if path is None:
        setting = exported(setting, args.exporter, name)
    if args.timers is not None:
        setting = replace(setting, timers_ns=_timers(args.timers))
    if args.spinup is not None:
        setting = replace(setting, spinup_ns=_seconds("--spinup", args.spinup))
    if args.budget is not None:
        budget = _number("--budget", args.budget, "give spin-ups a day, such as 2", 1e6)
        setting = replace(setting, terms=replace(setting.terms, budget_per_day=budget))
    return setting


def _configured(path: Path | None, disk: Disk) -> Setting:
    if path is None:
        return Setting(DEFAULT_TIMERS_NS, 0, Terms(), None)
    config = load(path)
    policy = config.policy_for(disk)
    terms = Terms(
        budget_per_day=policy.budget_per_day,
        waits_per_day=policy.waits_per_day,
        watts=policy.watts,
        spinup_j=policy.spinup_j,
        currency=config.tariff.currency if config.tariff else "",
        per_kwh=config.tariff.per_kwh if config.tariff else None,
        rated_start_stop=policy.rated_start_stop,
        rated_load=policy.rated_load,
    )
    schedule = config.schedules.get(policy.quiet) if policy.quiet else None
    calendar = Calendar(schedule, time_zone(schedule.zone, str(path))) if schedule else None
    present = {policy.declared_ns} if policy.declared_ns else set()
    timers = tuple(sorted({*policy.candidates_ns, *present}))
    return Setting(timers, policy.whatif_spinup_ns, terms, calendar)


def _timers(text: str) -> tuple[int, ...]:
    timers = {_seconds("--timers", part) for part in text.split(",")}
    if 0 in timers:
        raise BadInput("--timers", "0 disables the timer", "give seconds above 0, such as 300,600")
    if len(timers) > MOST_TIMERS:
        raise BadInput("--timers", f"{len(timers)} timers", f"give at most {MOST_TIMERS}")
    return tuple(sorted(timers))


def _seconds(option: str, text: str) -> int:
    try:
        return length(text)
    except argparse.ArgumentTypeError:
        what = f"{text[:40]!a} is not a duration"
        raise BadInput(option, what, "give it such as 5m, or as decimal seconds") from None


def _number(option: str, text: str, fix: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= most:
        raise BadInput(option, f"{text[:40]!a} is not allowed", fix)
    return value


# Sources


def history_of(path: Path, disk: str | None) -> tuple[History, str]:
    """A ledger, and the disk to replay: the only one, if none is named."""
    try:
        history = read_ledger(ledger_file(path))
    except Unavailable as bad:
        raise BadInput(f"--ledger {path}", _what(path, bad), "name a ledger file") from None
    disks = history.disks()
    if not disks:
        what = "no disk is in it: the exporter that keeps it has not written to it yet"
        fix = "stop the exporter, or wait: it writes at the end of a span and each minute"
        raise BadInput(f"--ledger {path}", what, fix)
    if disk is not None:
        return history, history.identity(disk)
    if len(disks) != 1:
        known = ", ".join(disks[:MOST_NAMED])
        what = "several disks are in it"
        raise BadInput(f"--ledger {path}", what, f"give --disk with one of: {known}")
    return history, disks[0]


def _what(path: Path, bad: Unavailable) -> str:
    return str(bad).removeprefix(f"{path}: ")


def observed_ns(history: History, disk: str) -> int:
    """Observed time, from the first gap or span to the last."""
    began: int | None = None
    ended = unobserved = 0
    last = history.open_span(disk)
    for span in chain(history.spans(disk), () if last is None else (last,)):
        began = span.began_wall_ns if began is None else began
        ended = max(ended, span.ended_wall_ns)
        if span.state == State.UNOBSERVED:
            unobserved += span.ended_wall_ns - span.began_wall_ns
    for gap in history.gaps(disk):
        began = gap.began_wall_ns if began is None else min(began, gap.began_wall_ns)
        ended = max(ended, gap.ended_wall_ns)
    return 0 if began is None else max(0, ended - began - unobserved)


def _ledger(args: argparse.Namespace) -> tuple[str, list[list[Outcome]], Setting]:
    """The disk, the outcomes of one run, and what was assumed."""
    for option in ("absorb", "hold"):
        if getattr(args, option) is not None:
            what = "a ledger has gaps, not the kind of each I/O"
            raise BadInput(f"--{option}", what, "give --trace with a trace of this disk")
    history, disk = history_of(args.ledger, args.disk)
    setting = _setting(args, history.disk(disk), disk)
    replay = setting.replay()
    if replay.timers_ns[0] < SHORTEST_KEPT_NS:
        what = "a ledger keeps gaps of 60 s and longer"
        raise BadInput("--timers", what, "try timers from 60 on, or give --trace")
    observed = observed_ns(history, disk)
    if not observed:
        what = "this disk was not observed yet"
        raise BadInput(f"--ledger {args.ledger}", what, "let the exporter run for some days")
    gaps = [Between(*_times(gap), gap.censored) for gap in history.gaps(disk)]
    last = history.open_gap(disk)
    if args.without is not None:
        present = [] if last is None else [Between(*_times(last), True)]
        gaps = [*merged([*gaps, *present], _woken_by(history, disk, args))]
        if last is not None:
            *gaps, end = gaps
            last = last._replace(began_wall_ns=end.began_ns, length_ns=end.ended_ns - end.began_ns)
    for gap in gaps:
        replay.gap(*gap)
    if last is not None:
        replay.end(last.ended_wall_ns, last.began_wall_ns)
    return disk, [replay.outcomes(observed)], setting


def _times(gap: PastGap) -> tuple[int, int]:
    return gap.began_wall_ns, gap.ended_wall_ns


def _woken_by(history: History, disk: str, args: argparse.Namespace) -> list[int]:
    """When the program woke the disk. Raises BadInput where it never did."""
    cycles = [one for one in history.cycles(disk) if one.observed and one.actor]
    found = [one.at_wall_ns for one in cycles if one.actor == args.without]
    if not found:
        actors = sorted({one.actor or "" for one in cycles})[:MOST_NAMED]
        fix = f"name one of {', '.join(actors)}" if actors else "give --trace with a trace of it"
        raise BadInput("--without", f"{args.without!r} never woke this disk", fix)
    return found


def _trace(args: argparse.Namespace) -> tuple[str, list[list[Outcome]], Setting]:
    """The file or disk; outcomes of one run or, with --absorb, of one run a seed."""
    disk = disk_here(args.disk) if args.disk else None
    setting = _setting(args, disk, args.disk or "")
    trace = Trace(args.trace, args.disk, disk.identity if disk else args.disk or "")
    name = args.disk or trace.path.name
    if args.absorb is not None and not trace.path.is_file():
        what = "the trace is not a regular file, and is read once a seed"
        raise BadInput("--absorb", what, "save it to a file first")
    seeds = (None,) if args.absorb is None else SEEDS
    changed = args.without is not None or args.absorb is not None or args.hold is not None
    outcomes = []
    with _progress(trace.path, len(seeds)) as progress:
        for number, seed in enumerate(seeds):
            shown = progress(number)
            times = (
                (row.at_ns for row in _changed(args, trace, seed, shown))
                if changed
                else trace.times(shown)
            )
            outcomes.append(_outcomes(setting.replay(), trace, times))
    return name, outcomes, setting


def _outcomes(replay: Replay, trace: Trace, times: Iterator[int]) -> list[Outcome]:
    """Of what is left of a trace, over the whole time that it observed."""
    first = list(islice(times, 1))  # now the trace knows when it began
    replay.arrivals(chain((trace.began_ns,), first, times))
    replay.end(trace.ended_ns)
    return replay.outcomes()


def _changed(
    args: argparse.Namespace, trace: Trace, seed: int | None, progress: Progress | None
) -> Iterable[Row]:
    rows: Iterable[Row] = trace.rows(progress)
    if args.without is not None:
        _need(trace, trace.has_actor, "actor", "--without")
        rows = without(_with_actor(rows, args.without, trace), args.without)
    for option in ("absorb", "hold"):
        if getattr(args, option) is not None:
            _need(trace, trace.has_op, "op", f"--{option}")
            rows = _with_op(rows, trace)
    if seed is not None:
        fix = "give a share from 0 to 1, such as 0.5"
        rows = absorb(rows, _number("--absorb", args.absorb, fix, 1), seed)
    if args.hold is not None:
        rows = hold(rows, _seconds("--hold", args.hold), lambda: trace.ended_ns)
    return rows


def _need(trace: Trace, present: bool, column: str, option: str) -> None:
    if not present:
        fix = f"add one, or leave out {option}"
        raise BadTrace(f"{trace.path}:1", f"no column {column}, which {option} needs", fix)


def _with_actor(rows: Iterable[Row], actor: str, trace: Trace) -> Iterator[Row]:
    """The same rows; at their end, raises BadTrace unless the actor was among them."""
    seen: dict[str, None] = {}
    for row in rows:
        if row.actor not in seen and (len(seen) < MOST_NAMED or row.actor == actor):
            seen[row.actor] = None
        yield row
    if actor not in seen:
        known = ", ".join(ascii(name)[1:-1][:40] for name in seen if name) or "none"
        what = f"no row has the actor {actor[:40]!a}"
        raise BadTrace(str(trace.path), what, f"name one of its actors, such as {known}")


def _with_op(rows: Iterable[Row], trace: Trace) -> Iterator[Row]:
    """The same rows; at their end, raises BadTrace if there were some, and no read or write."""
    ops = set()
    for row in rows:
        ops.add(row.op)
        yield row
    if ops.isdisjoint((READ, WRITE)) and ops:
        what = f"no row has the op {READ} or {WRITE}"
        raise BadTrace(str(trace.path), what, "write these words in the column op")


@contextmanager
def _progress(path: Path, passes: int) -> Iterator[Callable[[int], Progress | None]]:
    """What reports progress for each pass over the file; None for a pipe."""
    if not path.is_file():
        yield lambda number: None
        return
    size = max(1, path.stat().st_size)
    with Bar("replaying") as bar:
        yield lambda number: lambda read: bar.show((number + read / size) / passes)
