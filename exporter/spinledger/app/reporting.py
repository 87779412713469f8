"""`check --report FILE`: what support for a drive that is not understood needs.

The file is one JSON object:

    format      "spinledger-report"
    version     1
    program     version of this program
    python      version of Python
    kernel      system, release, machine
    system      PRETTY_NAME of os-release(5)
    disks       one object a whole disk of the names sd*:
      kernel_name, model, firmware, transport, watch, probe_method, not_probed_because
                  as the program understands it; of a disk that is not watched only the name
      skipped     why it is not watched; "" for a watched one
      nothing_sent   why no command was sent; "" where one was
      sysfs       path below /sys/devices, attributes, pages (hexadecimal), identify (words), host
      replies     command, cdb, status, host_status, driver_status, sense, data (hexadecimal),
                  elapsed_ns, and understood: what this version makes of these bytes

Rules: serial numbers and world-wide names are blanked (`codec.blank`) before anything is
understood, so the file holds what was decoded. Nothing is sent from here.
"""

from __future__ import annotations

import json
import os
import platform
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from spinledger import __version__
from spinledger.app.examining import Examined, Exchange
from spinledger.codec import blank
from spinledger.codec.commands import TABLE
from spinledger.codec.counters import reply_of
from spinledger.device.describing import Described, describe
from spinledger.errors import BadInput
from spinledger.model import Command, Completion, Disk, Record, Refused, Reply
from spinledger.store.plain import FIX, partial, refuse_disk

FORMAT, VERSION = "spinledger-report", 1
_WORDS = re.compile(r"([0-9a-fA-F]{4}\s+){255}[0-9a-fA-F]{4}")


def writable(path: Path) -> None:
    """Refuse a file that cannot be written, before anything is sent. Raises BadInput."""
    refuse_disk("--report", path)
    if path.is_dir() or not os.access(path.parent, os.W_OK):
        raise BadInput(f"--report {path}", "it cannot be written", FIX)


def write(path: Path, seen: Examined, probed: Mapping[str, str], root: str = "/sys") -> None:
    """Write the report, whole or not at all; `probed` is what came of the probe, by identity."""
    first = partial(path)
    text = json.dumps(report(seen, probed, root), indent=1) + "\n"
    try:
        first.write_text(text, encoding="utf-8")
        os.replace(first, path)
    except OSError as refused:
        with suppress(OSError):
            first.unlink()
        raise BadInput(f"--report {path}", str(refused.strerror), FIX) from None


def report(seen: Examined, probed: Mapping[str, str], root: str = "/sys") -> dict[str, Any]:
    """The file's content as JSON types."""
    disks = []
    for view in seen.snapshot.disks:
        done = seen.exchanges.get(view.disk.identity, ())
        found = _disk(root, view.disk.kernel_name, view.disk, done)
        found["watch"] = view.policy.watch.value
        found["nothing_sent"] = "" if done else probed.get(view.disk.identity, "")
        disks.append(found)
    for disk in seen.off:
        disks.append(_disk(root, disk.kernel_name, disk, ()) | {"skipped": "watch: off"})
    for name, why in seen.snapshot.exporter.skipped:
        if name.startswith("sd"):
            disks.append(_disk(root, name, None, ()) | {"skipped": why})
    return {
        "format": FORMAT,
        "version": VERSION,
        "program": __version__,
        "python": platform.python_version(),
        "kernel": " ".join((os.uname().sysname, os.uname().release, os.uname().machine)),
        "system": _system(),
        "disks": disks,
    }


def understood(reply: Reply) -> dict[str, Any]:
    """What a reply was understood as, in JSON types: a state, values of a record, or a refusal."""
    if isinstance(reply, Refused):
        return {"refused": reply.reason.value, "detail": reply.detail}
    if isinstance(reply, Record):
        return {"values": dict(reply.values)}
    condition = None if reply.condition is None else reply.condition.value
    return {"state": reply.mode.value, "condition": condition, "clause": reply.clause}


def _disk(root: str, name: str, disk: Disk | None, done: Sequence[Exchange]) -> dict[str, Any]:
    described = describe(root, name)
    words = _octets_of(described.identify)
    read = [
        one.completion.data
        for one in done
        if one.command is Command.IDENTIFY_DEVICE and one.completion
    ]
    pages = described.pages.values()
    from_89 = [page[60:572] for page in pages if page[1:2] == b"\x89"]
    blanking = blank.Blanking(
        {*blank.found(pages, (words, *read, *from_89)), *((disk.serial, disk.wwn) if disk else ())}
    )
    about = {
        "kernel_name": name,
        "model": disk.model if disk else "",
        "firmware": disk.firmware if disk else "",
        "transport": disk.transport if disk else "",
        "watch": "",
        "probe_method": disk.probe_method.value if disk and disk.probe_method else "",
        "not_probed_because": disk.not_probed_because if disk else "",
        "skipped": "",
        "nothing_sent": "",
    }
    return {
        **{key: blanking.words(text) for key, text in about.items()},
        "sysfs": _sysfs(described, words, blanking),
        "replies": [_reply(one, blanking) for one in done],
    }


def _sysfs(described: Described, words: bytes, blanking: blank.Blanking) -> dict[str, Any]:
    spelt = blanking.octets(blank.identify_data(words)).hex() if words else ""
    by_word = (spelt[at + 2 : at + 4] + spelt[at : at + 2] for at in range(0, len(spelt), 4))
    return {
        "path": described.path,
        "attributes": {key: blanking.words(text) for key, text in described.attributes.items()},
        "pages": {
            key: blanking.octets(blank.vpd_page(page)).hex(" ")
            for key, page in described.pages.items()
        },
        "identify": " ".join(by_word),
        "host": {key: blanking.words(text) for key, text in described.host.items()},
    }


def _reply(one: Exchange, blanking: blank.Blanking) -> dict[str, Any]:
    about = {"command": one.command.value, "cdb": TABLE[one.command].cdb.hex(" ")}
    if one.completion is None:
        return about | {"understood": understood(one.reply)}
    done = one.completion
    data = blank.identify_data(done.data) if one.command is Command.IDENTIFY_DEVICE else done.data
    shown = Completion(
        done.status,
        done.host_status,
        done.driver_status,
        blanking.octets(done.sense),
        blanking.octets(data),
        done.elapsed_ns,
    )
    return about | {
        "status": shown.status,
        "host_status": shown.host_status,
        "driver_status": shown.driver_status,
        "elapsed_ns": shown.elapsed_ns,
        "sense": shown.sense.hex(" "),
        "data": shown.data.hex(" "),
        "understood": understood(reply_of(one.command, shown)),
    }


def _octets_of(words: str) -> bytes:
    """The bytes of IDENTIFY words in libata's text; none where it is not 256 words."""
    if not _WORDS.fullmatch(words.strip()):
        return b""
    return b"".join(int(word, 16).to_bytes(2, "little") for word in words.split())


def _system() -> str:
    try:
        return platform.freedesktop_os_release().get("PRETTY_NAME", "")
    except OSError:
        return ""
