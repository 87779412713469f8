"""The shape of the project: the top level, the size of a module, the way that imports run.

The sizes and names are the project's own rules, stated in DEVELOPERS.md.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "dashboards",
    "exporter",
    "pyproject.toml",
    "rules",
    "tests",
}
BUILT = {"build", "dist"}  # made by packaging tools, ignored by git
LINES = 500
NAMES = {"utils", "util", "common", "misc", "helpers"}
SOURCES = sorted(file for folder in ("exporter", "tests") for file in (ROOT / folder).rglob("*.py"))


def test_the_top_level_holds_only_its_rooms() -> None:
    """Everything at the top is one of the listed names, and all of these are there."""
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert seen - BUILT == TOP


def test_no_module_is_too_long_or_badly_named() -> None:
    """No module has more than 500 lines, and none is a room for leftovers."""
    long = [str(file) for file in SOURCES if len(file.read_text("utf-8").splitlines()) > LINES]
    leftovers = [str(file) for file in SOURCES if NAMES & {file.stem, file.parent.name}]
    assert (long, leftovers) == ([], [])


def test_every_module_opens_with_its_rules() -> None:
    """Every module of the package begins with a docstring."""
    bare = [
        str(file)
        for file in SOURCES
        if file.is_relative_to(ROOT / "exporter")
        and ast.get_docstring(ast.parse(file.read_text("utf-8"))) is None
    ]
    assert bare == []


def test_the_license_is_the_published_text() -> None:
    """LICENSE is the Apache License 2.0 as the Apache Software Foundation publishes it."""
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert re.match(r"\s+Apache License\n\s+Version 2\.0, January 2004\n", text)
    assert "9. Accepting Warranty or Additional Liability." in text
    assert "END OF TERMS AND CONDITIONS" in text


LAYERS = "Imports run one way"
PURITY = "The pure rooms reach no clock, file, socket, thread or device"


@pytest.mark.parametrize(
    ("planted", "broken"),
    [
        pytest.param({"model.py": "import spinledger.errors"}, LAYERS, id="upward"),
        pytest.param({"store/__init__.py": "import spinledger.sim"}, LAYERS, id="sideways"),
        pytest.param({"leftovers.py": ""}, LAYERS, id="unlisted"),
        pytest.param({"errors.py": "import subprocess"}, PURITY, id="direct"),
        pytest.param(
            {"sampler.py": "import spinledger.ports", "ports.py": "import os.path"},
            PURITY,
            id="indirect",
        ),
    ],
)
def test_the_import_contract_bites(tmp_path: Path, planted: dict[str, str], broken: str) -> None:
    """An import up or sideways, an unlisted room, and a banned import near or far are refused."""
    package = tmp_path / "exporter" / "spinledger"
    shutil.copytree(
        ROOT / "exporter" / "spinledger", package, ignore=shutil.ignore_patterns("__pycache__")
    )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for name, line in planted.items():
        with (package / name).open("a", encoding="utf-8") as text:
            text.write(f"\n{line}\n")
    run = "from importlinter.cli import lint_imports_command as lint; lint(['--no-cache'])"
    done = subprocess.run(
        [sys.executable, "-c", run],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(package.parent), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert f"{broken} BROKEN" in done.stdout
