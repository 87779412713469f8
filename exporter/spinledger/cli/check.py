"""`spinledger check`: what can be known of each disk, how, and what prevents it.

Rules: what `serve` would refuse is refused, in the same line. Nothing is sent to a drive unless
`--probe` or `--report` is given; then one probe goes to each disk that may be probed and whose
sectors moved between two samples, so that none is woken. `--report` reads its counters after that.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import socket
import sys
from functools import cache
from pathlib import Path

from spinledger.app import examining, reporting
from spinledger.app.pages import check_zone
from spinledger.app.serving import accessible
from spinledger.cli import screen
from spinledger.cli.arguments import add_config, ledger_file
from spinledger.cli.check_report import TROUBLES, render
from spinledger.cli.exporter import NoExporter, listening
from spinledger.codec import counters
from spinledger.codec.commands import TABLE
from spinledger.config.load import find, load
from spinledger.config.settings import Config
from spinledger.device.cross_check import line_for
from spinledger.device.messages import Hello
from spinledger.device.prober_client import hello_of, missing
from spinledger.device.tracing import untraceable
from spinledger.errors import BadInput, Unavailable
from spinledger.facts import DiskView
from spinledger.model import Command, Disk, Refused, Reply, Reported, Watch
from spinledger.store.file import verify
from spinledger.web.snapshot_json import Json, snapshot_json
from spinledger.web.timers import timer_facts
from spinledger.words import why

FULL = "watch: full"
WRITTEN = (
    "{} is written. Serial numbers and world-wide names are blanked in it; read it before you send "
    "it to anybody."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument(
        "--probe",
        action="store_true",
        help="send one probe to each disk that is in use at this moment; needs root",
    )
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="like --probe, also read the counters of these disks, and write to FILE what support "
        "for a drive needs: raw replies and sysfs, without serial numbers",
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--ledger", type=Path, metavar="FILE", help="check only this ledger file, every row of it"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the report; 1 when something prevents watching, or there is a finding."""
    if arguments.ledger is not None:
        return check_ledger(arguments.ledger, arguments.json)
    config = load(find(arguments.config))
    check_zone(config)
    accessible(config).close()
    path = arguments.report
    if path is not None:
        reporting.writable(path)
    seen = examining.examine(config, arguments.probe or bool(path), bool(path))
    report = describe(config, seen, arguments.probe or bool(path))
    page = screen.of_terminal(os.environ)
    print(json.dumps(report, indent=1) if arguments.json else render(report, page))
    if path is not None:
        reporting.write(path, seen, {disk["disk"]: disk["probe"] for disk in report["disks"]})
        print(WRITTEN.format(path), file=sys.stderr)
    trouble = any(disk["cannot"] or disk["findings"] for disk in report["disks"])
    return int(trouble or any(report[part] for part in TROUBLES))


def check_ledger(path: Path, as_json: bool) -> int:
    """Print whether a ledger file is whole; 1 when it is damaged."""
    damage = list(verify(ledger_file(path)))
    if as_json:
        print(json.dumps({"ledger": str(path), "damage": damage}, indent=1))
    else:
        print("\n".join(f"! {line}" for line in damage) or f"{path}: every row is whole")
    return int(bool(damage))


def examine(config: Config, probe: bool) -> Json:
    """What is found out, as JSON types."""
    return describe(config, examining.examine(config, probe), probe)


