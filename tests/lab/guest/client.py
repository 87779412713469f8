"""The rack's client (see rack.py): sends one request, and starts the rack if it does not run."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from typing import Any

SOCKET = "/run/rack"


def request(message: dict[str, Any]) -> dict[str, Any]:
    """Send `{"do": NAME, ...}`; the answer, `{"value": ...}` or `{"error": "..."}`."""
    with socket.socket(socket.AF_UNIX) as link:
        try:
            link.connect(SOCKET)
        except OSError:
            _start()
            link.connect(SOCKET)
        with link.makefile("rwb") as lines:
            lines.write(json.dumps(message).encode() + b"\n")
            lines.flush()
            answer: dict[str, Any] = json.loads(lines.readline())
            return answer


def value(do: str, **arguments: Any) -> Any:
    """As `request`, but only the value; raises RuntimeError on an error."""
    answer = request({"do": do, **arguments})
    if "error" in answer:
        raise RuntimeError(f"rack: {do} {arguments}: {answer['error']}")
    return answer["value"]


def _start() -> None:
    with open("/run/rack.log", "w") as log:
        subprocess.Popen(
            [sys.executable, "-m", "tests.lab.guest.rack"],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    for _ in range(600):
        if os.path.exists(SOCKET):
            return
        time.sleep(0.05)
    raise TimeoutError("the rack did not start: see /run/rack.log")
