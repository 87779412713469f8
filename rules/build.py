"""Writes rule files, keep-list and tables of README: python -m rules.build; --check only compares.

Between the marks `<!-- index: NAME -->` and `<!-- end -->` of README stands what is made here; the
rest of that page is written by hand.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

from rules import latency
from rules.exporter import EXPORTER
from rules.findings import FINDINGS
from rules.headline import HEADLINE
from rules.keep import keep_list
from rules.parts import DISK, Alert, Group, Recording, text
from rules.recorded import DISKS, HOSTS

HERE = Path(__file__).parent
GROUPS: tuple[Group, ...] = (HEADLINE, FINDINGS, EXPORTER, DISKS, HOSTS)
ALERTS: tuple[Alert, ...] = tuple(
    rule for group in GROUPS for rule in group.rules if isinstance(rule, Alert)
)

_PART = re.compile(r"(<!-- index: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)
_VALUE = re.compile(r"\{\{ [^}$]*(?:\$labels\.(\w+)|\$value)[^}]*\}\}")


def texts() -> dict[Path, str]:
    """Every file that is made here, and its text."""
    made = {HERE / group.file: text(group) for group in GROUPS}
    made[HERE / "samples" / "keep-list.yml"] = keep_list(
        rule.expr for group in GROUPS for rule in group.rules
    )
    readme = HERE / "README.md"
    made[readme] = indexed(readme.read_text(encoding="utf-8"))
    return made


def indexed(page: str) -> str:
    """A page with its tables of alerts and recording rules made anew."""
    tables = {"alerts": _alerts, "recording": _recording, "latency": latency.table}
    return _PART.sub(
        lambda part: part[1] + "\n" + "\n".join(tables[part[2]]()) + "\n\n" + part[3], page
    )


def _alerts() -> Iterator[str]:
    yield "| alert | severity | summary | |"
    yield "|---|---|---|---|"
    for alert in ALERTS:
        summary = alert.summary.replace(DISK, "MODEL SERIAL on INSTANCE")
        summary = _VALUE.sub(lambda found: (found[1] or "figure").upper(), summary)
        yield (
            f"| `{alert.name}` | {alert.severity} | {summary} "
            f"| [runbook](runbooks/{alert.name}.md) |"
        )


def _recording() -> Iterator[str]:
    yield "| series | file |"
    yield "|---|---|"
    for group in GROUPS:
        for rule in group.rules:
            if isinstance(rule, Recording):
                yield f"| `{rule.name}` | [{group.file.split('/')[1]}]({group.file}) |"


def main() -> int:
    """Write, or compare; 1 when a file differs from what it should be."""
    check = "--check" in sys.argv[1:]
    differing = 0
    for path, made in texts().items():
        if not path.is_file() or path.read_text(encoding="utf-8") != made:
            differing += 1
            print(f"{path.name} {'differs from what is built' if check else 'written'}")
            if not check:
                path.write_text(made, encoding="utf-8")
    return int(check and differing > 0)


if __name__ == "__main__":
    sys.exit(main())
