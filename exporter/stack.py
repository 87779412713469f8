"""What `./exporter/try --stack` runs: the exporter, Prometheus and Alertmanager on a month.

Rules: everything is kept in .cache/stack, but the live journal, which is not kept; whatever was
started is ended, however this ends. A rehearsed month that ends three hours ago is kept with its
blocks; each start rehearses on from there what has passed since, so no time is invented and next
to none is unobserved. Rules and the sample Alertmanager configuration are used as they are, but
that all rules are evaluated at the server's interval, so that a visitor need not wait, and that
notifications go to a receiver in this process, which prints each as it arrives.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, TextIO

HOME = Path(__file__).resolve().parents[1]
CACHE = HOME / ".cache" / "stack"
BASE, NEXT, LEDGER = CACHE / "month.db", CACHE / "next.db", CACHE / "ledger.db"
SERIES, BLOCKS, NOTE = CACHE / "month.om", CACHE / "blocks", CACHE / "month.json"
LEFT_OUT_S = 3 * 3600  # a server's newest hours are not to be backfilled
FAULTS = ("runaway_waker", "lost_timer")
FAULTS_AGE_S = 30 * 3600  # by then a day's window is full of the runaway
WORN_OUT_S = 3 * 86_400  # a month that was continued for longer is begun anew
WORTH_IT_S = 600  # a shorter piece of series is left for the next start
PATIENCE_S = 60.0


def main() -> int:
    """Rehearse, load, start, wait, end."""
    spinledger, listen, length = sys.argv[1:4]
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    children: list[subprocess.Popen[bytes]] = []
    journal = journal_folder()
    receiver = Receiver()
    try:
        host, _, port = listen.rpartition(":")
        if free(int(port), host) != listen:
            return stop(f"{listen} is in use; name another address with --listen")
        lock = lone()
        places = listen, free(9090), free(9093)
        rehearse = Rehearsing(spinledger, listen)
        rehearse.month()
        rehearse.until_now()
        configure(*places, receiver.url)
        for command, ready in commands(spinledger, rehearse.orders, *places):
            log = CACHE / f"{Path(command[0]).name}.log"
            with log.open("wb") as out:
                child = subprocess.Popen(
                    command, stdout=out, stderr=out, start_new_session=True, env=journal
                )
            children.append(child)
            if not answers(ready, child):
                return stop(f"{command[0]} did not start; see {log}")
        hours = round((time.time() - rehearse.faulty_since) / 3600)
        print(given(*places, hours), flush=True)
        receiver.begin()
        ends = time.monotonic() + float(length) if length else None
        while ends is None or time.monotonic() < ends:
            for child in children:
                if child.poll() is not None:
                    return stop(f"ended by itself: {child.args!r}; see {CACHE}/*.log")
            time.sleep(0.5)
    except subprocess.CalledProcessError as failed:
        return stop(f"failed: {failed.cmd!r} (exit {failed.returncode})")
    except OSError as failed:
        return stop(str(failed))
    except KeyboardInterrupt:
        print("\nexporter/try: ended")
    finally:
        end(children)
        receiver.server_close()
        SERIES.unlink(missing_ok=True)
        shutil.rmtree(journal["RUNTIME_DIRECTORY"], ignore_errors=True)
    lock.close()
    return 0


def lone() -> TextIO:
    """Holds the cache as long as it is open; OSError when another run has it."""
    CACHE.parent.mkdir(parents=True, exist_ok=True)
    lock = (CACHE.parent / "stack.lock").open("w")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise OSError(f"another --stack runs from this checkout (it holds {lock.name})") from None
    return lock


def journal_folder() -> dict[str, str]:
    """The environment of what is started: the exporter's live journal in a folder that is ours."""
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(prefix="spinledger-", dir=memory if memory.is_dir() else None)
    return {**os.environ, "RUNTIME_DIRECTORY": folder}


def stop(why: str) -> int:
    """Say it in one line; the exit code."""
    print(f"exporter/try: {why}", file=sys.stderr)
    return 2


