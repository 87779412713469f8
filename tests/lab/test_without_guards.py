"""Each guard switched off in turn: the same tests go red.

mutants.py is the table. Mutants run in batches in one machine, each an exporter of its own with a
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


AT_ONCE = 8


@pytest.fixture(scope="module")
def trials(guest: Guest, drive_number: Callable[[], int]) -> dict[str, tuple[Evidence, Evidence]]:
    """By mutant name: its evidence, and that of the control that ran beside it."""
    edits = [{"name": m.name, "file": m.file, "old": m.old, "new": m.new} for m in MUTANTS]
    guest.run("python3 -m tests.lab.guest.mutate", stdin=json.dumps(edits), timeout=120).ok()
    short_first = sorted(MUTANTS, key=lambda mutant: mutant.needs_s)
    found: dict[str, tuple[Evidence, Evidence]] = {}
    for first in range(0, len(short_first), AT_ONCE):
        batch = short_first[first : first + AT_ONCE]
        watched = tuple(CASES[name] for name in sorted({mutant.case for mutant in batch}))
        plays = [Trial(f"control-{first}", watched, edited="")]
        plays += [Trial(m.name, (CASES[m.case],), f"/mutants/{m.name}", m.file) for m in batch]
        lasts_s = max(mutant.needs_s for mutant in batch)
        control, *others = run_trials(guest, plays, drive_number, scrape_s=1.0, lasts_s=lasts_s)
        found.update((m.name, (own, control)) for m, own in zip(batch, others, strict=True))
    return found


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
def test_control_passes(trials: dict[str, tuple[Evidence, Evidence]], mutant: Mutant) -> None:
    """The untouched exporter passes this test beside the mutants."""
    judge(mutant, trials[mutant.name][1])


@pytest.mark.parametrize("mutant", MUTANTS, ids=NAMES)
def test_without_the_guard_the_test_goes_red(
    trials: dict[str, tuple[Evidence, Evidence]], mutant: Mutant
) -> None:
    """The mutant ran, was scraped, and fails by an assertion."""
    evidence = trials[mutant.name][0]
    assert evidence.served["ready"], evidence.served["said"]
    assert any(evidence.states(mutant.case))
    with pytest.raises(AssertionError):
        judge(mutant, evidence)
