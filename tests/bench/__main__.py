"""Every benchmark, one after the other, and a table of how they ended.

Run at the top: python -m tests.bench [NAME...] [--long]. Each prints its own figures and limits;
a limit that is broken ends it with 1. `quality` and `--long` are described there.
"""

from __future__ import annotations

import argparse
import ast
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.bench import took
from tests.bench.machine import machine

ROOT = Path(__file__).parents[2]
NAMES = sorted(
    file.stem
    for file in Path(__file__).parent.glob("bench_*.py")
    if file.stem not in ("bench_alerts", "bench_fleet")  # quality.py runs both
)


def _words(module: str) -> str:
    """What a benchmark measures, by the beginning of its own description."""
    source = (Path(__file__).parent / f"{module}.py").read_text(encoding="utf-8")
    description = ast.get_docstring(ast.parse(source)) or ""
    return re.split("[:.]", " ".join(description.split()), maxsplit=1)[0]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmarks of these names, or all."""
    names = {name.removeprefix("bench_"): name for name in NAMES} | {"quality": "quality"}
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        epilog=took.listed("bench", {name: _words(module) for name, module in names.items()}),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("name", nargs="*", help="which to run; default: all")
    parser.add_argument("--long", action="store_true", help="the long form of `quality`")
    given = parser.parse_args(arguments)
    unknown = [name for name in given.name if name not in names]
    if unknown:
        parser.error(f"{unknown[0]} is no benchmark; choose from {', '.join(names)}")
    print(f"Measured on: {machine()}")
    rows = []
    for name in given.name or names:
        print(f"\n== {name}", flush=True)
        long = ["--long"] if given.long and name == "quality" else []
        began = time.monotonic()
        code = subprocess.call(
            [sys.executable, "-m", f"tests.bench.{names[name]}", *long], cwd=ROOT
        )
        result = "within its limits" if code == 0 else f"ended with {code}"
        rows.append((name, result, time.monotonic() - began))
        took.note(f"bench {name}", rows[-1][2])
    print(f"\n{'BENCHMARK':12} {'RESULT':20} SECONDS")
    for name, result, seconds in rows:
        print(f"{name:12} {result:20} {seconds:7.0f}")
    return int(any(result != "within its limits" for _, result, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
