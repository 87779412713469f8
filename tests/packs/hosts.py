"""What the scenes of alerts about the exporter are made of."""

from __future__ import annotations

from tests.packs.scenes import (
    ATTIC,
    DOME,
    MINUTE,
    OTHER,
    Base,
    Fired,
    Labels,
    Scene,
    Series,
    placed,
)

BUILD = "spinledger_build_info"
HOST = "INSTANCE (job JOB)"


def one(alert: str, summary: str, *more: Scene) -> Base:
    return Base(alert, (), [Fired({}, summary)], of_disk=False, own=True, more=more)


def at(summary: str, *targets: Labels) -> list[Fired]:
    return [one for target in targets for one in placed([Fired({}, summary)], target)]


def raw(name: str, labels: Labels, raw: str) -> Series:
    more = {"version": "1.0"} if name == BUILD else {}
    return Series(name, {**labels, **more}, raw=raw)


def off(words: str, up: int) -> Scene:
    """It fired for longer than the exporter is remembered; then the server was off for hours."""
    before = f"{up}+0x400"
    if not up:
        before = f"1+0x10 {before}"
    return Scene(
        "fired already when the server was off for five hours, and for more than six",
        [
            raw("up", ATTIC, f"{before} _x300 {up}+0x60"),
            raw(BUILD, ATTIC, "1+0x10 stale"),
            raw("up", DOME, f"{before} _x380 {up}+0x60"),
            raw(BUILD, DOME, "1+0x10 stale"),
            raw("ALERTS", {"alertname": "HostDown", **OTHER}, "1+0x1000"),
            raw("up", OTHER, f"{up}+0x1000"),
        ],
        {
            400 * MINUTE: at(words, ATTIC, DOME),
            730 * MINUTE: at(words, ATTIC),
            820 * MINUTE: [],
        },
        step=MINUTE,
    )
