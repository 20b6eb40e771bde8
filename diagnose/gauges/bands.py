"""Helpers that gauges share: bands from limits, and facts that the record may lack."""

from __future__ import annotations

import math
from collections.abc import Sequence

from diagnose.gauges.base import Band
from diagnose.site.model import Site
from diagnose.site.places import Place


def ladder(first: str, *steps: tuple[float, str], start: float = -math.inf, end: float = math.inf) -> tuple[Band, ...]:
    """Bands without gaps: `first` from `start`, then from each limit the outcome beside it; empty ones dropped."""
    names = [first, *(name for _, name in steps)]
    edges = [start, *(limit for limit, _ in steps), end]
    for n in range(1, len(edges)):
        edges[n] = max(edges[n], edges[n - 1])
    pairs = zip(names, edges, edges[1:], strict=False)
    return tuple(Band(name, low, high) for name, low, high in pairs if low < high)


def either_sign(bands: Sequence[Band]) -> tuple[Band, ...]:
    """Bands from zero up, mirrored to the negative side: for leads put on the other way round."""
    return (*(Band(b.outcome, -b.high, -b.low) for b in reversed(bands)), *bands)


def between(low: float, high: float) -> float:
    """The limit between two figures to be told apart: their geometric mean; twice the lower when one is open."""
    return low * 2 if math.isinf(high) else math.sqrt(low * high)


class Record:
    """Facts of one place, with a note of each that was missing and had to be assumed."""

    def __init__(self, site: Site, place: Place) -> None:
        self.site, self.place = site, place
        self.assumed: list[str] = []

    def number(self, key: str, otherwise: float, says: str) -> float:
        """The fact, or `otherwise` with the note `says`."""
        value = self.site.number(key, self.place)
        if value is None:
            self.note(says)
            return otherwise
        return value

    def word(self, key: str, otherwise: str, says: str) -> str:
        """The fact, or `otherwise` with the note `says`."""
        value = self.site.word(key, self.place)
        if value is None:
            self.note(says)
            return otherwise
        return value

    def note(self, says: str) -> None:
        """Remember an assumption, once."""
        if says not in self.assumed:
            self.assumed.append(says)


def awg_of(choice: str) -> float:
    """The number of a wire choice such as `24-awg`."""
    return float(choice.partition("-")[0])


def figure(value: float) -> str:
    """A number as a person would say it: three digits at most, no exponent below a million."""
    if math.isinf(value):
        return "open"
    if abs(value) >= 1e6:
        return f"{value / 1e6:.3g} M"
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
