"""Both tables on the quality of the rules: false alarms and found faults, and a large fleet.

Run at the top: python -m tests.bench.quality [--long]. Short is what CI runs, some minutes; long is
500 disk-months, and 1,000 hosts for 2.5 hours. Ends with 1 if anything is wrong.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from tests.bench import bench_alerts, bench_fleet

ALERTS = ("--disk-months", "12", "--sample", "30")
FLEET = ("--hosts", "100", "--base", "20", "--interval", "5", "--minutes", "0.8")
ALERTS_LONG = ("--disk-months", "500", "--sample", "30")
FLEET_LONG = ("--hosts", "1000", "--base", "100", "--minutes", "150")


def main(arguments: Sequence[str] | None = None) -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long", action="store_true", help="for hours")
    long = parser.parse_args(arguments).long
    wrong = bench_alerts.main(ALERTS_LONG if long else ALERTS)
    print()
    return bench_fleet.main(FLEET_LONG if long else FLEET) or wrong


if __name__ == "__main__":
    sys.exit(main())
