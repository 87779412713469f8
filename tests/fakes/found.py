"""Views with findings: of simulated drives watched by the real loop, or made by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from spinledger.facts import DiskView
from spinledger.findings.judge import judge
from spinledger.model import SECOND, Disk, Finding, Labels, Number, Policy
from spinledger.sim.drive import Burst, Op
from spinledger.sim.kinds import Kind
from spinledger.sim.shelf import Plug
from tests.fakes.series import samples, with_samples
from tests.fakes.snapshots import view
from tests.fakes.watching import Watched, with_timer

MINUTE_S, HOUR_S = 60, 3600


def watch(
    drive: Kind,
    arrivals_s: Sequence[float | Burst],
    until_s: float,
    policy: Policy | None = None,
    plugs: Sequence[Plug] = (),
) -> Watched:
    """A drive with a declared timer of 20 min, unless another policy is given."""
    wanted = with_timer(20 * MINUTE_S) if policy is None else policy
    return Watched(drive, arrivals_s, wanted, plugs).run(until_s)


def codes(seen: DiskView) -> set[str]:
    """Codes of the findings, which are also the series that are 1."""
    found = {finding.code for finding in seen.findings}
    assert found >= {code for (code,), held in samples(seen)["finding"].items() if held}
    return found


def by_hand(
    given: Mapping[str, Mapping[Labels, Number]] | None = None,
    facts: Mapping[str, object] | None = None,
    **disk: object,
) -> DiskView:
    """A view with these samples and facts besides its own, and these fields of its disk."""
    plain = view(0).facts
    changed: Disk = replace(plain.disk, **disk)  # type: ignore[arg-type]
    made = with_samples(replace(plain, disk=changed), given or {})
    (seen,) = judge([replace(made, **(facts or {}))])  # type: ignore[arg-type]
    return seen


def only(seen: DiskView, code: str) -> Finding:
    """The finding of that code."""
    (found,) = [finding for finding in seen.findings if finding.code == code]
    return found


def reads(every_s: float, until_s: float, sectors: int = 8, op: Op = Op.READ) -> list[Burst]:
    """A request every so often."""
    count = int(until_s / every_s)
    return [Burst(SECOND, count, round(every_s * SECOND), sectors, op, "reader")]
