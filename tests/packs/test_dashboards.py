"""The dashboards: inside the metric contract, and every panel says what it shows.

The JSON model's field names are those of schema version 42 of the dashboard server's model; what
was and was not opened is in dashboards/README.md.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.packs.promql import EVERY_LABEL, strangers
from tests.packs.test_rules import RECORDED

FILES = sorted((Path(__file__).parents[2] / "dashboards").glob("*.json"))
BOARDS: dict[str, dict[str, Any]] = {
    file.stem: json.loads(file.read_text(encoding="utf-8")) for file in FILES
}
PANELS = [
    pytest.param(board, panel, id=f"{name}: {panel['title']}")
    for name, board in BOARDS.items()
    for panel in board["panels"]
    if panel["type"] != "row"
]


def test_there_are_dashboards() -> None:
    """The folder is not empty, so the checks of every panel check something."""
    assert PANELS


@pytest.mark.parametrize("name", BOARDS)
def test_board_has_a_name_of_its_own(name: str) -> None:
    """The identifier follows the file's name, and panel numbers are not used twice."""
    board = BOARDS[name]
    assert board["uid"] == f"spinledger-{name}"
    assert board["title"]
    assert board["description"]
    numbers = [panel["id"] for panel in board["panels"]]
    assert len(numbers) == len(set(numbers))


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_panel_explains_itself(board: dict[str, Any], panel: dict[str, Any]) -> None:
    """A panel has a description, a unit, a text for no data, and asks the chosen data source."""
    defaults = panel["fieldConfig"]["defaults"]
    assert panel["description"]
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
