"""What the README shows can be used as it stands."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from spinledger.cli import COMMANDS
from spinledger.config.load import parse
from spinledger.config.schema import FIELDS
from spinledger.model import DAY, HOUR, State
from spinledger.wear.budget import cycle_limit
from spinledger.wear.ratings import table
from tests.packs.contract import CONTRACT
from tests.proof.__main__ import PROMISES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CONFIGURATION = next(
    block for block in re.findall(r"```yaml\n(.*?)```", README, re.DOTALL) if "listen:" in block
)


def test_the_sample_configuration_is_accepted() -> None:
    """The annotated example is accepted."""
    config = parse(CONFIGURATION, "README.md", "Europe/Prague")
    assert config.listen == ("127.0.0.1", 9786)


def test_the_sample_configuration_names_every_key() -> None:
    """The last part of every key's path stands in the example, which says it has them all."""
    # `defaults` takes what a disk's entry takes.
    names = {
        field.path.rpartition(".")[2] for field in FIELDS if not field.path.startswith("defaults")
    }
    assert {name for name in names if not re.search(rf"\b{name}:", CONFIGURATION)} == set()


def test_every_option_of_the_table_of_commands_exists() -> None:
    """Each command of the program has its row, and every option of a row is one of its own."""
    rows = dict(re.findall(r"^\| `spinledger (\w+).*?` \| (.*) \|$", README, re.MULTILINE))
    assert rows.keys() == COMMANDS.keys()
    for name, (module, _) in COMMANDS.items():
        command = argparse.ArgumentParser()
        module.add_arguments(command)
        options = set(re.findall(r"--[a-z-]+", command.format_help()))
        assert set(re.findall(r"--[a-z-]+", rows[name])) <= options, name


def test_the_states_are_the_programs() -> None:
    """The table of states has those of the ledger, each once."""
    states = README.partition("| state | means |")[2].partition("\n\n")[0]
    assert re.findall(r"^\| `(\w+)` \|", states, re.MULTILINE) == [state.value for state in State]


def test_the_budget_is_as_it_says() -> None:
    """Default and limits are the program's; what it rests on is in the table of ratings."""
    (default,) = (row.default for row in FIELDS if row.path == "defaults.budget_per_day")
    assert f"may spin up {default} times a day" in README
    said = "with 24 a day {} in an hour and {} in a day, with 2 a day {} and {}.".format(
        *(cycle_limit(budget, window) for budget in (24, 2) for window in (HOUR, DAY))
    )
    assert said in re.sub(r"\s+", " ", README)
    assert "used up in five years by 27.4 a day" in re.sub(r"\s+", " ", README)
    assert f"{50_000 / 5 / 365.25:.1f}" == "27.4"
    assert "50,000 (27.4 a day)" in table()


def test_the_metrics_that_are_named_exist() -> None:
    """Every metric named in the README is one of the contract, histograms by their family name."""
    families = {re.sub(r"_(bucket|sum|count)$", "", name) for name in CONTRACT}
    named = set(re.findall(r"\bspinledger_\w+", README)) - {"spinledger_"}
    assert named
    assert named <= families | CONTRACT.keys()


def test_the_table_of_ratings_is_the_programs_own() -> None:
    """Each published figure stands in the README as `wear.ratings` has it."""
    assert table() in README


PAGES = ["README.md", "DEVELOPERS.md", "rules/README.md"]
PAGES += [
    str(file.relative_to(ROOT))
    for folder in ("rules/runbooks", "exporter/guides")
    for file in sorted(ROOT.glob(f"{folder}/*.md"))
]


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page: str) -> None:
    """Every relative link of a page leads to a file of the project."""
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#:]+)\)", text)
    assert [link for link in targets if not ((ROOT / page).parent / link).exists()] == []


@pytest.mark.parametrize("page", ["page", "disk", "look", "console", "console-disk"])
def test_every_view_has_a_small_picture(page: str) -> None:
    """README shows each view, as a PNG (W3C recommendation, 5.2: its signature) under 150 kB."""
    name = f"dashboards/pictures/{page}.png"
    assert f"]({name})" in README
    file = (ROOT / name).read_bytes()
    assert file.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(file) < 150_000


def test_every_promise_names_the_tests_that_show_it() -> None:
    """The table of promises is that of `python -m tests.proof`, and its tests exist."""
    shown = re.findall(
        r"^\| `([a-z-]+)` \| (.*) \|$", README.partition("## What is promised")[2], re.M
    )
    assert dict(shown) == {name: promise for name, (promise, _) in PROMISES.items()}
    tests = [ROOT / test for _, given in PROMISES.values() for test in given]
    assert [test for test in tests if not test.exists()] == []
