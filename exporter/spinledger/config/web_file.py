"""The file that `web.tls_and_users` names: certificates and users.

Its form is that of the Prometheus exporters (Prometheus documentation, "HTTPS and authentication"),
so that one file serves them all. Rules: a relative path counts from the folder of this file; a key
of that form which cannot be followed here is refused, since to ignore it could leave open what was
meant to be closed; nor is a secret accepted that other users of the host can read.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from spinledger.config.document import Found, read
from spinledger.config.load import text_of
from spinledger.config.near import printable
from spinledger.config.schema import Field, Schema
from spinledger.config.values import Kind, many, one_of, unfit
from spinledger.errors import BadConfig

# Each more of the cost doubles the time of a check, which is some 50 ms at 10 (from memory).
COSTS = range(4, 15)

VERSIONS = ("TLS10", "TLS11", "TLS12", "TLS13")
NO_CERTIFICATE = "NoClientCert"
IF_GIVEN = "VerifyClientCertIfGiven"
REQUIRED = "RequireAndVerifyClientCert"
UNVERIFIED = ("RequestClientCert", "RequireAnyClientCert")

HEADERS = (
    "Content-Security-Policy",
    "Strict-Transport-Security",
    "X-Content-Type-Options",
    "X-Frame-Options",
    "X-XSS-Protection",
)


def _user(text: str) -> str:
    """A user's name: RFC 7617, section 2: any text without a colon or control character."""
    if not text or ":" in text or not text.isprintable():
        raise unfit("a user's name is empty or holds a colon", "write a name without a colon")
    return text


def _bcrypt(text: str) -> str:
    """A bcrypt hash, of a cost that can be checked in time. The hash is not shown."""
    fix = "hash the password again, such as by: htpasswd -nBC 10 USER"
    if not re.fullmatch(r"\$2[aby]\$[0-9]{2}\$[./A-Za-z0-9]{53}", text, re.ASCII):
        raise unfit("is not a bcrypt hash", fix)
    if int(text[4:6]) not in COSTS:
        raise unfit(f"has the cost {int(text[4:6])}, and 4 to 14 can be checked in time", fix)
    return text


def _client_auth(text: str) -> str:
    if text in UNVERIFIED:
        raise unfit(
            f"{text} asks for a certificate and does not verify it, which this exporter does not",
            f"write {REQUIRED}",
        )
    return str(one_of(NO_CERTIFICATE, IF_GIVEN, REQUIRED).parse(text))


def _no(text: str) -> str:
    """A key of the form that is known and not followed."""
    raise unfit("is not supported by this exporter", "remove it")


_FILE = Kind("a path", str)
_SWITCH = one_of("true", "false")
_NOT_HERE = Kind("nothing", _no)
_ROWS = (
    ("tls_server_config.cert_file", _FILE, "the certificate, PEM"),
    ("tls_server_config.key_file", _FILE, "its key, PEM"),
    ("tls_server_config.client_auth_type", Kind(REQUIRED, _client_auth), "who needs a certificate"),
    ("tls_server_config.client_ca_file", _FILE, "who signs the clients' certificates, PEM"),
    ("tls_server_config.client_allowed_sans", many(Kind("", str), "a list"), "accepted clients"),
    ("tls_server_config.min_version", one_of(*VERSIONS), "lowest version of TLS"),
    ("tls_server_config.max_version", one_of(*VERSIONS), "highest version of TLS"),
    ("tls_server_config.prefer_server_cipher_suites", _SWITCH, "whose order of ciphers counts"),
    ("tls_server_config.cipher_suites", many(_NOT_HERE, "nothing"), "ciphers"),
    ("tls_server_config.curve_preferences", many(_NOT_HERE, "nothing"), "curves"),
    ("tls_server_config.cert", _NOT_HERE, "the certificate itself"),
    ("tls_server_config.key", _NOT_HERE, "the key itself"),
    ("tls_server_config.client_ca", _NOT_HERE, "the signer itself"),
    ("http_server_config.http2", _SWITCH, "HTTP/2; clients fall back to HTTP/1.1, served here"),
    *((f"http_server_config.headers.{name}", Kind("text", str), "sent along") for name in HEADERS),
    ("rate_limit.interval", _NOT_HERE, "least time between requests"),
    ("rate_limit.burst", _NOT_HERE, "how many may come at once"),
    ("basic_auth_users.*", Kind("a bcrypt hash", _bcrypt), "a user's password, hashed by bcrypt"),
)
SCHEMA = Schema.of([Field(path, kind, None, help) for path, kind, help in _ROWS], _user)


