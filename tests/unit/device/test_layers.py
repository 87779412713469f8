"""What stands on a disk, from a sysfs and a mount table made as their documents say.

dev and holders: Documentation/ABI/stable/sysfs-block, dm/name: Documentation/ABI/testing/
sysfs-block-dm (Linux 6.12); mountinfo: proc(5).
"""

from __future__ import annotations

from pathlib import Path

from spinledger.device.layers import stack
from tests.fakes.sysfs_tree import SATA, Tree


def test_a_volume_goes_by_its_name(tmp_path: Path) -> None:
    """The kernel calls it dm-0, its owner vault-scans."""
    sysfs, proc = tmp_path / "sys", tmp_path / "proc"
    sysfs.mkdir()
    tree = Tree(sysfs)
    disk = tree.disk("sdb", SATA, dev="8:16")
    volume = tree.stacked("dm-0", disk, dev="253:0", dm__name="vault-scans")
    for folder, names in (("class/block", (disk, volume)), ("dev/block", (volume,))):
        (sysfs / folder).mkdir(parents=True)
        for block in names:
            link = "253:0" if folder == "dev/block" else block.name
            (sysfs / folder / link).symlink_to(block)
    (proc / "1").mkdir(parents=True)
    mount = "36 25 253:0 / /srv/scans rw,relatime shared:1 - xfs /dev/mapper/vault-scans rw"
    (proc / "1/mountinfo").write_text(f"{mount}\n")
    found = stack("sdb", str(sysfs), str(proc))
    assert found is not None
    assert found.place(2048, 253 << 20) == "vault-scans, xfs on /srv/scans"
    assert found.place(2048, None) == "vault-scans, xfs on /srv/scans"
    assert found.backing == {"8:16", "253:0"}
