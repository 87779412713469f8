"""From the README to a delivered alert, an upgrade and a purge, on Debian 12 and 13 made anew.

Run at the top, as root: python -m tests.proof install, or python -m tests.proof install trixie for
one release. It reads the commands and files of "Install" in README.md, of guides/one-server.md and
of guides/upgrading.md, and runs them in their order, as they stand, as a user with sudo, on a fresh
root file system with systemd as process 1. Prints what each took and what was seen, and each
notification as it arrives. Ends with 1 if a command fails, if something is not as the documents
say, or if everything up to the first alert took more than five minutes of processor time: unlike
elapsed time, that does not depend on who else is at work. Elapsed time and megabytes are printed.

Two things are not the documents': a namespace shows no disk, so the service is given simulated ones
with a recorded past and a fault (real disks: `python -m tests.proof service`), and the version that
the upgrade is to is this one with another number. The checkout is its last commit.
"""

from __future__ import annotations

import argparse
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from spinledger import __version__
from stack import Receiver, shown
from tests.bench.machine import machine
from tests.fakes.patience import until
from tests.packs.reader import Step, bare, steps
from tests.proof.fresh import HOME, RELEASES, USER, Fresh, Ran

ROOT = Path(__file__).parents[2]
GUIDES = ROOT / "exporter" / "guides"
PORTS = {9786: "the exporter", 9090: "Prometheus", 9093: "Alertmanager", 9095: "the receiver"}
FIRST_ALERT_S = 300.0
NEWER = "99.0.0"
PAST = timedelta(hours=30)  # by then a day's window is full of the fault
FAULT, ALERT, HEARTBEAT = "runaway_waker", "DiskCyclesRunaway", "SpinledgerAlertsLoaded"
SIMULATED = "/var/lib/spinledger/simulated.db"
LEFT = "etc usr var/lib var/cache/apt/archives run dev/shm"
COMPLETE = """
zmodload zsh/zpty
zpty shell 'PS1=% TERM=dumb zsh -f'
zpty -w shell 'autoload -Uz compinit; compinit -u; zstyle ":completion:*" list-prompt ""'
zpty -w shell 'bindkey "^I" complete-word; print READY'
zpty -r shell seen '*READY*READY*'
zpty -w -n shell $'spinledger re\\t'
repeat 50; do
    while zpty -r -t shell part; do more+=$part; done
    [[ $more == *rehearse*replay* || $more == *replay*rehearse* ]] && break
    sleep 0.2
done
zpty -d shell
print -r -- $more
"""


class Wrong(Exception):
    """Something is not as the documents say; the message has what was seen."""


@dataclass(frozen=True, slots=True)
class Row:
    """One step of the table."""

    step: str
    seconds: float
    cpu_s: float
    megabytes: float
    """What the files of the system grew by."""
    seen: str


class Walk:
    """The steps on one system, and what was notified meanwhile."""

    def __init__(self, system: Fresh, receiver: Collecting) -> None:
        self.system = system
        self.rows: list[Row] = []
        self._receiver = receiver
        self._cpu_s = system.cpu_s
        self._megabytes = system.megabytes

    def run(self, command: str, seen: str = "", *, user: str = USER, label: str = "") -> Ran:
        """A command that has to end with 0; the table shows `seen`, else one of its lines."""
        print(f"$ {label or command}", flush=True)
        ran = self.system.run(command, user=user)
        if not label:
            print("".join(f"    {line}\n" for line in printed(ran.text)[-25:]), end="", flush=True)
        ours = bare(command)[0] == "spinledger"
        if ran.status not in ((0, 1) if ours else (0,)) or "Traceback" in ran.text:  # 1: a finding
            raise Wrong(f"{command}: ended with {ran.status}\n{ran.text[-3000:]}")
        lines = printed(ran.text) or [""]
        seen = seen or lines[0 if ours else -1]
        self._add(label or command, ran.seconds, ran.cpu_s, seen)
        return ran

    def follow(self, given: Sequence[Step]) -> None:
        """The steps of a document."""
        for step in given:
            if step.file:
                print(f"$ edit {step.file}", flush=True)
                self.system.write(step.file, step.content)
            else:
                self.run(step.command.partition("#")[0].strip())

    def see(self, step: str, look: Callable[[], str]) -> None:
        """Wait for what a step has to come to, which `look` returns."""
        print(f"  {step} ...", flush=True)
        began, cpu_s, found = time.monotonic(), self.system.cpu_s, ""

        def looked() -> bool:
            nonlocal found
            found = look()
            return bool(found)

        until(looked, step)
        self._add(step, time.monotonic() - began, self.system.cpu_s - cpu_s, found)

    def note(self, step: str, seen: str) -> None:
        """What was seen after a step."""
        print(f"  {step}: {seen}", flush=True)
        self._add(step, 0.0, 0.0, seen)

    def alert(self, name: str) -> tuple[float, float]:
        """Wait for a notification; seconds and processor time of all steps so far."""
        self.see(f"wait for {name}", lambda: self._receiver.came.get(name, ""))
        return sum(row.seconds for row in self.rows), self.system.cpu_s - self._cpu_s

    def get(self, path: str) -> str:
        """What the exporter serves, fetched behind TLS with its certificate."""
        address = shlex.quote(f"https://dome:9786{path}")
        return self.system.run(f"curl -sS --cacert /etc/spinledger/dome.pem {address}").text

    def _add(self, step: str, seconds: float, cpu_s: float, seen: str) -> None:
        megabytes = self.system.megabytes
        self.rows.append(Row(step, seconds, cpu_s, megabytes - self._megabytes, seen))
        self._megabytes = megabytes


