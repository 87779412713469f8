"""Runs jobs of the host, one at a time, over one serial channel.

Each message is one line of JSON. From the host: `{"script": "...", "stdin": "...", "timeout": s}`.
Back come any number of `{"stream": "out" | "err", "text": "..."}` and then `{"code": n}`, with
code 124 when the time was up and the job's whole process group was killed. `{"rack": {...}}` is
handed to the rack of emulated drives, and its answer handed back. The very first line is
`{"ready": uptime}`.
"""

from __future__ import annotations

import codecs
import json
import os
import selectors
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator

from tests.lab.guest.client import request as rack_request

TIMED_OUT = 124


def serve(path: str) -> None:
    """Answer requests on the channel at `path` until it ends."""
    with open(path, "r+b", buffering=0) as channel:

        def say(message: dict[str, object]) -> None:
            left = memoryview(json.dumps(message).encode() + b"\n")
            while left:
                left = left[channel.write(left) :]

        say({"ready": time.clock_gettime(time.CLOCK_BOOTTIME)})
        pending = b""
        while chunk := channel.read(65536):
            pending += chunk
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                request = json.loads(line)
                if "rack" in request:
                    say(rack_request(request["rack"]))
                    continue
                for message in run(request["script"], request["stdin"], request["timeout"]):
                    say(message)


def run(script: str, stdin: str, timeout: float) -> Iterator[dict[str, object]]:
    """Run a shell script; yield its output as it comes, then its exit code."""
    deadline = time.monotonic() + timeout
    with tempfile.TemporaryFile() as file:
        file.write(stdin.encode())
        file.seek(0)
        child = subprocess.Popen(
            ["/bin/bash", "-c", script],
            stdin=file,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
    assert child.stdout is not None
    assert child.stderr is not None
    with selectors.DefaultSelector() as waiting:
        for name, stream in (("out", child.stdout), ("err", child.stderr)):
            decoder = codecs.getincrementaldecoder("utf-8")("replace")
            waiting.register(stream, selectors.EVENT_READ, (name, decoder))
        late = False
        while waiting.get_map():
            ready = waiting.select(max(0.0, deadline - time.monotonic()))
            if not ready and time.monotonic() >= deadline:
                late = True
                break
            for key, _ in ready:
                name, decoder = key.data
                data = os.read(key.fd, 65536)
                if not data:
                    waiting.unregister(key.fileobj)
                if text := decoder.decode(data, final=not data):
                    yield {"stream": name, "text": text}
    if not late:
        try:
            code = child.wait(max(0.1, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            late = True
    if late:
        os.killpg(child.pid, signal.SIGKILL)
        code = TIMED_OUT
    child.stdout.close()
    child.stderr.close()
    yield {"code": code if code >= 0 else 128 - code}


if __name__ == "__main__":
    serve(sys.argv[1])
