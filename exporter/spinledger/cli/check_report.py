"""The report of `check` in words: a summary, what is wrong, then what holds for which disks.

Rules: what is wrong comes first, with the fix; a line that holds for several disks is written once,
with their names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from spinledger.cli.screen import Screen, Tone, clean, paragraph
from spinledger.web.snapshot_json import Json
from spinledger.words import listed, plural, timer

TROUBLES = ("unmatched", "address", "ledger", "collisions", "places", "programs")
"""Parts of the report whose sentences are troubles of their own."""
NO_DISK = "No rotating disk was found."
NAMES = 12  # disks named in front of a line


def render(report: Json, page: Screen) -> str:
    """The report in words, wrapped to the page's width."""
    disks = report["disks"]
    lines = [*paragraph(page, "", _summary(report), Tone.TITLE)]
    lines += paragraph(page, "", f"Configuration: {report['configuration']['source']}")
    for part in TROUBLES:
        for sentence in report[part]:
            lines += paragraph(page, "! ", sentence, Tone.BAD)
    lines += _grouped(page, disks, _wrong, "! ")
    for each in (_entry, _how, _probes, _counters, _timers, _cross_checks, _answers):
        found = _grouped(page, disks, each)
        lines += ["", *found] if found else []
    if disks:
        lines += ["", *paragraph(page, "", _wakes(report["wakes_untraced"]))]
    if report["off"]:
        lines.append("")
        lines += _grouped(page, report["off"], _off)
    if disks or report["off"]:
        lines.append("")
    for disk in (*disks, *report["off"]):
        lines.append(clean(f"{disk['kernel_name']}  {disk['disk']}  {disk['model']}"))
    counts: dict[str, int] = {}
    for skipped in report["skipped"]:
        counts[skipped["reason"]] = counts.get(skipped["reason"], 0) + 1
    if counts:
        each_reason = ", ".join(f"{count} {reason}" for reason, count in sorted(counts.items()))
        lines += ["", *paragraph(page, "", f"Other block devices, not watched: {each_reason}.")]
    return "\n".join(lines)


def _wakes(why: str) -> str:
    if not why:
        return "Who wakes a disk: by the kernel's trace events, whenever it sleeps."
    return (
        f"Who wakes a disk cannot be traced: {why}. With tracing each spin-up would have its "
        "program or service, its file system and an exact wait; without, only what moved first."
    )


def _summary(report: Json) -> str:
    disks, off = report["disks"], len(report["off"])
    if not disks:
        return "No rotating disk is watched." if off else NO_DISK
    known = sum(disk["state_known"] for disk in disks)
    many = f"{known} of {plural(len(disks), 'disk')}"
    rest = f" {plural(off, 'more disk')} {'is' if off == 1 else 'are'} not watched." if off else ""
    return f"The power state of {many} can be known.{rest}"


def _grouped(
    page: Screen, disks: Sequence[Json], lines_of: Callable[[Json], Iterable[str]], mark: str = ""
) -> list[str]:
    """Each set of lines once, under the names of the disks for which it holds."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for disk in disks:
        if said := tuple(lines_of(disk)):
            groups.setdefault(said, []).append(disk["kernel_name"])
    lines: list[str] = []
    for said, names in groups.items():
        every = len(names) == len(disks) > 1
        whose = f"all {len(names)} disks" if every else _named(names)
        lines += paragraph(page, mark, f"{whose}: {said[0]}", Tone.BAD if mark else Tone.PLAIN)
        for line in said[1:]:
            whole = line.startswith("- ")  # a line for the configuration is never broken
            lines += [f"    {clean(line)}"] if whole else paragraph(page, "    ", line)
    return lines


def _named(names: Sequence[str]) -> str:
    more = [f"{len(names) - NAMES} more"] if len(names) > NAMES else []
    return listed([*names[:NAMES], *more])


def _wrong(disk: Json) -> Iterator[str]:
    if disk["cannot"]:
        yield f"its power state cannot be known: {disk['cannot']}"
    for finding in disk["findings"]:
        yield f"{finding['sentence']}: {finding['evidence']}"


def _entry(disk: Json) -> Iterator[str]:
    """The entry that holds, and what it comes to."""
    yield f"configured by {_by(disk['entry'])}"
    budget = f"budget {disk['budget_per_day']:g} spin-ups a day ({disk['budget_source']})"
    quiet = f"quiet hours {disk['quiet']}" if disk["quiet"] else "no quiet hours"
    declared = disk["declared_timer_seconds"]
    standby = "none declared" if declared is None else timer(declared)
    yield f"{budget}, {quiet}, standby timer {standby}"


def _off(disk: Json) -> Iterator[str]:
    yield f"not watched, by {_by(disk['entry'])}"


def _by(entry: Json | None) -> str:
    if entry is None:
        return "the defaults: no entry of disks matches"
    return f"the entry in line {entry['line']} ({entry['match']})"


def _how(disk: Json) -> Iterator[str]:
    yield f"attached by {disk['transport']}, watched {disk['how']}"
    if disk["fix"]:
        yield f"{disk['fix']['where']}:"
        yield disk["fix"]["line"]


def _probes(disk: Json) -> Iterator[str]:
    for row in disk["commands"]:
        yield f"a probe sends {row['cdb']} ({row['command']})"
        yield from _effects(row)
        yield f"source: {row['source']}"


def _counters(disk: Json) -> Iterator[str]:
    for row in disk["records"]:
        yield f"while in use, its counters are read by {row['cdb']} ({row['command']})"
    for row in disk["records"][:1]:
        yield from _effects(row)


def _effects(row: Json) -> Iterator[str]:
    yield f"effect on a sleeping drive: {row['asleep']}"
    yield f"effect on the standby timer: {row['timer']}"


def _timers(disk: Json) -> Iterator[str]:
    known = "; ".join(f"{term.lower()}: {text}" for term, text in disk["standby_timer"].items())
    yield f"standby timer {known}"


def _cross_checks(disk: Json) -> Iterator[str]:
    if disk["cross_check"]:
        yield f"while in use, once a day this runs: {disk['cross_check']}"


def _answers(disk: Json) -> Iterator[str]:
    if disk["probe"]:
        yield f"the probe now: {disk['probe']}"
