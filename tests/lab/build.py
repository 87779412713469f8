"""Builds the laboratory's guest once: a kernel, a small initial RAM disk and a root image.

Rules:

- The guest is always Debian 12, whatever the host runs, so that the kernel and its habits are the
  same everywhere. `SPINLEDGER_LAB_SUITE=trixie` builds one with the newer kernel.
- Nothing of the guest is installed on the host. The host itself needs a few packages
  (`HOST_PACKAGES`); as root, those that are missing are installed by name.
- The result lies in a cache folder whose name is a digest of everything that shapes it: this
  file, `guest/initramfs`, the suite and the project's dependencies. A changed input is a new
  folder. Folders of earlier digests are removed.
- The exporter and the guest's own scripts are not part of the image. They are shared into the
  guest at each boot (`vm.py`), so that editing them needs no build.

The cache folder is `$SPINLEDGER_LAB_CACHE`, else `$XDG_CACHE_HOME/spinledger-lab`, else
`~/.cache/spinledger-lab`. By hand: `python -m tests.lab.build` prints the image's folder.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent.parent

# Debian package on the host, and what it does here.
HOST_PACKAGES = {
    "qemu-system-x86": "the machine",
    "mmdebstrap": "unpacks the root file system",
    "kmod": "depmod, and the order in which modules must be loaded",
    "cpio": "packs the initial RAM disk",
    "e2fsprogs": "makes the root image without mounting it",
}

GUEST_PACKAGES = (
    "python3",
    "udev",
    "kmod",
    "util-linux",
    "iproute2",
    "e2fsprogs",
    "mdadm",
    "lvm2",
    "xfsprogs",
    "btrfs-progs",
    "smartmontools",
    "sg3-utils",
    "curl",
    "systemd",  # process 1 of the guests whose tests run the units
    "systemd-sysv",
    "dbus",
    "python3-bcrypt",  # what the Debian package depends on
    "python3-yaml",
    "tzdata",
)

# Parts of the kernel's module tree that a laboratory for disks needs; dependencies are inside.
MODULE_TREES = (
    "block",
    "drivers/ata",  # AHCI and libata
    "drivers/scsi",  # sd, sg and the kernel's own test disk, scsi_debug
    "drivers/target",  # drives in user space: target_core_user, tcm_loop
    "drivers/uio",  # their command ring
    "drivers/block",
    "drivers/md",
    "drivers/virtio",
    "drivers/char/virtio_console.ko",
    "drivers/cdrom",
    "drivers/hwmon",  # drivetemp
    "drivers/misc/enclosure.ko",
    "drivers/usb/common",
    "drivers/usb/core",
    "drivers/usb/host",
    "drivers/usb/storage",
    "drivers/net/net_failover.ko",
    "net/core",
    "net/802",
    "net/9p",  # folders of the host
    "fs/9p",
    "fs/configfs",
    "fs/fscache",
    "fs/netfs",
    "fs/overlayfs",
    "fs/ext4",
    "fs/jbd2",
    "fs/mbcache.ko",
    "fs/xfs",
    "fs/btrfs",
    "lib",
    "crypto",
    "arch/x86/crypto",
)
MODULES_FOR_BOOT = ("virtio_pci", "virtio_blk", "9p", "9pnet_virtio", "overlay", "ext4")
# Its module lists a processor feature that the emulated processor lacks; crc32c_generic serves.
MODULES_REFUSED = ("crc32c-intel.ko",)

PYTHON_OF_SUITE = {"bookworm": "3.11", "trixie": "3.13"}
WHEELS = Path("opt/wheels")  # inside the guest


class LabError(Exception):
    """The laboratory itself failed; the message says what and, where known, the fix."""


@dataclass(frozen=True, slots=True)
class Image:
    """What a guest boots from."""

    kernel: Path
    initrd: Path
    root: Path
    """An ext4 file system image, always attached read-only."""


def image() -> Image:
    """The image for the present inputs, built first if the cache has none (30 to 60 s)."""
    suite = os.environ.get("SPINLEDGER_LAB_SUITE", "bookworm")
    if suite not in PYTHON_OF_SUITE:
        raise LabError(f"SPINLEDGER_LAB_SUITE={suite}: use one of {', '.join(PYTHON_OF_SUITE)}")
    install_host_packages()
    cache = _cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    wanted = cache / _digest(suite)
    with open(cache / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # two test runs on one machine build once
        if not wanted.is_dir():
            _build(cache, wanted, suite)
    return Image(wanted / "vmlinuz", wanted / "initrd.img", wanted / "root.ext4")


def install_host_packages() -> None:
    """Install what the host lacks; raise LabError with the command when not root."""
    missing = [name for name in HOST_PACKAGES if not _installed(name)]
    if not missing:
        return
    if os.geteuid() != 0:
        raise LabError(
            "missing packages; run: sudo apt-get install --no-install-recommends "
            + " ".join(missing)
        )
    install = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *missing]
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    first = subprocess.run(install, env=environment, capture_output=True, text=True)
    if first.returncode != 0:  # a fresh machine has no package lists, or old ones
        _run(["apt-get", "update", "-qq"])
        _run(install, env=environment)


def _installed(package: str) -> bool:
    query = ["dpkg-query", "-W", "-f=${db:Status-Status}", package]
    return subprocess.run(query, capture_output=True, text=True).stdout == "installed"


def _cache_folder() -> Path:
    own = os.environ.get("SPINLEDGER_LAB_CACHE")
    if own:
        return Path(own).absolute()
    general = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(general) / "spinledger-lab"


def _dependencies() -> list[str]:
    """The exporter's own dependencies, as the project declares them."""
    declared: list[str] = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"][
        "dependencies"
    ]
    return declared


