"""Passwords of users: RFC 7617 credentials against bcrypt hashes, in a thread of its own.

Rules of this room:
- A check costs what the hash's cost says, so at most MOST wait for one, of one address at most
  MOST_OF_ONE, and the thread rests after a wrong one: however many come, wrong passwords take a
  half of one core at most and hold nobody whose password was verified before.
- Verified and refused credentials are remembered as keyed digests; no password is kept.
- An unknown user costs the same check as a known one with a wrong password.
- bcrypt is imported where users are configured, and nowhere else.
"""

from __future__ import annotations

import asyncio
import hmac
import os
import time
from base64 import b64decode
from collections import Counter, OrderedDict
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

from spinledger.web.lanes import Lane

MOST = 8  # checks that wait
MOST_OF_ONE = 2  # of one address
REMEMBERED = 256  # of either verdict
LONGEST = 72  # bytes of a password that bcrypt uses; common practice, no source

Check = Callable[[bytes, bytes], bool]


class Busy(Exception):
    """Too many checks are waiting."""


class Passwords:
    """The users of a file, by name with their hashes; keeps verdicts of `before` that hold."""

    def __init__(
        self,
        users: Mapping[str, str],
        before: Passwords | None = None,
        check: Check | None = None,
        rest: Callable[[float], None] = time.sleep,
    ) -> None:
        bcrypt: Any = None if check else import_module("bcrypt")
        self._check: Check = check or bcrypt.checkpw
        self._rest = rest
        self._users = {name.encode(): hashed.encode() for name, hashed in users.items()}
        self._nobody = next(iter(self._users.values()))
        self._key: bytes = before._key if before else os.urandom(32)
        self._verdicts: dict[bool, OrderedDict[bytes, None]] = (
            before._verdicts if before else {True: OrderedDict(), False: OrderedDict()}
        )
        self._pending: dict[bytes, asyncio.Future[bool]] = {}
        self._waiting: Counter[str] = Counter()

    async def verify(self, header: str, address: str, lane: Lane) -> bool:
        """Whether an Authorization header is of a user. Raises Busy; to be called in the loop.

        `address` is the client's, `lane` the thread for checks.
        """
        user, password = _credentials(header)
        if password is None:
            return False
        hashed = self._users.get(user)
        digest = self._digest(user, password, hashed or b"")
        for verdict, known in self._verdicts.items():
            if digest in known:
                known.move_to_end(digest)
                return verdict
        pending = self._pending.get(digest)
        if pending is None:
            pending = self._started(digest, hashed, password, address, lane)
        return await asyncio.shield(pending)

    def _started(
        self, digest: bytes, hashed: bytes | None, password: bytes, address: str, lane: Lane
    ) -> asyncio.Future[bool]:
        if self._waiting.total() >= MOST or self._waiting[address] >= MOST_OF_ONE:
            raise Busy
        self._waiting[address] += 1
        job = lane.submit(lambda: self._checked(hashed, password))
        self._pending[digest] = job

        def done(ended: asyncio.Future[bool]) -> None:
            del self._pending[digest]
            self._waiting[address] -= 1
            if not self._waiting[address]:
                del self._waiting[address]
            if not ended.cancelled() and ended.exception() is None:
                self._remember(digest, ended.result())

        job.add_done_callback(done)
        return job

    def _checked(self, hashed: bytes | None, password: bytes) -> bool:
        """One check, in the lane's thread."""
        began = time.monotonic()
        usable = b"\0" not in password  # which bcrypt refuses or takes for the end
        fits = self._check(password[:LONGEST] if usable else b"", hashed or self._nobody)
        if fits and usable and hashed is not None:
            return True
        self._rest(time.monotonic() - began)
        return False

    def _remember(self, digest: bytes, verdict: bool) -> None:
        known = self._verdicts[verdict]
        known[digest] = None
        if len(known) > REMEMBERED:
            known.popitem(last=False)

    def _digest(self, *parts: bytes) -> bytes:
        whole = b"".join(len(part).to_bytes(4, "big") + part for part in parts)
        return hmac.digest(self._key, whole, "sha256")


def _credentials(header: str) -> tuple[bytes, bytes | None]:
    """User and password of a Basic header; None for the password of anything else."""
    scheme, _, encoded = header.partition(" ")
    if scheme.lower() != "basic":
        return b"", None
    try:
        user, colon, password = b64decode(encoded.strip(), validate=True).partition(b":")
    except ValueError:
        return b"", None
    return user, password if colon else None
