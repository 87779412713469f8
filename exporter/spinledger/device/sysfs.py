"""Reading small files of sysfs. A file that is absent, unreadable or vanishing reads as nothing."""

from __future__ import annotations

import os


def blob(path: str) -> bytes:
    """The bytes of a binary attribute; b"" if there are none."""
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError:
        return b""


def text(path: str) -> str:
    """An attribute without surrounding space; "" if there is none."""
    return blob(path).decode("utf-8", "replace").strip(" \t\n\0")


def number(path: str) -> int | None:
    """A decimal attribute; None if there is none."""
    try:
        return int(text(path))
    except ValueError:
        return None


def names(directory: str) -> list[str]:
    """The names in a directory, sorted; none if it is absent."""
    try:
        return sorted(os.listdir(directory))
    except OSError:
        return []
