"""`spinledger look`: one view for a person."""

from __future__ import annotations

import argparse
import json
import sys
import time

from spinledger.cli.arguments import add_config
from spinledger.cli.snapshots import Json, picture, value
from spinledger.config.load import load

WATCH_EVERY_S = 2.0
CLEAR = "\x1b[H\x1b[2J"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="JSON instead of words")
    parser.add_argument("--watch", action="store_true", help="again every 2 s, until Ctrl-C")


def run(arguments: argparse.Namespace) -> int:
    """Print the view; 1 when there are findings."""
    config = load(arguments.config)
    while True:
        told, live = picture(config)
        if arguments.json:
            text = json.dumps({**told, "from_exporter": live}, indent=1) + "\n"
        else:
            text = render(told, live)
        sys.stdout.write(CLEAR + text if arguments.watch and sys.stdout.isatty() else text)
        sys.stdout.flush()
        if not arguments.watch:
            return int(any(disk["findings"] for disk in told["disks"]))
        time.sleep(WATCH_EVERY_S)


def render(told: Json, live: bool) -> str:
    """The view as lines of at most 80 columns, where names allow it."""
    disks = told["disks"]
    lines = []
    if not disks:
        lines.append("No rotating disk is watched.")
    else:
        lines.append(f"{'DISK':24} {'POOL':10} {'STATE':9} {'FOR':>7} {'CYCLES':>7} {'ASLEEP':>7}")
        lines += [_line(disk, told["at_wall"]) for disk in disks]
    for disk in disks:
        if disk["state"] == "unknown":
            lines.append(f"{disk['kernel_name']}: unknown: {disk['why']}")
    for disk in disks:
        for finding in disk["findings"]:
            lines += [
                "",
                f"! {disk['kernel_name']}: {finding['sentence']}.",
                f"  Seen: {finding['evidence']}.",
                f"  Try: {finding['suggestion']}.",
                f"  Mind: {finding['caution']}.",
            ]
    if not live:
        lines += [
            "",
            "No exporter answers: this is one look at the kernel's counters, and a power state",
            "cannot be seen in those. `spinledger serve` watches.",
        ]
    return "\n".join(lines) + "\n"


def _line(disk: Json, now_wall_s: float) -> str:
    name = f"{disk['kernel_name']} {disk['model']}"[:24]
    state = disk["condition"] or disk["state"]
    lasted = span_text(now_wall_s - disk["since_timestamp_seconds"])
    cycles = (value(disk, "cycles", witnessed="yes") or 0) + (
        value(disk, "cycles", witnessed="no") or 0
    )
    every = sum(sample["value"] for sample in disk["samples"].get("state_seconds", ()))
    asleep = value(disk, "state_seconds", state="standby") or 0
    share = f"{asleep / every:.0%}" if every else "-"
    return f"{name:24} {disk['pool'] or '-':10.10} {state:9} {lasted:>7} {cycles:7.0f} {share:>7}"


def span_text(seconds: float) -> str:
    """A length of time in at most seven characters: 45s, 12m, 3h05, 4d02h."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole}s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes}m"
    hours = minutes // 60
    if hours < 24:
        return f"{hours}h{minutes % 60:02}"
    return f"{hours // 24}d{hours % 24:02}h"
