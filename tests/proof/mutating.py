"""Changes of valid input: bytes and texts, by a seeded random.Random."""

from __future__ import annotations

import random
from collections.abc import Sequence

_CHANGES = (1, 1, 1, 2, 3, 6)
_EDGES = (0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF)


def changed_bytes(seed: bytes, dice: random.Random) -> bytes:
    """The bytes with one to six changes: bits, edges, cuts, repeats, insertions. Now and then
    nothing but chance.
    """
    if dice.random() < 0.02:
        return dice.randbytes(dice.randrange(600))
    data = bytearray(seed)
    for _ in range(dice.choice(_CHANGES)):
        at = dice.randrange(len(data)) if data else 0
        match dice.randrange(7):
            case 0 if data:
                data[at] ^= 1 << dice.randrange(8)
            case 1 if data:
                data[at] = dice.choice(_EDGES)
            case 2 if data:
                data[at] = dice.randrange(256)
            case 3:
                del data[at:]
            case 4:
                del data[at : at + dice.randrange(1, 9)]
            case 5:
                data[at:at] = dice.randbytes(dice.randrange(1, 9))
            case _:
                other = dice.randrange(len(data)) if data else 0
                data[at:at] = data[other : other + dice.randrange(1, 65)]
    return bytes(data)


def changed_text(seed: str, dice: random.Random, odd: Sequence[str]) -> str:
    """The text with one to six changes: cuts, repeats, other characters, words of `odd`."""
    text = seed
    for _ in range(dice.choice(_CHANGES)):
        at, size = dice.randrange(len(text) + 1), dice.randrange(1, 40)
        match dice.randrange(7):
            case 0:
                text = text[:at] + dice.choice(odd) + text[at:]
            case 1:
                text = text[:at] + dice.choice(odd) + text[at + size :]
            case 2:
                text = text[:at] + text[at + size :]
            case 3 if dice.random() < 0.2:
                text = text[:at]
            case 4:
                other = dice.randrange(len(text) + 1)
                text = text[:at] + text[other : other + 4 * size] + text[at:]
            case 5:
                text = text[:at] + chr(dice.choice((dice.randrange(128), 0xE9, 0x2028))) + text[at:]
            case _:
                lines = text.split("\n")
                dice.shuffle(lines) if dice.random() < 0.05 else lines.pop(
                    dice.randrange(len(lines))
                )
                text = "\n".join(lines)
    return text
