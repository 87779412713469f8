"""Messages between the exporter and the prober: one table for both sides.

A message is one packet of a SOCK_SEQPACKET socket: ASCII words with one space between them. The
table in DEVELOPERS.md lists them.

Rules of this module:
- Pure: text in, values out. What is not a message of this version raises `NotAMessage`.
- Light: the prober loads it.
"""

from __future__ import annotations

from typing import NamedTuple

VERSION = 1
REQUEST_SIZE = 4096  # bytes, the longest message to the prober
ANSWER_SIZE = 8192  # bytes, the longest message to the exporter
_MOST = 1 << 64
_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz")


class NotAMessage(ValueError):
    """These bytes are no message of this version."""


class Hello(NamedTuple):
    """What the prober may do, its first message on each connection.

    `pid` is its process, `capabilities` the effective set (capabilities(7)) as a bit mask,
    `tracing` whether it may use tracefs, `nodes` the kernel names of disks that it may read.
    """

    pid: int
    capabilities: int
    tracing: bool
    nodes: frozenset[str]

    def encode(self) -> str:
        """The message; nodes that do not fit are left out."""
        head = f"hello {VERSION} {self.pid} {self.capabilities:x} {int(self.tracing)} "
        nodes = ",".join(sorted(self.nodes, key=lambda node: (len(node), node)))
        room = ANSWER_SIZE - len(head)
        if len(nodes) > room:
            nodes = nodes[:room].rpartition(",")[0]
        return head + (nodes or "-")


def decode_hello(message: str) -> Hello:
    """The prober's first message. Raises NotAMessage, also for another version."""
    words = message.split(" ")
    if len(words) > 1 and words[0] == "hello" and words[1] != str(VERSION):
        raise NotAMessage(f"the prober's messages have version {words[1][:20]}, ours {VERSION}")
    match words:
        case ["hello", _, pid, capabilities, ("0" | "1") as tracing, nodes]:
            names = frozenset(map(node_name, nodes.split(","))) if nodes != "-" else frozenset()
            return Hello(number(pid), number(capabilities, 16), tracing == "1", names)
    raise NotAMessage("not a hello")


def node_name(name: str) -> str:
    """A whole disk's kernel name: `sd` and letters. Raises NotAMessage for anything else."""
    if not (name.startswith("sd") and 3 <= len(name) <= 8 and _LETTERS.issuperset(name)):
        raise NotAMessage("not the name of a whole disk")
    return name


def number(digits: str, base: int = 10) -> int:
    """An unsigned number of 64 bits. Raises NotAMessage."""
    if not (digits.isascii() and digits.isalnum() and len(digits) <= 20):
        raise NotAMessage("not a number")
    try:
        value = int(digits, base)
    except ValueError:
        raise NotAMessage("not a number") from None
    if value >= _MOST:
        raise NotAMessage("not a number of 64 bits")
    return value


def octets(encoded: str) -> bytes:
    """The bytes of a word in hex, `-` for none. Raises NotAMessage."""
    try:
        return b"" if encoded == "-" else bytes.fromhex(encoded)
    except ValueError:
        raise NotAMessage("not hexadecimal") from None


def printable(text: str) -> str:
    """Text of the other side, with `?` for what cannot be printed."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)
