"""What watching costs: a sample, a probe, 24 disks at the default cadence, and memory.

Run: python tests/bench/bench_watch.py. Everything is printed beside what it is compared with, in
one run on one machine, since absolute times differ between machines. The mocked shelf needs
umockdev and /usr/bin/python3 with its bindings; the shell loop needs smartctl.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "exporter")]

from spinledger import sampler  # noqa: E402  the script finds the sources by itself
from spinledger.codec.commands import TABLE  # noqa: E402
from spinledger.device.clock import RealClock  # noqa: E402
from spinledger.device.kernel_counters import SysfsCounters  # noqa: E402
from spinledger.device.prober_client import ProcessProber  # noqa: E402
from spinledger.ledger import recording  # noqa: E402
from spinledger.ledger.account import Account  # noqa: E402
from spinledger.ledger.summary import summary  # noqa: E402
from spinledger.model import SECOND, Command, Counted, Disk, Probe, Tick  # noqa: E402
from tests.fakes.facts import DISK, POLICY, WALL_NS, tick  # noqa: E402
from tests.fakes.mocked import Shelf, mocked_shelf  # noqa: E402
from tests.fakes.patience import PATIENCE_S, until  # noqa: E402

DISKS = 24
BUSY = 4
FAST_S = 5.0
MINUTE_S = 60.0  # a snapshot is made so often without a reader
SCRAPE_S = 15.0
ROUNDS = 20_000
SG_IO = 0x2285  # Linux include/scsi/sg.h


def each(function: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Seconds a call."""
    began = time.perf_counter()
    for _ in range(rounds):
        function()
    return (time.perf_counter() - began) / rounds


def counter_files(root: Path) -> Path:
    """The files of one disk's counters, as the kernel writes them."""
    block = root / "block" / "sda"
    (block / "device" / "power").mkdir(parents=True)
    (block / "stat").write_text(
        "     100        0     2000      300       50        0     1000      200        0"
        "      400      500        0        0        0        0        0        0\n"
    )
    (block / "device" / "iorequest_cnt").write_text("0x3e8\n")
    (block / "device" / "power" / "runtime_status").write_text("active\n")
    (block / "diskseq").write_text("1\n")
    return block


def account() -> Account:
    """An account with every fold the program has."""
    policy = replace(POLICY, candidates_ns=tuple(t * SECOND for t in (300, 600, 1200, 3600)))
    return recording.open_account(DISK, policy, tick(0))


def samples() -> float:
    """One disk's sample, in seconds; printed against the bare read and parse of its counters."""
    with tempfile.TemporaryDirectory() as folder:
        block = counter_files(Path(folder))
        stat = os.open(block / "stat", os.O_RDONLY)
        counters, kept = SysfsCounters(folder), account()
        at_ns, sectors = 0, 2000

        def bare() -> list[int]:
            return [int(word) for word in os.pread(stat, 512, 0).split()]

        def still() -> None:
            nonlocal at_ns
            at_ns += 5 * SECOND
            fact = counters.read(DISK, at_ns)
            assert fact is not None
            take(fact)

        def moving() -> None:
            nonlocal at_ns, sectors
            at_ns += 5 * SECOND
            sectors += 8
            fact = counters.read(DISK, at_ns)
            assert fact is not None
            take(replace(fact, sectors_read=sectors))

        def take(fact: Counted) -> None:
            before = kept.counted
            recording.record_tick(kept, Tick(fact.at_ns, WALL_NS + fact.at_ns, "boot", 0))
            recording.record_counted(kept, fact)
            sampler.note_counted(kept, before, fact)
            sampler.plan(kept, fact.at_ns, 1)

        reading, quiet, busy = each(bare), each(still), each(moving)
        seen = each(lambda: summary(kept), 2000)
        os.close(stat)
    print(f"bare read and parse of /sys/block/X/stat  {reading * 1e6:8.2f} us")
    print(f"a sample, nothing moved                   {quiet * 1e6:8.2f} us")
    print(f"a sample of an awake disk                 {busy * 1e6:8.2f} us")
    print(f"    ratio to the bare read (at most 10)   {busy / reading:8.2f}")
    share = ((DISKS - BUSY) * quiet + BUSY * busy) / FAST_S + DISKS * seen / MINUTE_S
    scraped = DISKS * seen / SCRAPE_S
    print(f"a disk's part of a snapshot               {seen * 1e6:8.2f} us")
    print(f"{DISKS} disks every 5 s, {BUSY} busy: of a core   {share:9.4%} (at most 0.05 %)")
    print(f"    snapshots for a scrape every 15 s add {scraped:9.4%}")
    return quiet


def probes(shelf: Shelf) -> dict[str, float]:
    """In the mocked shelf: a bare SG_IO call and a probe through the prober."""
    clock = RealClock()
    descriptor = os.open("/dev/sda", os.O_RDONLY | os.O_NONBLOCK)
    bare = each(lambda: sg_io(descriptor), 300)
    os.close(descriptor)
    prober = ProcessProber()
    disks = [
        replace(DISK, identity=f"d{n}", nodes=(f"sd{chr(97 + n)}",), diskseq=0)
        for n in range(DISKS)
    ]
    probe_all(prober, clock, disks, 0)
    number = DISKS
    began = time.perf_counter()
    for _ in range(20):
        probe_all(prober, clock, disks, number)
        number += DISKS
    probed = (time.perf_counter() - began) / 20 / DISKS
    resident = memory(prober.pid)
    prober.close()
    loop = shutil.which("smartctl")
    shell = 0.0
    if loop is not None:
        names = " ".join(f"/dev/sd{chr(97 + n)}" for n in range(DISKS))
        began = time.perf_counter()
        subprocess.run(
            ["sh", "-c", f"for d in {names}; do {loop} -n standby -i $d >/dev/null; done"],
            check=False,
        )
        shell = (time.perf_counter() - began) / DISKS
    return {"bare": bare, "probed": probed, "prober_kb": resident, "shell": shell}


