"""The server under load: 1,000 slow clients, 100 scrapes a second, TLS, wrong passwords at speed.

Run at the top: python -m tests.bench.bench_server [SECONDS [ROW...]], a minute a row unless given.
Each row is a server of its own on simulated disks at the speed of real time, sampled once a second;
this process is all clients (`tests/bench/clients.py`), on the same machine. As root, both have a
higher priority than what else runs. Printed: latency of the scrapes to the first byte of the answer
(gzip, as Prometheus asks for it), how late samples were, taken from the times that it exports, the
processor time of both sides and of everything else, and memory. It exits with 1 where the 99th
percentile of latency or lateness is a second or more, or where a scrape failed. openssl makes the
certificates.
"""

from __future__ import annotations

import gzip
import os
import re
import resource
import ssl
import subprocess
import sys
import tempfile
import time
from base64 import b64encode
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import count, pairwise
from pathlib import Path

import bcrypt

from tests.bench.clients import OTHER, SLOW_S, Clients, Requests, Slow, Target
from tests.bench.machine import machine

ROOT = Path(__file__).parents[2]
SLOW, SCRAPES_S, SCRAPERS, WRONG_S, WRONG = 1000, 100, 20, 200, 20
OBSERVED_S = 0.3  # between two readings of the times of samples
PASSWORD = "dark frames"
SAMPLED = re.compile(rb"^spinledger_disk_last_sample_timestamp_seconds\{.*\} (.*)$", re.MULTILINE)
TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Load:
    """One row: what is served, and what comes."""

    name: str
    file: str = ""  # of certificates and users
    slow: int = 0
    slow_tls: bool = False  # the slow ones end their handshakes
    scrapes: bool = True
    kept: bool = True  # connections of scrapers
    wrong: bool = False


TLS = "tls_server_config:\n  cert_file: server.pem\n  key_file: server.key\n"
CLIENTS = TLS + "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: server.pem\n"


