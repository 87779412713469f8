"""What sysfs says of a whole disk, as it stands there: for a report of a drive that is not known.

Rules: sends nothing; only the files listed here are read. None of them holds the serial number of
a disk but the VPD pages and the IDENTIFY words, which the caller blanks (`codec.blank`).
"""

from __future__ import annotations

import glob
import os
import re
from dataclasses import dataclass

from spinledger.device import sysfs

ATTRIBUTES = (
    "size",
    "removable",
    "ro",
    "queue/rotational",
    "queue/iostats",
    "queue/logical_block_size",
    "queue/physical_block_size",
    "device/vendor",
    "device/model",
    "device/rev",
    "device/type",
    "device/scsi_level",
    "device/state",
    "device/timeout",
    "device/power/control",
    "device/power/runtime_status",
)
PAGES = ("vpd_pg0", "vpd_pg80", "vpd_pg83", "vpd_pg89", "vpd_pgb1")
_USB = ("idVendor", "idProduct", "bcdDevice", "speed")


@dataclass(frozen=True, slots=True)
class Described:
    """A whole disk by sysfs."""

    path: str  # below /sys/devices, to the SCSI device
    attributes: dict[str, str]  # by path below /sys/block/NAME
    pages: dict[str, bytes]  # VPD pages by the kernel's name of the file
    identify: str  # the IDENTIFY words of libata, as text
    host: dict[str, str]  # driver of the host adapter; of a USB bridge its numbers and driver


def describe(root: str, name: str) -> Described:
    """All that is there for a disk; `root` is where sysfs is mounted."""
    place = os.path.realpath(f"{root}/block/{name}")
    device = place.partition("/block/")[0]
    attributes = {one: text for one in ATTRIBUTES if (text := sysfs.text(f"{place}/{one}"))}
    pages = {one: page for one in PAGES if (page := sysfs.blob(f"{place}/device/{one}"))}
    return Described(
        os.path.relpath(device, os.path.realpath(f"{root}/devices")),
        attributes,
        pages,
        _identify(root, device),
        _host(root, device),
    )


def _identify(root: str, device: str) -> str:
    """The file of the ATA device at the disk's port; with a port multiplier the first of them."""
    port = re.search(r"/ata(\d+)/", f"{device}/")
    files = sorted(glob.glob(f"{root}/class/ata_device/dev{port[1]}.*/id")) if port else []
    return sysfs.text(files[0]) if files else ""


def _host(root: str, device: str) -> dict[str, str]:
    found = {}
    host = re.search(r"/host(\d+)/", f"{device}/")
    if host and (driver := sysfs.text(f"{root}/class/scsi_host/host{host[1]}/proc_name")):
        found["driver"] = driver
    above = device
    while "/usb" in above and not os.path.exists(f"{above}/idVendor"):
        if os.path.islink(f"{above}/driver") and "usb_driver" not in found:
            found["usb_driver"] = os.path.basename(os.path.realpath(f"{above}/driver"))
        above = os.path.dirname(above)
    for one in _USB:
        if "/usb" in above and (text := sysfs.text(f"{above}/{one}")):
            found[one] = text
    return found
