"""The dashboards: as built, inside the metric contract, and every panel says what it shows.

The JSON model's field names are those of schema version 42 of Grafana's model, as in
the typed builder that writes them; what was and was not opened is in dashboards/README.md.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models.dashboard import Dashboard

from dashboards.build import BOARDS as MADE
from dashboards.build import finished, texts
from tests.packs.contract import EVERY_LABEL
from tests.packs.promql import strangers
from tests.packs.test_rules import RECORDED

FOLDER = Path(__file__).parents[2] / "dashboards"
FILES = sorted(FOLDER.glob("*.json"))
BOARDS: dict[str, dict[str, Any]] = {
    file.stem: json.loads(file.read_text(encoding="utf-8")) for file in FILES
}
PANELS = [
    pytest.param(board, panel, id=f"{name}: {panel['title']}")
    for name, board in BOARDS.items()
    for panel in board["panels"]
]


def test_files_are_those_that_are_built() -> None:
    """What lies in the folder is, to the byte, what the builder writes; nothing is left over."""
    made = texts()
    assert set(BOARDS) == set(MADE) == {"overview", "disk", "wear", "fleet"}
    assert set(FILES) | set((FOLDER / "consoles").iterdir()) == set(made)
    differing = [path.name for path, text in made.items() if path.read_text("utf-8") != text]
    assert differing == []


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.stem))
def test_the_typed_model_knows_every_key(file: Path) -> None:
    """Read into the typed model and written back, no key is lost: it drops those it does not know.

    Outside authority: the published model of Grafana's JSON.
    """
    given = json.loads(file.read_text(encoding="utf-8"))
    again = JSONEncoder(sort_keys=True, indent=1).encode(finished(Dashboard.from_json(given)))
    assert json.loads(again) == given


@pytest.mark.parametrize("name", BOARDS)
def test_board_has_a_name_of_its_own(name: str) -> None:
    """The identifier follows the file's name, and panel numbers are not used twice."""
    board = BOARDS[name]
    assert board["uid"] == f"spinledger-{name}"
    assert board["title"]
    assert board["description"]
    assert board["schemaVersion"] == 42
    numbers = [panel["id"] for panel in board["panels"]]
    assert len(numbers) == len(set(numbers))


@pytest.mark.parametrize("name", BOARDS)
def test_boards_lead_to_each_other(name: str) -> None:
    """Every other dashboard is linked, with the choices kept; tables lead to the disk's own."""
    board = BOARDS[name]
    linked = {link["url"].removeprefix("/d/spinledger-") for link in board["links"]}
    assert linked == set(BOARDS) - {name}
    assert all(link["includeVars"] for link in board["links"])
    if name in ("overview", "wear"):
        assert "/d/spinledger-disk?var-instance=${__data.fields.instance}" in json.dumps(board)


@pytest.mark.parametrize("name", BOARDS)
def test_alerts_are_marked(name: str) -> None:
    """Every dashboard draws the alerts that fire, of what is chosen."""
    (annotation,) = BOARDS[name]["annotations"]["list"]
    assert annotation["enable"]
    assert annotation["expr"].startswith("ALERTS{")
    assert 'alertstate="firing"' in annotation["expr"]
    assert "$instance" in annotation["expr"]
    assert strangers(annotation["expr"]) == []


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_panel_explains_itself(board: dict[str, Any], panel: dict[str, Any]) -> None:
    """A panel has a description, a unit, a text for no data, and asks the chosen data source."""
    defaults = panel["fieldConfig"]["defaults"]
    assert panel["description"].endswith(".")
    assert defaults["unit"]
    assert defaults["noValue"]
    assert panel["targets"]
    for target in panel["targets"]:
        assert target["datasource"] == {"type": "prometheus", "uid": "${datasource}"}


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_panel_stays_inside_the_contract(board: dict[str, Any], panel: dict[str, Any]) -> None:
    """Queries use contract metrics and labels, legends its labels, variables the board's own."""
    variables = {variable["name"] for variable in board["templating"]["list"]}
    for target in panel["targets"]:
        assert strangers(target["expr"], RECORDED) == []
        legend = target["legendFormat"]
        assert set(re.findall(r"\{\{\s*(\w+)\s*\}\}", legend)) <= EVERY_LABEL
        own = {name for name in re.findall(r"\$(\w+)", target["expr"]) if name[:2] != "__"}
        assert own <= variables


def test_state_strips_are_drawn_from_counters() -> None:
    """A state seen at scrapes alone misses short wakes, so no strip reads the present state."""
    strips = [
        target["expr"]
        for board in BOARDS.values()
        for panel in board["panels"]
        if panel["type"] == "state-timeline" and panel["title"] != "Quiet hours"
        for target in panel["targets"]
    ]
    assert strips
    for expr in strips:
        assert "increase(spinledger_disk_state_seconds_total" in expr
        assert "power_state" not in expr


@pytest.mark.parametrize("name", BOARDS)
def test_variable_stays_inside_the_contract(name: str) -> None:
    """A variable's query reads a contract metric and a label that this metric has."""
    for variable in BOARDS[name]["templating"]["list"]:
        if variable["type"] != "query":
            continue
        query = re.fullmatch(r"label_values\((.+), (\w+)\)", variable["query"]["query"])
        assert query is not None
        expression, label = query.groups()
        assert strangers(f"sum by ({label}) ({expression})") == []
