"""Who may read: TLS, client certificates, users, the Host, and what happens when files change.

Outside authorities: OpenSSL's command makes the certificates and Python's ssl and http.client are
the clients; RFC 7617 (Basic), RFC 9110 (Host, 401, 421); the form of the file is that of the
Prometheus exporters (Prometheus documentation, "HTTPS and authentication").
"""

from __future__ import annotations

import asyncio
import http.client
import socket
import ssl
import subprocess
import threading
from base64 import b64encode
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import bcrypt
import pytest

from spinledger.cli.exporter import listening
from spinledger.errors import BadConfig, Unavailable
from spinledger.web.access import Access
from spinledger.web.lanes import Lane
from spinledger.web.passwords import MOST, MOST_OF_ONE, Busy, Passwords
from spinledger.web.server import WebServer
from tests.fakes.patience import until
from tests.fakes.snapshots import attic

PATHS = ("/", "/metrics", "/snapshot", "/-/healthy", "/-/ready", "/disk/none", "/none", "/history")
HASHED = bcrypt.hashpw(b"dark frames", bcrypt.gensalt(4)).decode()
USERS = f"basic_auth_users:\n  observer: {HASHED}\n"
TLS = "tls_server_config:\n  cert_file: server.pem\n  key_file: server.key\n"
CLIENTS = TLS + "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: ca.pem\n"

Serve = Callable[[Path], WebServer]


def openssl(folder: Path, *arguments: str) -> None:
    """Run it there."""
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A signer, and certificates by it of the server and of a client, with their keys."""
    folder = tmp_path_factory.mktemp("certificates")
    new = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2")
    openssl(folder, *new, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=attic")
    for name, alternative in (("server", "IP:127.0.0.1"), ("client", "DNS:scraper.attic")):
        openssl(
            folder, *new, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN={name}",
            "-addext", f"subjectAltName={alternative}", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-addext", "basicConstraints=CA:FALSE",
        )  # fmt: skip
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of them that a test may change."""
    for file in made.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
        (tmp_path / file.name).chmod(0o600)
    return tmp_path


