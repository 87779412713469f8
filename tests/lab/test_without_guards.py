"""Each guard switched off in turn: the same tests go red.

mutants.py is the table. All mutants run at once in one machine, each an exporter of its own with a
drive of its own, beside a control: the untouched exporter on the same cases at the same time. What
the control passes and a mutant fails is the guard's doing, not the load's.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable

import pytest

from tests.lab import test_serve
from tests.lab.build import PROJECT
from tests.lab.cases import CASES, Trial
from tests.lab.conftest import run_trials
from tests.lab.evidence import Evidence
from tests.lab.mutants import MUTANTS, Mutant
from tests.lab.vm import Guest

NAMES = [mutant.name for mutant in MUTANTS]


@pytest.fixture(scope="module")
def trials(guest: Guest, drive_number: Callable[[], int]) -> dict[str, Evidence]:
    """Evidence by mutant name, and of the control."""
    edits = [{"name": m.name, "file": m.file, "old": m.old, "new": m.new} for m in MUTANTS]
    guest.run("python3 -m tests.lab.guest.mutate", stdin=json.dumps(edits), timeout=120).ok()
    watched = tuple(CASES[name] for name in sorted({mutant.case for mutant in MUTANTS}))
    plays = [Trial("control", watched, edited="")]
    plays += [Trial(m.name, (CASES[m.case],), f"/mutants/{m.name}", m.file) for m in MUTANTS]
    found = run_trials(guest, plays, drive_number, scrape_s=2.0)
    return {trial.name: evidence for trial, evidence in zip(plays, found, strict=True)}


def judge(mutant: Mutant, evidence: Evidence) -> None:
    """Run the mutant's test on this evidence."""
    test = getattr(test_serve, mutant.test)
    if "case" in inspect.signature(test).parameters:
        test(evidence, mutant.case)
    else:
        test(evidence)


@pytest.mark.parametrize("mutant", MUTANTS, ids=NAMES)
def test_edit_fits_the_code(mutant: Mutant) -> None:
    """The text of the guard occurs exactly once, and its test and case exist."""
    text = (PROJECT / "exporter" / mutant.file).read_text()
    assert text.count(mutant.old) == 1
    assert mutant.case in CASES
    assert callable(getattr(test_serve, mutant.test))


@pytest.mark.parametrize("mutant", MUTANTS, ids=NAMES)
def test_control_passes(trials: dict[str, Evidence], mutant: Mutant) -> None:
    """The untouched exporter passes this test beside the mutants."""
    judge(mutant, trials["control"])


@pytest.mark.parametrize("mutant", MUTANTS, ids=NAMES)
def test_without_the_guard_the_test_goes_red(trials: dict[str, Evidence], mutant: Mutant) -> None:
    """The mutant ran, was scraped, and fails by an assertion."""
    evidence = trials[mutant.name]
    assert evidence.served["ready"], evidence.served["said"]
    assert any(evidence.states(mutant.case))
    with pytest.raises(AssertionError):
        judge(mutant, evidence)