def end(children: list[subprocess.Popen[bytes]]) -> None:
    """End what was started, and do not leave before it has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for child in reversed(children):
        child.terminate()
    for child in children:
        try:
            child.wait(20)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def free(port: int, host: str = "127.0.0.1") -> str:
    """HOST:PORT with that port, or with another one where that is taken."""
    for wanted in (port, 0):
        with socket.socket() as probe:
            try:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind((host, wanted))
            except OSError:
                continue
            return f"{host}:{probe.getsockname()[1]}"
    raise OSError(f"no free port on {host}")


class Rehearsing:
    """The month that is kept, and its continuation."""

    def __init__(self, spinledger: str, listen: str) -> None:
        self._program = spinledger
        self._listen = listen
        self._now = time.time()
        self._begun = self._now

    @property
    def faulty_since(self) -> float:
        """Since when the faults go on."""
        return self._begun - FAULTS_AGE_S

    @property
    def orders(self) -> list[str]:
        """The faults, as options."""
        return [f"--fault={name}@{iso(self.faulty_since)}" for name in FAULTS]

    def month(self) -> None:
        """Make sure of a ledger and of blocks that end three hours ago."""
        kept = json.loads(NOTE.read_text()) if NOTE.is_file() else {}
        ends = self._now - LEFT_OUT_S
        if kept.get("listen") == self._listen and 0 <= self._now - kept["begun"] < WORN_OUT_S:
            self._begun = kept["begun"]
            if ends - kept["ended"] < WORTH_IT_S:
                return
            print("Rehearsing what has passed since ...", flush=True)
            copy(BASE, NEXT)
            self._rehearse(NEXT, ends, "--continue", "--openmetrics", str(SERIES))
        else:
            shutil.rmtree(CACHE, ignore_errors=True)
            CACHE.mkdir(parents=True)
            print("Rehearsing a month (once; one to three minutes) ...", flush=True)
            self._rehearse(NEXT, ends, "--days", "30", "--openmetrics", str(SERIES))
        print("Loading it into Prometheus' blocks ...", flush=True)
        load = ["promtool", "tsdb", "create-blocks-from", "openmetrics"]
        load += ["--max-block-duration=720h", "-q", str(SERIES), str(BLOCKS)]
        subprocess.run(load, check=True, stdout=subprocess.DEVNULL)
        SERIES.unlink()
        NOTE.unlink(missing_ok=True)
        copy(NEXT, BASE)
        note = {"listen": self._listen, "begun": self._begun, "ended": ends}
        NOTE.write_text(json.dumps(note))

    def until_now(self) -> None:
        """The ledger to serve: the month's, and the hours since."""
        copy(BASE, LEDGER)
        self._rehearse(LEDGER, time.time(), "--continue")

    def _rehearse(self, ledger: Path, ends: float, *more: str) -> None:
        names = ["--job", "spinledger", "--instance", self._listen]
        what = ["--end", iso(ends), "--zone", "UTC", "--ledger", str(ledger), *self.orders]
        # What it prints is not shown; its progress bar on the terminal is.
        subprocess.run(
            [self._program, "rehearse", *what, *names, *more], check=True, stdout=subprocess.DEVNULL
        )


def iso(seconds: float) -> str:
    """A time of the Unix epoch in UTC, to the second."""
    return datetime.fromtimestamp(int(seconds), UTC).isoformat()


def copy(ledger: Path, to: Path) -> None:
    """A ledger that was closed in order, with the mark that says so, in place of another."""
    for left in to.parent.glob(f"{to.name}*"):
        left.unlink()
    for ending in ("", ".mark"):
        shutil.copy(f"{ledger}{ending}", f"{to}{ending}")


class Receiver(ThreadingHTTPServer):
    """Takes Alertmanager's notifications (its webhook, version 4) and prints each in a few lines.

    What came before `begin` waits for it, so that nothing is printed above the addresses.
    """

    daemon_threads = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), Notified)
        self._ready = threading.Event()
        self.url = f"http://127.0.0.1:{self.server_address[1]}"
        threading.Thread(target=self.serve_forever, daemon=True).start()

    def begin(self) -> None:
        """Print from now on."""
        self._ready.set()

    def take(self, receiver: str, message: dict[str, Any]) -> None:
        """Print one notification."""
        self._ready.wait()
        print("\n".join(shown(receiver, message, datetime.now())), flush=True)


class Notified(BaseHTTPRequestHandler):
    """One notification: the path is the receiver's name."""

    def do_POST(self) -> None:
        """Acknowledge it first: the printing may wait."""
        message = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.send_response(204)
        self.end_headers()
        assert isinstance(self.server, Receiver)
        self.server.take(self.path.strip("/"), message)

    def log_message(self, *_: object) -> None:
        """Nothing but the notification is printed."""


def shown(receiver: str, message: dict[str, Any], at: datetime) -> list[str]:
    """A notification in lines: when, to whom, what, and the page that says what to do."""
    lines = []
    for alert in message["alerts"]:
        name = alert["labels"]["alertname"]
        lines.append(f"{at:%H:%M:%S}  {receiver:9}  {alert['status']:8}  {name}")
        lines.append(f"          {alert['annotations']['summary']}")
        lines.append(f"          what to do: rules/runbooks/{alert['annotations']['runbook']}.md")
    return lines


