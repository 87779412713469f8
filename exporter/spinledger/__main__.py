"""The command `spinledger`, also as `python -m spinledger`."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress


def main() -> int:
    """Run one command; returns the exit code.

    A SIGHUP that comes while `serve` still starts would end the process. It is held back from
    before the first import on, until `app.publishers.Signals` takes signals. A SIGINT ends the
    process at once until then, or until another command begins, without a traceback. A standard
    stream that is closed is opened without effect, so that no file of ours gets its number. `serve`
    gives up what root has and it does not need.
    """
    interruptible = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if interruptible:  # it is ignored below nohup(1), and in the background of a shell
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    serving = sys.argv[1:2] == ["serve"]
    if serving:
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    for descriptor in range(3):
        with suppress(OSError):
            os.fstat(descriptor)
            continue
        os.open(os.devnull, os.O_RDONLY)  # takes the lowest number that is free
    if serving:
        from spinledger.device.rights import give_up

        give_up()
    from spinledger import cli

    try:
        if interruptible and not serving:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        return cli.main()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
