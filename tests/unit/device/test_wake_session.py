"""The tracing in the prober process, where the kernel refuses it or fails later.

That tracefs lacks something or refuses is played by an empty folder; tests/lab does it on a real
kernel.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from spinledger.device import wakes
from spinledger.device.wakes import Session
from spinledger.errors import Unavailable
from spinledger.model import Woken


def test_a_kernel_that_refuses(tmp_path: Path) -> None:
    """The reason is given to who says which disks are in standby, and nothing is waited for."""
    session = Session(str(tmp_path / "nowhere"))
    assert session.fileno() == -1
    assert session.due() == []
    (message,) = session.standby({"sda"})
    assert message.startswith("untraced ")
    assert "no tracefs" in message
    session.close()


class Failing:
    """A tracing that works until it is read."""

    lost: dict[str, int] = {}  # noqa: RUF012  as the attribute of an object

    def __init__(self, *_paths: str) -> None:
        self.ended = False

    def read(self, now_ns: int) -> list[Woken]:
        """As when the kernel's text has another layout."""
        raise Unavailable("odd_histogram", "another layout")

    def end(self) -> None:
        """Note it."""
        self.ended = True


def test_a_failure_ends_the_tracing_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is reported once, and again only to who asks for it; no error leaves the session."""
    monkeypatch.setattr(wakes, "WakeTracing", Failing)
    session = Session()
    assert session.due() == ["untraced another layout"]
    assert session.due() == []
    assert session.standby({"sda"}) == ["untraced another layout"]


def test_what_a_message_says() -> None:
    """Fields as they were, odd names included; anything else is a ValueError."""
    sent = Woken("sda", 5, "read", 'a "b" \n', "sda1, ext4 on /srv/ä", None, "nfsd")
    session = Session("/nowhere")
    session.untraced = ""
    (message,) = session._messages(lambda: [sent], False)
    assert message.isascii()
    assert wakes.woken(message) == sent
    with pytest.raises(ValueError, match="argument"):
        wakes.woken("woken [1]")
