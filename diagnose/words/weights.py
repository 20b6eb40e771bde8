"""The weights of the linear model, in one compact file that `python -m tests.words.train` makes."""

from __future__ import annotations

import json
import math
import zlib
from array import array
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from diagnose.words.features import SIZE, Seen, features, place

FILE = Path(__file__).with_name("weights.bin")


class Weights(NamedTuple):
    """`scale` times a whole number of -127 to 127 for each place, beside a bias.

    sure   probability from which the model alone is enough to ask
    """

    numbers: Sequence[int]
    scale: float
    bias: float
    sure: float


def encode(numbers: Sequence[int], scale: float, bias: float, sure: float) -> bytes:
    """The file's content."""
    head = json.dumps({"scale": round(scale, 8), "bias": round(bias, 6), "sure": round(sure, 4)})
    return head.encode() + b"\n" + zlib.compress(array("b", numbers).tobytes(), 9)


def decode(data: bytes) -> Weights:
    """Weights from a file's content. Raises ValueError when it is none."""
    head, _, body = data.partition(b"\n")
    values = json.loads(head)
    numbers = array("b")
    numbers.frombytes(zlib.decompress(body))
    if len(numbers) != SIZE:
        raise ValueError(f"weights for {len(numbers)} places, expected {SIZE}")
    return Weights(numbers, values["scale"], values["bias"], values["sure"])


@lru_cache(maxsize=1)
def shipped() -> Weights:
    """The weights that ship with the program."""
    return decode(FILE.read_bytes())


def judge(weights: Weights, seen: Seen) -> tuple[float, tuple[int, ...]]:
    """(probability that a line tells danger, the tokens that spoke for it most, in their order)."""
    total = weights.bias
    share = [0.0] * len(seen.tokens)
    for name, value, at in features(seen):
        part = weights.numbers[place(name)] * weights.scale * value
        total += part
        for i in at:
            share[i] += part / len(at)
    most = max(share, default=0.0)
    told = tuple(i for i, part in enumerate(share) if part > 0 and part >= 0.4 * most)
    return 1 / (1 + math.exp(-max(-50.0, min(50.0, total)))), told
