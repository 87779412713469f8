"""The Debian package: what is in it, and that it works where it was unpacked.

Outside authorities: lintian (Debian Policy), dpkg-deb, man-db, systemd-analyze, the pinned hashes
of the libraries; https://reproducible-builds.org for what may not change the bytes.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import socket
import subprocess
import urllib.request
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from spinledger import __version__
from spinledger.cli import COMMANDS, parser
from spinledger.config.load import parse
from tests.fakes.patience import PATIENCE_S, until
from tests.integration.test_pack import due, tree

ROOT = Path(__file__).parents[2]
DEBIAN = ROOT / "exporter" / "debian"
UNITS = ROOT / "exporter" / "systemd"
PLAIN = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"}


def run(*command: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a plain environment, as a new user has it."""
    return subprocess.run(
        [str(word) for word in command],
        env=PLAIN | {"HOME": os.environ["HOME"]} | environment,
        capture_output=True,
        text=True,
        check=False,
    )


def build(folder: Path, **environment: str) -> Path:
    """The package, built into a folder."""
    done = run(DEBIAN / "build", folder, **environment)
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"{folder}/spinledger_{__version__}_all.deb\n"
    return Path(done.stdout.strip())


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package of this checkout."""
    return build(tmp_path_factory.mktemp("package"))


@pytest.fixture(scope="session")
def unpacked(package: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its content, and its control files in DEBIAN."""
    folder = tmp_path_factory.mktemp("unpacked")
    subprocess.run(["dpkg-deb", "-R", package, folder], check=True)
    return folder


@pytest.fixture(scope="session")
def library(unpacked: Path) -> Path:
    """The folder on Python's path."""
    return unpacked / "usr/lib/spinledger"


def test_a_second_build_has_the_same_bytes(package: Path, tmp_path: Path) -> None:
    """Neither time, language, zone, user's settings of Python nor place of the output matter."""
    again = build(
        tmp_path, TZ="Asia/Kathmandu", LC_ALL="C", COLUMNS="200", PYTHONPATH="/nowhere", CFLAGS="-g"
    )
    assert again.read_bytes() == package.read_bytes()


