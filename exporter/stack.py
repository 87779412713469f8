"""What `./exporter/try --stack` runs: the exporter, Prometheus and Alertmanager on a month.

Rules: everything is kept in .cache/stack; whatever was started is ended, however this ends. A month
that ended less than ten minutes ago is used again; an older one is rehearsed anew, since the time
between would be unwitnessed. The rules are loaded as they are.
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

HOME = Path(__file__).resolve().parents[1]
CACHE = HOME / ".cache" / "stack"
PROMETHEUS, ALERTMANAGER = "127.0.0.1:9090", "127.0.0.1:9093"
FRESH_S = 600.0
FAULT_AGE_S = 50_400.0  # the runaway waker began so long before the month's end
PATIENCE_S = 60.0


def main() -> int:
    """Rehearse, load, start, wait, end."""
    spinledger, listen, length = sys.argv[1:4]
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        fault = month(spinledger, listen)
        configure(listen)
    except (subprocess.CalledProcessError, OSError) as failed:
        print(f"exporter/try: {failed}", file=sys.stderr)
        return 2
    children: list[subprocess.Popen[bytes]] = []
    try:
        for command, ready in commands(spinledger, listen, fault):
            log = (CACHE / f"{Path(command[0]).name}.log").open("wb")
            with log:
                child = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
            children.append(child)
            if not answers(ready, child):
                print(f"exporter/try: {command[0]} did not start; see {log.name}", file=sys.stderr)
                return 2
        print(told(listen))
        ends = time.monotonic() + float(length) if length else None
        while ends is None or time.monotonic() < ends:
            gone = [child for child in children if child.poll() is not None]
            if gone:
                print(f"exporter/try: ended by itself: {gone[0].args!r}; see {CACHE}/*.log")
                return 1
            time.sleep(0.5)
    except KeyboardInterrupt:
        pass
    finally:
        for child in reversed(children):
            child.terminate()
        for child in children:
            try:
                child.wait(20)
            except subprocess.TimeoutExpired:
                child.kill()
    return 0


def month(spinledger: str, listen: str) -> str:
    """Make sure of ledger and blocks that end now; the order of the fault."""
    note = CACHE / "month.json"
    kept = json.loads(note.read_text()) if note.is_file() else {}
    if kept.get("listen") == listen and 0 <= time.time() - kept["ended"] < FRESH_S:
        print("The rehearsed month is fresh enough: used again.")
        # A run goes on with its ledger, so the next one starts from the rehearsed one again.
        fresh_ledger()
        return str(kept["fault"])
    shutil.rmtree(CACHE, ignore_errors=True)
    CACHE.mkdir(parents=True)
    began = time.time()
    moment = datetime.fromtimestamp(began - FAULT_AGE_S, UTC).isoformat(timespec="seconds")
    fault = f"runaway_waker@{moment}"
    print("Rehearsing a month that ends now (one to three minutes) ...", flush=True)
    series = CACHE / "month.om"
    rehearse = [spinledger, "rehearse", "--days", "30", "--end", "now", "--zone", "UTC"]
    rehearse += ["--fault", fault, "--ledger", str(CACHE / "rehearsed.db"), "--leave-out", "3h"]
    rehearse += ["--openmetrics", str(series), "--job", "spinledger", "--instance", listen]
    subprocess.run(rehearse, check=True)
    print("Loading it into Prometheus ...", flush=True)
    load = ["promtool", "tsdb", "create-blocks-from", "openmetrics", "--max-block-duration=720h"]
    subprocess.run([*load, "-q", str(series), str(CACHE / "blocks")], check=True)
    series.unlink()
    fresh_ledger()
    note.write_text(json.dumps({"ended": began, "listen": listen, "fault": fault}))
    return fault


def fresh_ledger() -> None:
    """The rehearsed ledger again, without what a run left beside its copy."""
    for left in CACHE.glob("ledger.db*"):
        left.unlink()
    shutil.copy(CACHE / "rehearsed.db", CACHE / "ledger.db")


def configure(listen: str) -> None:
    """Fresh data folders and the two configurations."""
    for name in ("data", "alerts"):
        shutil.rmtree(CACHE / name, ignore_errors=True)
    shutil.copytree(CACHE / "blocks", CACHE / "data")
    rules = HOME / "rules"
    (CACHE / "prometheus.yml").write_text(
        "global: {scrape_interval: 15s, evaluation_interval: 15s}\n"
        f"rule_files: ['{rules}/recording/*.yml', '{rules}/alerts/*.yml']\n"
        "scrape_configs:\n"
        f"  - {{job_name: spinledger, static_configs: [{{targets: ['{listen}']}}]}}\n"
        "alerting:\n"
        f"  alertmanagers: [{{static_configs: [{{targets: ['{ALERTMANAGER}']}}]}}]\n",
        encoding="utf-8",
    )
    (CACHE / "alertmanager.yml").write_text(
        "route: {receiver: nobody, group_by: [alertname, wake_group], group_wait: 5s}\n"
        "receivers: [{name: nobody}]\n",
        encoding="utf-8",
    )


def commands(spinledger: str, listen: str, fault: str) -> list[tuple[list[str], str]]:
    """What to start, in order, and the address that answers once it runs."""
    alertmanager = ["prometheus-alertmanager", f"--config.file={CACHE}/alertmanager.yml"]
    alertmanager += [f"--storage.path={CACHE}/alerts", f"--web.listen-address={ALERTMANAGER}"]
    serve = [spinledger, "serve", "--shelf", "simulated", "--speed", "1", "--now", "--zone", "UTC"]
    serve += ["--fault", fault, "--ledger", str(CACHE / "ledger.db"), "--listen", listen]
    prometheus = ["prometheus", f"--config.file={CACHE}/prometheus.yml"]
    prometheus += [f"--storage.tsdb.path={CACHE}/data", "--storage.tsdb.retention.time=60d"]
    return [
        ([*alertmanager, "--cluster.listen-address="], f"http://{ALERTMANAGER}/-/ready"),
        (serve, f"http://{listen}/metrics"),
        ([*prometheus, f"--web.listen-address={PROMETHEUS}"], f"http://{PROMETHEUS}/-/ready"),
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


def told(listen: str) -> str:
    """What to open and what to notice."""
    return f"""
A simulated shelf at the speed of life, with a month behind it. Open

    http://{PROMETHEUS}/alerts      the rules; what fires, and what waits
    http://{PROMETHEUS}/graph       try: spinledger_disk_recent_cycles{{window="1d"}}
    http://{ALERTMANAGER}/             who would be told (here: nobody)
    http://{listen}/             the exporter's own page

Fourteen hours ago something began to wake the first disk of the pool `frames` every 21 minutes. An
alert
that is judged from the exporter's ledger needs no scraped past: it fires once its own waiting time
is over. The month in Prometheus was backfilled and ends three hours ago; the newest hours are not
to be backfilled, so graphs have a gap there. Backfill raises no alerts: rules look only
from now on.
Stop with Ctrl-C; everything ends with it.
"""


if __name__ == "__main__":
    sys.exit(main())
