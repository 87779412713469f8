"""Writes what the Debian package has of the command line and of the configuration's schema.

Run by `build`: python pages.py FOLDER. It writes the manual page, the completion of bash and zsh,
and /etc/spinledger/config.yml below that folder. All of them are made from the program, so that
they say what it does.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import shtab
from argparse_manpage.manpage import Manpage

from spinledger import __version__
from spinledger.cli import COMMANDS, parser
from spinledger.cli.config import sample

SECTIONS = {
    "exit status": """\
0; 1 for a finding or a failed check; 2 for bad input, with one line that says what is wrong, where,
and how to fix it.""",
    "files": r"""
.TP
.I /etc/spinledger/config.yml
The configuration. Every key is in it, commented out, with its default or an example.
.TP
.I /var/lib/spinledger/ledger.db
The ledger, an SQLite database.
.TP
.I /run/spinledger
The live journal: what is not in the ledger yet.
.TP
.I /usr/share/spinledger
Alert rules, runbooks, dashboards, consoles, guides, and sample configurations of Prometheus and
Alertmanager.""".lstrip(),
    "see also": """\
.BR prometheus (1),
.BR smartctl (8),
.BR systemctl (1)""",
}
COMPLETED = {"FILE": shtab.FILE, "SOCKET": shtab.FILE, "DIR": shtab.DIRECTORY}  # by metavar


def prepared() -> argparse.ArgumentParser:
    """The program's parser, with what its help has no place for."""
    top = parser()
    commands: dict[str, argparse.ArgumentParser] = {}
    for action in top._actions:  # argparse has no public way to what was added
        if isinstance(action, argparse._SubParsersAction):
            commands = action.choices
    if commands.keys() != COMMANDS.keys():
        raise SystemExit("pages.py: argparse keeps its commands elsewhere now")
    for command in commands.values():
        command.description = None  # the manual page has it as the help of the command
        for group in command._action_groups:
            if group.title and group.description:
                group.title += ":"  # the two stand on one line there
        for action in command._actions:
            how = COMPLETED.get(str(action.metavar))
            if how is not None:
                action.complete = how  # type: ignore[attr-defined]  # what shtab reads
    return top


def manual(top: argparse.ArgumentParser) -> str:
    """The manual page, in the language of man(7)."""
    page = Manpage(top, format="single-commands-section")
    page.description = (top.description or "").rstrip(".").lower()
    page.manual = "Spinledger"
    page.source = f"spinledger {__version__}"
    for heading, text in SECTIONS.items():
        page.add_section(heading, "=", text)
    return str(page)


def main() -> None:
    """Write the four files."""
    top = prepared()
    texts = {
        "usr/share/bash-completion/completions/spinledger": shtab.complete(top, "bash"),
        "usr/share/zsh/vendor-completions/_spinledger": shtab.complete(top, "zsh"),
        "usr/share/man/man1/spinledger.1": manual(top),
        "etc/spinledger/config.yml": sample([]),
    }
    for path, text in texts.items():
        file = Path(sys.argv[1]) / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