def describe(config: Config, seen: examining.Examined, probe: bool) -> Json:
    """What was found out, as JSON types."""
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
                "budget_per_day": view.policy.budget_per_day,
                "budget_source": view.policy.budget_source,
                "quiet": view.policy.quiet,
                "declared_timer_seconds": full["policy"]["declared_standby_seconds"],
                "probe_method": full["probe_method"],
                "state_known": _known(view, reply),
                "cannot": _cannot(view, reply),
                "fix": _fix(config, view),
                "how": _how(view),
                "commands": _commands(view),
                "records": _records(view),
                "cross_check": _cross_check(view, config),
                "standby_timer": dict(timer_facts(view)),
                "probe": _probe(view, reply) if probe else "",
                "findings": full["findings"],
            }
        )
    return {
        "configuration": config.summary(),
        "disks": disks,
        "off": [_off(config, disk) for disk in seen.off],
        "skipped": shown["skipped"],
        "unmatched": list(seen.unmatched),
        "address": [trouble]
        if (trouble := address_trouble(config.listen, config.tls_and_users))
        else [],
        "ledger": list(seen.ledger),
        "collisions": list(seen.collisions),
        "places": list(seen.places) if seen.snapshot.disks else [],
        "programs": examining.programs(config),
        "wakes_untraced": untraceable(),
    }


def _entry(config: Config, disk: Disk) -> Json | None:
    """The entry of `disks` that holds for a disk."""
    rule = config.rule_for(disk)
    return None if rule is None else {"line": rule.line, "match": rule.match}


def address_trouble(listen: tuple[str, int], tls_and_users: Path | None = None) -> str:
    """Why `serve` could not listen at the address; "" when it can, or an exporter does already."""
    host, port = listen
    where = f"{f'[{host}]' if ':' in host else host}:{port}"
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(address)
    except OSError as refused:
        if refused.errno != errno.EADDRINUSE:
            return f"`serve` could not listen at {where}: {refused.strerror}"
        others = []
        for web in (tls_and_users, None):  # None: one that still runs without them
            try:
                listening(listen, web).snapshot()
                return ""
            except NoExporter as other:
                others.append(other)
            except (BadInput, Unavailable):
                return ""  # an exporter that has just been started, or that does not let us in
        return f"`serve` could not listen at {where}, which is in use: {others[0]}"
    return ""


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
        return f"a probe gave no state: {_refused(reply)}"
    if view.disk.probe_method is None:
        return view.disk.not_probed_because
    if view.policy.watch is not Watch.FULL:
        return ""
    return (missing(view.disk, _hello()) or "").replace(
        f"/dev/{view.disk.kernel_name}", "its device"
    )


@cache
def _hello() -> Hello:
    """What the prober may do."""
    return hello_of()


def _known(view: DiskView, reply: Reply | None) -> bool:
    """Whether its state can be known: counters alone do not show standby."""
    return view.policy.watch is Watch.FULL and not _cannot(view, reply)


def _fix(config: Config, view: DiskView) -> Json | None:
    """The line that has a disk probed which by default is not, and where it goes."""
    disk = view.disk
    if disk.probe_method is None or not disk.not_probed_because or view.policy.watch is Watch.FULL:
        return None
    rule = config.rule_for(disk)
    if rule is not None and rule.by in ("identity", "by_id"):
        return {"where": f"to have it probed, set in the entry in line {rule.line}", "line": FULL}
    return {
        "where": "to have it probed, make this the first entry of disks, and run `spinledger check "
        "--probe` while the disk is in use",
        "line": f"- {{match: {{identity: {disk.identity}}}, {FULL}}}",
    }


def _refused(reply: Refused) -> str:
    """What came back, in words, with the detail of the kernel or the drive."""
    words = why(reply.reason.value)
    return f"{words} ({reply.detail})" if reply.detail else words


def _how(view: DiskView) -> str:
    if view.policy.watch is Watch.COUNTERS or view.disk.probe_method is None:
        because = view.disk.not_probed_because if view.disk.probe_method else ""
        return "by the kernel's counters alone" + (f": {because}" if because else "")
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


def _probe(view: DiskView, reply: Reply | None) -> str:
    if reply is None and (view.disk.probe_method is None or view.policy.watch is not Watch.FULL):
        return "not sent, as this disk is not probed"
    if reply is None:
        return "not sent, as its sectors did not move; read from it and try again"
    if isinstance(reply, Refused):
        return _refused(reply)
    return f"{reply.mode.value} ({reply.clause})" if isinstance(reply, Reported) else "no state"