def configure(listen: str, prometheus: str, alertmanager: str, receiver: str) -> None:
    """Fresh data folders and the two configurations."""
    for name in ("data", "alerts", "rules"):
        shutil.rmtree(CACHE / name, ignore_errors=True)
    shutil.copytree(BLOCKS, CACHE / "data")
    rules = HOME / "rules"
    hurried = CACHE / "rules"
    for kind in ("recording", "alerts"):
        (hurried / kind).mkdir(parents=True, exist_ok=True)
        for file in (rules / kind).glob("*.yml"):
            text = re.sub(r"^ +interval: .*\n", "", file.read_text("utf-8"), flags=re.MULTILINE)
            (hurried / kind / file.name).write_text(text, encoding="utf-8")
    (CACHE / "prometheus.yml").write_text(
        "global: {scrape_interval: 15s, evaluation_interval: 15s}\n"
        f"rule_files: ['{hurried}/recording/*.yml', '{hurried}/alerts/*.yml']\n"
        "scrape_configs:\n"
        f"  - {{job_name: spinledger, static_configs: [{{targets: ['{listen}']}}]}}\n"
        "alerting:\n"
        f"  alertmanagers: [{{static_configs: [{{targets: ['{alertmanager}']}}]}}]\n",
        encoding="utf-8",
    )
    sample = (rules / "samples" / "alertmanager.yml").read_text(encoding="utf-8")
    ours = re.sub(r"http://127\.0\.0\.1:9095(?=/)", receiver, sample)
    (CACHE / "alertmanager.yml").write_text(ours, encoding="utf-8")


def commands(
    spinledger: str, orders: list[str], listen: str, prometheus: str, alertmanager: str
) -> list[tuple[list[str], str]]:
    """What to start, in order, and the address that answers once it runs."""
    managing = ["prometheus-alertmanager", f"--config.file={CACHE}/alertmanager.yml"]
    managing += [f"--storage.path={CACHE}/alerts", f"--web.listen-address={alertmanager}"]
    serve = [spinledger, "serve", "--shelf", "simulated", "--speed", "1", "--now", "--zone", "UTC"]
    serve += [*orders, "--ledger", str(LEDGER), "--listen", listen]
    server = ["prometheus", f"--config.file={CACHE}/prometheus.yml"]
    server += [f"--storage.tsdb.path={CACHE}/data", "--storage.tsdb.retention.time=60d"]
    consoles = HOME / "dashboards" / "consoles"
    if consoles.is_dir():
        server.append(f"--web.console.templates={consoles}")
    return [
        ([*managing, "--cluster.listen-address="], f"http://{alertmanager}/-/ready"),
        (serve, f"http://{listen}/metrics"),
        ([*server, f"--web.listen-address={prometheus}"], f"http://{prometheus}/-/ready"),
    ]


def answers(address: str, child: subprocess.Popen[bytes]) -> bool:
    """True once the address answers; False when the child ends or patience does."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends and child.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=5):
                return True
        except OSError:
            time.sleep(0.2)
    return False


def given(listen: str, prometheus: str, alertmanager: str, hours: int) -> str:
    """What to open and what to notice."""
    return f"""
Simulated disks in real time, with a recorded month behind them. Open

    http://{listen}/          the exporter's own page
    http://{prometheus}/alerts    alerts that fire, and pending ones
    http://{prometheus}/graph     try: spinledger_disk_recent_cycles{{window="1d"}}
    http://{alertmanager}/          notifications, by route and receiver

Two faults have been going on for {hours} hours. Something wakes the first disk of the pool `frames`
every 21 minutes: DiskCyclesRunaway fires within a minute. The second disk of `plates` has lost its
standby timer: DiskTimerNotHolding fires if it has been left idle long enough since to be sure. Both
may have slept too little last night: DiskSleptTooLittleInQuietHours. All this is judged by the
exporter from its ledger, so it needs no scraped past.

The month in Prometheus was backfilled. It ends three hours ago, since a server's newest hours are
not to be backfilled: graphs have a gap there. A backfill raises no alerts, and rules that look back
at scraped series (unobserved spin-ups, an exporter that is down) begin with the first scrape.

Ctrl-C ends all of it. Each notification of Alertmanager is printed here as it arrives, the first
within two minutes: when, to which receiver, what.
"""


if __name__ == "__main__":
    sys.exit(main())
