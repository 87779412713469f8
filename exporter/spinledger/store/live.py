"""The live journal: every tick since the last finished commit, in a memory file system.

Rules:
- It survives the end of the process at any moment, not that of the host; so nothing waits for a
  disk, and nothing is synced. One write a tick; a tick in which nothing happened is one short line.
- A line is a CRC-32 (IEEE 802.3, zlib) in hexadecimal, a space, JSON, a newline. Reading stops at
  the first line that is not whole, so a torn last line costs that tick only.
- The first line names ledger, last commit and boot; a line `m` says that a commit was handed over.
  When it has ended, a new journal with all that was noted since is put in place by renaming.
- It is used only if the boot is the same and the file's last commit is one that it names.
"""

from __future__ import annotations

import json
import os
import stat
import zlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, fields, replace
from hashlib import blake2b
from pathlib import Path
from typing import Any, cast

from spinledger.model import Cycle, Entry, Evidence, Explained, Gap, Reading, Span, Worn
from spinledger.store.schema import Dump

COMPACT_BYTES = 4 << 20
MOST_PARTS = 8
MEMORY = frozenset({"tmpfs", "ramfs"})
MOST_ENTRIES = 200_000  # waiting for the file, when it cannot be written; then the oldest go

compact: Callable[[object], str] = json.JSONEncoder(
    separators=(",", ":"), check_circular=False, ensure_ascii=True
).encode
"""JSON types as one line of ASCII."""