def _digest(suite: str) -> str:
    digest = hashlib.sha256()
    for part in (Path(__file__), HERE / "guest" / "initramfs"):
        digest.update(part.read_bytes())
    digest.update("\n".join([suite, *_dependencies()]).encode())
    return digest.hexdigest()[:16]


def _build(cache: Path, wanted: Path, suite: str) -> None:
    if os.geteuid() != 0:
        raise LabError("the guest's image can only be built by root; once built, any user may boot")
    began = time.monotonic()
    for stale in cache.iterdir():
        if stale.is_dir():
            shutil.rmtree(stale)
    with tempfile.TemporaryDirectory(dir=cache, prefix="building-") as folder:
        work = Path(folder)
        work.chmod(0o755)  # the package manager downloads as a user of its own
        out = work / "out"
        out.mkdir()
        root = _root_file_system(work, suite)
        release = _kernel(work, root, out / "vmlinuz")
        _wheels(root, suite)
        _initial_ram_disk(work, root, release, out / "initrd.img")
        _root_image(root, out / "root.ext4")
        out.rename(wanted)
    print(f"laboratory: image built in {time.monotonic() - began:.0f} s", file=sys.stderr)


def _root_file_system(work: Path, suite: str) -> Path:
    """A minimal Debian, and beside it in `work` the kernel and busybox packages, only fetched."""
    root, packages = work / "root", work / "packages"
    packages.mkdir(mode=0o777)
    packages.chmod(0o777)
    fetch = work / "fetch"
    fetch.write_text(
        "#!/bin/sh\n"
        "set -eu\n"
        'export APT_CONFIG="$MMDEBSTRAP_APT_CONFIG"\n'
        f"cd {packages}\n"
        "kernel=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image/{print $2}')\n"
        'apt-get download -qq "$kernel" busybox-static\n'
    )
    fetch.chmod(0o755)
    mirror = _mirror()
    _run(
        [
            "mmdebstrap",
            "--quiet",
            "--variant=minbase",
            "--mode=root",
            "--format=directory",
            f"--include={','.join(GUEST_PACKAGES)}",
            '--aptopt=Apt::Install-Recommends "false"',
            *(
                f"--dpkgopt=path-exclude=/usr/{part}"
                for part in (
                    *(f"share/{name}/*" for name in ("man", "locale", "doc", "info")),
                    "lib/x86_64-linux-gnu/libicu*",  # 36 MB; mkfs.xfs works without it
                )
            ),
            f"--customize-hook={fetch}",
            suite,
            str(root),
            f"deb {mirror} {suite} main",
        ]
    )
    return root


def _mirror() -> str:
    """The archive that the host's package manager is set to."""
    policy = _run(["apt-cache", "policy", "base-files"])
    for line in policy.splitlines():
        words = line.split()
        if len(words) >= 2 and words[1].startswith(("http://", "https://")):
            return words[1]
    _run(["apt-get", "update", "-qq"])
    policy = _run(["apt-cache", "policy", "base-files"])
    for word in policy.split():
        if word.startswith(("http://", "https://")):
            return word
    raise LabError("no package archive is configured: see /etc/apt/sources.list.d")


