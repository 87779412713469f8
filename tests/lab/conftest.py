"""One image and one machine for the whole laboratory; see build.py, vm.py and guest/.

`SPINLEDGER_LAB_ECHO=1` shows what jobs in the guest print while they run.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from itertools import count
from typing import Any

import pytest

from tests.lab.build import PROJECT, Image, image
from tests.lab.cases import CASES, LASTS_S, READ_CASES, WEAR_S, Trial, play
from tests.lab.evidence import Evidence
from tests.lab.vm import Guest


@pytest.fixture(scope="session")
def lab_image() -> Image:
    """The guest's image, built when the cache has none."""
    return image()


@pytest.fixture(scope="session")
def guest(lab_image: Image) -> Iterator[Guest]:
    """A running machine with the exporter's source at /exporter."""
    with Guest(lab_image, {"exporter": PROJECT / "exporter"}) as machine:
        yield machine


@pytest.fixture(scope="session")
def drive_number() -> Callable[[], int]:
    """Numbers for drives, each used once in a machine's life."""
    numbers = count(1)
    return lambda: next(numbers)


Plug = Callable[..., str]


@pytest.fixture
def plug(guest: Guest, drive_number: Callable[[], int]) -> Iterator[Plug]:
    """Plug emulated drives in by name and traits; gives their nodes, pulls them out afterwards."""
    plugged: list[str] = []

    def attach(name: str, **traits: Any) -> str:
        plugged.append(name)
        node: str = guest.rack("attach", name=name, number=drive_number(), **traits)
        return f"/dev/{node}"

    yield attach
    for name in plugged:
        guest.rack("set", name=name, hangs_on_probes=False)
        if guest.rack("node", name=name):
            guest.rack("detach", name=name)


@pytest.fixture(scope="session")
def both(guest: Guest, drive_number: Callable[[], int]) -> list[Evidence]:
    """All cases at once under one exporter, and under another those whose counters are read."""
    trials = [
        Trial("all", tuple(CASES.values())),
        Trial("reader", tuple(READ_CASES.values()), wear_s=WEAR_S),
    ]
    return run_trials(guest, trials, drive_number)


@pytest.fixture(scope="session")
def served(both: list[Evidence]) -> Evidence:
    """The exporter that reads no counters."""
    return both[0]


@pytest.fixture(scope="session")
def read(both: list[Evidence]) -> Evidence:
    """The exporter that reads them."""
    return both[1]


def run_trials(
    guest: Guest,
    trials: Sequence[Trial],
    drive_number: Callable[[], int],
    lasts_s: float = LASTS_S,
) -> list[Evidence]:
    """Play trials side by side in the guest; the evidence of each."""
    scenario, identities = play(trials, drive_number, lasts_s)
    report = guest.python("scenario", stdin=json.dumps(scenario), timeout=lasts_s + 300)
    return [Evidence(report, trial, identities) for trial in trials]
