"""The server under load: 1,000 slow clients, 100 scrapes a second, TLS, wrong passwords at speed.

Run at the top: python -m tests.bench.bench_server [SECONDS], a minute a row unless given. Each row
is a server of its own on simulated disks at the speed of real time, sampled once a second; this
process is all clients, on the same machine. Printed: latency of the scrapes (gzip, as Prometheus
asks for it), how late samples were, taken from the times that it exports, and memory. It exits
with 1 where the 99th percentile of either is a second or more. openssl makes the certificates.
"""

from __future__ import annotations

import asyncio
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
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import bcrypt

ROOT = Path(__file__).parents[2]
SLOW, SCRAPES_S, SCRAPERS, WRONG_S = 1000, 100, 20, 200
PASSWORD = "dark frames"
SAMPLED = re.compile(rb"^spinledger_disk_last_sample_timestamp_seconds\{.*\} (.*)$", re.MULTILINE)


@dataclass
class Load:
    """One row: what is served, and what comes."""

    name: str
    file: str = ""  # of certificates and users
    slow: int = 0
    scrapes: bool = True
    wrong: bool = False
    latencies: list[float] = field(default_factory=list)
    refused: int = 0
    sampled: set[float] = field(default_factory=set)


TLS = "tls_server_config:\n  cert_file: server.pem\n  key_file: server.key\n"
CLIENTS = TLS + "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: server.pem\n"


async def main(seconds: float) -> int:
    """Print the table."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    hashed = bcrypt.hashpw(PASSWORD.encode(), bcrypt.gensalt(10)).decode()
    users = f"basic_auth_users: {{a: {hashed}}}\n"
    rows = (
        Load("nothing else", scrapes=False),
        Load("100 scrapes/s"),
        Load("1,000 slow clients", slow=SLOW, scrapes=False),
        Load("both", slow=SLOW),
        Load("both, TLS", TLS, SLOW),
        Load("both, TLS, client certificates", CLIENTS, SLOW),
        Load("both, wrong passwords", users, SLOW, wrong=True),
    )
    print(
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {seconds:g} s a row; "
        "milliseconds: median, 99th percentile, maximum"
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
        for load in rows:
            failed |= await run(load, folder, seconds)
    return int(failed)


async def run(load: Load, folder: Path, seconds: float) -> bool:
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
        port = int(line.rpartition(":")[2].partition("/")[0])
        context = None
        if load.file.startswith("tls"):
            context = ssl.create_default_context(cafile=folder / "server.pem")
            context.load_cert_chain(folder / "server.pem", folder / "server.key")
        ends = time.monotonic() + seconds
        tasks = [observe(load, port, context, ends)]
        tasks += [slow(port, ends) for _ in range(load.slow)]
        if load.scrapes:
            tasks += [scrape(load, port, context, ends, n / SCRAPES_S) for n in range(SCRAPERS)]
        if load.wrong:
            tasks += [wrong(load, port, ends, n) for n in range(4)]
        await asyncio.gather(*tasks)
        status = Path(f"/proc/{server.pid}/status").read_text()
        rss = int(status.split("VmRSS:")[1].split()[0]) / 1024
        peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
    finally:
        server.terminate()
        server.wait()
    times = sorted(load.sampled)
    late = [abs(b - a - max(1, round(b - a))) for a, b in pairwise(times)]  # some are not seen
    print(
        f"{load.name:32} scrapes {len(load.latencies):5} {figures(load.latencies)}  "
        f"samples late {figures(late)}  {rss:.0f} MB, at most {peak:.0f}"
        + (f"  {load.refused} wrong passwords refused" if load.wrong else ""),
        flush=True,
    )
    return any(percentile(one, 0.99) >= 1.0 for one in (load.latencies, late) if one)


def percentile(values: list[float], part: float) -> float:
    """The value below which this part lies."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def figures(values: list[float]) -> str:
    """Median, 99th percentile and maximum in ms."""
    if not values:
        return f"{'-':>18}"
    parts = (percentile(values, 0.5), percentile(values, 0.99), max(values))
    return " ".join(f"{1000 * one:5.0f}" for one in parts)


async def request(
    port: int,
    context: ssl.SSLContext | None,
    path: str,
    password: str = PASSWORD,
    kept: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] | None = None,
) -> tuple[int, bytes]:
    """Status and body of a request, on a kept connection where there is one."""
    reader, writer = (
        kept.pop() if kept else await asyncio.open_connection("127.0.0.1", port, ssl=context)
    )
    basic = b64encode(f"a:{password}".encode()).decode()
    writer.write(
        f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n"
        f"Authorization: Basic {basic}\r\n\r\n".encode()
    )
    head = await reader.readuntil(b"\r\n\r\n")
    status = int(head.split()[1])
    if status != 200:
        writer.close()
        return status, b""
    size = int(head.lower().split(b"content-length:")[1].split()[0])
    body = await reader.readexactly(size)
    if kept is not None:
        kept.append((reader, writer))
    else:
        writer.close()
    return status, body


async def scrape(
    load: Load, port: int, context: ssl.SSLContext | None, ends: float, offset_s: float
) -> None:
    """A scraper on a kept connection; it counts from when the scrape was due."""
    due = time.monotonic() + offset_s
    kept: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []
    while due < ends:
        await asyncio.sleep(max(0.0, due - time.monotonic()))
        with suppress(OSError, EOFError):
            status, _ = await request(port, context, "/metrics", kept=kept)
            if status == 200:
                load.latencies.append(time.monotonic() - due)
        due += SCRAPERS / SCRAPES_S


async def observe(load: Load, port: int, context: ssl.SSLContext | None, ends: float) -> None:
    """Note when samples were taken."""
    while time.monotonic() < ends:
        with suppress(OSError, EOFError):
            status, body = await request(port, context, "/metrics")
            found = SAMPLED.search(gzip.decompress(body)) if status == 200 else None
            if found:
                load.sampled.add(float(found[1]))
        await asyncio.sleep(0.3)


async def slow(port: int, ends: float) -> None:
    """A client that sends a byte every 3 s, and comes again when it is closed."""
    text = b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 1000
    while time.monotonic() < ends:
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            for byte in text:
                writer.write(bytes([byte]))
                with suppress(TimeoutError):
                    if not await asyncio.wait_for(
                        reader.read(1), min(3.0, max(0.1, ends - time.monotonic()))
                    ):
                        break
                if time.monotonic() >= ends:
                    break
            writer.transport.abort()
        except OSError:
            pass
        await asyncio.sleep(3.0)


async def wrong(load: Load, port: int, ends: float, number: int) -> None:
    """Another wrong password every few ms."""
    count = 0
    while time.monotonic() < ends:
        count += 1
        with suppress(OSError, EOFError):
            status, _ = await request(port, None, "/metrics", f"{number} {count}")
            load.refused += status in (401, 503)
        await asyncio.sleep(4 / WRONG_S)


if __name__ == "__main__":
    sys.exit(asyncio.run(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)))
