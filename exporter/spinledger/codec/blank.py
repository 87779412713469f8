"""What a drive sends, without its serial number and world-wide names.

Rules: a length never changes, and neither does the meaning of what stays. A known place is always
blanked; what is left is searched for the serial numbers and names that were known or found there,
as text, as bytes, and with the bytes of each word exchanged. Text becomes spaces, a name zeros.

    where                              blanked                     source
    IDENTIFY DEVICE words 10-19        serial number               ACS-3; MB500M, p27
    IDENTIFY DEVICE words 108-111      world-wide name             ACS-3; Linux 6.12 ata.h:879
    IDENTIFY DEVICE words 176-205      serial number of a medium   ACS-3, from memory
    VPD page 80h from byte 4           unit serial number          SPC-4 7.8.16, from memory
    VPD page 83h, each designator      all but its kind            SPC-4 7.8.6, from memory
    VPD page 89h from byte 60          IDENTIFY DEVICE data        SAT-3, from memory
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator

from spinledger.codec import identify, vpd
from spinledger.errors import Undecodable

_TEXTS = ((20, 40), (352, 412))  # bytes of words 10-19 and 176-205
_NAME = (216, 224)  # bytes of words 108-111
_IDENTIFY_IN_89 = 60
_HEAD = 4  # of a VPD page, and of a designator
_SERIAL, _DESIGNATORS, _ATA_INFORMATION = 0x80, 0x83, 0x89
_NAA, _ASCII, _UTF8 = 3, 2, 3  # designator type; code sets of SPC-4 7.8.6
_LEAST = 4  # a shorter number is blanked in its place and not searched for
_NAME_DIGITS = re.compile("0x([0-9a-f]{16}){1,2}", re.IGNORECASE)


def identify_data(data: bytes) -> bytes:
    """IDENTIFY DEVICE data without its numbers; the integrity word is as right as it was."""
    out = bytearray(data)
    for first, end in _TEXTS:
        out[first:end] = b" " * len(out[first:end])
    out[slice(*_NAME)] = bytes(len(out[slice(*_NAME)]))
    if len(out) == identify.BYTES and out[510] == identify.SIGNATURE:
        out[511] = (out[511] + sum(data) - sum(out)) & 0xFF
    return bytes(out)


def vpd_page(page: bytes) -> bytes:
    """A VPD page, its code in byte 1, without what says which drive it is of."""
    if len(page) < _HEAD:
        return bytes(len(page))
    if page[1] == _SERIAL:
        return page[:_HEAD] + b" " * len(page[_HEAD:])
    if page[1] == _DESIGNATORS:
        return page[:_HEAD] + _designators(page[_HEAD:])
    if page[1] == _ATA_INFORMATION:
        return page[:_IDENTIFY_IN_89] + identify_data(page[_IDENTIFY_IN_89:])
    return page


def _designators(body: bytes) -> bytes:
    """Each designator keeps its head and, of an NAA name, the digit that says its kind."""
    out = bytearray()
    at = 0
    while at + _HEAD <= len(body):
        head, name = body[at : at + _HEAD], body[at + _HEAD : at + _HEAD + body[at + 3]]
        out += head
        if head[0] & 0x0F in (_ASCII, _UTF8):
            out += b" " * len(name)
        elif head[1] & 0x0F == _NAA and name:
            out += bytes([name[0] & 0xF0, *bytes(len(name) - 1)])
        else:
            out += bytes(len(name))
        at += _HEAD + len(name)
    return bytes(out) + bytes(len(body) - len(out))


def found(pages: Iterable[bytes], identified: Iterable[bytes]) -> Iterator[str]:
    """Serial numbers and world-wide names in VPD pages and in IDENTIFY DEVICE data."""
    for page in pages:
        for decode in (vpd.serial_number, vpd.world_wide_name):
            with contextlib.suppress(Undecodable):
                yield decode(page) or ""
    for data in identified:
        try:
            view = identify.decode(data)
        except Undecodable:
            continue
        yield from (view.serial, view.wwn or "")


class Blanking:
    """Blanks given serial numbers, and world-wide names (0x and digits), wherever they stand."""

    def __init__(self, numbers: Iterable[str]) -> None:
        known = {one for one in numbers if len(one) >= _LEAST}
        names = {one[2:].lower() for one in known if _NAME_DIGITS.fullmatch(one)}
        texts = {one for one in known if not _NAME_DIGITS.fullmatch(one)} | names
        longest_first = sorted(texts, key=len, reverse=True)
        self._words = re.compile("|".join(map(re.escape, longest_first)) or "(?!)", re.IGNORECASE)
        self._octets = re.compile(self._words.pattern.encode(), re.IGNORECASE)
        self._names = [each for name in names for each in _orders(bytes.fromhex(name))]

    def words(self, text: str) -> str:
        """Text with `X` for each of them."""
        return self._words.sub(lambda match: "X" * len(match[0]), text)

    def octets(self, data: bytes) -> bytes:
        """Bytes with spaces for text and zeros for names."""
        return _exchanged(self._plain(_exchanged(self._plain(data))))

    def _plain(self, data: bytes) -> bytes:
        data = self._octets.sub(lambda match: b" " * len(match[0]), data)
        for name in self._names:
            data = data.replace(name, bytes(len(name)))
        return data


def _orders(name: bytes) -> tuple[bytes, bytes]:
    return name, name[::-1]


def _exchanged(data: bytes) -> bytes:
    """The bytes of each word exchanged; an odd last byte stays."""
    out = bytearray(data)
    even = len(out) // 2 * 2
    out[0:even:2], out[1:even:2] = data[1:even:2], data[0:even:2]
    return bytes(out)
