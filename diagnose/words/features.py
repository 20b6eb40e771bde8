"""What the linear model sees of a line: its words, word pairs, pieces of words, groups, and phrases found."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from diagnose.words.clauses import DENIERS, SMALL, Token
from diagnose.words.lexicon import Hit

SIZE = 1 << 18
# How much each family of features weighs in all, so that long lines count no more than short ones.
FAMILIES = {"w": 1.0, "p": 1.0, "c": 1.0, "g": 1.0, "h": 0.7}


class Seen(NamedTuple):
    """One line as the lexicon sees it."""

    tokens: Sequence[Token]
    classes: Sequence[Mapping[str, int]]
    hits: Sequence[Hit]
    excused: Sequence[tuple[str, tuple[int, ...]]]


def place(name: str) -> int:
    """Where a feature's weight stands."""
    return zlib.crc32(name.encode()) % SIZE


def features(seen: Seen) -> list[tuple[str, float, tuple[int, ...]]]:
    """(name, value, the tokens it comes from); within a family the values have length FAMILIES[family]."""
    found: dict[str, tuple[int, ...]] = {}
    for name, at in _names(seen):
        found.setdefault(name, at)
    many: dict[str, int] = {}
    for name in found:
        many[name[0]] = many.get(name[0], 0) + 1
    return [
        (name, FAMILIES[name[0]] if name[0] == "h" else FAMILIES[name[0]] / math.sqrt(many[name[0]]), at) for name, at in found.items()
    ]


def _names(seen: Seen) -> Iterator[tuple[str, tuple[int, ...]]]:
    yield from _words(seen.tokens)
    yield from _pieces(seen.tokens)
    yield from _groups(seen)
    yield from _phrases(seen)


def _words(tokens: Sequence[Token]) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Words, and pairs of neighbors with and without the small words."""
    marked = [_marked(t) for t in tokens]
    for i, word in enumerate(marked):
        yield f"w{word}", (i,)
    ends = ["^", *marked, "$"]
    for i, (a, b) in enumerate(pairwise(ends)):
        yield f"p{a} {b}", tuple(j for j in (i - 1, i) if 0 <= j < len(tokens))
    large = [i for i, t in enumerate(tokens) if t.said not in SMALL]
    for i, j in pairwise(large):
        yield f"p{marked[i]}_{marked[j]}", (i, j)


def _marked(token: Token) -> str:
    word = "0" if token.word[0].isdigit() else token.word
    return f"!{word}" if token.denied else word


def _pieces(tokens: Sequence[Token]) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Pieces of three to five letters of words as they were typed."""
    for i, token in enumerate(tokens):
        if token.said in SMALL or token.said in DENIERS or token.said[0].isdigit():
            continue
        word = f"<{token.said}>"
        mark = "!" if token.denied else ""
        for size in (3, 4, 5):
            for start in range(len(word) - size + 1):
                yield f"c{mark}{word[start : start + size]}", (i,)


def _groups(seen: Seen) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Groups of words, each two of a sentence together, and a group beside a word."""
    named = [(i, f"{'!' if seen.tokens[i].denied else ''}{g}") for i, groups in enumerate(seen.classes) for g in groups if g != "lookalikes"]
    for i, g in named:
        yield f"g{g}", (i,)
    for n, (i, a) in enumerate(named):
        for j, b in named[n + 1 :]:
            if i != j and abs(i - j) < 9 and seen.tokens[i].sentence == seen.tokens[j].sentence:
                yield f"g{'+'.join(sorted((a, b)))}", (i, j)


def _phrases(seen: Seen) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Phrases of the lexicon: plain, denied, or excused as harmless."""
    for hit in seen.hits:
        yield f"h{'no ' if hit.denied else ''}{hit.sign}", hit.at
        if not hit.denied:
            yield "hany", hit.at
    for sign, at in seen.excused:
        yield f"hfree {sign}", at
        yield "hfree", at
    if not any(not h.denied for h in seen.hits):
        yield "hquiet", ()
    said = len(seen.tokens)
    yield f"hlong{0 if said < 3 else 1 if said < 6 else 2 if said < 12 else 3}", ()
