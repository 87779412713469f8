"""The running exporter: its address, and what it answers at /snapshot and /history.

Rules: each failure to get an answer is one line that names the address and says whether nothing
answers there or something else does.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import socket
import ssl
from base64 import b64encode
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import cast
from urllib.parse import unquote, urlencode, urlsplit

from spinledger.config import web_file
from spinledger.config.naming import identify
from spinledger.errors import Unavailable
from spinledger.model import DAY, SECOND
from spinledger.strip import DiskHistory, Period, SpinUp
from spinledger.web.snapshot_json import Json

TIMEOUT_S = 5.0
HISTORY_TIMEOUT_S = 30.0
PART_BYTES = 65_536
LOOPBACK = {"": "127.0.0.1", "0.0.0.0": "127.0.0.1", "::": "::1"}  # where all addresses listen
PROMETHEUS = "Prometheus Server is Healthy"  # its GET /-/healthy; from memory


class NoExporter(Unavailable):
    """Nothing answers at the address, or something else does."""

    def with_fix(self) -> Unavailable:
        """For an address that was given: the same, with the fix."""
        fix = "start `spinledger serve` there, or give the address of a running exporter"
        return Unavailable(self.reason, f"{self.detail}; {fix}")


@dataclass(frozen=True, slots=True)
class Exporter:
    """An exporter at an address; `path` is a prefix where a reverse proxy adds one."""

    host: str
    port: int
    path: str = ""
    tls: bool = False
    credentials: str = ""  # USER:PASSWORD
    certificate: Path | None = None  # the one it must have; None: any that this host trusts

    @property
    def url(self) -> str:
        """Its address as people write it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http{'s' if self.tls else ''}://{host}:{self.port}{self.path}"

    def snapshot(self) -> Json:
        """GET /snapshot. Raises NoExporter, or Unavailable while it has no data yet."""
        status, body = self._get("/snapshot")
        found = _object(body)
        if status == 200 and found is not None and "disks" in found:
            return found
        if status in (401, 403, 421):
            raise Unavailable("not_allowed", f"{self.url}: {_first_line(body)}")
        if status == 503 and body:
            raise Unavailable("no_data_yet", f"{self.url}: {_first_line(body)}")
        raise NoExporter("not_an_exporter", f"{self.url}: {self._what()} answers, not Spinledger")

    def history(self, since_s: float) -> Json | None:
        """GET /history since a wall time in Unix seconds, as JSON; None where it has none."""
        since = datetime.fromtimestamp(since_s, UTC).isoformat(timespec="seconds")
        status, body = self._get(f"/history?{urlencode({'since': since, 'format': 'json'})}")
        found = _object(body)
        return found if status == 200 and found is not None and "spans" in found else None

    def history_parts(self, query: dict[str, str]) -> Iterator[bytes] | None:
        """The body of GET /history as it comes; None where the exporter has no history.

        Raises NoExporter when no exporter answers, Unavailable with the reason of a refusal.
        """
        connection, answer = self._open(f"/history?{urlencode(query)}", HISTORY_TIMEOUT_S)
        if answer.status == 200:
            return self._body(connection, answer)
        try:
            refusal = answer.read(1000)
        finally:
            connection.close()
        if answer.status == 404:
            self.snapshot()
            return None
        raise Unavailable("history_refused", f"{self.url}: {_first_line(refusal)}")

    def _body(
        self, connection: http.client.HTTPConnection, answer: http.client.HTTPResponse
    ) -> Iterator[bytes]:
        try:
            while part := answer.read(PART_BYTES):
                yield part
        except (OSError, http.client.HTTPException) as broken:
            what = f"{self.url}: the answer ended early ({broken})"
            raise Unavailable("history_cut", what) from None
        finally:
            connection.close()

    def _get(self, path: str) -> tuple[int, bytes]:
        connection, answer = self._open(path, TIMEOUT_S)
        try:
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException) as broken:
            raise NoExporter(
                "no_answer", f"{self.url}: the answer ended early ({broken})"
            ) from None
        finally:
            connection.close()

    def _open(
        self, path: str, timeout_s: float
    ) -> tuple[http.client.HTTPConnection, http.client.HTTPResponse]:
        connection = self._connection(timeout_s)
        try:
            basic = b64encode(self.credentials.encode()).decode()
            headers = {"Authorization": f"Basic {basic}"} if basic else {}
            connection.request("GET", f"{self.path}{path}", headers=headers)
            return connection, connection.getresponse()
        except socket.gaierror:
            what = f"no such host: {self.host}"
        except TimeoutError:
            what = f"no answer within {timeout_s:g} s"
        except ConnectionError as refused:
            what = f"nothing answers ({(refused.strerror or str(refused)).lower()})"
        except OSError as refused:
            what = refused.strerror or str(refused)
        except http.client.HTTPException:
            what = "something that does not speak HTTP answers"
        connection.close()
        raise NoExporter("no_exporter", f"{self.url}: {what}") from None

    def _connection(self, timeout_s: float) -> http.client.HTTPConnection:
        if not self.tls:
            return http.client.HTTPConnection(self.host, self.port, timeout=timeout_s)
        try:
            context = ssl.create_default_context(cafile=self.certificate)
        except OSError as refused:
            what = f"{self.certificate}: {(refused.strerror or str(refused)).lower()}"
            raise Unavailable("certificate", what) from None
        if self.certificate is not None:  # its own files are known, whatever name they are for
            context.check_hostname = False
            context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        return http.client.HTTPSConnection(self.host, self.port, timeout=timeout_s, context=context)

    def _what(self) -> str:
        """What else answers at the address."""
        _, body = self._get("/-/healthy")
        return (
            "a Prometheus server"
            if PROMETHEUS in body.decode("utf-8", "replace")
            else ("another program")
        )