def test_lintian_has_nothing_to_say(package: Path) -> None:
    """No error, warning, information or pedantic remark but for overrides, each with a reason.

    The one tag that may appear is of Debian 12 alone, and an override of it is an error on Debian
    13: it asks for a start without systemd. The prober needs the hardening and the socket of its
    unit.
    """
    done = run("lintian", "--display-info", "--pedantic", "--allow-root", package)
    known = "I: spinledger: package-supports-alternative-init-but-no-init.d-script "
    said = [line for line in done.stdout.splitlines() if not line.startswith(known)]
    assert (done.returncode, said, done.stderr) == (0, [], "")
    lines = (DEBIAN / "spinledger.lintian-overrides").read_text("utf-8").splitlines()
    assert [line.startswith("#") for line in lines] == [True, False] * (len(lines) // 2)


def test_what_dpkg_says_of_it(package: Path) -> None:
    """Version, architecture and needs: no part of it is compiled, so one package is for all."""
    fields = dict(
        line.split(": ", 1)
        for line in run("dpkg-deb", "-f", package).stdout.splitlines()
        if re.match(r"[A-Z]", line)
    )
    assert (fields["Package"], fields["Version"]) == ("spinledger", __version__)
    assert fields["Architecture"] == "all"
    needs = set(fields["Depends"].split(", "))
    assert {"python3 (>= 3.11)", "python3-yaml", "python3-bcrypt", "tzdata", "udev"} <= needs
    assert package.stat().st_size < 2_000_000


def test_files_owners_and_checksums(package: Path, unpacked: Path) -> None:
    """All is root's, nobody else may write, and md5sums has each file but the configuration."""
    rows = [line.split(maxsplit=5) for line in run("dpkg-deb", "-c", package).stdout.splitlines()]
    assert {owner for _, owner, *_ in rows} == {"root/root"}
    assert {mode for mode, *_ in rows} <= {"drwxr-xr-x", "-rw-r--r--", "-rwxr-xr-x", "lrwxrwxrwx"}
    sums = (unpacked / "DEBIAN/md5sums").read_text("utf-8").splitlines()
    assert (unpacked / "DEBIAN/conffiles").read_text("utf-8") == "/etc/spinledger/config.yml\n"
    files = {path[2:] for mode, *_, path in rows if mode.startswith("-")}
    assert [path for path in files if path.endswith(".pyc")] == []
    assert {line.split("  ", 1)[1] for line in sums} == files - {"etc/spinledger/config.yml"}


def test_no_trace_of_this_machine(unpacked: Path) -> None:
    """Neither the checkout nor the folder of the build is named in any file."""
    files = [file for file in unpacked.rglob("*") if file.is_file()]
    traces = (str(ROOT).encode(), b"/tmp/tmp.", os.environ["HOME"].encode() + b"/.cache")
    assert [file for file in files if any(word in file.read_bytes() for word in traces)] == []


def test_the_configuration_sets_nothing_and_has_every_key(unpacked: Path) -> None:
    """It is what `config --no-disks` prints, and every setting is what it is without a file."""
    text = (unpacked / "etc/spinledger/config.yml").read_text("utf-8")
    printed = run(unpacked / "usr/bin/spinledger", "config", "--no-disks")
    assert text == printed.stdout
    assert replace(parse(text, "", "UTC"), source="") == parse("", "", "UTC")


def test_rules_runbooks_dashboards_and_guides(unpacked: Path) -> None:
    """Below /usr/share is what `pack` writes of the source tree, and the guides, to the byte."""
    guides = {f"guides/{path}": text for path, text in tree(ROOT / "exporter/guides").items()}
    assert tree(unpacked / "usr/share/spinledger") == due() | guides


def sources(folder: Path) -> dict[str, bytes]:
    """Every file below, by its path, without what Python compiled when it was run there."""
    return {path: text for path, text in tree(folder).items() if "__pycache__" not in path}


def pinned() -> dict[str, str]:
    """Name and version of each library that the package carries."""
    return dict(re.findall(r"^([\w-]+)==(\S+)", (DEBIAN / "carried.txt").read_text("utf-8"), re.M))


def test_the_library_is_this_program_and_what_is_pinned(library: Path) -> None:
    """The program is the checkout's, each library is the published one, to the byte; pip compared
    the hashes. Nothing is compiled, and all parses as Python 3.11, the oldest that is promised."""
    assert sources(library / "spinledger") == sources(ROOT / "exporter/spinledger")
    found = sources(library)
    published: dict[str, bytes] = {}
    wheels = sorted((ROOT / ".debian/carried").iterdir())
    assert len(wheels) == len(pinned())
    for wheel in wheels:
        assert wheel.name.endswith("-none-any.whl")
        with zipfile.ZipFile(wheel) as packed:
            published |= {name: packed.read(name) for name in packed.namelist()}
    own = re.compile(rf"spinledger/|bin/|spinledger-{re.escape(__version__)}\.dist-info/METADATA$")
    carried = {path: text for path, text in found.items() if not own.match(path)}
    assert carried == {path: published[path] for path in carried}
    left_out = published.keys() - carried.keys()
    assert [path for path in left_out if ".dist-info/" not in path] == []
    assert [path for path, text in found.items() if text.startswith(b"\x7fELF")] == []
    for path, text in found.items():
        if path.endswith(".py"):
            ast.parse(text, path, feature_version=(3, 11))


def test_copyright_names_each_library(library: Path) -> None:
    """Each has a stanza (machine-readable debian/copyright, 1.0), and its licence a text."""
    text = (library.parents[1] / "share/doc/spinledger/copyright").read_text("utf-8")
    stanzas = text.split("\n\n")
    named = {word for stanza in stanzas for word in re.findall(r"usr/lib/spinledger/(\S+)", stanza)}
    tops = {path.name for path in library.iterdir()} - {"bin", "spinledger"}
    assert {top for top in tops if not top.startswith("spinledger-")} == {
        top for top in tops for name in named if top == name[:-2] or top.startswith(name[:-1])
    }
    used = set(re.findall(r"^Files:.*?^License: (\S+)$", text, re.M | re.S))
    assert used == set(re.findall(r"\n\nLicense: (\S+)\n \S", text))


# What opens a file for writing, by module: so that no device can be among them.
WRITERS = {
    "spinledger/app/publishers.py": "the text file for the node's agent",
    "spinledger/app/reporting.py": "the report of drives that are not understood",
    "spinledger/cli/capture.py": "the trace",
    "spinledger/cli/history.py": "series with timestamps",
    "spinledger/cli/pack.py": "the pack",
    "spinledger/cli/rehearse.py": "series with timestamps",
    "spinledger/cli/replay.py": "the plot",
    "spinledger/device/tracing.py": "the kernel's tracing instance",
    "spinledger/store/beside.py": "files beside the ledger",
    "spinledger/store/file.py": "the ledger",
    "spinledger/store/live.py": "the live journal",
    "chardet/models/_format.py": "its training; not imported by us",
    "humanfriendly/testing.py": "its tests; not imported by us",
    "humanfriendly/tests.py": "its tests; not imported by us",
    "prometheus_client/exposition.py": "a text file; not called by us",
    "prometheus_client/mmap_dict.py": "values of several processes; not used by us",
    "pyudev/_os/pipe.py": "a pipe of its own",
}
_FLAGS = {"O_RDWR", "O_WRONLY", "O_APPEND", "O_CREAT", "O_TRUNC"}


def opens_for_writing(source: bytes) -> bool:
    """Whether a module opens a file with a flag or a mode for writing, or by a variable mode."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in _FLAGS | {"write_text", "write_bytes"}:
            return True
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name not in ("open", "fdopen", "FileIO"):
            continue
        given = [*node.args, *(word.value for word in node.keywords if word.arg == "mode")]
        parts = [getattr(part, "value", None) for one in given for part in ast.walk(one)]
        modes = [str(part) for part in parts if re.fullmatch("[rwaxbt+]+", str(part))]
        if set("".join(modes)) & set("wax+"):
            return True
        if isinstance(node.func, ast.Name) and len(given) > 1 and not modes:
            return True
    return False


def test_what_is_opened_for_writing(library: Path) -> None:
    """Only the modules of the list open anything for writing; the prober is none of them."""
    found = {
        path
        for path, text in sources(library).items()
        if path.endswith(".py") and opens_for_writing(text)
    }
    assert found == WRITERS.keys()
    assert not any(path.startswith("spinledger/device/prober") for path in found)


def test_the_command_runs_from_where_it_was_unpacked(unpacked: Path, tmp_path: Path) -> None:
    """With Debian's Python and its own folder: what PYTHONPATH holds is not even read. The example
    is the ATA return descriptor of a drive in standby (SAT-3 12.2.6; CHECK POWER MODE 00h)."""
    for name in ("spinledger", "yaml", "h11", "os"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('not this one')", "utf-8")
    command = unpacked / "usr/bin/spinledger"
    assert command.readlink() == Path("../lib/spinledger/bin/spinledger")
    path = {"PYTHONPATH": str(tmp_path)}
    assert run(command, "-V", **path).stdout == f"spinledger {__version__}\n"
    sense = "72 01 00 1d 00 00 00 0e 09 0c 00 00 00 00 00 00 00 00 00 00 00 50"
    assert run(command, "decode", *sense.split(), **path).stdout.split()[:2] == ["state", "standby"]
    packed = run(command, "pack", tmp_path / "pack", **path)
    assert (packed.returncode, packed.stderr) == (0, "")
    assert tree(tmp_path / "pack") == due()
    prober = run(unpacked / "usr/lib/spinledger/bin/prober", **path)
    assert prober.returncode == 2
    assert prober.stderr == "the prober is started by the exporter or by its .socket unit\n"


@pytest.fixture
def served(unpacked: Path) -> Iterator[str]:
    """The address of the unpacked exporter, on simulated disks, with passwords from bcrypt."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{free.getsockname()[1]}"
    command = [str(unpacked / "usr/bin/spinledger"), "serve", "--listen", address]
    command += ["--shelf", "simulated", "--disks", "2", "--ledger", "memory"]
    with subprocess.Popen(command, env=PLAIN, stderr=subprocess.PIPE) as exporter:
        yield address
        exporter.terminate()
        assert exporter.wait(PATIENCE_S) == 0


def test_it_serves_metrics(served: str) -> None:
    """With the libraries that it carries: the text is read by the client library's own parser."""

    def families() -> set[str]:
        with urllib.request.urlopen(f"http://{served}/metrics", timeout=PATIENCE_S) as answer:
            text = answer.read().decode()
        return {family.name for family in text_string_to_metric_families(text)}

    until(lambda: "spinledger_disk_power_state" in families())  # from the first sample on


def test_bcrypt_comes_from_debian(library: Path) -> None:
    """The one library that is imported only where users are configured is there, by its own test
    vector: the first of the C implementation of bcrypt by Solar Designer (wrapper.c, U*U)."""
    hashed = "$2a$05$CCCCCCCCCCCCCCCCCCCCC.E5YPO9kmyuRGyh0XouQYb4YMJKvyOeW"
    code = f"import bcrypt; print(bcrypt.checkpw(b'U*U', {hashed.encode()!r}), bcrypt.__file__)"
    right, file = run("/usr/bin/python3", "-I", "-c", code).stdout.split()
    assert right == "True"
    assert file.startswith("/usr/lib/python3/dist-packages/")
    assert not (library / "bcrypt").exists()


def test_the_manual_page(unpacked: Path) -> None:
    """man-db renders it without a warning, with each command and each of its options."""
    page = unpacked / "usr/share/man/man1/spinledger.1.gz"
    shown = run("man", "--warnings=w", "-l", page, MANWIDTH="100", MANPAGER="cat")
    assert (shown.returncode, shown.stderr) == (0, "")
    text = re.sub(r"\s+", " ", shown.stdout)
    for heading in ("NAME", "SYNOPSIS", "COMMANDS", "EXIT STATUS", "FILES", "SEE ALSO"):
        assert re.search(rf"^{heading}$", shown.stdout, re.M), heading
    for name, options in commands().items():
        section = text.partition(f" usage: spinledger {name} ")[2]
        section = section.partition(" usage: spinledger ")[0]
        assert [option for option in options if option not in section] == [], name


def commands() -> dict[str, list[str]]:
    """The long options of each command, by argparse's own help."""
    found = {}
    for name, (module, _) in COMMANDS.items():
        command = type(parser())(add_help=False)
        module.add_arguments(command)
        found[name] = sorted(set(re.findall(r"--[a-z-]+", command.format_usage())))
    return found


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        (["spinledger", "re"], ["replay", "rehearse"]),
        (["spinledger", "check", "--p"], ["--probe"]),
        (["spinledger", "check", "--config", "/etc/host"], ["/etc/hostname", "/etc/hosts"]),
    ],
)
def test_the_completion_of_bash(unpacked: Path, line: list[str], offered: list[str]) -> None:
    """bash loads it and offers commands, options, and files where an option takes one."""
    script = unpacked / "usr/share/bash-completion/completions/spinledger"
    code = (
        f"source {script} && how=$(complete -p spinledger) && "
        f"COMP_WORDS=({' '.join(line)}) COMP_CWORD={len(line) - 1} && "
        "how=${how##*-F } && ${how%% *} spinledger && printf '%s\\n' \"${COMPREPLY[@]}\""
    )
    done = run("bash", "-c", code)
    assert done.stderr == ""
    assert set(offered) <= set(done.stdout.split())


