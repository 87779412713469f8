"""Makes copies of the exporter with one guard switched off in each (in the guest).

Standard input: a list of {"name", "file", "old", "new"}. For each name, /mutants/NAME holds a copy
of /exporter in which the only occurrence of `old` in the file is `new`. The bytecode of all other
files is copied along, so that only one file is compiled anew.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

MUTANTS = Path("/mutants")


def main() -> None:
    """Make the copies."""
    subprocess.run([sys.executable, "-m", "compileall", "-q", "/exporter"], check=True)
    for mutant in json.load(sys.stdin):
        folder = MUTANTS / mutant["name"]
        if not folder.exists():
            folder.mkdir(parents=True)
            subprocess.run(["cp", "-a", "/exporter/spinledger", str(folder)], check=True)
        file = folder / mutant["file"]
        text = file.read_text()
        if text.count(mutant["old"]) != 1:
            raise SystemExit(f"{mutant['name']}: not once in {mutant['file']}: {mutant['old']}")
        file.write_text(text.replace(mutant["old"], mutant["new"]))


if __name__ == "__main__":
    main()
