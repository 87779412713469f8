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
from itertools import chain
from pathlib import Path

from spinledger.app.capture import identity_here
from spinledger.cli import replay_plot, replay_report
from spinledger.cli.arguments import DISK_HELP, add_config, length
from spinledger.cli.bar import Bar
from spinledger.cli.replay_report import Setting
from spinledger.cli.traces import Progress, Trace
from spinledger.config.load import find, load
from spinledger.config.zones import host_zone, time_zone
from spinledger.errors import BadInput, BadTrace, Unavailable
from spinledger.model import HOUR, SECOND, Disk, State
from spinledger.quiet.hours import Calendar
from spinledger.store.history import History
from spinledger.store.history import read as read_ledger
from spinledger.whatif.replay import (
    DEFAULT_TIMERS_NS,
    Outcome,
    Replay,
    Terms,
    choose,
    worth,
)
from spinledger.whatif.trace import Row, absorb, hold, without

SEEDS = (1, 2, 3, 4, 5)  # of --absorb
MOST_NAMED = 8  # actors in a message
MOST_TIMERS = 512
SHORTEST_KEPT_NS = 60 * SECOND  # of the gaps that a ledger keeps
SHORTEST_JUDGED_NS = HOUR  # of observed time


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
    add_config(parser)
    parser.add_argument("--plot", metavar="FILE", type=Path, help="write a chart as SVG")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print JSON")
    form.add_argument("--csv", action="store_true", help="print CSV")


def run(args: argparse.Namespace) -> int:
    """Replay and print. Returns 0; raises BadInput or Refusal."""
    setting = _setting(args)
    name, outcomes = _ledger(args, setting) if args.ledger else _trace(args, setting)
    worths = [worth(outcome, setting.terms) for outcome in outcomes[0]]
    choice = choose(worths, setting.terms)
    if args.plot:
        drawing = replay_plot.svg(worths, choice, setting.terms, name)
        try:
            args.plot.write_text(drawing, encoding="utf-8")
        except OSError as error:
            fix = "give a file in a folder you may write to"
            raise BadInput(f"--plot {args.plot}", str(error.strerror), fix) from None
    if args.json:
        report = replay_report.report(worths, outcomes, choice, setting)
        print(json.dumps(report, indent=1, allow_nan=False))
    elif args.csv:
        csv.writer(sys.stdout, lineterminator="\n").writerows(
            replay_report.rows(worths, outcomes, setting)
        )
    else:
        print("\n".join(replay_report.table(name, worths, outcomes, choice, setting)))
    return 0


# Options


def _setting(args: argparse.Namespace) -> Setting:
    setting = _configured(find(args.config))
    if args.ledger and setting.calendar is None:
        setting = replace(setting, zone=host_zone() or "UTC")
    if args.timers is not None:
        setting = replace(setting, timers_ns=_timers(args.timers))
    if args.spinup is not None:
        setting = replace(setting, spinup_ns=_seconds("--spinup", args.spinup))
    if args.budget is not None:
        budget = _number("--budget", args.budget, "give spin-ups a day, such as 2", 1e6)
        setting = replace(setting, terms=replace(setting.terms, budget_per_day=budget))
    return setting


def _configured(path: Path | None) -> Setting:
    """From the configuration: what applies to a disk that no entry but `all` matches."""
    if path is None:
        return Setting(DEFAULT_TIMERS_NS, 0, Terms(), None)
    config = load(path)
    policy = config.policy_for(
        Disk("", ("",), "", "", "", "", "", 0, "", "", probe_method=None, diskseq=0)
    )
    terms = Terms(
        budget_per_day=policy.budget_per_day,
        waits_per_day=config.what_if.waits_per_day,
        watts=policy.watts,
        spinup_j=policy.spinup_j,
        currency=config.tariff.currency if config.tariff else "",
        per_kwh=config.tariff.per_kwh if config.tariff else None,
        rated_start_stop=policy.rated_start_stop,
        rated_load=policy.rated_load,
    )
    schedule = config.schedules.get(policy.quiet) if policy.quiet else None
    calendar = Calendar(schedule, time_zone(schedule.zone, str(path))) if schedule else None
    return Setting(config.what_if.timers_ns, config.what_if.spinup_ns, terms, calendar)


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
    if not path.is_file():
        raise BadInput(f"--ledger {path}", "there is no such file", "name a ledger file")
    try:
        history = read_ledger(path)
    except Unavailable as bad:
        raise BadInput(f"--ledger {path}", _what(path, bad), "name a ledger file") from None
    if disk is not None:
        return history, history.identity(disk)
    disks = history.disks()
    if len(disks) != 1:
        known = ", ".join(disks[:MOST_NAMED]) or "none"
        what = "several disks are in it" if disks else "no disk is in it"
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


