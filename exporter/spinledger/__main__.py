"""The command `spinledger`, also as `python -m spinledger`."""

from __future__ import annotations

import signal
import sys


def main() -> int:
    """Run one command; returns the exit code.

    A SIGHUP that comes while `serve` still starts would end the process. It is held back from
    before the first import on, until `app.publishers.Signals` takes signals.
    """
    if sys.argv[1:2] == ["serve"]:
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    from spinledger import cli

    return cli.main()


if __name__ == "__main__":
    sys.exit(main())
