"""The reader of expressions sees what an expression mentions, and what is not in the contract."""

from __future__ import annotations

import pytest

from tests.packs.promql import strangers, uses


def test_names_and_labels_are_read_from_an_expression() -> None:
    """Names, grouped labels and matchers are found; strings, comments and variables are not."""
    use = uses(
        'sum by (disk, state) (increase(spinledger_a_total{job=~"$job", disk!="by (x)"}'
        "[$__rate_interval])) > on (job) group_left (pool) spinledger_b # spinledger_c"
    )
    assert use.metrics == {"spinledger_a_total", "spinledger_b"}
    assert use.grouped == {"disk", "state", "job", "pool"}
    assert use.selected == (("spinledger_a_total", frozenset({"job", "disk"})),)


@pytest.mark.parametrize(
    ("expression", "found"),
    [
        ("spinledger_disk_state_seconds_total{state='idle'}", []),
        ("spinledger_disk_idle_gap_seconds_bucket{le='60'}", []),
        ('spinledger_disk_power_state{spinledger_disk_power_state="idle"} == 1', []),
        ("instance_disk:spinledger_gone:sum", ["metric instance_disk:spinledger_gone:sum"]),
        (
            "rate(spinledger_disk_stat_seconds_total[5m])",
            ["metric spinledger_disk_stat_seconds_total"],
        ),
        ("spinledger_disk_idle_gap_seconds", ["metric spinledger_disk_idle_gap_seconds"]),
        ("sum by (dsik) (spinledger_disks_watched)", ["label dsik"]),
        (
            "spinledger_disk_cycles_total{state='idle'}",
            ["label state of spinledger_disk_cycles_total"],
        ),
        ("up{job='x'} == 0", []),
        ("ALERTS{alertname='x', sevrity='page'}", ["label sevrity of ALERTS"]),
        ("{__name__='up', jbo='x'}", ["label jbo of a selector"]),
    ],
)
def test_what_is_not_in_the_contract_is_named(expression: str, found: list[str]) -> None:
    """A misspelt metric, a histogram without its ending and a foreign label are each named."""
    assert strangers(expression) == found
