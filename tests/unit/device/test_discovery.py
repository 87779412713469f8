"""What discovery does where udev is missing."""

from __future__ import annotations

import pytest
import pyudev

from spinledger.device.discovery import Discovery
from spinledger.errors import Unavailable


@pytest.mark.parametrize("error", [ImportError("no libudev"), OSError(1, "refused")])
def test_a_missing_udev_is_one_clear_error(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """No foreign exception leaves this room."""

    def fail() -> None:
        raise error

    monkeypatch.setattr(pyudev, "Context", fail)
    with pytest.raises(Unavailable, match="udev is not available") as caught:
        Discovery()
    assert caught.value.reason == "no_udev"
