"""Slips of the finger: letters missing, doubled, changed or in the wrong order."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache


def distance(a: str, b: str, most: int) -> int:
    """Edits from `a` to `b`: insert, delete, change, or swap two neighbors (optimal string alignment).

    Gives most + 1 as soon as it is sure to be more than `most`.
    """
    if abs(len(a) - len(b)) > most:
        return most + 1
    before: list[int] = []
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        older, before, row = before, row, [i]
        for j, y in enumerate(b, 1):
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (x != y))
            if i > 1 and j > 1 and x == b[j - 2] and a[i - 2] == y:
                cost = min(cost, older[j - 2] + 1)
            row.append(cost)
        if min(row) > most:
            return most + 1
    return min(row[-1], most + 1)


@lru_cache(maxsize=20_000)
def sound(word: str) -> str:
    """A word spelled as it sounds, roughly: kable, cable -> kable; xplode -> eksplode."""
    word = re.sub(r"^x", "ex", word)
    for written, heard in (("ph", "f"), ("ck", "k"), ("c(?=[eiy])", "s"), ("c(?!h)", "k"), ("q", "k"), ("x", "ks"), ("gh(?=t)", ""), ("z", "s")):
        word = re.sub(written, heard, word)
    return re.sub(r"(.)\1", r"\1", word)


def _first(word: str) -> str:
    """The letter that `sound` begins a word with."""
    if word[0] == "c":
        return "s" if word[1] in "eiy" else "c" if word[1] == "h" else "k"
    return "f" if word.startswith("ph") else {"q": "k", "x": "e", "z": "s"}.get(word[0], word[0])


def allowed(length: int) -> int:
    """How many slips a word of that many letters may hold. Short words are other words after one."""
    return 0 if length < 4 else 1 if length < 8 else 2


class Speller:
    """Known words, and the nearest of the wanted ones to a word that is not known."""

    def __init__(self, wanted: Iterable[str], known: Iterable[str]) -> None:
        self.known = frozenset(known) | frozenset(wanted)
        self._by_start: dict[str, list[str]] = {}
        for word in sorted(set(wanted)):
            if len(word) >= 4:
                for start in {word[0], word[1], _first(word)}:
                    self._by_start.setdefault(start, []).append(word)
        self._kept: dict[str, str] = {}

    def right(self, word: str) -> str:
        """`word`, or the wanted word that it was meant to be."""
        if word in self.known or len(word) < 4 or not word.isalpha():
            return word
        if word not in self._kept:
            self._kept[word] = self._nearest(word)
        return self._kept[word]

    def _nearest(self, word: str) -> str:
        most = allowed(len(word))
        best = (most + 1, word)
        for start in sorted({word[0], _first(word)}):
            for other in self._by_start.get(start, ()):
                far = self._far(word, other, best[0] - 1)
                if far < best[0] and far <= allowed(len(other)):
                    best = (far, other)
        return best[1]

    @staticmethod
    def _far(word: str, other: str, most: int) -> int:
        """Slips between two words. The first letter is seldom wrong; a word with another one is mostly another word."""
        swapped = word[1] == other[0] and word[0] == other[1]
        if abs(len(word) - len(other)) > most + 1 or (_first(word) != _first(other) and not swapped):
            return most + 1
        if len(set(word) ^ set(other)) > 2 * most + 2:  # cheap, and enough to pass most words over
            return most + 1
        return min(distance(word, other, most), distance(sound(word), sound(other), most))
