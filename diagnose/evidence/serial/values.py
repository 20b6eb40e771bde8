"""A hint from the values: 32-bit floats whose two registers stand the other way round."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence

FEWEST_ROWS, FEWEST_PAIRS = 6, 1
SMALLEST, LARGEST = 1e-2, 1e7  # what a measured value of the trade lies between (common practice)


def sensible(pair: bytes) -> bool:
    """Whether four bytes read as a 32-bit float could be a measured value."""
    value = abs(struct.unpack(">f", pair)[0])
    return not math.isnan(value) and SMALLEST <= value <= LARGEST


def exchanged_pairs(rows: Sequence[bytes]) -> int:
    """Pairs of registers that are sensible floats in every reply with their words exchanged, and seldom as sent."""
    found = 0
    size = min((len(r) for r in rows), default=0)
    for at in range(0, size - 3, 4):
        pairs = [r[at : at + 4] for r in rows]
        if len(set(pairs)) < 3:  # what never changes says nothing
            continue
        as_sent = sum(sensible(p) for p in pairs)
        found += all(sensible(p[2:] + p[:2]) for p in pairs) and as_sent < len(pairs) / 2
    return found


def exchanged_words(samples: Mapping[int, Mapping[int, Sequence[bytes]]]) -> dict[int, int]:
    """Per address how many such pairs its kept replies show."""
    found: dict[int, int] = {}
    for address, lengths in samples.items():
        pairs = sum(exchanged_pairs(rows) for rows in lengths.values() if len(rows) >= FEWEST_ROWS)
        if pairs >= FEWEST_PAIRS:
            found[address] = pairs
    return found
