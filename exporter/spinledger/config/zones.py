"""Time zones by name, and the host's own.

Rules of this room: a zone that cannot be read is one line that names the package with the time
zone database, tzdata. UTC needs no database.
"""

from __future__ import annotations

import os
import posixpath
import re
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from spinledger.config.near import nearest, shown
from spinledger.errors import BadInput

LOCALTIME = Path("/etc/localtime")
INSTALL = "install the package tzdata"
NO_DATABASE = ("UTC", "Etc/UTC")

_MARKER = "zoneinfo/"


def time_zone(name: str, where: str = "") -> tzinfo:
    """The zone of a name. Raises BadInput for one that cannot be read.

    `where` says where the name was found; "": at the host's link.
    """
    place = where or str(LOCALTIME)
    if name in NO_DATABASE:
        return UTC
    if re.fullmatch(r"[A-Za-z0-9_+/-]{1,64}", name):
        try:
            return ZoneInfo(name)
        except (LookupError, ValueError, OSError, EOFError):
            pass
    known = available_timezones()
    if not known:
        raise BadInput(place, f"{shown(name)} cannot be read, as tzdata is missing", INSTALL)
    best = nearest(name, sorted(known)) or "a name such as Europe/Prague"
    raise BadInput(place, f"{shown(name)} is not a time zone of tzdata", f"write {best}")


def host_zone() -> str | None:
    """The name of the host's zone, from where its link points; None where it has no name.

    As in the manual page localtime(5): a link into the folder zoneinfo; UTC if there is none.
    """
    try:
        target = posixpath.normpath(os.readlink(LOCALTIME))
        if _MARKER not in target:
            target = os.path.realpath(LOCALTIME)
    except FileNotFoundError:
        return "UTC"
    except OSError:
        return None
    _, marker, name = target.rpartition(_MARKER)
    return name if marker else None
