"""Who may read: TLS, client certificates, users, and the names by which clients may call.

Rules of this room:
- The files of `web.tls_and_users` are read again when they change. What is in force stays until a
  whole new set is good; a bad one is one line of the log.
- A change is noticed by fstat(2) of descriptors that are held open on each file and on the folder
  of its name, which reads no disk: replacing a file changes its folder, writing it changes itself.
- A request's Host has to be an address or a known name. A page of a foreign site can make its
  visitor's browser call this exporter by a name of that site (DNS rebinding), and by no other.
"""

from __future__ import annotations

import os
import ssl
import warnings
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from platform import node
from typing import Any

from spinledger.config import web_file
from spinledger.config.near import printable
from spinledger.config.web_file import Tls, WebFile
from spinledger.errors import BadConfig, BadInput
from spinledger.web.passwords import Passwords

_VERSIONS = dict(
    zip(
        web_file.VERSIONS,
        (
            ssl.TLSVersion.TLSv1,
            ssl.TLSVersion.TLSv1_1,
            ssl.TLSVersion.TLSv1_2,
            ssl.TLSVersion.TLSv1_3,
        ),
        strict=True,
    )
)
_VERIFY = {
    web_file.NO_CERTIFICATE: ssl.CERT_NONE,
    web_file.IF_GIVEN: ssl.CERT_OPTIONAL,
    web_file.REQUIRED: ssl.CERT_REQUIRED,
}

Certificate = Mapping[str, Any]
"""A client's certificate, as ssl.SSLSocket.getpeercert gives it."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What is in force together."""

    context: ssl.SSLContext | None = None
    client_names: frozenset[str] = frozenset()
    passwords: Passwords | None = None
    headers: tuple[tuple[str, str], ...] = ()

    def certificate_fits(self, certificate: Certificate | None) -> bool:
        """Whether one of a verified certificate's alternative names is accepted."""
        if not self.client_names or not certificate:
            return True
        names = certificate.get("subjectAltName", ())
        return not self.client_names.isdisjoint(name for _, name in names)


OPEN = Rules()


@dataclass(slots=True)
class Access:
    """The rules in force. `say` takes a line for the operator, `fail` one that is an error.

    `use` has to be called once before requests come; without it everybody may read, by any
    address, by the host's name and by localhost.
    """

    say: Callable[[str], None] = lambda line: None
    fail: Callable[[str], None] = lambda line: None
    rules: Rules = OPEN
    names: frozenset[str] = frozenset()
    _path: Path | None = None
    _watched: _Watched = field(default_factory=lambda: _Watched(()))

    def use(self, path: Path | None, host_names: Collection[str] = ()) -> None:
        """Take these settings. Raises BadConfig, and leaves all as it was."""
        rules, watched = _read(path, self.rules)
        self._replace(rules, watched)
        self._path = path
        self.names = frozenset({"localhost", *_own_names(), *host_names})

    def changed(self) -> bool:
        """Whether a file has changed since it was read."""
        return self._watched.changed()

    def renew(self) -> None:
        """Read the files again; bad ones are reported, and the old rules stay."""
        if self._watched.same_files():  # something else in their folder has changed
            self._watched.seen()
            return
        try:
            self._replace(*_read(self._path, self.rules))
        except BadInput as bad:
            self._watched.seen()
            self.fail(f"certificates and users refused, the old ones stay: {bad}")
        else:
            self.say(f"certificates and users loaded: {self._path}")

    def host_allowed(self, host: str, listening: str = "") -> bool:
        """Whether a request may call us by this Host (RFC 9110, section 7.2); `listening` is the
        name that the server was started with.
        """
        name = host.lower()
        if not name.endswith("]"):
            start, colon, port = name.rpartition(":")
            name = start if colon and (not port or port.isdecimal()) else name
        with suppress(ValueError):
            ip_address(name.strip("[]"))
            return True
        name = name.rstrip(".")
        return name in self.names or name == listening.lower()

    def close(self) -> None:
        """Let go of the files."""
        self._replace(OPEN, _Watched(()))

    def _replace(self, rules: Rules, watched: _Watched) -> None:
        self._watched.close()
        self.rules, self._watched = rules, watched


