"""Time zones by name, the host's own, and a host without the time zone database."""

from __future__ import annotations

import sys
import zoneinfo
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from spinledger import cli
from spinledger.config import zones
from spinledger.config.load import parse
from spinledger.config.zones import host_zone, time_zone
from spinledger.errors import BadConfig, BadInput

PRAG = '"Europe/Prag" is not a time zone of tzdata; write Europe/Prague'
MISSING = '"Europe/Prague" cannot be read, as tzdata is missing; install the package tzdata'
NIGHTS = "schedules: {nights: {windows: [daily 22:00-06:00]%s}}"


@pytest.fixture
def no_tzdata(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A host without the database, and without Python's package of it (PEP 615)."""
    for name in ("tzdata", *(one for one in sys.modules if one.startswith("tzdata."))):
        monkeypatch.setitem(sys.modules, name, None)
    zoneinfo.reset_tzpath(to=())
    zoneinfo.ZoneInfo.clear_cache()
    yield
    zoneinfo.reset_tzpath()


@pytest.fixture
def localtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the host's link is made."""
    link = tmp_path / "localtime"
    monkeypatch.setattr(zones, "LOCALTIME", link)
    return link


def line_of(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line of a command that ends with exit code 2."""
    assert cli.main(arguments) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    return error.removeprefix("spinledger: ").rstrip()


@pytest.mark.parametrize(
    ("target", "name"),
    [
        ("/usr/share/zoneinfo/Europe/Prague", "Europe/Prague"),
        ("../usr/share/zoneinfo/Etc/UTC", "Etc/UTC"),
        ("/usr/share/zoneinfo/America/Argentina/Ushuaia", "America/Argentina/Ushuaia"),
        ("/usr/share/zoneinfo//Europe/Prague", "Europe/Prague"),
        ("/usr//share//zoneinfo/Europe//Prague", "Europe/Prague"),
    ],
)
def test_the_host_zone_is_where_the_link_points(localtime: Path, target: str, name: str) -> None:
    """The name is the link's target below zoneinfo/ (manual page localtime(5)); several slashes
    are one (POSIX, pathname resolution)."""
    localtime.symlink_to(target)
    assert host_zone() == name


def test_a_host_zone_by_way_of_another_link(localtime: Path, tmp_path: Path) -> None:
    """A link to a link is followed to the zoneinfo folder."""
    zone = tmp_path / "zoneinfo" / "Europe" / "Prague"
    zone.parent.mkdir(parents=True)
    zone.write_bytes(b"TZif")
    (tmp_path / "other").symlink_to(zone)
    localtime.symlink_to(tmp_path / "other")
    assert host_zone() == "Europe/Prague"


def test_a_host_without_a_link(localtime: Path) -> None:
    """No file means UTC (localtime(5)); a copied file has no name."""
    assert host_zone() == "UTC"
    localtime.write_bytes(b"TZif")
    assert host_zone() is None


@pytest.mark.parametrize("name", ["Europe/Prague", "America/St_Johns", "Etc/GMT+9"])
def test_a_zone_by_its_name(name: str) -> None:
    """What the standard library's zoneinfo opens."""
    assert time_zone(name, "") == zoneinfo.ZoneInfo(name)


@pytest.mark.parametrize("name", ["Europe/Prag", "", "/etc/localtime", "Europe//Prague", "x" * 300])
def test_a_name_that_is_none(name: str) -> None:
    """One error with the place, that names tzdata."""
    with pytest.raises(BadInput, match=r"^--zone: .* is not a time zone of tzdata; write "):
        time_zone(name, "--zone")


@pytest.mark.usefixtures("no_tzdata")
def test_without_a_database_utc_still_works() -> None:
    """UTC is datetime's own; any other zone names the package to install."""
    noon = datetime(2026, 3, 29, 12, tzinfo=UTC)
    for name in ("UTC", "Etc/UTC"):
        assert noon.astimezone(time_zone(name, "")).isoformat() == "2026-03-29T12:00:00+00:00"
    with pytest.raises(BadInput) as caught:
        time_zone("Europe/Prague", "--zone")
    assert str(caught.value) == f"--zone: {MISSING}"


@pytest.mark.usefixtures("no_tzdata")
def test_without_a_database_a_schedule_names_what_to_install(localtime: Path) -> None:
    """By its own zone, and by the host's."""
    localtime.symlink_to("/usr/share/zoneinfo/Europe/Prague")
    fix = "install the package tzdata"
    for zone in ("", ", zone: Europe/Prague"):
        with pytest.raises(BadConfig, match=rf"^x:1: schedules.nights.*tzdata is missing; {fix}$"):
            parse(NIGHTS % zone, "x")


SIMULATED = ["serve", "--shelf", "simulated", "--for", "1", "--listen", "127.0.0.1:0"]
REHEARSED = ["rehearse", "--days", "0.01"]


@pytest.mark.parametrize("command", [SIMULATED, REHEARSED])
def test_a_mistyped_zone_is_one_line(
    command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """With exit code 2 and the name that was probably meant."""
    assert line_of([*command, "--zone", "Europe/Prag"], capsys) == f"--zone: {PRAG}"


@pytest.mark.usefixtures("no_tzdata")
@pytest.mark.parametrize("command", [SIMULATED, REHEARSED])
def test_a_zone_without_a_database_is_one_line(
    command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Likewise, with the package to install."""
    assert line_of([*command, "--zone", "Europe/Prague"], capsys) == f"--zone: {MISSING}"


@pytest.mark.usefixtures("no_tzdata")
@pytest.mark.parametrize("command", ["serve", "check", "simulated"])
def test_the_host_zone_without_a_database_is_one_line(
    command: str, localtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`check` refuses what `serve` would; all name the link."""
    localtime.symlink_to("/usr/share/zoneinfo/Europe/Prague")
    words = SIMULATED if command == "simulated" else [command]
    assert line_of(words, capsys) == f"{localtime}: {MISSING}"


def test_a_double_slash_in_the_link_is_no_hindrance(
    localtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The exporter starts, stops and has said nothing of zones."""
    localtime.symlink_to("/usr/share/zoneinfo//Europe/Prague")
    assert (
        cli.main(["serve", "--shelf", "simulated", "--for", "0.1", "--listen", "127.0.0.1:0"]) == 0
    )
    assert "zone" not in capsys.readouterr().err
