"""Writes dashboards and consoles: python -m dashboards.build; --check only compares."""

from __future__ import annotations

import sys
from pathlib import Path

from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard as model

from dashboards.boards import disk, fleet, overview, wear
from dashboards.templates import CONSOLES

HERE = Path(__file__).parent
BOARDS = {"overview": overview.overview, "disk": disk.disk, "wear": wear.wear, "fleet": fleet.fleet}


def texts() -> dict[Path, str]:
    """Every file and its text."""
    encoder = JSONEncoder(sort_keys=True, indent=1)
    made = {
        HERE / f"{name}.json": encoder.encode(finished(make().build())) + "\n"
        for name, make in BOARDS.items()
    }
    return made | {HERE / "consoles" / name: make() for name, make in CONSOLES.items()}


def finished(built: model.Dashboard) -> model.Dashboard:
    """Number the panels; show links and annotations where every release does."""
    for number, panel in enumerate(built.panels or [], 1):
        panel.id_val = number
    for link in built.links or []:
        link.placement = None  # type: ignore[assignment]  # left out of the JSON
    for annotation in (built.annotations.list_val if built.annotations else None) or []:
        annotation.placement = None  # type: ignore[assignment]
    return built


def main() -> int:
    """Write, or compare; 1 when a file differs from what it should be."""
    check = "--check" in sys.argv[1:]
    differing = 0
    for path, text in texts().items():
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            differing += 1
            print(f"{path.name} {'differs from what is built' if check else 'written'}")
            if not check:
                path.parent.mkdir(exist_ok=True)
                path.write_text(text, encoding="utf-8")
    return int(check and differing > 0)


if __name__ == "__main__":
    sys.exit(main())