def written(folder: Path, text: str, mode: int = 0o600) -> Path:
    """The file of certificates and users."""
    path = folder / "web.yml"
    path.touch()
    path.chmod(mode)
    path.write_text(text)
    return path


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Starts servers with a file, and stops them afterwards."""
    started = []

    def start(path: Path) -> WebServer:
        access = Access(lines.append, lines.append)
        access.use(path)
        server = WebServer(("127.0.0.1", 0), attic, lambda query: [b"{}"], access=access)
        server.start()
        started.append(server)
        return server

    lines.clear()
    yield start
    for server in started:
        server.stop()


lines: list[str] = []


def get(server: WebServer, path: str, trust: ssl.SSLContext | None = None, **headers: str) -> int:
    """The status of a request on a connection of its own."""
    if trust is None:
        connection = http.client.HTTPConnection(*server.address, timeout=60)
    else:
        connection = http.client.HTTPSConnection(*server.address, timeout=60, context=trust)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        answer.read()
        return answer.status
    finally:
        connection.close()


def basic(user: str, password: str) -> str:
    """RFC 7617, section 2."""
    return "Basic " + b64encode(f"{user}:{password}".encode()).decode()


def trust(folder: Path, client: bool = False) -> ssl.SSLContext:
    """A client that trusts the signer, with a certificate of its own or without."""
    context = ssl.create_default_context(cafile=folder / "ca.pem")
    if client:
        context.load_cert_chain(folder / "client.pem", folder / "client.key")
    return context


def test_every_path_needs_a_user(serve: Serve, folder: Path) -> None:
    """Without credentials, with a wrong password, an unknown user or another scheme: 401."""
    server = serve(written(folder, USERS))
    for path in PATHS:
        assert get(server, path) == 401, path
        good = get(server, path, Authorization=basic("observer", "dark frames"))
        assert good == (404 if "none" in path else 200), path
    for header in (
        basic("observer", "flat frames"),
        basic("nobody", "dark frames"),
        basic("observer", "dark frames\0"),
        "Basic %%%",
        "Bearer " + basic("observer", "dark frames").split()[1],
        basic("observer", "x" * 100),
    ):
        assert get(server, "/metrics", Authorization=header) == 401, header


def test_tls_is_spoken_and_nothing_else(serve: Serve, folder: Path) -> None:
    """A verifying client is served; one that speaks plain HTTP gets no answer."""
    server = serve(written(folder, TLS))
    assert server.url.startswith("https://127.0.0.1:")
    assert get(server, "/metrics", trust(folder)) == 200
    with pytest.raises((http.client.HTTPException, OSError)):
        get(server, "/metrics")


def test_the_commands_know_their_exporters_certificate(serve: Serve, folder: Path) -> None:
    """By the configuration alone, without trust in its signer; another certificate is refused."""
    path = written(folder, TLS)
    server = serve(path)
    assert listening(server.address, path).snapshot()["disks"]
    (folder / "server.pem").write_bytes((folder / "client.pem").read_bytes())
    with pytest.raises(Unavailable, match="certificate verify failed"):
        listening(server.address, path).snapshot()


def test_a_client_needs_its_certificate(serve: Serve, folder: Path) -> None:
    """Without one the connection ends before any answer (RFC 8446, 4.4.2.4)."""
    server = serve(written(folder, CLIENTS))
    assert get(server, "/metrics", trust(folder, client=True)) == 200
    with pytest.raises((ssl.SSLError, ConnectionError)):
        get(server, "/metrics", trust(folder))


def test_a_client_needs_an_accepted_name(serve: Serve, folder: Path) -> None:
    """A verified certificate with none of `client_allowed_sans` is refused on every path."""
    for name, status in (("scraper.attic", 200), ("dome", 403)):
        server = serve(written(folder, f"{CLIENTS}  client_allowed_sans: [{name}]\n"))
        assert get(server, "/-/healthy", trust(folder, client=True)) == status


def test_silent_handshakes_hold_nobody(serve: Serve, folder: Path) -> None:
    """Clients that connect and do not begin the handshake do not delay one that does."""
    server = serve(written(folder, TLS))
    silent = [socket.create_connection(server.address) for _ in range(200)]
    try:
        assert get(server, "/metrics", trust(folder)) == 200
    finally:
        for one in silent:
            one.close()


def test_users_change_with_the_file(serve: Serve, folder: Path) -> None:
    """Written in place or replaced; a bad file is one line, and the old users stay."""
    path = written(folder, USERS)
    server = serve(path)
    header = basic("observer", "dark frames")
    assert get(server, "/", Authorization=header) == 200
    path.write_text(USERS.replace("observer", "astronomer"))
    assert get(server, "/", Authorization=header) == 401
    assert get(server, "/", Authorization=basic("astronomer", "dark frames")) == 200
    path.write_text("basic_auth_users: {observer: secret}")
    for _ in range(3):
        assert get(server, "/", Authorization=basic("astronomer", "dark frames")) == 200
    assert lines[1:] == [
        f"certificates and users refused, the old ones stay: {path}:1: basic_auth_users.observer "
        "is not a bcrypt hash; hash the password again, such as by: htpasswd -nBC 10 USER"
    ]
    fresh = folder / "new"
    fresh.write_text(USERS)
    fresh.chmod(0o600)
    fresh.replace(path)
    assert get(server, "/", Authorization=header) == 200


def test_a_certificate_changes_with_its_file(serve: Serve, folder: Path) -> None:
    """The next connection gets the new one."""
    server = serve(written(folder, TLS))
    for name in ("pem", "key"):
        (folder / f"client.{name}").replace(folder / f"server.{name}")

    def renewed() -> bool:
        got = ssl.get_server_certificate(server.address)
        return got.split() == (folder / "server.pem").read_text().split()

    until(renewed, "the new certificate")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (TLS, "{f}/web.yml:3: {f}/server.key is a key and every user of this host may read or "),
        (USERS, "{f}/web.yml: {f}/web.yml holds users and every user of this host may read or "),
        ("basic_auth_users: {a: $2y$31$" + "a" * 53 + "}", "{f}/web.yml:1: basic_auth_users.a has"),
        ("basic_auth_user: {}", '{f}/web.yml:1: unknown key "basic_auth_user" in the file; write'),
        ("tls_server_config: {cert_file: a}", "{f}/web.yml:1: tls_server_config has no key_file; "),
        (TLS + "  min_version: SSL3\n", '{f}/web.yml:4: tls_server_config.min_version "SSL3" is '),
        (TLS + "  client_auth_type: RequireAnyClientCert\n", "{f}/web.yml:4: tls_server_config."),
        (TLS + "  client_ca_file: ca.pem\n", "{f}/web.yml:1: client_ca_file or client_allowed_"),
        (TLS + "  cipher_suites: [A]\n", "{f}/web.yml:4: tls_server_config.cipher_suites is not "),
        (TLS.replace("server.key", "client.pem"), "{f}/web.yml: {f}/server.pem and its key cannot"),
        (TLS.replace("server.pem", "none"), "{f}/web.yml: {f}/none cannot be read (no such file"),
    ],
    ids=lambda given: given[:40] if given.startswith("{f}") else "",  # the hash differs by process
)
def test_a_file_that_cannot_hold_is_one_line(folder: Path, text: str, line: str) -> None:
    """With its place and the fix; a secret that others may read is refused."""
    secret = line.startswith(("{f}/web.yml:3", "{f}/web.yml: {f}/web.yml"))
    if secret:
        (folder / "server.key").chmod(0o644)
    with pytest.raises(BadConfig) as bad:
        Access().use(written(folder, text, 0o644 if secret else 0o600))
    assert str(bad.value).startswith(line.format(f=folder))
    assert "\n" not in str(bad.value)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("localhost:9786", 200),
        ("[::1]:9786", 200),
        ("192.0.2.7", 200),
        ("DOME.example.org.", 200),
        ("rebound.example", 421),
        ("dome.example.org.rebound.example:9786", 421),
        ("127.0.0.1.rebound.example", 421),
    ],
)
def test_only_known_names_reach_it(host: str, status: int) -> None:
    """An address or a configured name; a page of another site calls by that site's name."""
    access = Access()
    access.use(None, ["dome.example.org"])
    server = WebServer(("127.0.0.1", 0), attic, access=access)
    server.start()
    try:
        for path in PATHS:
            assert (get(server, path, Host=host) == 421) == (status == 421), path
    finally:
        server.stop()


