"""The configuration in force: reloads, what they say, and the schedule of simulated disks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from spinledger.config import load as loading
from spinledger.config.current import NIGHTS, CurrentConfig
from spinledger.config.load import find, load
from spinledger.model import Policy
from tests.fakes.snapshots import disk


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A configuration file."""
    path = tmp_path / "config.yml"
    path.write_text("listen: 127.0.0.1:9786\nledger: {path: /srv/attic/ledger.db}\n")
    return path


def lines(capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What was said since."""
    said = capsys.readouterr().err.splitlines()
    return [line.removeprefix("spinledger: ") for line in said]


def test_a_reload_says_that_it_is_good(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line, and the new settings are in force."""
    current = CurrentConfig(file, load(file), 0.0)
    file.write_text(
        "listen: 127.0.0.1:9786\nledger: {path: /srv/attic/ledger.db}\nwear: {every: 1h}"
    )
    assert current.reload()
    assert lines(capsys) == [f"configuration loaded: {file}"]
    assert current.config.wear_every_ns == 3600 * 10**9
    assert current.loaded()[0]


def test_a_bad_file_is_refused_and_the_old_one_stays(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the line that a start would give."""
    current = CurrentConfig(file, load(file), 0.0)
    before = current.config
    for text, what in (
        ("wear: {every: often}", '1: wear.every "often" is not a duration; '),
        ("web: {host_names: [a:1]}", '1: web.host_names "a:1" is not a host name; '),
    ):
        file.write_text(text)
        assert not current.reload()
        (line,) = lines(capsys)
        assert line.startswith(f"configuration refused, the old one stays: {file}:{what}")
        assert current.config is before
        assert current.loaded() == (False, 0.0)


def test_a_reload_says_what_needs_a_restart(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At each reload until the file is as at the start; not of what the command line sets."""
    current = CurrentConfig(file, load(file), 0.0, overridden=frozenset({"ledger.path"}))
    started = file.read_text()
    file.write_text("listen: 127.0.0.1:9787\n")
    for _ in range(2):
        assert current.reload()
        assert lines(capsys) == [
            f"configuration loaded: {file}",
            "listen has changed: it takes effect after a restart",
        ]
    file.write_text(started)
    assert current.reload()
    assert lines(capsys) == [f"configuration loaded: {file}"]


def test_the_usual_file_is_read_where_no_other_is_named(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also at a reload, if it came since; a named file goes first."""
    usual = tmp_path / "usual.yml"
    monkeypatch.setattr(loading, "USUAL", usual)
    assert find(None) is None
    current = CurrentConfig(None, load(find(None)), 0.0, usual=True)
    usual.write_text("wear: {every: 2h}")
    assert find(None) == usual
    assert find(file) == file
    assert current.reload()
    assert current.config.wear_every_ns == 7200 * 10**9
    assert current.config.source == str(usual)


def test_entries_that_match_no_disk_are_named_by_line(file: Path) -> None:
    """A sentence each, with the file."""
    file.write_text("disks:\n  - match: {model: LAB}\n  - match: {by_id: usb-attic_1}\n")
    current = CurrentConfig(file, load(file), 0.0)
    assert current.unmatched([replace(disk(0), model="LAB")]) == [
        f"{file}:3: this entry of disks matches no disk: by_id: usb-attic_1"
    ]


def test_simulated_disks_keep_their_quiet_hours_after_a_reload(file: Path) -> None:
    """Their schedule is not in the file, and stays; one of that name in the file goes first."""
    current = CurrentConfig(file, load(file), 0.0)
    one = disk(0)
    current.take_simulated(
        lambda base, nights: {one.identity: replace(base, quiet=nights)}, "Europe/Prague"
    )
    before = current.policy(one)
    assert before.schedule is not None
    assert (before.schedule.name, before.schedule.zone) == (NIGHTS, "Europe/Prague")
    assert current.quiet_hours(before) is not None
    assert current.reload()
    assert current.policy(one) == before
    file.write_text(f"schedules: {{{NIGHTS}: {{zone: UTC, windows: [daily 01:00-02:00]}}}}")
    assert current.reload()
    after = current.policy(one).schedule
    assert after is not None
    assert after.zone == "UTC"
    assert current.calendars == {}


def test_a_policy_without_a_schedule_has_no_quiet_hours(file: Path) -> None:
    """And one whose zone this host no longer has has none either."""
    current = CurrentConfig(file, load(file), 0.0)
    assert current.quiet_hours(Policy()) is None
    text = "schedules: {n: {zone: UTC, windows: [daily 01:00-02:00]}}\ndefaults: {quiet: n}"
    file.write_text(text)
    assert current.reload()
    policy = current.policy(disk(0))
    assert policy.schedule is not None
    gone = replace(policy, schedule=replace(policy.schedule, zone="Mars/Olympus"))
    assert current.quiet_hours(gone) is None
    assert current.quiet_hours(policy) is not None
