"""Every error this program raises on purpose, as one tree.

    SpinledgerError
    |-- Misuse                  our own code called something wrongly: a bug
    |   `-- IllegalTransition   a state met evidence the transition table does not allow
    |-- BadInput                the user's text is wrong: one line, exit code 2
    |   |-- BadConfig           the configuration file
    |   |-- BadHex              bytes given to `decode`
    |   `-- BadTrace            a trace file given to `replay`
    |-- Undecodable             the drive, bridge or kernel answered something that is not a state
    |-- Unavailable             the operating system refused something; mapped at the edge
    `-- Refusal                 we refuse: a second writer, a simulated disk in a real ledger

Each carries a `reason`: one lower-case word joined by underscores, fit for a metric label.
Foreign exceptions are mapped to this tree only in the rooms that do input and output.
"""

from __future__ import annotations


class SpinledgerError(Exception):
    """Root of the tree; `reason` is fit for a metric label."""

    reason = "error"


class Misuse(SpinledgerError):
    """Our own code is wrong; never shown as the user's fault."""

    reason = "misuse"


class IllegalTransition(Misuse):
    """The transition table has no row for this state and evidence."""

    reason = "illegal_transition"


class BadInput(SpinledgerError):
    """The user's input is wrong. Says where, what and how to fix it, in one line.

    `where` is `file:line` or a command's argument; `what` a statement; `fix` an instruction.
    """

    reason = "bad_input"

    def __init__(self, where: str, what: str, fix: str) -> None:
        super().__init__(where, what, fix)
        self.where = where
        self.what = what
        self.fix = fix

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.fix}"


class BadConfig(BadInput):
    """A configuration file that cannot be used."""

    reason = "bad_config"


class BadHex(BadInput):
    """Bytes for `decode` that are not bytes."""

    reason = "bad_hex"


class BadTrace(BadInput):
    """A trace file that cannot be replayed."""

    reason = "bad_trace"


class Undecodable(SpinledgerError):
    """An answer that is not a power state. `reason` is a value of model.Reason."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


class Unavailable(SpinledgerError):
    """The operating system refused or lacks something. Raised only at the edges."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


class Refusal(SpinledgerError):
    """We refuse to go on, in one line with the fix: exit code 2."""

    reason = "refused"
