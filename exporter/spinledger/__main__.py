"""The command `spinledger`, also as `python -m spinledger`."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress


def main() -> int:
    """Run one command; returns the exit code.

    A SIGHUP that comes while `serve` still starts would end the process. It is held back from
    before the first import on, until `app.publishers.Signals` takes signals. A standard stream that
    is closed is opened without effect, so that no file of ours gets its number.
    """
    for descriptor in range(3):
        with suppress(OSError):
            os.fstat(descriptor)
            continue
        os.open(os.devnull, os.O_RDONLY)  # takes the lowest number that is free
    if sys.argv[1:2] == ["serve"]:
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    from spinledger import cli

    return cli.main()


if __name__ == "__main__":
    sys.exit(main())
