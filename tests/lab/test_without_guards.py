"""Each guard switched off in turn: the same tests go red.

mutants.py is the table. Mutants run in batches in one machine, each an exporter of its own with a
drive of its own, beside a control: the untouched exporter on the same cases at the same time. What
the control passes and a mutant fails is due to the guard, not to the load. A whole run of the tests
plays the usual ones; `python -m tests.proof guards` plays all.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable, Iterator, Sequence

import pytest

from tests.lab import test_read, test_serve
from tests.lab.build import PROJECT
from tests.lab.cases import ALL_CASES, READ_CASES, WEAR_S, Trial
from tests.lab.conftest import run_trials
from tests.lab.evidence import Evidence
from tests.lab.mutants import MUTANTS, PASSTHROUGH, Mutant
from tests.lab.vm import Guest

NAMES = [mutant.name for mutant in MUTANTS]
PLAYED = [
    pytest.param(mutant, id=mutant.name, marks=() if mutant.usual else (pytest.mark.long,))
    for mutant in MUTANTS
]

AT_ONCE = 12


@pytest.fixture(scope="module")
def trials(
    request: pytest.FixtureRequest, guest: Guest, drive_number: Callable[[], int]
) -> dict[str, tuple[Evidence, Evidence]]:
    """By name of each mutant in this run: its evidence, and its control's, which ran beside it."""
    wanted = {
        item.callspec.params["mutant"]
        for item in request.session.items
        if isinstance(item, pytest.Function) and "trials" in item.fixturenames
    }
    chosen = [mutant for mutant in MUTANTS if mutant in wanted]
    edits = [
        {"name": mutant.name, "file": file, "old": old, "new": new}
        for mutant in chosen
        for file, old, new in texts(mutant)
    ]
    guest.run("python3 -m tests.lab.guest.mutate", stdin=json.dumps(edits), timeout=120).ok()
    found: dict[str, tuple[Evidence, Evidence]] = {}
    for number, batch in enumerate(batches(chosen)):
        wear_s = WEAR_S if batch[0].case in READ_CASES else 0.0
        watched = tuple(ALL_CASES[name] for name in sorted({mutant.case for mutant in batch}))
        plays = [Trial(f"control-{number}", watched, edited="", wear_s=wear_s)]
        plays += [
            Trial(m.name, (ALL_CASES[m.case],), f"/mutants/{m.name}", m.file, wear_s) for m in batch
        ]
        lasts_s = max(mutant.needs_s for mutant in batch)
        control, *others = run_trials(guest, plays, drive_number, lasts_s)
        found.update((m.name, (own, control)) for m, own in zip(batch, others, strict=True))
    return found


def batches(chosen: Sequence[Mutant]) -> Iterator[list[Mutant]]:
    """Mutants that run side by side: the short before the long, the readings' apart."""
    for reading in (False, True):
        same = [mutant for mutant in chosen if (mutant.case in READ_CASES) == reading]
        same.sort(key=lambda mutant: mutant.needs_s)
        yield from (same[first : first + AT_ONCE] for first in range(0, len(same), AT_ONCE))


def the_test_of(mutant: Mutant) -> Callable[..., None]:
    """The test that its guard must turn red."""
    test: Callable[..., None] = getattr(
        test_read if mutant.case in READ_CASES else test_serve, mutant.test
    )
    return test


def texts(mutant: Mutant) -> list[tuple[str, str, str]]:
    """File, old text and new of each of its edits."""
    second = [(PASSTHROUGH, *mutant.prober)] if mutant.prober else []
    return [(mutant.file, mutant.old, mutant.new), *second]


def judge(mutant: Mutant, evidence: Evidence) -> None:
    """Run the mutant's test on this evidence."""
    test = the_test_of(mutant)
    if "case" in inspect.signature(test).parameters:
        test(evidence, mutant.case)
    else:
        test(evidence)


@pytest.mark.parametrize("mutant", MUTANTS, ids=NAMES)
def test_edit_fits_the_code(mutant: Mutant) -> None:
    """The text of the guard occurs exactly once, and its test and case exist."""
    for file, old, _ in texts(mutant):
        assert (PROJECT / "exporter" / file).read_text().count(old) == 1
    assert mutant.case in ALL_CASES
    assert callable(the_test_of(mutant))


@pytest.mark.parametrize("mutant", PLAYED)
def test_control_passes(trials: dict[str, tuple[Evidence, Evidence]], mutant: Mutant) -> None:
    """The untouched exporter passes this test beside the mutants."""
    judge(mutant, trials[mutant.name][1])


@pytest.mark.parametrize("mutant", PLAYED)
def test_without_the_guard_the_test_goes_red(
    trials: dict[str, tuple[Evidence, Evidence]], mutant: Mutant
) -> None:
    """The mutant ran, was scraped, and fails by an assertion."""
    evidence = trials[mutant.name][0]
    assert evidence.served["ready"], evidence.served["log"]
    assert any(evidence.states(mutant.case))
    with pytest.raises(AssertionError):
        judge(mutant, evidence)
