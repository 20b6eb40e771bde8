"""A network of resistors with any wiring: resistance between two points, voltage from ideal sources.

Points are eliminated one after the other by the star-mesh transformation (Rosen 1924, textbook), which only adds,
multiplies and divides conductances: floating parts, opens and milliohm shorts cost no accuracy, and no matrix is
needed. On a ladder each point has a handful of neighbours, so the work grows with the length only.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping

Point = Hashable
SMALLEST_OHMS = 1e-6


class Network:
    """Resistors between named points; values in ohm, no value depends on the order of joining."""

    def __init__(self) -> None:
        self._links: dict[Point, dict[Point, float]] = {}

    def join(self, a: Point, b: Point, ohms: float) -> None:
        """Connect two points by a resistance in ohm; inf is no connection, under 1 microohm counts as that.

        Errors: ValueError for a negative or undefined resistance.
        """
        if math.isnan(ohms) or ohms < 0:
            raise ValueError(f"resistance between {a} and {b} is {ohms:g} ohm; it must be zero or above")
        for end in (a, b):
            self._links.setdefault(end, {})
        if a == b or math.isinf(ohms):
            return
        conductance = 1 / max(ohms, SMALLEST_OHMS)
        self._links[a][b] = self._links[a].get(b, 0.0) + conductance
        self._links[b][a] = self._links[b].get(a, 0.0) + conductance

    def _reduced(self, keep: Iterable[Point]) -> dict[Point, dict[Point, float]]:
        """The equivalent network of conductances, seen at the points to keep."""
        kept = set(keep)
        links = {point: dict(to) for point, to in self._links.items()}
        for point in kept:
            links.setdefault(point, {})
        # Hubs last: a common wire eliminated early would join every unit to every other.
        for point in sorted((p for p in links if p not in kept), key=lambda p: len(links[p])):
            star = list(links.pop(point).items())
            total = sum(conductance for _, conductance in star)
            for i, (a, to_a) in enumerate(star):
                del links[a][point]
                for b, to_b in star[:i]:
                    conductance = links[a].get(b, 0.0) + to_a * to_b / total
                    links[a][b] = links[b][a] = conductance
        return links

    def seen_from(self, points: Iterable[Point]) -> Network:
        """The equivalent network at these points alone. Source: star-mesh transformation (textbook)."""
        small = Network()
        small._links = self._reduced(points)
        return small

    def resistance(self, a: Point, b: Point) -> float:
        """Resistance in ohm that a meter sees between two points; inf when nothing joins them.

        Source: Kirchhoff and Ohm.
        """
        if a == b:
            return 0.0
        conductance = self._reduced((a, b))[a].get(b, 0.0)
        return 1 / conductance if conductance > 0 else math.inf

    def voltage(self, point: Point, fixed: Mapping[Point, float]) -> float | None:
        """Voltage in V of a point while other points are held at the voltages in V of `fixed`.

        Nothing when no path leads from the point to a held one. Source: Kirchhoff and Ohm.
        """
        if point in fixed:
            return fixed[point]
        star = self._reduced((point, *fixed))[point]
        total = math.fsum(star.values())
        return math.fsum(conductance * fixed[to] for to, conductance in star.items()) / total if total > 0 else None
