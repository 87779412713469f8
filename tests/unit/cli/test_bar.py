"""Progress: a bar on a terminal, lines elsewhere, nothing for quick work."""

from __future__ import annotations

import pytest

from spinledger.cli.bar import LINE_EVERY_S, Bar


class Clock:
    """Seconds, set by hand."""

    now = 0.0

    def __call__(self) -> float:
        """Now."""
        return self.now


def test_a_bar_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing in the first second; what is drawn is removed at the end."""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    clock = Clock()
    with Bar("reading", clock) as bar:
        bar.show(0.1)
        assert capsys.readouterr().err == ""
        monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
        clock.now = 1.5
        bar.show(0.5)
        assert capsys.readouterr().err == "\rreading [###############...............]  50%"
        monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert capsys.readouterr().err.strip() == ""


def test_lines_elsewhere(capsys: pytest.CaptureFixture[str]) -> None:
    """One line every 30 s, and none of quicker work."""
    clock = Clock()
    with Bar("reading", clock) as bar:
        for second in range(100):
            clock.now = float(second)
            bar.show(second / 100)
    lines = capsys.readouterr().err.splitlines()
    assert lines == ["reading: 30 %", "reading: 60 %", "reading: 90 %"]
    assert LINE_EVERY_S == 30
