"""The two units and the socket, judged by systemd's own tool."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[3] / "exporter/systemd"
MOST = 2.0  # exposure, of 10


@pytest.mark.parametrize("name", ["spinledger.service", "spinledger-prober.service"])
def test_the_exposure_of_each_unit(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """`systemd-analyze security` gives each unit an exposure of 2.0 at most; it is printed."""
    ran = subprocess.run(
        [
            "systemd-analyze",
            "security",
            "--offline=1",
            f"--threshold={MOST * 10:.0f}",
            UNITS / name,
        ],
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "SYSTEMD_COLORS": "0"},
    )
    last = next(line for line in ran.stdout.splitlines() if "Overall exposure" in line)
    with capsys.disabled():
        print(f"\n{last}")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert float(last.partition(": ")[2].split()[0]) <= MOST


def test_the_prober_holds_one_capability() -> None:
    """Only CAP_SYS_RAWIO, and devices for reading; the other unit holds none and has no device
    (systemd.exec(5), systemd.resource-control(5))."""
    prober = (UNITS / "spinledger-prober.service").read_text().splitlines()
    assert "CapabilityBoundingSet=CAP_SYS_RAWIO" in prober
    allowed = [line for line in prober if line.startswith("DeviceAllow=")]
    assert allowed
    assert all(line.startswith("DeviceAllow=block-") and line.endswith(" r") for line in allowed)
    server = (UNITS / "spinledger.service").read_text().splitlines()
    assert {"CapabilityBoundingSet=", "PrivateDevices=yes"} <= set(server)
    assert not [line for line in server if line.startswith("DeviceAllow=")]
