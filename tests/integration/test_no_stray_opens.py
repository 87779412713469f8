"""Once it runs, the exporter opens and imports nothing outside a short list.

So that neither a lazy import nor a stray file wakes a sleeping root disk. An audit hook (PEP 578)
in the exporter's own process sees them, on the mocked shelf and on the simulated one.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.fakes.mocked import Shelf, mocked_shelf
from tests.fakes.patience import PATIENCE_S

ROOT = Path(__file__).parents[2]
SETTLED_S = 2.0  # after it first answers


def watch(arguments: list[str], port: int) -> dict[str, Any]:
    """Run `serve` here; what was opened and imported after it had settled."""
    from spinledger.cli import main

    settled = threading.Event()
    opened: list[str] = []
    imported: list[str] = []

    def hook(event: str, values: tuple[object, ...]) -> None:
        if settled.is_set():
            if event == "open" and isinstance(values[0], str):
                opened.append(values[0])
            elif event == "import":
                imported.append(str(values[0]))

    def get(path: str) -> None:
        urllib.request.urlopen(f"http://127.0.0.1:{port}/{path}", timeout=PATIENCE_S).read()

    def scrape() -> None:
        while True:
            try:
                get("-/ready")
                break
            except OSError:
                time.sleep(0.1)
        time.sleep(SETTLED_S)
        settled.set()
        for path in ("metrics", "snapshot", "", "history?since=1d"):
            get(path)
            time.sleep(0.3)
        time.sleep(SETTLED_S)
        settled.clear()
        signal.raise_signal(signal.SIGTERM)

    threading.Thread(target=scrape, daemon=True).start()
    sys.addaudithook(hook)
    code = main([*arguments, "--listen", f"127.0.0.1:{port}", "--for", str(PATIENCE_S)])
    return {"code": code, "opened": sorted(set(opened)), "imported": sorted(set(imported))}


def mocked(shelf: Shelf) -> dict[str, Any]:
    """In the mocked shelf: real ports, a ledger in a folder of its own."""
    ledger = Path(os.environ["SPINLEDGER_TEST_FOLDER"])
    config = ledger / "c.yml"
    config.write_text(
        f"sample: {{fast: 0.2s, slow: 1s, asleep: 2s}}\nledger: {{path: {ledger}/l.db}}\n"
    )
    return watch(["serve", "--config", str(config)], 9797)


def strays(seen: dict[str, Any], folder: Path) -> list[str]:
    """What was opened outside the list: the kernel's files, the ledger, its live journal."""
    allowed = ("/sys/", "/proc/", "/run/spinledger/", "/dev/shm/spinledger-", str(folder))
    return [path for path in seen["opened"] if not path.startswith(allowed)]


def test_real_ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On the mocked shelf: nothing stray, although four pages were fetched."""
    monkeypatch.setenv("SPINLEDGER_TEST_FOLDER", str(tmp_path))
    with mocked_shelf(3) as shelf:
        seen = shelf.run(mocked)
    assert seen["code"] == 0
    assert strays(seen, tmp_path) == []
    assert seen["imported"] == []


def test_simulated_shelf(tmp_path: Path) -> None:
    """On the simulated shelf, with a ledger file."""
    arguments = [
        *("serve", "--shelf", "simulated", "--speed", "60"),
        *("--ledger", str(tmp_path / "l.db")),
    ]
    code = (
        "import json, sys; from tests.integration.test_no_stray_opens import watch; "
        f"print('seen ' + json.dumps(watch({arguments!r}, 9798)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": f"{ROOT}:{ROOT / 'exporter'}"},
        capture_output=True,
        text=True,
        check=True,
    )
    line = next(row for row in done.stdout.splitlines() if row.startswith("seen "))
    seen = json.loads(line.removeprefix("seen "))
    assert strays(seen, tmp_path) == []
    assert seen["imported"] == []
