"""The files that ship with the program: rules, runbooks, dashboards.

Rules: they are those of the source tree where the program runs from one, else those that the wheel
installed.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import spinledger
from spinledger.errors import Unavailable

SHARE = "share/spinledger"  # where a wheel puts its data files, as pyproject.toml says


def source() -> Path:
    """The folder that holds `rules` and `dashboards`. Raises Unavailable."""
    tree = Path(spinledger.__file__).parents[2]
    if (tree / "rules" / "alerts").is_dir() and (tree / "pyproject.toml").is_file():
        return tree
    try:
        installed = files("spinledger") or ()
    except PackageNotFoundError:
        installed = ()
    for file in installed:
        if file.as_posix().endswith(f"{SHARE}/rules/README.md"):
            return Path(str(file.locate())).resolve().parents[1]
    raise Unavailable("pack_missing", f"no rules beside the program nor in {SHARE}: install again")


def runbooks() -> Mapping[str, str]:
    """Markdown of each runbook by the name of its alert; empty where none is installed."""
    try:
        folder = source() / "rules" / "runbooks"
        return {file.stem: file.read_text("utf-8") for file in sorted(folder.glob("*.md"))}
    except (Unavailable, OSError):
        return {}