def listening(listen: tuple[str, int], tls_and_users: Path | None = None) -> Exporter:
    """The exporter that is configured to listen there, by TLS where that file says so.

    Raises BadInput or Unavailable where the file cannot be read.
    """
    host, port = LOOPBACK.get(listen[0], listen[0]), listen[1]
    if tls_and_users is None:
        return Exporter(host, port)
    if not os.access(tls_and_users, os.R_OK):
        what = f"{tls_and_users}: you may not read how the exporter is served"
        fix = f"run this as root, or give --exporter https://NAME:{port}"
        raise Unavailable("web_file", f"{what}; {fix}")
    tls = web_file.load(tls_and_users).tls
    if tls is None:
        return Exporter(host, port)
    return Exporter(host, port, tls=True, certificate=tls.certificate)


def url(text: str) -> Exporter:
    """The option --exporter: http://HOST:PORT, https and USER:PASSWORD@ too; also HOST:PORT."""
    parts = urlsplit(text if "://" in text else f"http://{text}")
    try:
        port = parts.port
    except ValueError:
        port = 0
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not an address, such as http://127.0.0.1:9786"
        )
    tls = parts.scheme == "https"
    plain = 9786 if "://" not in text else 443 if tls else 80
    credentials = unquote(parts.netloc.rpartition("@")[0])
    return Exporter(parts.hostname, port or plain, parts.path.rstrip("/"), tls, credentials)


def add_exporter(parser: argparse._ActionsContainer) -> None:
    """`--exporter URL`."""
    parser.add_argument(
        "--exporter",
        type=url,
        metavar="URL",
        help="a running exporter, such as http://dome:9786; default: `listen` of the configuration",
    )


def _object(body: bytes) -> Json | None:
    try:
        found = json.loads(body)
    except ValueError:
        return None
    return cast(Json, found) if isinstance(found, dict) else None


def _first_line(body: bytes) -> str:
    return body.decode("utf-8", "replace").strip().partition("\n")[0][:200]


# What the answers hold


def value(disk: Json, key: str, **labels: str) -> float | None:
    """One sample of a disk in a snapshot; None when it is not there."""
    for sample in disk["samples"].get(key, ()):
        if sample["labels"] == labels:
            return cast(float, sample["value"])
    return None


def chosen(disks: Sequence[Json], name: str, where: str = "--disk") -> Json:
    """The disk of a snapshot with this name. Raises BadInput where there is not exactly one."""
    known = {
        disk["disk"]: tuple(filter(None, (*disk["nodes"], disk["serial"], *disk["aliases"])))
        for disk in disks
    }
    identity = identify(known, name, where)
    return next(disk for disk in disks if disk["disk"] == identity)


def observed_s(disk: Json) -> float:
    """Seconds of a disk's life in the ledger that were observed."""
    states = disk["samples"].get("state_seconds", ())
    return float(sum(one["value"] for one in states if one["labels"]["state"] != "unobserved"))


def histories(history: Json, now_s: float) -> dict[str, DiskHistory]:
    """The answer of /history by disk; a span without an end goes on until now."""
    periods: dict[str, list[Period]] = {}
    for span in history.get("spans", ()):
        ended = now_s if span["ended"] is None else span["ended"]
        active = round(span["active_seconds"] * SECOND)
        period = Period(wall_ns(span["began"]), wall_ns(ended), span["state"], active)
        periods.setdefault(span["disk"], []).append(period)
    spin_ups: dict[str, list[SpinUp]] = {}
    for cycle in history.get("cycles", ()):
        spin_up = SpinUp(wall_ns(cycle["at"]), cycle["observed"], cycle.get("cause") or "")
        spin_ups.setdefault(cycle["disk"], []).append(spin_up)
    return {
        disk: DiskHistory(tuple(periods.get(disk, ())), tuple(spin_ups.get(disk, ())))
        for disk in periods.keys() | spin_ups.keys()
    }


def wall_ns(at_s: float) -> int:
    """Unix seconds as nanoseconds, to the millisecond."""
    return round(at_s * 1000) * (SECOND // 1000)


DAY_S = DAY / SECOND