def test_only_an_open_server_that_others_reach_is_exposed(folder: Path) -> None:
    """Not on loopback, nor where users or client certificates close it."""
    for host, text, exposed in (
        ("127.0.0.1", "", False),
        ("0.0.0.0", "", True),
        ("0.0.0.0", TLS, True),
        ("0.0.0.0", CLIENTS, False),
        ("0.0.0.0", USERS, False),
    ):
        access = Access()
        access.use(written(folder, text))
        assert WebServer((host, 0), attic, access=access).exposed is exposed, (host, text)


def test_wrong_passwords_hold_nobody_who_is_known() -> None:
    """While a check is under way, the verified are answered from memory, of one address two
    checks may wait and of all eight; the others are refused at once. The thread rests after a
    wrong password for as long as its check took, not after a right one.
    """
    going = threading.Event()
    checked: list[bytes] = []
    rests: list[float] = []

    def check(password: bytes, hashed: bytes) -> bool:
        going.wait()
        checked.append(password)
        return password == b"right"

    async def run() -> None:
        lane = Lane("test")
        users = Passwords({"a": "hash"}, check=check, rest=rests.append)
        going.set()
        assert await users.verify(basic("a", "right"), "192.0.2.1", lane)
        assert not await users.verify(basic("a", "wrong"), "192.0.2.1", lane)
        assert not await users.verify(basic("b", "right"), "192.0.2.1", lane)
        assert not await users.verify(basic("a", "wrong"), "192.0.2.1", lane)
        assert checked == [b"right", b"wrong", b"right"]
        assert len(rests) == 2
        going.clear()
        waiting, busy = [], 0
        for number in range(40):
            one = users.verify(basic("a", f"{number}"), f"192.0.2.{number // 4}", lane)
            waiting.append(asyncio.ensure_future(one))
            await asyncio.sleep(0)
        assert await users.verify(basic("a", "right"), "192.0.2.1", lane)
        going.set()
        for answer in await asyncio.gather(*waiting, return_exceptions=True):
            busy += isinstance(answer, Busy)
        assert busy == 40 - MOST
        assert len(checked) == 3 + MOST
        firsts = {int(password) // 4 for password in checked[3:]}
        assert len(firsts) == MOST // MOST_OF_ONE
        kept = Passwords({"a": "hash"}, users, check=check)
        assert await kept.verify(basic("a", "right"), "192.0.2.1", lane)
        assert len(checked) == 3 + MOST
        lane.close()

    with ThreadPoolExecutor(1) as thread:  # the browser's tests leave a loop running in this one
        thread.submit(asyncio.run, run()).result()
