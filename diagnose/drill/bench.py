"""The simulated site: what a check would answer with these faults hidden in it.

The causal model of the rule base run forwards, nothing else: whatever a fault is said to show is
what the bench shows.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np

from diagnose.belief.tables import ALIKE, Floats, Tables
from diagnose.site.places import Place


class Bench:
    """Answers checks for hidden faults. With a random source it draws, without one it gives the likeliest.

    Repairing takes the faults with that remedy at that place out of the site.
    """

    def __init__(self, tables: Tables, hidden: Sequence[tuple[str, Place]], source: random.Random | None = None) -> None:
        self.tables = tables
        self.source = source
        numbers = {(name, tables.where(n)): n for n, name in enumerate(tables.fault)}
        missing = [h for h in hidden if h not in numbers]
        if missing:
            raise ValueError(f"{missing[0][0]} is not possible at {missing[0][1]} with this install record")
        self.singles = [numbers[h] for h in hidden]
        self.drawn: dict[tuple[str, Place], str] = {}
        self.alike: dict[tuple[str, tuple[int, ...] | None], str] = {}

    def answer(self, check: str, place: Place) -> str:
        """The outcome of a check at a place; the same question gets the same answer until something is repaired."""
        key = (check, place)
        if key not in self.drawn:
            chances = self.chances(check, place)
            ids = self.tables.knowledge.checks[check].outcome_ids
            last = self.alike.get((check, self._codes(check, place)))
            if last is not None:
                chances = (1 - ALIKE) * chances
                chances[ids.index(last)] += ALIKE
            if self.source is None:
                self.drawn[key] = ids[int(np.argmax(chances))]
            else:
                self.drawn[key] = self.source.choices(ids, weights=[float(c) for c in chances])[0]
            codes = self._codes(check, place)
            if codes is not None:
                self.alike[check, codes] = self.drawn[key]
        return self.drawn[key]

    def _codes(self, check: str, place: Place) -> tuple[int, ...] | None:
        """How a place lies to the hidden faults, None when none of them says anything there."""
        tables, number = self.tables, self.tables.index.number[place]
        if tables.is_predicted(check):
            return None
        codes = tuple(int(tables.index.relation[tables.place[s], number]) for s in self.singles)
        said = [tables.related[check][tables.row[s], c] for s, c in zip(self.singles, codes, strict=True)]
        return codes if any(said) else None

    def answers(self, check: str, places: Sequence[Place]) -> dict[Place, str]:
        """Answers at several places asked at once."""
        return {place: self.answer(check, place) for place in places}

    def repair(self, remedy: str, place: Place) -> bool:
        """Do a repair; whether it took a hidden fault away."""
        k = self.tables.knowledge
        left = [
            s for s in self.singles
            if not (k.faults[self.tables.fault[s]].remedy == remedy and self.tables.where(s) == place)
        ]  # fmt: skip
        cured = len(left) < len(self.singles)
        if cured:
            self.drawn.clear()
            self.alike.clear()
        self.singles = left
        return cured

    def chances(self, check: str, place: Place) -> Floats:
        tables = self.tables
        base = tables.base[check]
        if tables.is_predicted(check):
            changes = tuple(sorted(c for s in self.singles for c in tables.alterations(s)))
            if changes or not self.singles:
                return tables.network(check, place, changes)
            only: Floats = tables.distribution(check, place, np.array(self.singles[:1], dtype=np.intp))[0]
            return only
        if not self.singles:
            return base
        rows = tables.distribution(check, place, np.array(self.singles, dtype=np.intp))
        up_to = np.cumsum(rows, axis=1).prod(axis=0) / np.cumsum(base) ** (len(rows) - 1)
        chances = np.diff(np.concatenate([[0.0], up_to]))
        return np.asarray(np.clip(chances, 0.0, None), dtype=np.float64)
