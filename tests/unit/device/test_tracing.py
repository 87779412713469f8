"""The tracing instance, on a folder that stands for tracefs; tests/lab does it on a real kernel."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from spinledger.device import tracing
from spinledger.device.tracing import EVENT, Instance
from spinledger.errors import Unavailable
from tests.unit.device.test_histogram import FORMAT, text

DEVS = (8388608, 8388624)
TRIGGER = "hist:keys=dev,comm,rwbs:vals=nr_sector:size=4096 if dev == 8388608 || dev == 8388624\n"


class Tracefs:
    """The folder: an instance has the event's files at once, and goes with all its files."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.wrote: list[str] = []
        self.format = FORMAT
        self.files = ["format", "trigger", "hist"]
        self.busy = 0
        (root / EVENT).mkdir(parents=True)
        (root / "instances").mkdir()

    def mkdir(self, path: str, mode: int = 0o777) -> None:
        """As the kernel does for a new instance."""
        folder = Path(path) / EVENT
        folder.mkdir(parents=True)
        for name in self.files:
            (folder / name).write_bytes(self.format if name == "format" else text())

    def rmdir(self, path: str) -> None:
        """Its files go with it; refused while another process has one open."""
        if self.busy:
            self.busy -= 1
            raise OSError(16, "Device or resource busy")
        if not Path(path).exists():
            raise FileNotFoundError(2, "No such file or directory")
        trigger = Path(path) / EVENT / "trigger"
        if trigger.exists():
            self.wrote.append(trigger.read_text())
        shutil.rmtree(path)

    @property
    def instances(self) -> list[str]:
        """Names of the instances."""
        return os.listdir(self.root / "instances")


@pytest.fixture
def tracefs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tracefs:
    """A kernel that can sum up events."""
    made = Tracefs(tmp_path)
    kernel = SimpleNamespace(**{**vars(os), "mkdir": made.mkdir, "rmdir": made.rmdir})
    monkeypatch.setattr(tracing, "os", kernel)
    return made


def begun(tracefs: Tracefs) -> Instance:
    """An instance on it."""
    return Instance(DEVS, str(tracefs.root))


def files(tracefs: Tracefs) -> Path:
    """The event's files in the one instance."""
    (name,) = tracefs.instances
    return tracefs.root / "instances" / name / EVENT


def test_it_sums_up_these_devices_alone(tracefs: Tracefs) -> None:
    """The trigger's grammar is that of Documentation/trace/histogram.rst; then it is all undone."""
    with begun(tracefs):
        written = (files(tracefs) / "trigger").read_bytes()
        assert written.startswith(TRIGGER.encode())
    assert tracefs.instances == []
    assert tracefs.wrote[0].startswith("!" + TRIGGER)


def test_a_filter_too_long_for_the_kernel_is_left_out() -> None:
    """A trigger is written as one page at most (event_trigger_regex_write, Linux 6.12)."""
    assert " if " not in tracing.trigger(range(8388608, 8388608 + 500))
    longest = tracing.trigger(range(8388608, 8388608 + 160), ":clear")
    assert " if " in longest
    assert len(longest) < 4096


def test_a_nearly_full_table_is_cleared(tracefs: Tracefs) -> None:
    """Above three quarters of its places, or once something was dropped; else it is kept."""
    with begun(tracefs) as instance:
        hist, trigger = files(tracefs) / "hist", files(tracefs) / "trigger"
        hist.write_bytes(text((1, b"a", b"R", 1, 8)))
        _, cleared = instance.read()
        assert not cleared
        entries = [(number, b"a", b"R", 1, 8) for number in range(tracing.PLACES * 3 // 4 + 1)]
        for crowded in (text(*entries), text(dropped=1)):
            hist.write_bytes(crowded)
            _, cleared = instance.read()
            assert cleared
            assert b"size=4096:clear if dev" in trigger.read_bytes()


def test_a_busy_instance_is_tried_again(tracefs: Tracefs) -> None:
    """rmdir(2) says EBUSY while another process has a file of the instance open."""
    with begun(tracefs):
        tracefs.busy = 3
    assert tracefs.instances == []


def test_left_behind_by_the_dead_only(tracefs: Tracefs) -> None:
    """Instances of captures that have ended are removed; of running ones and of others, not."""
    ours, dead = f"spinledger-capture-{os.getppid()}", "spinledger-capture-4194305"
    for name in (ours, dead, "somebody"):  # 4194304 is the highest process number (proc(5))
        tracefs.mkdir(str(tracefs.root / "instances" / name))
    begun(tracefs).close()
    assert {*tracefs.instances} == {"somebody", ours}


def test_kernels_that_cannot(tracefs: Tracefs, tmp_path: Path) -> None:
    """One line names what is missing and what it needs; no instance is left."""
    tracefs.format = FORMAT.replace(b"comm[16]", b"name[16]")
    with pytest.raises(Unavailable, match="has no field comm"):
        begun(tracefs)
    tracefs.format, tracefs.files = FORMAT, ["format", "trigger"]
    with pytest.raises(Unavailable, match="CONFIG_HIST_TRIGGERS"):
        begun(tracefs)
    tracefs.files = ["format", "hist"]
    with pytest.raises(Unavailable, match="refused to count block I/O"):
        begun(tracefs)
    assert tracefs.instances == []
    shutil.rmtree(tracefs.root / EVENT)
    with pytest.raises(Unavailable, match="CONFIG_EVENT_TRACING"):
        begun(tracefs)
    shutil.rmtree(tracefs.root / "events")
    with pytest.raises(Unavailable, match="mount -t tracefs tracefs"):
        begun(tracefs)
    with pytest.raises(Unavailable, match="CONFIG_TRACING"):
        Instance(DEVS, str(tmp_path / "nowhere"))
