"""`spinledger check`: what can be known of each disk, how, and what stands in the way.

Nothing is sent to a drive unless `--probe` is given; then one question goes to each disk that may
be asked and whose sectors moved while we looked, so that none is woken.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from spinledger.app import examining
from spinledger.cli.arguments import add_config
from spinledger.codec import counters
from spinledger.codec.commands import TABLE
from spinledger.config.load import load
from spinledger.config.settings import Config
from spinledger.device.cross_check import line_for
from spinledger.device.prober_client import missing
from spinledger.errors import BadInput
from spinledger.facts import DiskView
from spinledger.model import Command, Refused, Reply, Reported, Watch
from spinledger.store.file import verify
from spinledger.web.snapshot_json import Json, snapshot_json
from spinledger.web.timers import timer_facts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument(
        "--probe",
        action="store_true",
        help="ask each disk that is in use now, once (for bridges; needs the privilege)",
    )
    parser.add_argument("--json", action="store_true", help="JSON instead of words")
    parser.add_argument(
        "--ledger", type=Path, metavar="FILE", help="check this ledger file alone: every row of it"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the report; 1 when something stands in the way or a finding holds."""
    if arguments.ledger is not None:
        return check_ledger(arguments.ledger, arguments.json)
    config = load(arguments.config)
    report = examine(config, arguments.probe)
    print(json.dumps(report, indent=1) if arguments.json else render(report), end="\n")
    trouble = any(disk["cannot"] or disk["findings"] for disk in report["disks"])
    return int(trouble or any(report[what] for what in ("collisions", "places", "programs")))


def check_ledger(path: Path, as_json: bool) -> int:
    """Print whether a ledger file is whole; 1 when it is damaged."""
    if not path.is_file():
        raise BadInput(f"--ledger {path}", "there is no such file", "name a ledger file")
    damage = list(verify(path))
    if as_json:
        print(json.dumps({"ledger": str(path), "damage": damage}, indent=1))
    else:
        print("\n".join(f"! {line}" for line in damage) or f"{path}: every row is whole")
    return int(bool(damage))


def examine(config: Config, probe: bool) -> Json:
    """The report as JSON types."""
    seen = examining.examine(config, probe)
    given = snapshot_json(seen.snapshot)
    by_identity = {disk["disk"]: disk for disk in given["disks"]}
    disks = []
    for view in seen.snapshot.disks:
        full = by_identity[view.disk.identity]
        disks.append(
            {
                **{
                    key: full[key] for key in ("disk", "kernel_name", "nodes", "transport", "model")
                },
                "pool": view.disk.pool,
                "watch": view.policy.watch.value,
                "probe_method": full["probe_method"],
                "cannot": _cannot(view, seen.replies.get(view.disk.identity)),
                "how": _how(view),
                "commands": _commands(view),
                "records": _records(view),
                "cross_check": _second(view, config),
                "standby_timer": dict(timer_facts(view)),
                "probe": _probe(seen.replies.get(view.disk.identity), probe),
                "findings": full["findings"],
            }
        )
    return {
        "configuration": config.summary(),
        "disks": disks,
        "skipped": given["skipped"],
        "collisions": list(seen.collisions),
        "places": list(seen.places) if seen.snapshot.disks else [],
        "programs": examining.programs(config),
    }


def _cannot(view: DiskView, reply: Reply | None) -> str:
    """Why this disk's state cannot be known as configured; "" when it can."""
    if isinstance(reply, Refused):
        return f"it was asked and gave no state: {reply.reason.value}: {reply.detail}"
    if view.disk.probe_method is None:
        return view.disk.not_probed_because
    if view.policy.watch is not Watch.FULL:
        return ""
    return missing(view.disk) or ""


def _how(view: DiskView) -> str:
    if view.policy.watch is Watch.OFF:
        return "not watched, by configuration"
    if view.policy.watch is Watch.COUNTERS or view.disk.probe_method is None:
        why = view.disk.not_probed_because
        return "by the kernel's counters alone" + (f": {why}" if why else "")
    return "by the kernel's counters, and by asking the drive where they are silent"


def _commands(view: DiskView) -> list[Json]:
    """The exact commands that would be sent."""
    method = view.disk.probe_method
    if method is None or view.policy.watch is not Watch.FULL:
        return []
    return [_row(method)]


def _records(view: DiskView) -> list[Json]:
    """The exact commands that would read its own counters and timers, while it is in use."""
    policy = view.policy
    if policy.watch is not Watch.FULL or not policy.cadence.wear_ns:
        return []
    return [_row(command) for command in counters.plan(view.disk)]


def _second(view: DiskView, config: Config) -> str:
    """The command line of the second reader; "" where it would not be run."""
    if config.cross_check is None or view.policy.watch is not Watch.FULL:
        return ""
    return " ".join(line_for(view.disk, str(config.cross_check)) or ())


def _row(command: Command) -> Json:
    row = TABLE[command]
    return {
        "command": command.value,
        "cdb": row.cdb.hex(" "),
        "asleep": row.asleep,
        "timer": row.timer,
        "sense": row.sense,
        "source": row.source,
    }


def _probe(reply: Reply | None, asked: bool) -> str:
    if not asked:
        return ""
    if reply is None:
        return "not asked: its sectors did not move while we looked; read from it and try again"
    if isinstance(reply, Refused):
        return f"{reply.reason.value}: {reply.detail}"
    return f"{reply.mode.value} ({reply.clause})" if isinstance(reply, Reported) else "no state"


def render(report: Json) -> str:
    """The report in words."""
    lines = [f"Configuration: {report['configuration']['source']}", ""]
    if not report["disks"]:
        lines.append("No rotating disk was found.")
    for disk in report["disks"]:
        lines.append(f"{disk['kernel_name']}  {disk['disk']}  {disk['model']}")
        lines.append(f"    attached by {disk['transport']}, watched {disk['how']}")
        if disk["cannot"]:
            lines.append(f"    ! cannot know its state: {disk['cannot']}")
        for row in disk["commands"]:
            lines += [
                f"    would send {row['cdb']}  ({row['command']})",
                f"        asleep: {row['asleep']}",
                f"        timer: {row['timer']}",
                f"        source: {row['source']}",
            ]
        for row in disk["records"]:
            lines.append(f"    in use, would send {row['cdb']}  ({row['command']})")
        if disk["records"]:
            lines += [f"        {part}: {disk['records'][0][part]}" for part in ("asleep", "timer")]
        timer = "; ".join(f"{term.lower()}: {text}" for term, text in disk["standby_timer"].items())
        lines.append(f"    standby timer {timer}")
        if disk["cross_check"]:
            lines.append(f"    in use, would run once a day {disk['cross_check']}")
        if disk["probe"]:
            lines.append(f"    asked now: {disk['probe']}")
        for finding in disk["findings"]:
            lines.append(f"    ! {finding['sentence']}: {finding['evidence']}")
        lines.append("")
    for sentence in (*report["collisions"], *report["places"], *report["programs"]):
        lines.append(f"! {sentence}")
    counts: dict[str, int] = {}
    for skipped in report["skipped"]:
        counts[skipped["reason"]] = counts.get(skipped["reason"], 0) + 1
    if counts:
        given = ", ".join(f"{count} {reason}" for reason, count in sorted(counts.items()))
        lines.append(f"Skipped: {given}")
    return "\n".join(lines)