def test_the_completion_of_zsh(unpacked: Path) -> None:
    """It begins as zsh asks for (zshcompsys(1), autoloaded files) and has each command."""
    text = (unpacked / "usr/share/zsh/vendor-completions/_spinledger").read_text("utf-8")
    assert text.startswith("#compdef spinledger\n")
    for name, options in commands().items():
        assert re.search(rf"^    {name}:'", text, re.M)
        assert [option for option in options if option not in text] == []


def test_the_units_are_those_of_the_source(unpacked: Path) -> None:
    """To the byte; what they start is in the package, and their user is made (sysusers.d(5))."""
    assert tree(unpacked / "usr/lib/systemd/system") == tree(UNITS)
    user = (unpacked / "usr/lib/sysusers.d/spinledger.conf").read_text("utf-8").split()[:2]
    for file in UNITS.glob("*.service"):
        unit = file.read_text("utf-8")
        (program,) = re.findall(r"^ExecStart=(\S+)", unit, re.M)
        assert os.access(unpacked / program[1:], os.X_OK)
        assert user in (["u", name] for name in re.findall("^(?:User|Group)=(.*)$", unit, re.M))
    postinst = (unpacked / "DEBIAN/postinst").read_text("utf-8")
    for name in ("spinledger.service", "spinledger-prober.socket"):
        assert f"deb-systemd-helper enable '{name}'" in postinst


