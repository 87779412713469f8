"""What the README promises, each with the tests that show it, and a table of how they ended.

Run at the top: python -m tests.proof [ROW...]. A row is run by pytest as it stands in the suite;
`lab` rows boot the virtual machine of tests/lab. `faults`, `inputs`, `install` and `year`, named
alone, run at length and print a table of their own; `python -m tests.proof inputs --help` lists its
options, `python -m tests.proof install trixie` takes one release. Ends with 1 if a promise does not
hold.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.bench import took
from tests.bench.machine import machine
from tests.proof import faults, inputs, install, year

ROOT = Path(__file__).parents[2]

PROMISES: dict[str, tuple[str, tuple[str, ...]]] = {
    "commands": (
        "only commands of the closed table are sent, and no device is opened for writing",
        ("tests/unit/codec/test_command_table.py", "tests/integration/test_no_stray_opens.py"),
    ),
    "no-disturbance": (
        "no disk wakes or stays awake because it is watched, by the drives' own logs (lab)",
        ("tests/lab/test_serve.py", "tests/lab/test_read.py"),
    ),
    "year": (
        "a drive that minds probes is disturbed a few times, then never in a simulated year",
        ("tests/proof/test_year.py",),
    ),
    "guards": (
        "each guard matters: without it the tests of no-disturbance go red (lab)",
        ("tests/lab/test_without_guards.py",),
    ),
    "wakes": (
        "each wake has its cause, who caused it, its place and its wait (lab)",
        ("tests/lab/test_wakes.py",),
    ),
    "service": (
        "the package and its units do what they promise under systemd, also when killed (lab)",
        ("tests/lab/test_systemd.py",),
    ),
    "package": (
        "the Debian package is the same to the byte when built again, and lintian finds nothing",
        ("tests/packs/test_debian.py",),
    ),
    "install": (
        "a new Debian 12 or 13 comes from this page to a delivered alert, and back by a purge",
        ("tests/proof/install.py",),
    ),
    "documents": (
        "every command of the documents runs",
        ("tests/packs/test_commands.py",),
    ),
    "own-writes": (
        "the ledger on a watched disk lets that disk sleep (lab)",
        ("tests/lab/test_ledger.py",),
    ),
    "counts": (
        "spin-ups and standby time equal the truth of simulated disks and closed forms",
        ("tests/proof/test_poisson_ledger.py", "tests/integration/test_rehearse.py"),
    ),
    "quiet-hours": (
        "quiet seconds are exact through ten years in six time zones",
        ("tests/proof/test_quiet_ten_years.py",),
    ),
    "what-if": (
        "what-if timers give what two independent computations gave on an open trace",
        ("tests/proof/test_open_trace.py",),
    ),
    "life": (
        "the 90 % interval of a projected end holds the truth about nine times in ten",
        ("tests/proof/test_coverage.py",),
    ),
    "kills": (
        "after a kill nothing is lost, after a power cut at most a minute, and no counter falls",
        ("tests/proof/test_kills.py", "tests/integration/store/test_kill.py"),
    ),
    "damage": (
        "a flipped bit in the ledger is harmless or noticed, never shown as a figure",
        ("tests/integration/store/test_damage.py",),
    ),
    "restarts": (
        "a real Prometheus adds the counters up through ten restarts",
        ("tests/proof/test_prometheus_restarts.py",),
    ),
    "reload": (
        "a reload gives what a restart with the new file gives",
        ("tests/integration/test_reload.py",),
    ),
    "clock": (
        "a clock that is years off adds no row and loses none",
        ("tests/integration/test_wrong_clock.py",),
    ),
    "bad-input": (
        "bad configuration is one line with the place and the fix",
        ("tests/unit/config",),
    ),
    "alerts": (
        "alerts find each simulated fault in time and do not ring without one",
        ("tests/proof/test_quality.py",),
    ),
    "mutants": (
        "every small change to a rule of the pack is noticed by one of its tests",
        ("tests/packs/test_mutations.py",),
    ),
    "faults": (
        "of each fault it is known what it loses, and it spreads to no other disk",
        ("tests/proof/test_faults.py",),
    ),
    "inputs": (
        "no input, however damaged, crashes or hangs what reads it",
        ("tests/proof/test_inputs.py",),
    ),
    "outputs": (
        "each option and key that names a file to write refuses a disk before it is opened",
        ("tests/unit/cli/test_no_disk_is_written.py",),
    ),
    "agreement": (
        "each alert about a disk has its finding, and both agree",
        ("tests/packs/test_agreement.py",),
    ),
}
"""By the name of the row: the promise, and the tests that show it."""

_ENDED = re.compile(r"(\d+) passed")


def tested(tests: Sequence[str]) -> str:
    """Run these tests; how they ended. What they printed is shown if one failed."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests],
        cwd=ROOT,
        env=os.environ | {"SPINLEDGER_TESTS_LONG": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    passed = _ENDED.search(done.stdout)
    if passed and done.returncode == 0:
        return f"{passed[1]} tests passed"
    print(done.stdout[-4000:], done.stderr[-1000:])
    return "FAILED"


def walked() -> str:
    """Run the walk of tests/proof/install.py, which prints what it sees; how it ended."""
    command = [sys.executable, "-m", "tests.proof.install"]
    return "FAILED" if subprocess.run(command, cwd=ROOT, check=False).returncode else "walked"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tests of these promises, or of all."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    began = time.monotonic()
    if words in (["faults"], ["year"]):
        code = faults.main() if words == ["faults"] else year.main()
        took.note(f"proof {words[0]}", time.monotonic() - began)
        return code
    if words[:1] == ["inputs"] and all(word not in PROMISES for word in words[1:]):
        return inputs.main(words[1:])
    if words[:1] == ["install"] and all(word not in PROMISES for word in words[1:]):
        code = install.main(words[1:])
        took.note("proof install", time.monotonic() - began)
        return code
    parser = argparse.ArgumentParser(
        prog="python -m tests.proof",
        description=__doc__,
        epilog=took.listed("proof", {name: promise for name, (promise, _) in PROMISES.items()}),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("row", nargs="*", help="which rows to run; default: all")
    given = parser.parse_args(words)
    unknown = [name for name in given.row if name not in PROMISES]
    if unknown:
        parser.error(f"{unknown[0]} is no row; choose from {', '.join(PROMISES)}")
    print(f"Run on: {machine()}")
    rows = []
    for name in given.row or PROMISES:
        promise, tests = PROMISES[name]
        began = time.monotonic()
        result = walked() if name == "install" else tested(tests)
        rows.append((name, result, time.monotonic() - began, promise))
        took.note(f"proof {name}", rows[-1][2])
        print(f"{name}: {result}", flush=True)
    print(f"\n{'ROW':15} {'RESULT':18} SECONDS  PROMISE")
    for name, result, seconds, promise in rows:
        print(f"{name:15} {result:18} {seconds:7.0f}  {promise}")
    return int(any(result == "FAILED" for _, result, _, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