def _own_names() -> set[str]:
    """The host's name, whole and without its domain."""
    name = node().lower().rstrip(".")
    return {name, name.partition(".")[0]} - {""}


def _read(path: Path | None, before: Rules) -> tuple[Rules, _Watched]:
    """The rules of a file, and what shows a change since. Raises BadConfig."""
    if path is None:
        return OPEN, _Watched(())
    watched = _Watched((path,))
    try:
        file = web_file.load(path)
        watched.add(file.files)
        return _rules(file, path, before), watched
    except BaseException:
        watched.close()
        raise


def _rules(file: WebFile, path: Path, before: Rules) -> Rules:
    passwords = None
    if file.users:
        passwords = Passwords(file.users, before.passwords)
    return Rules(
        context=None if file.tls is None else _context(file.tls, path),
        client_names=frozenset() if file.tls is None else file.tls.client_names,
        passwords=passwords,
        headers=file.headers,
    )


def _context(tls: Tls, path: Path) -> ssl.SSLContext:
    """The context for connections. Raises BadConfig."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with warnings.catch_warnings():  # of versions that the file asks for, old as they are
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = _VERSIONS[tls.min_version]
        context.maximum_version = _VERSIONS[tls.max_version]
    if tls.own_order:
        context.options |= ssl.OP_CIPHER_SERVER_PREFERENCE
    where, used = printable(str(path)), tls.certificate
    try:
        context.load_cert_chain(tls.certificate, tls.key, password=_no_password)
        if tls.client_ca is not None:
            used = tls.client_ca
            context.load_verify_locations(tls.client_ca)
    except ssl.SSLError as error:
        reason = (error.reason or str(error)).replace("_", " ").lower()
        what = f"{printable(str(used))} and its key cannot be used ({reason})"
        if used == tls.client_ca:
            what = f"{printable(str(used))} holds no certificate of a signer ({reason})"
        raise BadConfig(where, what, "give files in PEM form that belong together") from None
    except (OSError, ValueError) as error:
        missing = next((one for one in (used, tls.key) if not os.access(one, os.R_OK)), used)
        why = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
        what = f"{printable(str(missing))} cannot be read ({why.lower()})"
        raise BadConfig(where, what, "check the path and its permissions") from None
    context.verify_mode = _VERIFY[tls.client_auth]
    return context


def _no_password() -> str:
    """OpenSSL would ask for a key's password on the terminal."""
    raise ValueError("the key is locked by a password")


class _Watched:
    """Files with their folders, held open, and how they were."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._paths: list[Path] = []
        self._open: list[int] = []
        self._seen: tuple[object, object] = (), ()
        self.add(paths)

    def add(self, paths: Iterable[Path]) -> None:
        """Also watch these; one that cannot be opened is left to whoever reads it."""
        for path in paths:
            self._paths.append(path)
            for one in (path, path.parent):
                with suppress(OSError):
                    self._open.append(os.open(one, os.O_PATH | os.O_CLOEXEC))
        self.seen()

    def changed(self) -> bool:
        """Whether a file or its folder differs from when it was seen; reads no disk."""
        return self._descriptors() != self._seen[0]

    def same_files(self) -> bool:
        """Whether the files are the same; may read a disk."""
        return self._files() == self._seen[1]

    def seen(self) -> None:
        """Take them as they are now."""
        self._seen = self._descriptors(), self._files()

    def close(self) -> None:
        """Close the descriptors."""
        while self._open:
            os.close(self._open.pop())

    def _descriptors(self) -> list[object]:
        return [_version(os.fstat(one)) for one in self._open]

    def _files(self) -> list[object]:
        found: list[object] = []
        for path in self._paths:
            try:
                found.append(_version(path.stat()))
            except OSError as error:
                found.append(error.errno)
        return found


def _version(of: os.stat_result) -> tuple[int, ...]:
    return of.st_ino, of.st_mtime_ns, of.st_ctime_ns, of.st_size, of.st_nlink
