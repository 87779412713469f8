"""What a scrape costs: text, OpenMetrics, gzip and JSON of 60 disks with all their series.

Run at the top: python -m tests.bench.bench_metrics [disks]. Prints times beside the least that any
renderer must do with so many series, which is to format one line each; a ratio says how much is
ours. The rounds are interleaved and each figure is the median, so that a busy machine tilts none.
"""

from __future__ import annotations

import http.client
import json
import statistics
import sys
import time
from collections.abc import Callable

from prometheus_client.openmetrics.exposition import generate_latest as openmetrics_text

from spinledger.metrics.collector import SnapshotCollector, registry, render_text, series_count
from spinledger.web.server import WebServer
from spinledger.web.snapshot_json import snapshot_json
from tests.fakes.snapshots import full_view, snapshot

ROUNDS = 9


def main() -> None:
    """Print the table."""
    disks = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    whole = snapshot(*(full_view(number) for number in range(disks)))
    counts = series_count(whole)
    series = sum(counts.values())
    lines = [
        (sample.name, sorted(sample.labels.items()), sample.value)
        for family in SnapshotCollector(lambda: whole).collect()
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
        "bare formatting of the same lines": bare,
        "text": lambda: render_text(whole),
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
                began = time.perf_counter()
                sizes[name] = len(once())
                taken[name].append(time.perf_counter() - began)
    finally:
        server.stop()
    medians = {name: statistics.median(times) for name, times in taken.items()}
    least = medians["bare formatting of the same lines"]
    print(f"{disks} disks, {max(counts.values())} series a disk, {series} series")
    for name, median in medians.items():
        print(
            f"{name:35} {median * 1e3:8.1f} ms {sizes[name] / 1024:8.0f} KiB "
            f"{median / series * 1e6:6.2f} us a series   ratio {median / least:6.2f}"
        )


if __name__ == "__main__":
    main()
