"""Where `look` and `check` get their picture: the running exporter, else one observation."""

from __future__ import annotations

import http.client
import json
import socket
from typing import Any, cast

from spinledger.app.examining import observe
from spinledger.config.settings import Config
from spinledger.web.snapshot_json import snapshot_json

Json = dict[str, Any]

TIMEOUT_S = 2.0


def running(listen: tuple[str, int]) -> Json | None:
    """GET /snapshot of the exporter at an address; None when none answers there."""
    host, port = listen
    connection = http.client.HTTPConnection(
        "127.0.0.1" if host in ("", "0.0.0.0", "::") else host, port, timeout=TIMEOUT_S
    )
    try:
        connection.request("GET", "/snapshot")
        answer = connection.getresponse()
        body = answer.read()
    except (OSError, http.client.HTTPException, socket.gaierror):
        return None
    finally:
        connection.close()
    if answer.status != 200:
        return None
    try:
        told = json.loads(body)
    except ValueError:
        return None
    return cast(Json, told) if isinstance(told, dict) and "disks" in told else None


def picture(config: Config) -> tuple[Json, bool]:
    """A snapshot as JSON types, and whether it is the running exporter's."""
    told = running(config.listen)
    if told is not None:
        return told, True
    return snapshot_json(observe(config)), False


def value(disk: Json, key: str, **labels: str) -> float | None:
    """One sample of a disk in a snapshot; None when it is not there."""
    for sample in disk["samples"].get(key, ()):
        if sample["labels"] == labels:
            return cast(float, sample["value"])
    return None
