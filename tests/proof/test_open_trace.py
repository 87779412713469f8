"""What-if timers on a real disk's load, against figures computed twice elsewhere.

The load: `cloudPhysicsIO.vscsi`, 113,872 block I/Os of a virtual machine's disk over 7,200 s
(CloudPhysics), as carried by the source distribution of libcachesim 0.3.5. It is fetched by pip
into a cache ($SPINLEDGER_PROOF_CACHE, else $XDG_CACHE_HOME or ~/.cache) and never committed. The
expected figures are those of a closed form (numpy) and of an event simulation (simpy), which agree
to the microsecond; both are computed here again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import struct
import subprocess
import tarfile
import venv
from pathlib import Path

import numpy as np
import pytest

from spinledger.cli import replay
from tests.unit.whatif.simulators import by_events

PACKAGE = "libcachesim==0.3.5"
BUILD_TOOLS = ("scikit_build_core", "pybind11", "setuptools_scm", "cmake", "ninja")
MEMBER = "libcachesim-0.3.5/src/libCacheSim/data/cloudPhysicsIO.vscsi"
SHA256 = "3e67d66a07e9292bb47f6c765eb24ab3ea3f1f7de7d64a1b9e8c28b38b7439b9"
RECORD = struct.Struct("<IIIHHQQ")  # sn, len, nsg, cmd, ver, lbn, ts in microseconds
READ = 0x28  # SCSI READ(10), the low byte of cmd

TABLE = {5: (77, 5412283922), 10: (70, 5040279714), 60: (33, 2840448643), 300: (3, 445218787)}


def fetched(cache: Path) -> bytes:
    """The trace file's bytes, from the cache or by pip."""
    kept = cache / "cloudPhysicsIO.vscsi"
    if not kept.is_file():
        cache.mkdir(parents=True, exist_ok=True)
        tools = cache / "tools"
        venv.create(tools, with_pip=True, clear=True)
        pip = [str(tools / "bin" / "python"), "-m", "pip", "--disable-pip-version-check", "-q"]
        subprocess.run([*pip, "install", *BUILD_TOOLS], check=True)
        how = ["--no-deps", "--no-binary", ":all:", "--no-build-isolation"]
        subprocess.run([*pip, "download", *how, "-d", str(cache), PACKAGE], check=True)
        (archive,) = cache.glob("libcachesim-*.tar.gz")
        with tarfile.open(archive) as package:
            member = package.extractfile(MEMBER)
            assert member is not None
            part = kept.with_suffix(".part")
            part.write_bytes(member.read())
            part.rename(kept)
        archive.unlink()
    return kept.read_bytes()


@pytest.fixture(scope="module")
def reads_us() -> list[int]:
    """Microseconds of every read, in the order of the file."""
    home = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    cache = Path(os.environ.get("SPINLEDGER_PROOF_CACHE") or Path(home) / "spinledger-proof")
    content = fetched(cache)
    assert hashlib.sha256(content).hexdigest() == SHA256
    records = list(RECORD.iter_unpack(content))
    assert len(records) == 113_872
    return [record[6] for record in records if record[3] & 0xFF == READ]


def test_table(reads_us: list[int], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`spinledger replay --trace` gives each timer's spin-downs and sleep to the microsecond."""
    path = tmp_path / "reads.csv"
    lines = (f"{us // 1_000_000}.{us % 1_000_000:06d},read\n" for us in reads_us)
    path.write_text("timestamp_seconds,op\n" + "".join(lines), encoding="ascii")
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    timers = ",".join(str(timer) for timer in TABLE)
    options = ["--trace", str(path), "--timers", timers, "--json"]
    assert replay.run(parser.parse_args(options)) == 0
    found = {
        timer["standby_seconds"]: (timer["cycles"], round(timer["asleep_seconds"] * 1_000_000))
        for timer in json.loads(capsys.readouterr().out)["timers"]
    }
    assert found == TABLE


@pytest.mark.parametrize("timer", TABLE)
def test_the_table_itself(reads_us: list[int], timer: int) -> None:
    """The closed form over all gaps (numpy) and an event simulation (simpy) give the table."""
    gaps = np.diff(np.array(reads_us, dtype=np.int64))
    longer = gaps[gaps > timer * 1_000_000]
    assert (len(longer), int(longer.sum() - len(longer) * timer * 1_000_000)) == TABLE[timer]
    assert by_events(reads_us, timer * 1_000_000) == TABLE[timer]


@pytest.mark.parametrize("spinup", [1, 10])
def test_with_a_spin_up_time(
    reads_us: list[int], spinup: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a spin-up time that absorbs I/O, every timer equals the event simulation."""
    path = tmp_path / "reads.csv"
    lines = (f"{us // 1_000_000}.{us % 1_000_000:06d}\n" for us in reads_us)
    path.write_text("timestamp_seconds\n" + "".join(lines), encoding="ascii")
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    options = ["--trace", str(path), "--timers", "5,10,60,300", "--spinup", str(spinup), "--json"]
    assert replay.run(parser.parse_args(options)) == 0
    for timer in json.loads(capsys.readouterr().out)["timers"]:
        expected = by_events(reads_us, timer["standby_seconds"] * 1_000_000, spinup * 1_000_000)
        assert (timer["cycles"], round(timer["asleep_seconds"] * 1_000_000)) == expected
