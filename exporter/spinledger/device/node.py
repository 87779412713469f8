"""One kernel node of a whole disk: is it a rotating disk of this host, and what is it?

Rules of this module:
- Sends nothing: reads sysfs, what the kernel cached of the drive's pages, and udev's database.
- No list of makers or drivers: a kind is recognised by the kernel's own structure.
- Rotation from three sources, the better first: IDENTIFY word 217 (Linux 6.12 ata.h:897-908), VPD
  page B1h, queue/rotational. The drive's report wins, with one exception: the kernel clears
  queue/rotational itself when page B1h reports non-rotating (Linux 6.12 drivers/scsi/sd.c
  sd_read_block_characteristics), so a 1 beside it was written by the owner, and is used.
- IDENTIFY data is believed of ATA devices alone: where the vendor field is "ATA", as SAT-3 requires
  of a translation layer (from memory), or behind USB, where bridges put their own name.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from typing import NamedTuple, TypeVar

from spinledger.codec import identify, vpd
from spinledger.codec.identify import Identify
from spinledger.device import sysfs
from spinledger.device.identity import Node, clean, name_of, plain_name, wwn_of
from spinledger.device.pool import Properties, pool_of
from spinledger.errors import Undecodable
from spinledger.model import Command, Disk

# Kernel names that say what a node is (Documentation/admin-guide/devices.txt, and common practice).
_KINDS = {
    "loop": "loop",
    "md": "md",
    "dm-": "dm",
    "zram": "zram",
    "ram": "ram",
    "nbd": "nbd",
    "sr": "optical",
    "vd": "virtio",
    "xvd": "guest",
    "nvme": "nvme",
}
_KIND = re.compile(rf"({'|'.join(_KINDS)})[a-z0-9_]")
_WHOLE_DISK = re.compile(r"sd[a-z]+$")
_ADDRESS = re.compile(r"/target[0-9:]+/(\d+:\d+:\d+:\d+)/")
_BEHIND_USB = r"/usb\d+/"
_TRANSPORTS = (("usb", _BEHIND_USB), ("sata", r"/ata\d+/"), ("sas", r"/end_device-[0-9:]+/"))
_OPTICAL_TYPES = {
    5,
    7,
}  # peripheral device types, SPC-4 6.6.2 (from memory): CD/DVD, optical memory
_BY_ID = "/dev/disk/by-id/"

USB_BRIDGE = (
    "it is behind a USB bridge, and not every bridge passes a probe on unharmed: it is probed only "
    "when configured"
)
LOGICAL_VOLUME = (
    "it looks like a logical volume of a RAID controller (no ATA device, no SAS end device, no "
    "rotation rate of its own): the controller decides about its members"
)


_T = TypeVar("_T")


class _Rotation(NamedTuple):
    rpm: int  # 0: not reported
    spins: bool


def read_node(root: str, name: str, properties: Properties) -> Node | str:
    """Describe the whole disk `name`, or give the reason why it is skipped.

    `root` is where sysfs is mounted. A node that vanishes meanwhile is skipped, never an error.
    """
    place = os.path.realpath(f"{root}/block/{name}") + "/"
    if kind := _KIND.match(name):
        return _KINDS[kind[1]]
    if place.startswith(os.path.realpath(f"{root}/devices/virtual") + "/"):
        return "virtual"
    sectors = sysfs.number(f"{place}size")
    if sectors is None:
        return "vanished"
    if sysfs.number(f"{place}device/type") in _OPTICAL_TYPES:
        return "optical"
    if sectors == 0:
        return "zero_size"
    address = _ADDRESS.search(place)
    identified = _identify(root, place, address[1] if address else "")
    rotation = _rotation(place, identified)
    if not rotation.spins:
        return "non_rotating"
    if "/virtio" in place and not rotation.rpm:
        return "virtio"
    if not address or not _WHOLE_DISK.match(name):
        return "guest" if "/vbd-" in place else "unsupported"
    return _describe(root, place, name, properties, address[1], sectors, identified, rotation.rpm)


def _describe(
    root: str,
    place: str,
    name: str,
    properties: Properties,
    address: str,
    sectors: int,
    identified: Identify | None,
    rpm: int,
) -> Node:
    known = properties(name)
    transport = next((word for word, part in _TRANSPORTS if re.search(part, place)), "scsi")
    ata = sysfs.text(f"{place}device/vendor") == "ATA"
    bus = "usb" if transport == "usb" else "ata" if ata else "scsi"
    model = (identified and identified.model) or sysfs.text(f"{place}device/model")
    serial = (identified and identified.serial) or _serial(place) or _udev_serial(known)
    wwn = wwn_of(
        (identified and identified.wwn) or "",
        _page_name(place),
        sysfs.text(f"{place}device/wwid"),
        known.get("ID_WWN_WITH_EXTENSION", ""),
        known.get("ID_WWN", ""),
    )
    port = known.get("ID_PATH", "") or address
    identity = name_of(bus, wwn, model, serial, port)
    links = (link.removeprefix(_BY_ID) for link in known.get("DEVLINKS", "").split())
    aliases = {link for link in links if "/" not in link}
    if serial:
        aliases.add(plain_name(bus, model, serial))
    method, because = _probe_method(transport, ata, rpm)
    return Node(
        Disk(
            identity=identity,
            nodes=(name,),
            transport=transport,
            model=model,
            serial=serial,
            firmware=(identified and identified.firmware) or sysfs.text(f"{place}device/rev"),
            wwn=wwn,
            rotation_rpm=rpm,
            pool=pool_of(f"{root}/block", name, properties),
            device=clean(f"{model}_{serial}") if serial else identity,
            probe_method=method,
            diskseq=sysfs.number(f"{place}diskseq") or 0,
            not_probed_because=because,
            aliases=tuple(sorted(aliases - {identity})),
            apm_level=identified.apm_level if identified else None,
            standard_timer=identified.standard_timer if identified else None,
            iostats=sysfs.number(f"{place}queue/iostats") != 0,
            allow_restart=_allow_restart(place, address),
            timeout_s=sysfs.number(f"{place}device/timeout"),
            gpl=identified.gpl_supported if identified else None,
            epc=identified.epc_supported if identified else None,
        ),
        port=port,
        address=address,
        sectors=sectors,
    )


def _probe_method(transport: str, ata: bool, rpm: int) -> tuple[Command | None, str]:
    """How the disk can be probed, and why it is not probed by default."""
    if transport == "usb":
        return Command.CHECK_POWER_MODE_16, USB_BRIDGE
    if ata:
        return Command.CHECK_POWER_MODE_16, ""
    if transport == "sas" or rpm:
        return Command.REQUEST_SENSE, ""
    return None, LOGICAL_VOLUME


def _allow_restart(place: str, address: str) -> bool | None:
    """Documentation/ABI/testing/sysfs-class-scsi_disk: may the kernel start it when stopped?"""
    allowed = sysfs.number(f"{place}device/scsi_disk/{address}/allow_restart")
    return None if allowed is None else allowed != 0


def _rotation(place: str, identified: Identify | None) -> _Rotation:
    if identified and (identified.rotation_rpm or identified.non_rotating):
        return _Rotation(identified.rotation_rpm or 0, not identified.non_rotating)
    rpm, _ = _page(f"{place}device/vpd_pgb1", _page_rotation) or (None, False)
    return _Rotation(rpm or 0, bool(rpm) or sysfs.number(f"{place}queue/rotational") == 1)


def _page_rotation(page: bytes) -> tuple[int | None, bool]:
    return identify.rotation(vpd.rotation_rate(page))


def _identify(root: str, place: str, address: str) -> Identify | None:
    """What an ATA device reports of itself, from the kernel's copies; the fresher one first."""
    if sysfs.text(f"{place}device/vendor") != "ATA" and not re.search(_BEHIND_USB, place):
        return None
    return _ata_id(root, place, address) or _page(f"{place}device/vpd_pg89", identify.from_vpd89)


