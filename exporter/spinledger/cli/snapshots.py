"""Where `look` and `check` get their picture: the running exporter, else one observation."""

from __future__ import annotations

import http.client
import json
import socket
from datetime import UTC, datetime
from typing import Any, cast
from urllib.parse import urlencode

from spinledger.app.examining import observe
from spinledger.config.settings import Config
from spinledger.web.snapshot_json import snapshot_json

Json = dict[str, Any]

TIMEOUT_S = 2.0


def running(listen: tuple[str, int]) -> Json | None:
    """GET /snapshot of the exporter at an address; None when none answers there."""
    given = _get(listen, "/snapshot")
    return given if given is not None and "disks" in given else None


def books(listen: tuple[str, int], since_s: float) -> Json | None:
    """GET /history of the exporter since a wall time in Unix seconds; None where it has none."""
    since = datetime.fromtimestamp(since_s, UTC).isoformat(timespec="seconds")
    given = _get(listen, f"/history?{urlencode({'since': since, 'format': 'json'})}")
    return given if given is not None and "spans" in given else None


def _get(listen: tuple[str, int], path: str) -> Json | None:
    host, port = listen
    connection = http.client.HTTPConnection(
        "127.0.0.1" if host in ("", "0.0.0.0", "::") else host, port, timeout=TIMEOUT_S
    )
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
    except (OSError, http.client.HTTPException, socket.gaierror):
        return None
    finally:
        connection.close()
    if answer.status != 200:
        return None
    try:
        given = json.loads(body)
    except ValueError:
        return None
    return cast(Json, given) if isinstance(given, dict) else None


def picture(config: Config) -> tuple[Json, bool]:
    """A snapshot as JSON types, and whether it is the running exporter's."""
    given = running(config.listen)
    if given is not None:
        return given, True
    return snapshot_json(observe(config)), False


def value(disk: Json, key: str, **labels: str) -> float | None:
    """One sample of a disk in a snapshot; None when it is not there."""
    for sample in disk["samples"].get(key, ()):
        if sample["labels"] == labels:
            return cast(float, sample["value"])
    return None
