"""`spinledger pack` from the source tree, from a wheel and from an editable install.

Outside authority: pip builds and installs; promtool accepts what was written.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BUILT_FROM = ("exporter", "rules", "dashboards", "pyproject.toml", "README.md", "LICENSE")
JUNK = shutil.ignore_patterns("__pycache__", "*.egg-info")


def pack(
    *arguments: str | Path, path: Path = ROOT / "exporter"
) -> subprocess.CompletedProcess[str]:
    """Run the command with the package found under `path`."""
    return subprocess.run(
        [sys.executable, "-m", "spinledger", "pack", *map(str, arguments)],
        cwd="/",
        env={**os.environ, "PYTHONPATH": str(path)},
        capture_output=True,
        text=True,
        check=False,
    )


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below, by its path."""
    files = (file for file in folder.rglob("*") if file.is_file())
    return {file.relative_to(folder).as_posix(): file.read_bytes() for file in files}


def due() -> dict[str, bytes]:
    """All of rules and dashboards, but the rules' own tests and what builds them."""
    folders = {name: tree(ROOT / name) for name in ("rules", "dashboards")}
    return {
        f"{name}/{path}": text
        for name, files in folders.items()
        for path, text in files.items()
        if not (name == "rules" and path.startswith("tests/"))
        and not path.endswith((".py", ".pyc", ".png"))
    }


@pytest.mark.parametrize("how", ["tree", "wheel", "editable"])
def test_every_install_writes_the_whole_pack(tmp_path: Path, how: str) -> None:
    """The files are those of the source tree to the byte, however the program was installed."""
    path = ROOT / "exporter"
    if how != "tree":
        copy = tmp_path / "source"
        for name in BUILT_FROM:
            whole = ROOT / name
            if whole.is_dir():
                shutil.copytree(whole, copy / name, ignore=JUNK)
            else:
                shutil.copy(whole, copy)
        pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--ignore-installed"]
        pip += ["--disable-pip-version-check", "--prefix", str(tmp_path / "prefix")]
        subprocess.run([*pip, *(["--editable"] if how == "editable" else []), copy], check=True)
        (path,) = (tmp_path / "prefix").glob("lib/python3*/site-packages")
        if how == "editable":
            # A .pth file is read in a site directory only; it holds one line, the path.
            (pointer,) = path.glob("__editable__.*.pth")
            path = Path(pointer.read_text(encoding="utf-8").strip())
        else:
            shutil.rmtree(copy)
    done = pack(tmp_path / "out", path=path)
    assert (done.returncode, done.stderr) == (0, "")
    assert tree(tmp_path / "out") == due()


def test_what_is_written_can_be_loaded(tmp_path: Path) -> None:
    """promtool takes the sample configuration, with the rule files it names, where it was put, and
    the lines that the command prints name those files."""
    done = pack(tmp_path)
    sample = tmp_path / "rules" / "samples" / "prometheus.yml"
    given = subprocess.run(["promtool", "check", "config", sample], capture_output=True, text=True)
    assert given.returncode == 0, given.stdout + given.stderr
    printed = re.findall(r"^  - (.+)/\*\.yml$", done.stdout, re.MULTILINE)
    assert printed == [f"{tmp_path}/rules/recording", f"{tmp_path}/rules/alerts"]


def test_the_runbook_address_follows_the_name(tmp_path: Path) -> None:
    """With a base address every alert has the runbook_url base/ALERT.md; nothing else changes."""
    assert pack(tmp_path, "--runbook-base", "https://wiki.example.org/disks/").returncode == 0
    changed = {
        name: text for name, text in tree(tmp_path).items() if name.startswith("rules/alerts/")
    }
    whole = b"".join(changed.values())
    pairs = re.findall(rb"alert: (\w+).*?runbook_url: (\S+)", whole, re.DOTALL)
    assert len(pairs) > 10
    assert {url for _, url in pairs} == {
        b"https://wiki.example.org/disks/" + name + b".md" for name, _ in pairs
    }
    back = {
        name: re.sub(rb" *runbook_url: .*\n", b"", text) if name in changed else text
        for name, text in tree(tmp_path).items()
    }
    assert back == due()


def test_a_file_that_differs_is_never_overwritten(tmp_path: Path) -> None:
    """A second run over the same files passes; over a changed file it stops, and writes nothing."""
    assert pack(tmp_path).returncode == 0
    assert pack(tmp_path).returncode == 0
    own = tmp_path / "rules" / "samples" / "alertmanager.yml"
    own.write_text("mine\n", encoding="utf-8")
    (tmp_path / "rules" / "README.md").unlink()
    done = pack(tmp_path)
    assert done.returncode == 2
    assert done.stderr == f"spinledger: {own}: is there and differs; give an empty directory\n"
    assert own.read_text(encoding="utf-8") == "mine\n"
    assert not (tmp_path / "rules" / "README.md").exists()


@pytest.mark.parametrize(
    "base", ["wiki", "ftp://wiki", "https://", "https://a b", "https://a/{{.}}"]
)
def test_an_address_that_is_none_is_refused(tmp_path: Path, base: str) -> None:
    """One line and exit code 2; nothing is written."""
    done = pack(tmp_path / "out", "--runbook-base", base)
    assert done.returncode == 2
    assert done.stderr == (
        f"spinledger: --runbook-base: {base!r} is not an address; "
        "give one such as https://wiki.example.org/spinledger\n"
    )
    assert not (tmp_path / "out").exists()


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """One line and exit code 2 where a file stands in the way of the directory."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = pack(tmp_path / "file" / "out")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert str(tmp_path / "file") in done.stderr
