"""Each fault stays within its bounds; `python -m tests.proof faults` prints the table, at length.

Source of the truth: the simulated drives' own record, which is apart from what the exporter reads.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.proof.bed import PLAIN, Bed
from tests.proof.faults import FAULTS, bed_row, lines
from tests.proof.starts import killed_while_starting


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_stays_within_its_bounds(fault: str) -> None:
    """What happened and what was lost are computed from the run."""
    row = FAULTS[fault]()
    print("\n".join(lines(row)))
    assert row.broken == []


def test_a_start_survives_every_signal() -> None:
    """At a few moments, wherever the start is then."""
    row = killed_while_starting((0, 100, 400))
    print("\n".join(lines(row)))
    assert row.broken == []


def test_a_loss_is_found() -> None:
    """The bounds can be broken: a drive's record has a spin-up more, and by a probe."""
    bed = Bed([PLAIN] * 2, 2)
    assert bed_row("", "", bed).broken == []
    one = bed.truth["sim-n1"]
    more = replace(one, cycles=one.cycles + 1, wakes={**one.wakes, ("probe", "exporter"): 1})
    bed.truth = {**bed.truth, "sim-n1": more}
    assert bed_row("", "", bed).broken == [
        "every spin-up of the other disks is recorded",
        "no probe wakes a drive",
    ]