@dataclass(slots=True)
class Pending:
    """What is recorded and not in the file: newest dumps by identity, entries in order."""

    dumps: dict[str, Dump] = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)

    def add(self, dumps: Mapping[str, Dump], entries: Sequence[Entry]) -> None:
        """Take what came after."""
        self.dumps.update(dumps)
        self.entries += entries
        if len(self.entries) > MOST_ENTRIES:
            del self.entries[: MOST_ENTRIES // 10]

    def once(self) -> None:
        """Leave each entry there once; a caller may hand over again what failed."""
        self.entries = list(dict.fromkeys(self.entries))


@dataclass(frozen=True, slots=True)
class Opening:
    """The first line. `whole`: there is nothing beneath it, it holds every account."""

    id: str
    number: int  # of the last commit in the file
    boot_id: str
    at_ns: int
    wall_ns: int
    whole: bool
    damaged: int


@dataclass(slots=True)
class Part:
    """What was noted after one commit was handed over and before the next."""

    numbers: list[int]  # the commits that ended just before; the last of them is the rule
    pending: Pending = field(default_factory=Pending)


@dataclass(slots=True)
class Left:
    """A journal as a run left it. `at_ns` and `wall_ns` are those of its last whole tick."""

    opening: Opening
    at_ns: int
    wall_ns: int
    parts: list[Part]

    def numbers(self) -> list[int]:
        """The commits that a file may have and be continued by this journal."""
        return [number for part in self.parts for number in part.numbers]

    def after(self, number: int) -> Pending:
        """What was noted after that commit was handed over; everything if it is not named."""
        first = 0
        for position, part in enumerate(self.parts):
            if number in part.numbers:
                first = position
        joined = Pending()
        for part in self.parts[first:]:
            joined.add(part.pending.dumps, part.pending.entries)
        joined.once()
        return joined


class LiveJournal:
    """Writes the journal of one ledger. A folder of None, or a failed write, keeps nothing."""

    def __init__(self, folder: Path | None, ledger: Path) -> None:
        name = blake2b(os.fsencode(os.path.realpath(ledger)), digest_size=8).hexdigest()
        self.path = folder / f"{name}.live" if folder else None
        self.lock_path = folder / f"{name}.lock" if folder else None
        self.trouble = "" if folder else "no memory file system takes a live journal"
        self._fd = -1
        self._size = 0
        self._compact_at = COMPACT_BYTES
        self._opening = Opening("", 0, "", 0, 0, False, 0)
        self._parts = [Part([0])]

    def read(self, boot_id: str) -> Left | None:
        """What an earlier run of this boot left; None when there is nothing of use."""
        if self.path is None:
            return None
        try:
            data = self.path.read_bytes()
        except OSError:
            return None
        left = parse(data)
        return left if left is not None and left.opening.boot_id == boot_id else None

    def begin(self, opening: Opening, pending: Pending) -> None:
        """Start a journal with what is not in the file yet."""
        self._opening = opening
        self._parts = [Part([opening.number], pending)]
        self._rewrite()

    def note(
        self,
        at_ns: int,
        wall_ns: int,
        changed: Mapping[str, Mapping[str, object]],
        entries: Sequence[Entry],
    ) -> None:
        """Keep a tick."""
        self._parts[-1].pending.add(changed, entries)
        self._opening = replace(self._opening, at_ns=at_ns, wall_ns=wall_ns)
        given: list[object] = ["t", at_ns, wall_ns]
        if changed or entries:
            given += [dict(changed), [to_json(entry) for entry in entries]]
        self._append(line(given))

    def handed(self, number: int) -> None:
        """A commit takes all that was noted until now."""
        self._parts.append(Part([number]))
        self._append(line(["m", number]))

    def finished(self, number: int, ok: bool, damaged: int) -> None:
        """The commit ended: what it held may go, or must stay."""
        if ok:
            while len(self._parts) > 1 and number not in self._parts[0].numbers:
                del self._parts[0]
            self._parts[0].numbers = [number]
            self._opening = replace(self._opening, number=number, whole=False, damaged=damaged)
            self._rewrite()
        elif len(self._parts) > MOST_PARTS:
            second = self._parts.pop(1)
            self._parts[0].pending.add(second.pending.dumps, second.pending.entries)
            self._parts[0].numbers += second.numbers

    def noted(self) -> list[Entry]:
        """What is not known to be in the file; may be called by any thread."""
        return [entry for part in list(self._parts) for entry in list(part.pending.entries)]

    def nothing_noted(self) -> bool:
        """True when the journal holds nothing that is not in the file."""
        return not any(part.pending.dumps or part.pending.entries for part in self._parts)

    def remove(self) -> None:
        """After an orderly stop it is of no more use."""
        self._drop()

    def close(self) -> None:
        """Let the file go; it stays."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _append(self, text: bytes) -> None:
        if self._fd < 0 or self._size + len(text) > self._compact_at:
            self._rewrite()
            return
        try:
            if os.write(self._fd, text) != len(text):
                raise OSError("the memory file system is full")
        except OSError as refused:
            self._fail(refused)
        self._size += len(text)

    def _rewrite(self) -> None:
        if self.path is None:
            return
        opening = self._opening
        lines = [line(["h", {name: getattr(opening, name) for name in Opening.__slots__}])]
        for position, part in enumerate(self._parts):
            if position or part.numbers != [opening.number]:
                lines.append(line(["m", *part.numbers]))
            if part.pending.dumps or part.pending.entries:
                entries = [to_json(entry) for entry in part.pending.entries]
                given = ["t", opening.at_ns, opening.wall_ns, part.pending.dumps, entries]
                lines.append(line(given))
        data = b"".join(lines)
        partial = self.path.with_suffix(".partial")
        fd = -1
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
            fd = os.open(partial, flags, 0o600)
            view = memoryview(data)
            while view:
                view = view[os.write(fd, view) :]
            os.replace(partial, self.path)
        except OSError as refused:
            if fd >= 0:
                os.close(fd)
            with suppress(OSError):
                partial.unlink()
            self._fail(refused)
            return
        self.close()
        self._fd = fd
        self._size = len(data)
        self._compact_at = max(COMPACT_BYTES, 2 * self._size)
        self.trouble = ""

    def _fail(self, refused: OSError) -> None:
        """A journal with a hole would lie: better none, until one can be written whole."""
        self.trouble = f"{self.path}: {refused.strerror or refused}"
        self._drop()

    def _drop(self) -> None:
        self.close()
        if self.path is not None:
            with suppress(OSError):
                self.path.unlink()


def line(given: object) -> bytes:
    """One line of the journal."""
    text = compact(given).encode("ascii")
    return b"%08x %b\n" % (zlib.crc32(text), text)


def parse(data: bytes) -> Left | None:
    """A journal's bytes as far as they are whole; None without a whole first line."""
    left: Left | None = None
    for given in _lines(data):
        try:
            if left is None:
                if given[0] != "h":
                    return None
                opening = Opening(**given[1])
                left = Left(opening, opening.at_ns, opening.wall_ns, [Part([opening.number])])
            elif given[0] == "m":
                left.parts.append(Part(list(given[1:])))
            else:
                _, at_ns, wall_ns, *more = given
                if more:
                    entries = [from_json(entry) for entry in more[1]]
                    left.parts[-1].pending.add(more[0], entries)
                left.at_ns, left.wall_ns = at_ns, wall_ns
        except (LookupError, TypeError, ValueError, AttributeError):
            break  # of another version of this program
    return left


def _lines(data: bytes) -> Any:
    for text in data.split(b"\n")[:-1]:
        checksum, _, body = text.partition(b" ")
        try:
            if len(checksum) != 8 or int(checksum, 16) != zlib.crc32(body):
                return
            yield json.loads(body)
        except ValueError:
            return


def live_directory(mounts: Path = Path("/proc/self/mounts")) -> Path | None:
    """A folder of ours in a memory file system, made if need be; None when there is none.

    Tried in turn: RUNTIME_DIRECTORY (systemd.exec(5)), /run/spinledger, spinledger in
    XDG_RUNTIME_DIR (XDG Base Directory Specification), /dev/shm/spinledger-UID. It must belong to
    us, and only we may write there.
    """
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    given = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    tried = [Path(given)] if given.startswith("/") else []
    tried.append(Path("/run/spinledger"))
    if runtime.startswith("/"):
        tried.append(Path(runtime) / "spinledger")
    tried.append(Path(f"/dev/shm/spinledger-{os.geteuid()}"))
    try:
        table = mounts.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return None
    for folder in tried:
        if file_system(folder.parent, table) in MEMORY and _ours(folder):
            return folder
    return None


def file_system(path: Path, mounts: str) -> str:
    """The type of the file system that holds a path, by the kernel's table (fstab(5))."""
    real = os.path.realpath(path)
    best, found = -1, ""
    for text in mounts.splitlines():
        words = text.split(" ")
        if len(words) < 3:
            continue
        point = words[1]
        for octal, sign in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
            point = point.replace(octal, sign)
        inside = real == point or real.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= best:  # a later mount hides an earlier one
            best, found = len(point), words[2]
    return found


def _ours(folder: Path) -> bool:
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        seen = folder.lstat()
    except OSError:
        return False
    private = stat.S_ISDIR(seen.st_mode) and not seen.st_mode & 0o022
    return private and seen.st_uid == os.geteuid() and os.access(folder, os.W_OK)


# Entries as JSON

_LETTERS: dict[type, str] = {Span: "s", Cycle: "c", Explained: "x", Gap: "g", Reading: "r"}
_BY_LETTER = {letter: kind for kind, letter in _LETTERS.items()}
_FIELDS = {kind: tuple(f.name for f in fields(cast(Any, kind))) for kind in (*_LETTERS, Worn)}


def to_json(entry: Entry) -> list[object]:
    """An entry as JSON types, exactly."""
    kind = type(entry)
    values: list[object] = [getattr(entry, name) for name in _FIELDS[kind]]
    if isinstance(entry, Reading):
        worn = entry.worn
        values[3] = [getattr(worn, name) for name in _FIELDS[Worn]]
    return [_LETTERS[kind], *values]


def from_json(given: Sequence[Any]) -> Entry:
    """The entry of `to_json`. KeyError, TypeError or ValueError when it is none."""
    letter, *values = given
    kind = _BY_LETTER[letter]
    if kind is Reading:
        values[3] = Worn(*values[3])
    if kind is Span:
        values[7] = Evidence(values[7])
    return cast(Entry, kind(*values))
