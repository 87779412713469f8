"""Starts, scrapes and stops exporters in the guest."""

from __future__ import annotations

import gc
import http.client
import importlib
import os
import signal
import subprocess
import sys
import time
import traceback
import types
from pathlib import Path
from typing import Any

PRISTINE = Path("/exporter")
PACKAGE = "spinledger"
PASSTHROUGH = "spinledger/device/passthrough.py"
READY_S = 120.0
STOP_S = 10.0


def now() -> float:
    """Seconds of the boot clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Exporter:
    """One `spinledger serve` under test.

    `path` is the folder that holds its package. Without `edited` it is started as a user would
    start it. With `edited`, a file below `path`, it is forked from this process, which has the
    untouched exporter in memory, and the edits of that file are made in the child's memory: on an
    emulated processor a start takes seconds otherwise.
    """

    def __init__(
        self,
        name: str,
        path: str,
        config: str,
        port: int,
        edited: str | None,
        ledger: str = "memory",
    ) -> None:
        self.name, self.port = name, port
        file = Path(f"/run/{name}.yml")
        file.write_text(config)
        self._log = Path(f"/run/{name}.log")
        command = [
            *("serve", "--config", str(file), "--listen", f"127.0.0.1:{port}"),
            *("--ledger", ledger),
        ]
        with self._log.open("wb") as log:
            if edited is not None:
                self._pid = _fork(Path(path), edited, command, log.fileno())
            else:
                self._pid = subprocess.Popen(
                    [sys.executable, "-m", "spinledger", *command],
                    env=os.environ | {"PYTHONPATH": f"{path}:/opt/wheels"},
                    cwd="/",
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                ).pid
        self._code: int | None = None
        self.scrapes: list[dict[str, Any]] = []
        self.ready = 0.0
        self.stopped_s: float | None = None

    def get(self, path: str) -> str:
        """The body of a page; raises OSError or HTTPException when there is none."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        try:
            link.request("GET", path)
            answer = link.getresponse()
            body = answer.read().decode()
            if answer.status != 200:
                raise http.client.HTTPException(f"{path}: {answer.status}")
            return body
        finally:
            link.close()

    def await_ready(self) -> None:
        """Wait until it serves its first snapshot; a failure shows as `ready` 0."""
        deadline = now() + READY_S
        while now() < deadline and self._ended() is None:
            try:
                self.get("/-/ready")
            except (OSError, http.client.HTTPException):
                time.sleep(0.2)
            else:
                self.ready = now()
                return

    def scrape(self) -> None:
        """One scrape of /metrics."""
        at = now()
        try:
            text = self.get("/metrics")
        except (OSError, http.client.HTTPException) as error:
            text = f"# {type(error).__name__}: {error}\n"
        self.scrapes.append({"at": at, "took": now() - at, "text": text})

    def stop(self) -> None:
        """SIGTERM, and how long its end takes; None: it had to be killed."""
        began = now()
        if self._ended() is None:
            os.kill(self._pid, signal.SIGTERM)
        while now() < began + STOP_S:
            if self._ended() is not None:
                self.stopped_s = now() - began
                return
            time.sleep(0.02)
        os.kill(self._pid, signal.SIGKILL)

    def _ended(self) -> int | None:
        """Its exit code, None while it runs."""
        if self._code is None:
            pid, status = os.waitpid(self._pid, os.WNOHANG)
            self._code = os.waitstatus_to_exitcode(status) if pid else None
        return self._code

    def report(self) -> dict[str, Any]:
        """How it ran and ended."""
        return {
            "ready": self.ready,
            "code": self._ended(),
            "stopped_s": self.stopped_s,
            "log": self._log.read_text(errors="replace")[-20000:],
        }


def _fork(path: Path, edited: str, command: list[str], log: int) -> int:
    """Run the exporter with one edited file in a child of this process; its process number."""
    if str(PRISTINE) not in sys.path:
        sys.path.insert(0, str(PRISTINE))
    cli = importlib.import_module(f"{PACKAGE}.cli")
    importlib.import_module(f"{PACKAGE}.app.serving")
    gc.collect()
    gc.freeze()  # the collector's marks would make each child copy every page
    if child := os.fork():
        return child
    code = 1
    try:
        nothing = os.open(os.devnull, os.O_RDONLY)
        for source, target in ((nothing, 0), (log, 1), (log, 2)):
            os.dup2(source, target)
        os.chdir("/")
        if edited:  # the prober is a process of its own, started from the copy
            client: Any = importlib.import_module(f"{PACKAGE}.device.prober_client")
            client._PACKAGES = str(path)
        if edited not in ("", PASSTHROUGH):
            _edit(path, edited)
        code = cli.main(command)
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    sys.stderr.flush()
    os._exit(code)


def _edit(path: Path, edited: str) -> None:
    """Make a loaded module what its edited file says: function bodies and constants.

    The functions keep their identity, so whoever imported them by name gets the edit too.
    """
    name = edited.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    module = importlib.import_module(name)
    fresh = types.ModuleType(name)
    fresh.__file__, fresh.__path__ = module.__file__, list(getattr(module, "__path__", []))
    sys.modules[name] = fresh  # dataclasses look their module up while they are made
    try:
        exec(compile((path / edited).read_text(), str(path / edited), "exec"), fresh.__dict__)
    finally:
        sys.modules[name] = module
    if not _overlay(module.__dict__, fresh.__dict__, name):
        raise RuntimeError(f"the edit of {edited} changes nothing")


def _overlay(old: Any, new: Any, module: str) -> bool:
    """Bring what differs in the namespace `new` over to `old`; whether anything did."""
    changed = _overlay_functions(old, new, module)
    for key, item in new.items():
        was = old.get(key)
        if key.startswith("__") or item is was:
            continue
        if isinstance(item, type) and isinstance(was, type) and item.__module__ == module:
            changed |= _overlay_functions(was.__dict__, item.__dict__, module)
        elif isinstance(item, int | float | str | dict) and _means_another(item, was):
            old[key] = item
            changed = True
    return changed


def _overlay_functions(old: Any, new: Any, module: str) -> bool:
    changed = False
    for key, item in new.items():
        was = old.get(key)
        if (
            isinstance(item, types.FunctionType)
            and isinstance(was, types.FunctionType)
            and item.__module__ == module
            and _differs(item.__code__, was.__code__)
        ):
            was.__code__ = item.__code__
            changed = True
    return changed


def _means_another(item: object, was: object) -> bool:
    """True for constants that differ; by their text, since their classes were made anew."""
    return repr(item) != repr(was) and " at 0x" not in repr(item)


def _differs(code: types.CodeType, other: types.CodeType) -> bool:
    """True when two functions do different things, wherever they were compiled."""
    return (code.co_code, code.co_names, _constants(code)) != (
        other.co_code,
        other.co_names,
        _constants(other),
    )


def _constants(code: types.CodeType) -> list[Any]:
    return [
        (item.co_code, item.co_names, _constants(item))
        if isinstance(item, types.CodeType)
        else item
        for item in code.co_consts
    ]