def main(seconds: float, chosen: list[int]) -> int:
    """Print the table."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    with suppress(OSError):  # sched(7): the priority of all processes of this session
        Path("/proc/self/autogroup").write_text("-10")
    hashed = bcrypt.hashpw(PASSWORD.encode(), bcrypt.gensalt(10)).decode()
    users = f"basic_auth_users: {{a: {hashed}}}\n"
    rows = (
        Load("nothing else", scrapes=False),
        Load("100 scrapes/s"),
        Load("1,000 slow clients", slow=SLOW, scrapes=False),
        Load("both", slow=SLOW),
        Load("both, TLS", TLS, SLOW),
        Load("both, TLS, client certificates", CLIENTS, SLOW),
        Load("both, TLS, slow after handshake", TLS, SLOW, slow_tls=True),
        Load("TLS, a connection a scrape", TLS, kept=False),
        Load("both, wrong passwords", users, SLOW, wrong=True),
    )
    print(
        f"{machine()}; {seconds:g} s a row\n"
        "latency, lateness of samples and of these clients in ms: median, 99th percentile, "
        "maximum; processor time in % of a core"
    )
    failed = False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-keyout",
             "server.key", "-out", "server.pem", "-subj", "/CN=dome", "-addext",
             "subjectAltName=IP:127.0.0.1"],
            cwd=folder, check=True, capture_output=True,
        )  # fmt: skip
        for number, load in enumerate(rows, 1):
            if not chosen or number in chosen:
                failed |= run(f"{number} {load.name}", load, folder, seconds)
    with suppress(OSError):
        Path("/proc/self/autogroup").write_text("0")
    return int(failed)


def run(title: str, load: Load, folder: Path, seconds: float) -> bool:
    """One row; True where it is too slow."""
    web = folder / "web.yml"
    web.write_text(load.file)
    web.chmod(0o600)
    config = folder / "config.yml"
    config.write_text(f"sample: {{fast: 1s}}\nweb: {{tls_and_users: {web}}}\n")
    server = subprocess.Popen(
        [sys.executable, "-m", "spinledger", "serve", "--shelf", "simulated", "--ledger", "memory",
         "--listen", "127.0.0.1:0", "--config", str(config)],
        stderr=subprocess.PIPE, text=True, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT / "exporter")},
    )  # fmt: skip
    try:
        assert server.stderr is not None
        while "serving" not in (line := server.stderr.readline()):
            assert line, "the server has ended"
        target = Target(int(line.rpartition(":")[2].partition("/")[0]))
        if load.file.startswith("tls"):
            target.context = ssl.create_default_context(cafile=folder / "server.pem")
            target.context.load_cert_chain(folder / "server.pem", folder / "server.key")
        load_on = Loaded(load, target)
        before = _processor(server.pid)
        load_on.clients.run(time.monotonic() + seconds)
        after = _processor(server.pid)
        status = Path(f"/proc/{server.pid}/status").read_text()
    finally:
        server.terminate()
        server.wait()
    used = [f"{100 * (b - a) / seconds:.0f}" for a, b in zip(before, after, strict=True)]
    memory = [int(status.split(f"{name}:")[1].split()[0]) / 1024 for name in ("VmRSS", "VmHWM")]
    latencies, late = load_on.latencies(), load_on.late()
    print(
        f"{title:33} {len(latencies):5} scrapes {figures(latencies)}, {load_on.failed()} failed;  "
        f"samples late {figures(late)};  clients late {figures(load_on.clients.behind)};  "
        f"processor: server {used[0]}, clients {used[1]}, all else {used[2]};  "
        f"{memory[0]:.0f} MB, at most {memory[1]:.0f}" + load_on.more(),
        flush=True,
    )
    return bool(load_on.failed()) or any(percentile(one, 0.99) >= 1.0 for one in (latencies, late))


class Loaded:
    """The clients of a row."""

    def __init__(self, load: Load, target: Target) -> None:
        self.clients, self._target = Clients(), target
        self._sampled: set[float] = set()
        own = partial(_request, PASSWORD)
        every_s = SCRAPERS / SCRAPES_S
        self._scrapers = [
            Requests(self.clients, target, own, every_s, number / SCRAPES_S, load.kept)
            for number in range(SCRAPERS if load.scrapes else 0)
        ]
        Requests(self.clients, target, own, OBSERVED_S, 0.0, done=self._observe)
        self._slow = [
            Slow(self.clients, target, SLOW_S * number / SLOW, plain=not load.slow_tls)
            for number in range(load.slow)
        ]
        tried = count()
        self._wrong = [
            Requests(
                self.clients, target, lambda: _request(f"wrong {next(tried)}"), WRONG / WRONG_S,
                number / WRONG_S, kept=False, address=OTHER,
            )
            for number in range(WRONG if load.wrong else 0)
        ]  # fmt: skip

    def latencies(self) -> list[float]:
        """Of all scrapes; those still without an answer have waited so long."""
        now = time.monotonic()
        return [s for one in self._scrapers for s in (*one.latencies, *one.left(now))]

    def failed(self) -> int:
        """Scrapes that ended without the metrics."""
        return sum(one.statuses.total() - one.statuses[200] for one in self._scrapers)

    def late(self) -> list[float]:
        """How much longer than a second two samples lay apart, seconds."""
        return [max(0.0, b - a - 1.0) for a, b in pairwise(sorted(self._sampled))]

    def more(self) -> str:
        """What this row alone has."""
        said = ""
        if self._target.handshakes:
            said += f";  {self._target.handshakes} handshakes, {self._target.resumed} resumed"
        if self._slow:
            said += f";  slow clients closed {sum(one.closed for one in self._slow)} times"
        if self._wrong:
            statuses = sum((one.statuses for one in self._wrong), Counter[int]())
            said += f";  wrong passwords, by status: {dict(sorted(statuses.items()))}"
        return said

    def _observe(self, status: int, body: bytes) -> None:
        found = SAMPLED.search(gzip.decompress(body)) if status == 200 else None
        if found:
            self._sampled.add(float(found[1]))


def _request(password: str) -> bytes:
    basic = b64encode(f"a:{password}".encode()).decode()
    return (
        "GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n"
        f"Authorization: Basic {basic}\r\n\r\n"
    ).encode()


def _processor(server: int) -> tuple[float, float, float]:
    """Processor time so far, seconds: of the server, of this process, of everything else."""
    fields = Path(f"/proc/{server}/stat").read_text().rpartition(")")[2].split()
    its = (int(fields[11]) + int(fields[12])) / TICKS  # proc(5): utime, stime
    own = time.process_time()
    user, nice, system, _, _, irq, softirq, *_ = Path("/proc/stat").read_text().split()[1:]
    busy = sum(map(int, (user, nice, system, irq, softirq))) / TICKS
    return its, own, busy - its - own


def percentile(values: list[float], part: float) -> float:
    """The value below which this part lies; 0 of nothing."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))] if values else 0.0


def figures(values: list[float]) -> str:
    """Median, 99th percentile and maximum in ms."""
    parts = (percentile(values, 0.5), percentile(values, 0.99), max(values, default=0.0))
    return " ".join(f"{1000 * one:4.0f}" for one in parts)


if __name__ == "__main__":
    sys.exit(main(float((sys.argv[1:] or ["60"])[0]), [int(one) for one in sys.argv[2:]]))