def probe_all(prober: ProcessProber, clock: RealClock, disks: list[Disk], number: int) -> None:
    """One probe of each disk, and all answers."""
    now = clock.now()
    for offset, disk in enumerate(disks):
        probe = Probe(
            number + offset, disk.identity, Command.CHECK_POWER_MODE_16, now, now + 10 * SECOND
        )
        prober.send(probe, disk)
    left = len(disks)
    while left:
        clock.wait(clock.now() + SECOND, (prober,))
        left -= len(list(prober.replies(clock.now())))


def sg_io(descriptor: int) -> None:
    """CHECK POWER MODE by one ioctl, nothing around it (Linux include/scsi/sg.h, sg_io_hdr)."""
    cdb = ctypes.create_string_buffer(TABLE[Command.CHECK_POWER_MODE_16].cdb, 16)
    sense = ctypes.create_string_buffer(64)
    header = bytearray(
        struct.pack(
            "@iiBBHIPPPIIiPBBBBHHiII",
            ord("S"), -1, 16, 64, 0, 0, 0, ctypes.addressof(cdb), ctypes.addressof(sense),
            60_000, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
        )
    )  # fmt: skip
    fcntl.ioctl(descriptor, SG_IO, header)


def memory(pid: int) -> float:
    """Resident memory in kB."""
    return _resident(Path(f"/proc/{pid}/status").read_text())


def _resident(status: str) -> float:
    return float(status.split("VmRSS:")[1].split()[0])


LIBRARIES = "prometheus_client, pyudev, yaml, asyncio, h11, sqlite3"
SERVING = "serving http"


def imported(modules: str) -> float:
    """Resident memory of an interpreter that made these imports and nothing else, in kB."""
    code = f"import {modules}; print(open('/proc/self/status').read())"
    said = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": str(ROOT / "exporter")},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return _resident(said)


def serving(disks: int) -> float:
    """Resident memory of `serve` on so many mocked disks, after scrapes and pages, in kB."""
    with mocked_shelf(disks) as shelf:
        command = ["serve", "--listen", "127.0.0.1:0", "--ledger", "memory"]
        with subprocess.Popen(
            [sys.executable, "-m", "spinledger", *command],
            env=os.environ | shelf.environment | {"PYTHONPATH": str(ROOT / "exporter")},
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stderr is not None
            line = next(line for line in process.stderr if SERVING in line)
            url = line.split()[2].removesuffix("metrics")
            until(lambda: _get(url + "metrics").count("spinledger_disk_info{") == disks)
            for _ in range(5):
                _get(url + "metrics")
                _get(url)
            found = memory(process.pid)
            process.terminate()
    return found


def _get(url: str) -> str:
    with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
        return str(answer.read().decode())


def resident() -> None:
    """`serve` on mocked disks against interpreters that only made imports."""
    libraries, program = imported(LIBRARIES), imported("spinledger.cli")
    few, many = DISKS, 100
    least, most = serving(few), serving(many)
    print(f"resident, the libraries imported          {libraries / 1024:8.1f} MB")
    print(f"resident, the program imported            {program / 1024:8.1f} MB")
    print(f"resident, serve with {few:3} disks           {least / 1024:8.1f} MB")
    print(f"resident, serve with {many:3} disks           {most / 1024:8.1f} MB")
    print(f"    {few} disks to the program (at most 1.4) {least / program:8.2f}")
    print(f"    {few} disks to the libraries             {least / libraries:8.2f}")
    each_mb = (most - least) / 1024 / (many - few)
    print(f"    a disk more (at most 0.5)             {each_mb:8.2f} MB")
    if least / program > 1.4 or each_mb > 0.5:
        sys.exit("serve holds more memory than its limits")


def main() -> None:
    """Print the table."""
    sample = samples()
    with mocked_shelf(DISKS) as shelf:
        given = shelf.run(probes)
    print(f"bare SG_IO on the mocked shelf            {given['bare'] * 1e6:8.1f} us")
    print(f"a probe through the prober                {given['probed'] * 1e6:8.1f} us")
    print(f"    ratio                                 {given['probed'] / given['bare']:8.2f}")
    print(f"prober, resident                          {given['prober_kb'] / 1024:8.1f} MB (to 18)")
    if given["shell"]:
        print(f"shell loop over smartctl, a disk          {given['shell'] * 1e6:8.1f} us")
        print(f"    ratio to a sample of ours (over 500)  {given['shell'] / sample:8.0f}")
        print(f"    ratio to a probe of ours              {given['shell'] / given['probed']:8.0f}")
    resident()


if __name__ == "__main__":
    from tests.bench import bench_watch  # by its name, so that the shelf's child finds it too

    bench_watch.main()
