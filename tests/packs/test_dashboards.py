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
from spinledger.findings.judge import CODES
from spinledger.metrics.catalogue import DISK_ROWS
from spinledger.sim.backfill import EVERY_STEP
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
        assert "&var-instance=${__data.fields.instance}&var-disk=${__value.text}" in json.dumps(
            board
        )


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


@pytest.mark.parametrize(("board", "panel"), PANELS)
def test_no_data_names_a_backfill_where_it_may_be_the_cause(
    board: dict[str, Any], panel: dict[str, Any]
) -> None:
    """A graph of what a backfilled month has once an hour says so; no other panel does.

    Outside authority: the backfill itself, by its table of what comes at every step. Prometheus
    looks back five minutes by default, so a graph of a series a step of an hour may be empty.
    """
    graphs = [one["expr"] for one in panel["targets"] if one.get("range")]
    raw = [one for one in graphs if not re.search(r"\[(\$__range|\d+d)\]", one)]
    read = {name for expr in raw for name in re.findall(r"spinledger_disk_\w+", expr)}
    steps = {row.name for row in DISK_ROWS if row.key in EVERY_STEP}
    sparse = bool(read & {row.name for row in DISK_ROWS} - steps) or "middle" in "".join(raw)
    assert ("backfilled" in panel["fieldConfig"]["defaults"]["noValue"]) is sparse


def test_findings_are_shown_in_words() -> None:
    """Every table maps each code to its sentence."""
    for board in BOARDS.values():
        for panel in board["panels"]:
            if panel["type"] == "table":
                (code,) = (
                    one
                    for one in panel["fieldConfig"]["overrides"]
                    if one["matcher"]["options"] == "code"
                )
                assert code["properties"][0]["value"][0]["options"].keys() == set(CODES)


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
        query = variable["query"]["query"]
        if found := re.fullmatch(r"label_values\((.+), (\w+)\)", query):
            expression, label = found.groups()
            assert strangers(f"sum by ({label}) ({expression})") == []
        else:  # rows, whose label `name` is made of others
            assert strangers(query.replace("by (disk, name)", "by (disk)")) == []