def _kernel(work: Path, root: Path, vmlinuz: Path) -> str:
    """Unpack kernel and modules; the kernel's release."""
    unpacked = work / "kernel"
    for package in (work / "packages").glob("*.deb"):
        _run(["dpkg-deb", "-x", str(package), str(unpacked)])
    (release,) = (entry.name for entry in (unpacked / "lib/modules").iterdir())
    shutil.copy(unpacked / f"boot/vmlinuz-{release}", vmlinuz)
    source = unpacked / "lib/modules" / release
    target = root / "usr/lib/modules" / release
    for tree in MODULE_TREES:
        found = [source / "kernel" / tree, source / "kernel" / f"{tree}.xz"]
        for path in (path for path in found if path.exists()):
            copy = target / "kernel" / path.relative_to(source / "kernel")
            if path.is_dir():
                shutil.copytree(path, copy)
            else:
                copy.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(path, copy)
    for name in ("modules.builtin", "modules.builtin.modinfo", "modules.order"):
        shutil.copy(source / name, target)
    _run(["depmod", "-b", str(root), release])
    return release


def _wheels(root: Path, suite: str) -> None:
    """The exporter's dependencies, for the guest's Python rather than the host's."""
    target = root / WHEELS
    _run(
        [
            *(sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"),
            *("--target", str(target), "--no-compile"),
            *("--only-binary=:all:", "--implementation=cp"),
            f"--python-version={PYTHON_OF_SUITE[suite]}",
            *("--platform=manylinux2014_x86_64", "--platform=manylinux_2_28_x86_64"),
            *_dependencies(),
        ]
    )
    _run(["chroot", str(root), "python3", "-m", "compileall", "-q", f"/{WHEELS}"])


def _initial_ram_disk(work: Path, root: Path, release: str, packed: Path) -> None:
    """Busybox, the modules that reach the root image, and `guest/initramfs` as its init."""
    tree = work / "ram"
    for name in ("bin", "proc", "sys", "dev", "ro", "rw", "new", "lab", "modules"):
        (tree / name).mkdir(parents=True)
    (busybox,) = (work / "kernel").glob("**/bin/busybox")
    shutil.copy(busybox, tree / "bin/busybox")
    order: list[str] = []
    for module in MODULES_FOR_BOOT:
        plan = _run(["modprobe", "-d", str(root), "-S", release, "--show-depends", module])
        for line in plan.splitlines():
            action, _, path = line.partition(" ")
            file = Path(path.strip())
            if action == "insmod" and file.name not in (*order, *MODULES_REFUSED):
                shutil.copy(file, tree / "modules")
                order.append(file.name)
    (tree / "modules/order").write_text("".join(f"{name}\n" for name in order))
    shutil.copy(HERE / "guest/initramfs", tree / "init")
    (tree / "init").chmod(0o755)
    names = "".join(f"{path.relative_to(tree)}\n" for path in sorted(tree.rglob("*")))
    archive = subprocess.run(
        ["cpio", "-o", "-H", "newc", "--quiet"],
        cwd=tree,
        input=names.encode(),
        capture_output=True,
        check=True,
    )
    packed.write_bytes(archive.stdout)


def _root_image(root: Path, packed: Path) -> None:
    for cache in ("var/cache/apt", "var/lib/apt/lists", "usr/share/doc"):
        shutil.rmtree(root / cache, ignore_errors=True)
    kilobytes = int(_run(["du", "-sk", str(root)]).split()[0])
    megabytes = kilobytes * 115 // 100 // 1024 + 40
    _run(
        [
            *("mke2fs", "-q", "-t", "ext4", "-O", "^has_journal", "-E", "lazy_itable_init=1"),
            *("-d", str(root), str(packed), f"{megabytes}M"),
        ]
    )


def _run(command: list[str], env: dict[str, str] | None = None) -> str:
    done = subprocess.run(command, env=env, capture_output=True, text=True)
    if done.returncode != 0:
        tail = "\n".join((done.stderr or done.stdout).splitlines()[-20:])
        raise LabError(f"{command[0]} ended with {done.returncode}:\n{tail}")
    return done.stdout


if __name__ == "__main__":
    print(image().root.parent)
