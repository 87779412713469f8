"""The command line: unknown commands and options are one line."""

from __future__ import annotations

import pytest

from spinledger import cli


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["lok"], 'there is no command "lok"; did you mean look'),
        (["xyzzy"], 'there is no command "xyzzy"; choose from serve, look, check'),
        (["look", "--wek"], "unrecognized arguments: --wek"),
        (["look", "--exporter", "ftp://x"], "argument --exporter: 'ftp://x' is not an address"),
    ],
)
def test_a_slip_is_one_line_with_a_guess(
    arguments: list[str], line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, and what was probably meant."""
    with pytest.raises(SystemExit) as ended:
        cli.main(arguments)
    error = capsys.readouterr().err
    assert ended.value.code == 2
    assert line in error
    assert error.count("\n") == 1
