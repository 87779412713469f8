"""The files that ship with the program: rules, runbooks, dashboards.

Rules: they are those of the source tree where the program runs from one, else those that were
installed below the same prefix as the program.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import spinledger
from spinledger.errors import Unavailable

SHARE = "share/spinledger"  # where wheel and Debian package have them; pyproject.toml says it


def source() -> Path:
    """The folder that holds `rules` and `dashboards`. Raises Unavailable."""
    tree = Path(spinledger.__file__).parents[2]
    if (tree / "rules" / "alerts").is_dir() and (tree / "pyproject.toml").is_file():
        return tree
    for prefix in Path(spinledger.__file__).resolve().parents[1:]:
        if (prefix / SHARE / "rules" / "README.md").is_file():
            return prefix / SHARE
    raise Unavailable("pack_missing", f"there is no {SHARE} above {tree}: install again")


def runbooks() -> Mapping[str, str]:
    """Markdown of each runbook by the name of its alert; empty where none is installed."""
    try:
        folder = source() / "rules" / "runbooks"
        return {file.stem: file.read_text("utf-8") for file in sorted(folder.glob("*.md"))}
    except (Unavailable, OSError):
        return {}