@pytest.mark.parametrize(("action", "left"), [("remove", True), ("purge", False)])
def test_what_removing_and_purging_leave(unpacked: Path, action: str, left: bool) -> None:
    """postrm, as dpkg calls it (Debian Policy 6.8), in a mount namespace with empty folders of its
    own: removing keeps all, purging leaves nothing, and neither touches what is another's."""
    ours = ["/etc/spinledger/web.yml", "/var/lib/spinledger/ledger.db", "/run/spinledger/live"]
    ours += ["/dev/shm/spinledger-0/live"]
    others = ["/etc/other", "/var/lib/other/x", "/run/other", "/dev/shm/spinledger-12345/live"]
    code = (
        "for folder in /etc /var/lib /run /dev/shm; do mount -t tmpfs none $folder; done\n"
        f"for file in {' '.join(ours + others)}; do mkdir -p ${{file%/*}}; touch $file; done\n"
        f"{unpacked}/DEBIAN/postrm {action} >&2\n"
        f"ls -d {' '.join(ours + others)} /etc/spinledger /var/lib/spinledger 2>/dev/null\n"
        "exit 0"
    )
    called = {"DPKG_MAINTSCRIPT_PACKAGE": "spinledger", "DPKG_MAINTSCRIPT_NAME": "postrm"}
    done = run("unshare", "--map-root-user", "--mount", "sh", "-c", code, **called)
    assert done.stderr == ""
    folders = ["/etc/spinledger", "/var/lib/spinledger"]
    assert set(done.stdout.split()) == {*others, *(ours + folders if left else ())}


def test_a_version_without_an_entry_stops_the_build(tmp_path: Path) -> None:
    """So that the package's version is the program's, and its changelog speaks of it."""
    shutil.copytree(DEBIAN, tmp_path / "exporter/debian")
    init = tmp_path / "exporter/spinledger/__init__.py"
    init.parent.mkdir()
    init.write_text('__version__ = "9.8.7"\n', "utf-8")
    done = run(tmp_path / "exporter/debian/build", tmp_path / "out")
    assert done.returncode == 2
    assert done.stderr == (
        f"exporter/debian/build: exporter/debian/changelog begins with {__version__}, and the "
        "program's version is 9.8.7; add an entry for it\n"
    )
