"""What a scrape costs: text, OpenMetrics, gzip and JSON of 60 disks with all their series.

Run at the top: python -m tests.bench.bench_metrics [disks]. Prints CPU times beside what the client
library takes to write the same families, made before, and beside the least that any renderer must
do with so many series, which is to format one line each. The rounds are interleaved and each figure
is the least of them, so that a busy machine tilts none. Exits with 1 where text takes more than 1.5
times what the library does.
"""

from __future__ import annotations

import http.client
import json
import sys
import time
from collections.abc import Callable, Iterator

from prometheus_client import generate_latest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.openmetrics.exposition import generate_latest as openmetrics_text

from spinledger.metrics.collector import SnapshotCollector, registry, render_text, series_count
from spinledger.web.server import WebServer
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import full_view, snapshot

ROUNDS = 25
MOST = 1.5  # of the library's own time
LIBRARY, TEXT, BARE = (
    "the same families, library alone",
    "text",
    "bare formatting of the same lines",
)


class Made:
    """A collector that gives families that were made before."""

    def __init__(self, families: list[Family]) -> None:
        self.families = families

    def collect(self) -> Iterator[Family]:
        """Them."""
        yield from self.families


def main() -> None:
    """Print the table; exit 1 beyond the limit."""
    disks = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    whole = snapshot(*(full_view(number) for number in range(disks)))
    counts = series_count(whole)
    series = sum(counts.values())
    made = Made(list(SnapshotCollector(lambda: whole).collect()))
    lines = [
        (sample.name, sorted(sample.labels.items()), sample.value)
        for family in made.families
        for sample in family.samples
    ]

    def bare() -> bytes:
        made = []
        for name, labels, value in lines:
            inside = ",".join([f'{key}="{text}"' for key, text in labels])
            made.append(f"{name}{{{inside}}} {value}\n")
        return "".join(made).encode()

    server = WebServer(("127.0.0.1", 0), lambda: whole)
    server.start()

    def scrape(**headers: str) -> Callable[[], bytes]:
        def once() -> bytes:
            connection = http.client.HTTPConnection(*server.address)
            connection.request("GET", "/metrics", headers=headers)
            body = connection.getresponse().read()
            connection.close()
            return body

        return once

    def openmetrics() -> bytes:
        text: bytes = openmetrics_text(registry(lambda: whole))  # type: ignore[no-untyped-call]
        return text

    work: dict[str, Callable[[], bytes]] = {
        BARE: bare,
        LIBRARY: lambda: generate_latest(made),
        TEXT: lambda: render_text(whole),
        "OpenMetrics": openmetrics,
        "snapshot as JSON": lambda: json.dumps(snapshot_json(whole)).encode(),
        "text over HTTP": scrape(),
        "text over HTTP, gzip": scrape(**{"Accept-Encoding": "gzip"}),
    }
    taken: dict[str, list[float]] = {name: [] for name in work}
    sizes: dict[str, int] = {}
    try:
        for _ in range(ROUNDS):
            for name, once in work.items():
                began = time.process_time()
                sizes[name] = len(once())
                taken[name].append(time.process_time() - began)
    finally:
        server.stop()
    least = {name: min(times) for name, times in taken.items()}
    print(f"{disks} disks, {max(counts.values())} series a disk, {series} series")
    for name, took in least.items():
        print(
            f"{name:34} {took * 1e3:8.1f} ms {sizes[name] / 1024:8.0f} KiB "
            f"{took / series * 1e6:6.2f} us a series, of the library {took / least[LIBRARY]:5.2f}, "
            f"of bare formatting {took / least[BARE]:5.2f}"
        )
    sys.exit(int(least[TEXT] > MOST * least[LIBRARY]))


if __name__ == "__main__":
    main()