def _ata_id(root: str, place: str, address: str) -> Identify | None:
    """From libata's copy, which follows a change of settings where the VPD page does not.

    The device is dev<port>.<target>, behind a port multiplier dev<port>.<channel>.0 (Linux 6.12
    drivers/ata/libata-scsi.c ata_find_dev, libata-transport.c ata_tdev_add).
    """
    port = re.search(r"/ata(\d+)/", place)
    if not port:
        return None
    _, channel, target, _ = address.split(":") if address else ("", "0", "0", "")
    for device in (f"dev{port[1]}.{channel}.0", f"dev{port[1]}.{target}"):
        if text := sysfs.text(f"{root}/class/ata_device/{device}/id"):
            try:
                return identify.from_ata_id_text(text)
            except Undecodable:
                return None
    return None


def _serial(place: str) -> str:
    return _page(f"{place}device/vpd_pg80", vpd.serial_number) or ""


def _udev_serial(known: Mapping[str, str]) -> str:
    """ID_SERIAL_SHORT of a SCSI disk is its world-wide name, so the other comes first."""
    return known.get("ID_SCSI_SERIAL") or known.get("ID_SERIAL_SHORT", "")


def _page_name(place: str) -> str:
    return _page(f"{place}device/vpd_pg83", vpd.world_wide_name) or ""


def _page(path: str, decode: Callable[[bytes], _T]) -> _T | None:
    """A cached page decoded; None where there is none or it is malformed."""
    page = sysfs.blob(path)
    try:
        return decode(page) if page else None
    except Undecodable:
        return None
