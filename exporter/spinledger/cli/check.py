"""`spinledger check`: what can be known of each disk, how, and what prevents it.

Rules: what `serve` would refuse is refused, in the same line. Nothing is sent to a drive unless
`--probe` is given; then one probe goes to each disk that may be probed and whose sectors moved
between two samples, so that none is woken.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

from spinledger.app import examining
from spinledger.app.pages import check_zone
from spinledger.cli.arguments import add_config
from spinledger.codec import counters
from spinledger.codec.commands import TABLE
from spinledger.config.load import find, load
from spinledger.config.settings import Config
from spinledger.device.cross_check import line_for
from spinledger.device.prober_client import missing
from spinledger.errors import BadInput
from spinledger.facts import DiskView
from spinledger.model import Command, Disk, Refused, Reply, Reported, Watch
from spinledger.store.file import verify
from spinledger.web.snapshot_json import Json, snapshot_json
from spinledger.web.timers import timer_facts

TROUBLES = ("unmatched", "ledger", "collisions", "places", "programs")  # parts of the report
NO_DISK = "No rotating disk was found."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument(
        "--probe",
        action="store_true",
        help="send one probe to each disk that is in use at this moment; needs root",
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--ledger", type=Path, metavar="FILE", help="check only this ledger file, every row of it"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the report; 1 when something prevents watching, or there is a finding."""
    if arguments.ledger is not None:
        return check_ledger(arguments.ledger, arguments.json)
    config = load(find(arguments.config), serving=True)
    check_zone(config)
    report = examine(config, arguments.probe)
    print(json.dumps(report, indent=1) if arguments.json else render(report))
    trouble = any(disk["cannot"] or disk["findings"] for disk in report["disks"])
    return int(trouble or any(report[part] for part in TROUBLES))


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
    shown = snapshot_json(seen.snapshot)
    by_identity = {disk["disk"]: disk for disk in shown["disks"]}
    disks = []
    for view in seen.snapshot.disks:
        full = by_identity[view.disk.identity]
        reply = seen.replies.get(view.disk.identity)
        disks.append(
            {
                **{
                    key: full[key] for key in ("disk", "kernel_name", "nodes", "transport", "model")
                },
                "pool": view.disk.pool,
                "entry": _entry(config, view.disk),
                "watch": view.policy.watch.value,
                "probe_method": full["probe_method"],
                "cannot": _cannot(view, reply),
                "how": _how(view),
                "commands": _commands(view),
                "records": _records(view),
                "cross_check": _cross_check(view, config),
                "standby_timer": dict(timer_facts(view)),
                "probe": _probe(reply) if probe else "",
                "findings": full["findings"],
            }
        )
    return {
        "configuration": config.summary(),
        "disks": disks,
        "off": [_off(config, disk) for disk in seen.off],
        "skipped": shown["skipped"],
        "unmatched": list(seen.unmatched),
        "ledger": list(seen.ledger),
        "collisions": list(seen.collisions),
        "places": list(seen.places) if seen.snapshot.disks else [],
        "programs": examining.programs(config),
    }


def _entry(config: Config, disk: Disk) -> Json | None:
    """The entry of `disks` that holds for a disk."""
    rule = config.rule_for(disk)
    return None if rule is None else {"line": rule.line, "match": rule.match}


def _off(config: Config, disk: Disk) -> Json:
    return {
        "disk": disk.identity,
        "kernel_name": disk.kernel_name,
        "model": disk.model,
        "entry": _entry(config, disk),
    }


def _cannot(view: DiskView, reply: Reply | None) -> str:
    """Why this disk's state cannot be known as configured; "" when it can."""
    if isinstance(reply, Refused):
        return f"a probe gave no state: {reply.reason.value}: {reply.detail}"
    if view.disk.probe_method is None:
        return view.disk.not_probed_because
    if view.policy.watch is not Watch.FULL:
        return ""
    return missing(view.disk) or ""


def _how(view: DiskView) -> str:
    if view.policy.watch is Watch.COUNTERS or view.disk.probe_method is None:
        why = view.disk.not_probed_because
        return "by the kernel's counters alone" + (f": {why}" if why else "")
    return "by the kernel's counters, and by probes while these show nothing"


def _commands(view: DiskView) -> list[Json]:
    """The exact commands of a probe."""
    method = view.disk.probe_method
    if method is None or view.policy.watch is not Watch.FULL:
        return []
    return [_row(method)]


def _records(view: DiskView) -> list[Json]:
    """The exact commands that would read its counters and timers, while it is in use."""
    policy = view.policy
    if policy.watch is not Watch.FULL or not policy.cadence.wear_ns:
        return []
    return [_row(command) for command in counters.plan(view.disk)]


def _cross_check(view: DiskView, config: Config) -> str:
    """The command line of a cross-check; "" where there is none."""
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


def _probe(reply: Reply | None) -> str:
    if reply is None:
        return "not sent, as its sectors did not move; read from it and try again"
    if isinstance(reply, Refused):
        return f"{reply.reason.value}: {reply.detail}"
    return f"{reply.mode.value} ({reply.clause})" if isinstance(reply, Reported) else "no state"


def render(report: Json) -> str:
    """The report in words."""
    lines = [f"Configuration: {report['configuration']['source']}", ""]
    if not report["disks"]:
        lines.append("No rotating disk is watched." if report["off"] else NO_DISK)
    for disk in report["disks"]:
        lines += [*_described(disk), ""]
    for disk in report["off"]:
        name = f"{disk['kernel_name']}  {disk['disk']}  {disk['model']}"
        lines += [name, f"    not watched, by {_by(disk['entry'])}", ""]
    lines += [f"! {sentence}" for part in TROUBLES for sentence in report[part]]
    counts: dict[str, int] = {}
    for skipped in report["skipped"]:
        counts[skipped["reason"]] = counts.get(skipped["reason"], 0) + 1
    if counts:
        each = ", ".join(f"{count} {reason}" for reason, count in sorted(counts.items()))
        lines.append(f"Skipped: {each}")
    return "\n".join(lines)


def _described(disk: Json) -> Iterator[str]:
    """One disk, line by line."""
    yield f"{disk['kernel_name']}  {disk['disk']}  {disk['model']}"
    yield f"    configured by {_by(disk['entry'])}"
    yield f"    attached by {disk['transport']}, watched {disk['how']}"
    if disk["cannot"]:
        yield f"    ! its state cannot be known: {disk['cannot']}"
    for row in disk["commands"]:
        yield f"    a probe sends {row['cdb']}  ({row['command']})"
        yield from _effects(row)
        yield f"        source: {row['source']}"
    for row in disk["records"]:
        yield f"    while in use, its counters are read by {row['cdb']}  ({row['command']})"
    for row in disk["records"][:1]:
        yield from _effects(row)
    timer = "; ".join(f"{term.lower()}: {text}" for term, text in disk["standby_timer"].items())
    yield f"    standby timer {timer}"
    if disk["cross_check"]:
        yield f"    while in use, once a day this runs: {disk['cross_check']}"
    if disk["probe"]:
        yield f"    the probe now: {disk['probe']}"
    for finding in disk["findings"]:
        yield f"    ! {finding['sentence']}: {finding['evidence']}"


def _effects(row: Json) -> Iterator[str]:
    yield f"        effect on a sleeping drive: {row['asleep']}"
    yield f"        effect on the standby timer: {row['timer']}"


def _by(entry: Json | None) -> str:
    if entry is None:
        return "the defaults: no entry of disks matches it"
    return f"the entry in line {entry['line']} ({entry['match']})"
