"""`spinledger pack`: writes the rules, runbooks, dashboards and sample configurations.

Rules: the files are written as they are (`app.packed`). With a base address each alert gets a
`runbook_url` beside its `runbook`. A file that is there and differs is never overwritten.
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from urllib.parse import urlsplit

from spinledger.app.packed import source
from spinledger.errors import BadInput
from spinledger.store.plain import refuse_disk

# What a reader of the pack uses; the rules' own tests stay in the source tree.
FOLDERS = ("rules", "rules/alerts", "rules/recording", "rules/runbooks", "rules/samples")
WRITTEN = {".html", ".json", ".md", ".yml"}  # not the programs that build them, nor pictures

_RUNBOOK = re.compile(rb"^( *)runbook: (\w+)$", re.MULTILINE)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("dir", metavar="DIR", type=Path, help="the directory to write into")
    parser.add_argument(
        "--runbook-base",
        metavar="URL",
        help="where the runbooks are served, by the exporter such as http://dome:9786/runbooks: "
        "each alert gets the runbook_url URL/ALERT.md",
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the pack. Raises BadInput for a directory or address that will not do."""
    base = address(arguments.runbook_base)
    written = contents(source(), base)
    write(arguments.dir, written)
    print(f"{len(written)} files in {arguments.dir}. In prometheus.yml:")
    print("rule_files:")
    for folder in ("recording", "alerts"):
        print(f"  - {arguments.dir.absolute() / 'rules' / folder}/*.yml")
    return 0


def address(base: str | None) -> str | None:
    """A base address without a slash at its end; None: alerts get no runbook_url."""
    if base is None:
        return None
    parts = urlsplit(base)
    plain = re.fullmatch(r"[A-Za-z0-9:/?&=%._~+@-]+", base)
    if parts.scheme not in ("http", "https") or not parts.netloc or not plain:
        raise BadInput(
            "--runbook-base",
            f"{base!r} is not an address",
            "give one such as https://wiki.example.org/spinledger",
        )
    return base.rstrip("/")


def contents(tree: Path, base: str | None) -> dict[Path, bytes]:
    """Relative path and bytes of every file of the pack."""
    found = [file for folder in FOLDERS for file in sorted((tree / folder).iterdir())]
    found += sorted((tree / "dashboards").rglob("*"))
    packed = {file.relative_to(tree): file.read_bytes() for file in found if file.suffix in WRITTEN}
    if base is not None:
        url = rf"\g<0>\n\g<1>runbook_url: {base}/\g<2>.md".encode()
        packed = {
            path: _RUNBOOK.sub(url, text) if path.parent.name == "alerts" else text
            for path, text in packed.items()
        }
    return packed


def write(folder: Path, written: dict[Path, bytes]) -> None:
    """Write all files, or none where one is in the way."""
    try:
        for path, text in written.items():
            there = folder / path
            refuse_disk("DIR", there)
            if there.exists() and there.read_bytes() != text:
                raise BadInput(str(there), "is there and differs", "give an empty directory")
        for path, text in written.items():
            there = folder / path
            there.parent.mkdir(parents=True, exist_ok=True)
            there.write_bytes(text)
    except OSError as error:
        where = str(error.filename or folder)
        what = f"cannot be written: {error.strerror}"
        raise BadInput(where, what, "give a directory that can be written to") from None
