"""What a process in the sandbox of one of the units can do; prints errno names as JSON.

Run by a copy of the unit whose command is this file (guest/units.py). Arguments: a disk's kernel
name, its device number, the kernel name of its SCSI generic node, and the prober's socket.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import stat
import sys
from collections.abc import Callable

TIMEOUT_S = 10.0
MESSAGES = (
    "probe 7 {disk} 0 8508 0e00 0000 0000 0000 00 00 e500",
    "probe 7 {disk} 0 85080e00000000000000000000e500",
    "probe 7 {disk} 0 write_10",
    "probe 7 {disk}1 0 request_sense",
    "probe 7 ../{disk} 0 request_sense",
    "probe 7 {generic} 0 request_sense",
    "send {disk} 2a00",
    "probe 7 {disk} 0 request_sense 03",
)


def attempt(doing: Callable[[], object]) -> str:
    """`done`, or the name of the error."""
    try:
        doing()
    except OSError as error:
        return errno.errorcode.get(error.errno or 0, str(error))
    return "done"


def made(number: str) -> None:
    """Make a node of a disk's number, and open it."""
    major, minor = map(int, number.split(":"))
    path = f"/tmp/disk-{os.getpid()}"
    os.mknod(path, stat.S_IFBLK | 0o600, os.makedev(major, minor))
    os.open(path, os.O_RDWR)


def others() -> list[str]:
    """Command names of the processes of other users that /proc shows."""
    found = []
    for entry in os.listdir("/proc"):
        if entry.isdigit() and os.stat(f"/proc/{entry}").st_uid != os.geteuid():
            with open(f"/proc/{entry}/comm") as file:
                found.append(file.read().strip())
    return found


def replies(path: str, messages: list[str]) -> list[str]:
    """The prober's greeting, and what it says to each message."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as link:
        link.settimeout(TIMEOUT_S)
        link.connect(path)
        heard = [link.recv(8192).decode()]
        for message in messages:
            link.send(message.encode())
            heard.append(link.recv(8192).decode())
        return heard


def main(disk: str, number: str, generic: str, path: str) -> None:
    """Try, and print."""
    print(
        json.dumps(
            {
                "read": attempt(lambda: os.open(f"/dev/{disk}", os.O_RDONLY)),
                "write": attempt(lambda: os.open(f"/dev/{disk}", os.O_RDWR)),
                "write only": attempt(lambda: os.open(f"/dev/{disk}", os.O_WRONLY)),
                "generic": attempt(lambda: os.open(f"/dev/{generic}", os.O_RDONLY)),
                "node": attempt(lambda: made(number)),
                "network": attempt(lambda: socket.socket(socket.AF_INET, socket.SOCK_STREAM)),
                "packets": attempt(lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW)),
                "system": attempt(lambda: os.open("/etc/new", os.O_WRONLY | os.O_CREAT)),
                "tracing": attempt(lambda: os.listdir("/sys/kernel/tracing")),
                "others": others(),
                "user": os.geteuid(),
                "replies": replies(
                    path, [one.format(disk=disk, generic=generic) for one in MESSAGES]
                ),
            }
        )
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
