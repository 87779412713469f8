"""Which runbook a finding leads to: that of the alert that carries the finding."""

from __future__ import annotations

import re

from rules.build import ALERTS
from spinledger.app.packed import runbooks
from spinledger.web.runbooks import OF_FINDING

SELECTED = re.compile(r'spinledger_disk_finding\{code=~?"([^"]+)"')


def test_a_finding_leads_to_the_runbook_of_its_alert() -> None:
    """Codes that a rule reads lead to that alert; every runbook that is named is installed."""
    carried = {
        code: alert.name
        for alert in ALERTS
        for codes in SELECTED.findall(alert.expr)
        for code in codes.split("|")
    }
    assert carried
    assert {code: OF_FINDING.get(code) for code in carried} == carried
    assert set(OF_FINDING.values()) <= set(runbooks())