@dataclass(frozen=True, slots=True)
class Tls:
    """How connections are encrypted, and which client certificates are accepted."""

    certificate: Path
    key: Path
    client_auth: str = NO_CERTIFICATE
    client_ca: Path | None = None
    client_names: frozenset[str] = frozenset()  # subject alternative names; none: any
    min_version: str = "TLS12"
    max_version: str = "TLS13"
    own_order: bool = True  # the server's order of ciphers counts


@dataclass(frozen=True, slots=True)
class WebFile:
    """What the file says; the default is that of no file."""

    tls: Tls | None = None
    users: Mapping[str, str] = field(default_factory=dict)  # name to bcrypt hash
    headers: tuple[tuple[str, str], ...] = ()

    @property
    def files(self) -> tuple[Path, ...]:
        """The files that it refers to."""
        if self.tls is None:
            return ()
        own = (self.tls.certificate, self.tls.key)
        return own if self.tls.client_ca is None else (*own, self.tls.client_ca)


def load(path: Path) -> WebFile:
    """Read the file. Raises BadConfig with the first fault, in one line."""
    found = read(text_of(path), str(path), SCHEMA)
    users = found.tree.get("basic_auth_users", {})
    if users:
        _secret(path, "holds users", printable(str(path)))
    headers = found.get("http_server_config", "headers") or {}
    return WebFile(_tls(found, path.parent), dict(users), tuple(headers.items()))


def _tls(found: Found, folder: Path) -> Tls | None:
    section: dict[str, Any] = found.tree.get("tls_server_config", {})
    if not section:
        return None
    line = found.lines["tls_server_config",]
    for key in ("cert_file", "key_file"):
        if key not in section:
            raise found.bad(line, f"tls_server_config has no {key}", f"add {key}: FILE")
    usual = Tls(folder / section["cert_file"], folder / section["key_file"])
    low = section.get("min_version", usual.min_version)
    high = section.get("max_version", usual.max_version)
    auth = section.get("client_auth_type", NO_CERTIFICATE)
    names = frozenset(section.get("client_allowed_sans", ()))
    if VERSIONS.index(low) > VERSIONS.index(high):
        raise found.bad(line, f"min_version {low} is above max_version {high}", "swap them")
    if auth != NO_CERTIFICATE and "client_ca_file" not in section:
        raise found.bad(line, f"{auth} needs client_ca_file", "add client_ca_file: FILE")
    if auth == NO_CERTIFICATE and (names or "client_ca_file" in section):
        what = f"client_ca_file or client_allowed_sans has no effect with {NO_CERTIFICATE}"
        raise found.bad(line, what, f"add client_auth_type: {REQUIRED}, or remove them")
    where = f"{printable(found.name)}:{found.lines['tls_server_config', 'key_file']}"
    _secret(usual.key, "is a key", where)
    return Tls(
        usual.certificate,
        usual.key,
        auth,
        folder / section["client_ca_file"] if "client_ca_file" in section else None,
        names,
        low,
        high,
        section.get("prefer_server_cipher_suites", "true") == "true",
    )


def _secret(path: Path, holds: str, where: str) -> None:
    """Refuse a secret that users other than the owner and the group may read or write."""
    name = printable(str(path))
    try:
        mode = path.stat().st_mode
    except OSError as error:
        what = f"{name} cannot be read ({(error.strerror or str(error)).lower()})"
        raise BadConfig(where, what, "check the path and its permissions") from None
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        what = f"{name} {holds} and every user of this host may read or write it"
        raise BadConfig(where, what, f"chmod o= {name}")