def printed(text: str) -> list[str]:
    """The lines of an output, without the progress of dpkg."""
    lines = [line for line in text.splitlines() if line.strip()]
    return [line for line in lines if not line.startswith("(Reading database ...")]


class Collecting(Receiver):
    """The receiver of the trial, which also keeps the summary of each alert that fired."""

    def __init__(self) -> None:
        super().__init__(9095)
        self.came: dict[str, str] = {}

    def take(self, receiver: str, message: dict[str, Any]) -> None:
        """Print one notification, and note what fires."""
        print(
            "\n".join(f"!   {line}" for line in shown(receiver, message, datetime.now())),
            flush=True,
        )
        for alert in message["alerts"]:
            if alert["status"] == "firing":
                self.came[alert["labels"]["alertname"]] = alert["annotations"]["summary"]


def part(page: Path, heading: str, before: str = "\n# ") -> list[Step]:
    """The steps below a heading of a page, up to a text."""
    text = re.split(r"^#+ ", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (found,) = (one for one in text if one.startswith(f"{heading}\n"))
    return list(steps(found.partition(before)[0]))


def walk(suite: str) -> tuple[list[Row], str]:
    """All of it on one release: the rows, and the line about the first alert."""
    began = time.monotonic()
    receiver = Collecting()
    try:
        with Fresh(suite) as system:
            checkout = system.root / str(HOME / "spinledger").lstrip("/")
            subprocess.run(["git", "clone", "--quiet", str(ROOT), str(checkout)], check=True)
            system.run(f"chown -R {USER}: {HOME}", user="root")
            assert system.run("sudo apt-get update").status == 0
            print(
                f"made in {time.monotonic() - began:.0f} s, {system.megabytes:.0f} MB", flush=True
            )
            here = Walk(system, receiver)
            first = follow(here)
            return here.rows, first
    finally:
        receiver.shutdown()
        receiver.server_close()


def follow(here: Walk) -> str:
    """The documents, one after the other; the line about the first alert."""
    here.follow(part(ROOT / "README.md", "Install", "\nOn other systems"))
    here.run("systemctl is-active spinledger spinledger-prober.socket")
    simulate(here)
    first = alerted(here)
    complete(here)
    upgrade(here)
    leave(here)
    return first


def alerted(here: Walk) -> str:
    """The guide of one server, up to the alerts; the line about the first."""
    for heading in ("1. Install", "2. Configure", "3. Open it to Prometheus, behind TLS"):
        here.follow(part(GUIDES / "one-server.md", heading))
    if "standby" not in here.get("/metrics"):
        raise Wrong(here.get("/metrics")[:2000])
    plain = here.system.run("curl -sS http://dome:9786/metrics")
    if "spinledger_" in plain.text:
        raise Wrong("the metrics can be read without TLS")
    here.follow(part(GUIDES / "one-server.md", "4. Scrape, and be alerted"))
    seconds, cpu_s = here.alert(HEARTBEAT)
    here.alert(ALERT)
    first = (
        f"first alert after {seconds / 60:.1f} min, of which {cpu_s:.0f} s of processor time; "
        f"{sum(row.megabytes for row in here.rows):.0f} MB installed and built until then"
    )
    if cpu_s > FIRST_ALERT_S:
        raise Wrong(f"{first}; at most {FIRST_ALERT_S:.0f} s of processor time are allowed")
    return first


def simulate(here: Walk) -> None:
    """Give the service disks: simulated ones, with a past in a ledger of theirs and a fault."""
    since = (datetime.now(UTC) - PAST).isoformat(timespec="seconds")
    fault = f"--fault={FAULT}@{since}"
    here.run("sudo systemctl stop spinledger", "stopped")
    past = f"sudo -u spinledger spinledger rehearse --days 2 --end now --zone UTC {fault}"
    here.run(f"{past} --ledger {SIMULATED}", "two days recorded", label="rehearse (not a step)")
    serve = f"/usr/bin/spinledger serve --shelf simulated --speed 1 --now --zone UTC {fault}"
    serve += f" --ledger {SIMULATED}"
    here.system.write(
        "/etc/systemd/system/spinledger.service.d/simulated.conf",
        f"[Service]\nExecStart=\nExecStart={serve} --config /etc/spinledger/config.yml\n",
    )
    here.run("sudo systemctl daemon-reload && sudo systemctl start spinledger", "started")


def complete(here: Walk) -> None:
    """zsh offers the commands, from the file that it finds by itself."""
    here.run("sudo apt-get install --no-install-recommends zsh", "zsh")
    ran = here.run(
        f"zsh -f -c {shlex.quote(COMPLETE)}", "rehearse, replay", label="zsh: spinledger re<TAB>"
    )
    offered = [name for name in ("rehearse", "replay") if name in ran.text]
    if len(offered) != 2:
        raise Wrong(f"zsh offered:\n{ran.text}")


def spin_ups(text: str) -> float:
    """All recorded spin-ups of all disks, of what was exported."""
    rows = re.findall(r"^spinledger_disk_cycles_total\{.*\} (\S+)$", text, re.MULTILINE)
    return sum(map(float, rows))


def upgrade(here: Walk) -> None:
    """A newer checkout, by the guide: the counters go on."""
    before = spin_ups(here.get("/metrics"))
    entry = f"spinledger ({NEWER}) unstable; urgency=medium\n\n  * Newer.\n\n"
    entry += " -- Spinledger maintainers <maintainers@spinledger.invalid>  "
    entry += "Sat, 28 Nov 2026 13:00:00 +0000\n\n"
    here.run(
        f"sed -i 's/{__version__}/{NEWER}/' exporter/spinledger/__init__.py && "
        f"{{ printf %s {shlex.quote(entry)}; cat exporter/debian/changelog; }} >newer && "
        "mv newer exporter/debian/changelog",
        NEWER,
        label="newer checkout (not a step)",
    )
    here.follow(part(GUIDES / "upgrading.md", "Upgrade"))
    here.see("the service answers", lambda: here.get("/-/ready").strip())
    if NEWER not in (text := here.get("/metrics")) or not spin_ups(text) >= before > 0:
        raise Wrong(f"{before} spin-ups became {spin_ups(text)}")
    here.note("  counters", f"{before:.0f} spin-ups before, {spin_ups(text):.0f} after")


def leave(here: Walk) -> None:
    """Removed: ledger and configuration stay; purged: nothing of the package does."""
    ours = "sudo rm -r /etc/systemd/system/spinledger.service.d && sudo systemctl daemon-reload"
    here.run(ours, "the simulated disks are no longer named")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in ("apt-get remove spinledger", "apt-get purge spinledger"):
        if f"`{command}`" not in readme:
            raise Wrong(f"README.md does not have {command}")
        here.run(f"sudo {command}")
        find = f"find {LEFT} -xdev -name '*spinledger*' -o -path '*/spinledger/*'"
        left = here.system.run(f"cd / && sudo {find}").text.splitlines()
        own = [path for path in left if not path.startswith("etc/prometheus/spinledger")]
        kept = {SIMULATED[1:], "etc/spinledger/config.yml"}
        if (command.split()[1] == "remove") != (kept <= set(own)):
            raise Wrong(f"{command} left {own}")
        if command.split()[1] == "purge" and own:
            raise Wrong(f"{command} left {own}")
        here.note("  what is left", ", ".join(own) or "nothing")


def table(rows: Sequence[Row]) -> Iterator[str]:
    """The lines of the table."""
    yield f"{'STEP':58} {'SECONDS':>7} {'CPU s':>6} {'MB':>6}  SEEN"
    for row in rows:
        step = row.step if len(row.step) < 59 else f"{row.step[:55]}..."
        figures = f"{row.seconds:7.1f} {row.cpu_s:6.1f} {row.megabytes:6.1f}"
        yield f"{step:58} {figures}  {row.seen[:80]}"


def taken() -> list[str]:
    """Ports of the services that somebody else has."""
    found = []
    for port, who in PORTS.items():
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("0.0.0.0", port))
            except OSError:
                found.append(f"{port} ({who})")
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Walk on these releases, or on all."""
    parser = argparse.ArgumentParser(prog="python -m tests.proof install", description=__doc__)
    parser.add_argument("release", nargs="*", help=f"of {', '.join(RELEASES)}; default: all")
    given = parser.parse_args(arguments)
    unknown = [name for name in given.release if name not in RELEASES]
    if unknown:
        parser.error(f"{unknown[0]} is no release; choose from {', '.join(RELEASES)}")
    if busy := taken():
        parser.error(f"in use: port {', '.join(busy)}; end what listens there")
    print(f"Run on: {machine()}", flush=True)
    ended = []
    for suite in given.release or RELEASES:
        print(f"\n{RELEASES[suite]}", flush=True)
        try:
            rows, first = walk(suite)
        except (Wrong, AssertionError) as wrong:
            print(f"FAILED: {wrong}")
            ended.append(f"{RELEASES[suite]}: FAILED")
            continue
        print("\n".join(["", RELEASES[suite], *table(rows)]))
        minutes = sum(row.seconds for row in rows) / 60
        ended.append(f"{RELEASES[suite]}: {first}; all steps {minutes:.1f} min")
    print("\n".join(["", *ended]))
    return int(any("FAILED" in line for line in ended))


if __name__ == "__main__":
    sys.exit(main())