def _ledger(args: argparse.Namespace, setting: Setting) -> tuple[str, list[list[Outcome]]]:
    """The disk, and the outcomes of one run."""
    for option in ("without", "absorb", "hold"):
        if getattr(args, option) is not None:
            what = "a ledger has gaps, not the program or the kind of each I/O"
            raise BadInput(f"--{option}", what, "give --trace with a trace of this disk")
    replay = setting.replay()
    if replay.timers_ns[0] < SHORTEST_KEPT_NS:
        what = "a ledger keeps gaps of 60 s and longer"
        raise BadInput("--timers", what, "try timers from 60 on, or give --trace")
    history, disk = history_of(args.ledger, args.disk)
    observed = observed_ns(history, disk)
    if observed < SHORTEST_JUDGED_NS:
        what = "this disk was observed for less than an hour"
        raise BadInput(f"--ledger {args.ledger}", what, "let the exporter run for some days")
    for gap in history.gaps(disk):
        replay.gap(gap.began_wall_ns, gap.ended_wall_ns, gap.censored)
    return disk, [replay.outcomes(observed)]


def _trace(args: argparse.Namespace, setting: Setting) -> tuple[str, list[list[Outcome]]]:
    """The file or disk, and outcomes of one run or, with --absorb, of one run a seed."""
    trace = Trace(args.trace, args.disk, identity_here(args.disk) if args.disk else "")
    name = args.disk or trace.path.name
    changes = args.without is not None or args.absorb is not None or args.hold is not None
    if args.absorb is None:
        with _progress(trace.path, 1) as progress:
            if not changes:
                return name, [_outcomes(setting.replay(), trace.times(progress(0)))]
            rows = _changed(args, trace, None, progress(0))
            return name, [_outcomes(setting.replay(), (row.at_ns for row in rows), trace)]
    if not trace.path.is_file():
        what = "the trace is not a regular file, and is read once a seed"
        raise BadInput("--absorb", what, "save it to a file first")
    outcomes = []
    with _progress(trace.path, len(SEEDS)) as progress:
        for number, seed in enumerate(SEEDS):
            rows = _changed(args, trace, seed, progress(number))
            outcomes.append(_outcomes(setting.replay(), (row.at_ns for row in rows), trace))
    return name, outcomes


def _outcomes(replay: Replay, times: Iterable[int], changed: Trace | None = None) -> list[Outcome]:
    replay.arrivals(times)
    if changed is not None and replay.taken < 2:
        what = "fewer than two rows are left of the trace"
        raise BadTrace(str(changed.path), what, "leave out less, or record for longer")
    return replay.outcomes()


def _changed(
    args: argparse.Namespace, trace: Trace, seed: int | None, progress: Progress | None
) -> Iterable[Row]:
    rows: Iterable[Row] = trace.rows(progress)
    if args.without is not None:
        _need(trace, trace.has_actor, "actor", "--without")
        rows = without(_with_actor(rows, args.without, trace), args.without)
    if seed is not None:
        _need(trace, trace.has_op, "op", "--absorb")
        fix = "give a share from 0 to 1, such as 0.5"
        rows = absorb(rows, _number("--absorb", args.absorb, fix, 1), seed)
    if args.hold is not None:
        _need(trace, trace.has_op, "op", "--hold")
        rows = hold(rows, _seconds("--hold", args.hold))
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


@contextmanager
def _progress(path: Path, passes: int) -> Iterator[Callable[[int], Progress | None]]:
    """What reports progress for each pass over the file; None for a pipe."""
    if not path.is_file():
        yield lambda number: None
        return
    size = max(1, path.stat().st_size)
    with Bar("replaying") as bar:
        yield lambda number: lambda read: bar.show((number + read / size) / passes)
