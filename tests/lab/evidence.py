"""What one exporter reported and what its drives logged, side by side on one clock.

Times are seconds since the scenario began, on the boot clock of the guest. What a drive logged is
what really happened; the exporter is judged by it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from tests.lab.cases import ALL_CASES, Trial
from tests.lab.guest.names import RECORDS, STATE_PROBES

Row = dict[str, Any]


@dataclass(frozen=True)
class Evidence:
    """The report of `guest/scenario.py`, seen by one exporter; disks go by their case's name."""

    report: Mapping[str, Any]
    trial: Trial
    identities: Mapping[str, str]

    def drive(self, case: str) -> str:
        """The name of the case's disk in the report."""
        return self.trial.drive(ALL_CASES[case])

    def identity(self, case: str) -> str:
        """The case's metric label `disk`."""
        return self.identities[self.drive(case)]

    # The drive's side

    def log(self, case: str, since: float = 0.0, until: float = float("inf")) -> list[Row]:
        """What the drive logged in a stretch of time, `at` and `done` as times here."""
        began = self.report["began"]
        rows = []
        for row in self.report["logs"][self.drive(case)]:
            at = row["at"] - began
            if since <= at < until:
                done = {"done": row["done"] - began} if "done" in row else {}
                rows.append({**row, **done, "at": at})
        return rows

    def commands(
        self, case: str, *names: str, since: float = 0.0, until: float = float("inf")
    ) -> list[Row]:
        """Commands the drive got, all or of these names."""
        return [
            row
            for row in self.log(case, since, until)
            if "cdb" in row and (not names or row["what"] in names)
        ]

    def probes(self, case: str, since: float = 0.0, until: float = float("inf")) -> list[Row]:
        """Probes it got. Only the exporter sends any in a scenario."""
        return self.commands(case, *STATE_PROBES, since=since, until=until)

    def records(self, case: str) -> list[Row]:
        """Reads of its records. Only the exporter reads any in a scenario."""
        return self.commands(case, *RECORDS)

    def slept(self, case: str) -> list[tuple[float, float]]:
        """When it was in standby, by its own log, up to the end of the scenario."""
        stretches, since = [], None
        for row in self.log(case):
            if since is None and row["after"] == "standby":
                since = row["at"]
            elif since is not None and row["after"] != "standby":
                stretches.append((since, row["at"]))
                since = None
        if since is not None and since < self.ended:
            stretches.append((since, self.ended))
        return stretches

    def act(self, case: str, do: str, nth: int = 0) -> Row:
        """One thing that was done to it, with the times it began and was done."""
        drive, began = self.drive(case), self.report["began"]
        acts = [act for act in self.report["acts"] if (act["drive"], act["do"]) == (drive, do)]
        act = acts[nth]
        if "error" in act:
            raise RuntimeError(f"the scenario itself failed: {act}")
        return {**act, "began": act["began"] - began, "done": act["done"] - began}

    # The exporter's side

    def series(self, metric: str, case: str, **labels: str) -> list[tuple[float, float]]:
        """(time, value) of one series of the disk over all scrapes."""
        selected = {"disk": self.identity(case), **labels}
        return [
            (at, value)
            for at, found, value in self._samples(metric)
            if selected.items() <= found.items()
        ]

    def final(self, metric: str, case: str, **labels: str) -> float | None:
        """The value in the last scrape; None when the series is not there."""
        (last,) = (scrape["at"] for scrape in self.scrapes[-1:])
        found = [value for at, value in self.series(metric, case, **labels) if at == last]
        return sum(found) if found else None

    def states(self, case: str, since: float = 0.0) -> list[tuple[float, str]]:
        """(time, state) over all scrapes."""
        name = "spinledger_disk_power_state"
        return [
            (at, labels[name])
            for at, labels, value in self._samples(name)
            if labels["disk"] == self.identity(case) and value == 1 and at >= since
        ]

    def labels(self, metric: str, case: str) -> list[tuple[float, dict[str, str]]]:
        """(time, labels) of the disk's series of a metric, for example its info."""
        disk = self.identity(case)
        return [(at, labels) for at, labels, _ in self._samples(metric) if labels["disk"] == disk]

    def on_clock(self, wall_s: float) -> float:
        """A Unix time as a time here."""
        return float(wall_s - self.report["wall_less_boot"] - self.report["began"])

    @cached_property
    def ended(self) -> float:
        """When the scenario ended and the exporter was about to be stopped."""
        return float(self.report["ended"] - self.report["began"])

    @cached_property
    def scrapes(self) -> list[Row]:
        """The scrapes, `at` as a time here."""
        began = self.report["began"]
        own = self.report["scrapes"][self.trial.name]
        return [{**scrape, "at": scrape["at"] - began} for scrape in own]

    @property
    def served(self) -> Row:
        """How the exporter ran and ended."""
        found: Row = self.report["served"][self.trial.name]
        return found

    def kernel(self, *words: str) -> list[str]:
        """Lines of the kernel log, from the beginning on, with all of these words."""
        # Nothing suspends the guest, so the kernel log's clock is the boot clock to a few ms.
        return [
            line
            for at, line in _stamped(self.report["kernel"])
            if at >= self.report["began"] and all(word in line for word in words)
        ]

    def _samples(self, metric: str) -> Iterator[tuple[float, dict[str, str], float]]:
        for scrape in self.scrapes:
            for labels, value in self._parsed(metric, scrape["text"]):
                yield scrape["at"], labels, value

    def _parsed(self, metric: str, text: str) -> list[tuple[dict[str, str], float]]:
        cache: dict[tuple[str, int], list[tuple[dict[str, str], float]]] = self._cache
        key = (metric, id(text))
        if key not in cache:
            lines = "".join(
                f"{line}\n"
                for line in text.splitlines()
                if line.startswith((f"{metric}{{", f"{metric} "))
            )
            cache[key] = [
                (sample.labels, sample.value)
                for family in text_string_to_metric_families(lines)
                for sample in family.samples
            ]
        return cache[key]

    @cached_property
    def _cache(self) -> dict[tuple[str, int], list[tuple[dict[str, str], float]]]:
        return {}


def _stamped(lines: Iterable[str]) -> Iterator[tuple[float, str]]:
    for line in lines:
        stamp, closed, _ = line.lstrip("[").partition("]")
        if line.startswith("[") and closed:
            yield float(stamp), line
