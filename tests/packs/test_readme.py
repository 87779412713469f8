"""What the README shows can be used as it stands."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from spinledger.config.load import parse
from spinledger.config.schema import FIELDS
from spinledger.wear.ratings import table
from tests.packs.contract import CONTRACT

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CONFIGURATION = next(
    block for block in re.findall(r"```yaml\n(.*?)```", README, re.DOTALL) if "listen:" in block
)


def test_the_sample_configuration_is_accepted() -> None:
    """The annotated example loads without a complaint."""
    config = parse(CONFIGURATION, "README.md", "Europe/Prague")
    assert config.listen == ("127.0.0.1", 9786)


def test_the_sample_configuration_names_every_key() -> None:
    """The last part of every key's path stands in the example, which says it has them all."""
    # `defaults` takes what a disk's entry takes.
    names = {
        field.path.rpartition(".")[2] for field in FIELDS if not field.path.startswith("defaults")
    }
    assert {name for name in names if not re.search(rf"\b{name}:", CONFIGURATION)} == set()


def test_the_metrics_that_are_named_exist() -> None:
    """Every metric named in the README is one of the contract, histograms by their family name."""
    families = {re.sub(r"_(bucket|sum|count)$", "", name) for name in CONTRACT}
    named = set(re.findall(r"\bspinledger_\w+", README)) - {"spinledger_"}
    assert named
    assert named <= families | CONTRACT.keys()


def test_the_table_of_ratings_is_the_programs_own() -> None:
    """Each published figure stands in the README as insight.ratings has it."""
    assert table() in README


PAGES = ["README.md", "DEVELOPERS.md", "rules/README.md"]
PAGES += [str(file.relative_to(ROOT)) for file in sorted(ROOT.glob("rules/runbooks/*.md"))]


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
