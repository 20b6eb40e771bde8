"""The words blocks of a rule base, compiled, and what of them stands in a line."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from diagnose.knowledge import model as m
from diagnose.words.clauses import DENIERS, SMALL, Token
from diagnose.words.stems import stem

WINDOW = 10  # words within which parts that belong together stand
SKIPPED = 3  # small words that may stand between two words of a phrase

Phrase = tuple[str, ...]  # stems or <groups>, in their order


class Hit(NamedTuple):
    """A phrase that stands in a line: of which sign, at which tokens, and whether it is denied there."""

    sign: str
    at: tuple[int, ...]
    denied: bool
    phrase: str


def parse_phrase(text: str) -> Phrase:
    """`hot <plug>` as items: words without their endings, groups in angle brackets."""
    words = text.lower().split()
    if any(mark in text for mark in "-'’"):
        words = re.sub(r"<[^<>]*>|-|['’]", _kept, text.lower()).split()
    return tuple(word if word.startswith("<") else stem(word) for word in words)


def parse_part(text: str) -> tuple[Phrase, ...]:
    """`<equipment>|plugged in` as the phrases any of which will do."""
    return tuple(parse_phrase(p) for p in text.split("|"))


def _kept(found: re.Match[str]) -> str:
    return found.group() if found.group().startswith("<") else " " if found.group() == "-" else ""


class Lexicon:
    """Groups and phrases of a rule base, ready to be looked up."""

    def __init__(self, groups: Mapping[str, m.Group], words: Mapping[str, m.Words]) -> None:
        self.groups = _Table((g.id, parse_phrase(w), w) for g in groups.values() for w in g.words)
        self.calm = frozenset(g.id for g in groups.values() if g.calm)
        self.phrases = _Table((w.id, parse_phrase(p), p) for w in words.values() for p in w.phrases)
        self.harmless = _Table((w.id, parse_phrase(p), p) for w in words.values() for p in w.harmless)
        self.together = tuple(
            (w.id, tuple(parse_part(part) for part in text.split("+")), text) for w in words.values() for text in w.together
        )
        self._parts = _Table(("", p, "") for _, parts, _ in self.together for part in parts for p in part)
        self._begun_by: dict[Phrase, list[int]] = defaultdict(list)  # rows of `together` by the phrases of their first part
        for n, (_, parts, _) in enumerate(self.together):
            for phrase in parts[0]:
                self._begun_by[phrase].append(n)
        self._single = self._words_of_groups(groups)
        self.things = self._single["equipment"] | self._single["panel"] | self._single["metal"]
        self.telling = self._telling()
        self.spelled = self._spelled(groups, words)

    def _words_of_groups(self, groups: Mapping[str, m.Group]) -> dict[str, frozenset[str]]:
        found: dict[str, frozenset[str]] = defaultdict(frozenset)
        for g in groups.values():
            found[g.id] = frozenset(stem(w.lower()) for w in g.words if " " not in w)
        return found

    def _telling(self) -> frozenset[str]:
        """Words that tell danger: those of phrases and of groups, but not small words, parts or places."""
        found: set[str] = set()
        phrases = [p for _, p, _ in self.phrases.rows] + [p for _, p, _ in self._parts.rows]
        for item in (item for p in phrases for item in p):
            found |= self._single[item[1:-1]] if item.startswith("<") else {item}
        dull = frozenset().union(
            *(
                self._single[g]
                for g in (
                    "equipment", "panel", "metal", "person", "animal", "vehicle", "building", "body",
                    "touching",
                )
            )
        )
        return frozenset(w for w in found if w not in SMALL and w not in DENIERS and w not in dull)

    def _spelled(self, groups: Mapping[str, m.Group], words: Mapping[str, m.Words]) -> frozenset[str]:
        """Every word that is written in a block, as it is written."""
        texts = [w for g in groups.values() if not g.calm and g.id != "lookalikes" for w in g.words]
        texts += [t for w in words.values() for t in (*w.phrases, *w.together, *w.harmless)]
        return frozenset(re.findall(r"[a-z]+", re.sub(r"<[a-z-]+>", " ", " ".join(texts).lower())))

    def classes(self, tokens: Sequence[Token]) -> list[dict[str, int]]:
        """For each token, the groups that begin there, each with how many tokens it takes."""
        found: list[dict[str, int]] = [{} for _ in tokens]
        for start in range(len(tokens)):
            for group, phrase, _ in self.groups.starting(tokens[start].word, ()):
                spans = _match(phrase, tokens, found, start)
                if spans:
                    found[start][group] = max(spans[-1] - start + 1, found[start].get(group, 0))
        return found

    def hits(self, tokens: Sequence[Token], classes: Sequence[Mapping[str, int]]) -> list[Hit]:
        """Every phrase that stands in a line, denied or not, but for harmless ones."""
        erased: dict[str, set[int]] = defaultdict(set)
        for sign, at in self.excused(tokens, classes):
            erased[sign].update(at)
        hits = [_hit(sign, at, tokens, text) for sign, at, text in _found(self.phrases, tokens, classes)]
        hits += self._together(tokens, classes)
        return [h for h in hits if not erased[h.sign].intersection(h.at)]

    def excused(self, tokens: Sequence[Token], classes: Sequence[Mapping[str, int]]) -> list[tuple[str, tuple[int, ...]]]:
        """The harmless phrases of a line, each with its sign; no word may stand between: `smoke vent`, not `smoke from the vent`."""
        return [(sign, at) for sign, at, _ in _found(self.harmless, tokens, classes) if at[-1] - at[0] < len(at)]

    def _together(self, tokens: Sequence[Token], classes: Sequence[Mapping[str, int]]) -> list[Hit]:
        spans: dict[Phrase, list[tuple[int, ...]]] = defaultdict(list)
        for start, token in enumerate(tokens):
            for _, phrase, _ in self._parts.starting(token.word, classes[start]):
                at = _match(phrase, tokens, classes, start)
                if at and at not in spans[phrase]:
                    spans[phrase].append(at)
        hits = []
        for n in sorted({n for phrase in spans for n in self._begun_by.get(phrase, ())}):
            sign, parts, text = self.together[n]
            found = [[at for p in part for at in spans.get(p, ())] for part in parts]
            if all(found):
                for chosen in product(*found):
                    at = tuple(sorted(i for span in chosen for i in span))
                    if len(set(at)) == len(at) and at[-1] - at[0] < WINDOW and tokens[at[0]].sentence == tokens[at[-1]].sentence:
                        hits.append(_hit(sign, at, tokens, text))
        return hits


class _Table:
    """Phrases by the first word or group that they can begin with."""

    def __init__(self, rows: Iterable[tuple[str, Phrase, str]]) -> None:
        self.rows = list(dict.fromkeys(rows))
        self._first: dict[str, list[tuple[str, Phrase, str]]] = defaultdict(list)
        for row in self.rows:
            if row[1]:
                self._first[row[1][0]].append(row)

    def starting(self, word: str, groups: Iterable[str]) -> list[tuple[str, Phrase, str]]:
        """The phrases that may begin with a word that belongs to these groups."""
        found = list(self._first.get(word, ()))
        for group in groups:
            found += self._first.get(f"<{group}>", ())
        return found


def _found(
    table: _Table, tokens: Sequence[Token], classes: Sequence[Mapping[str, int]]
) -> list[tuple[str, tuple[int, ...], str]]:
    found = []
    for start, token in enumerate(tokens):
        for key, phrase, text in table.starting(token.word, classes[start]):
            at = _match(phrase, tokens, classes, start)
            if at:
                found.append((key, at, text))
    return found


def _match(phrase: Phrase, tokens: Sequence[Token], classes: Sequence[Mapping[str, int]], start: int) -> tuple[int, ...]:
    """The tokens at which a phrase stands, beginning at `start`; empty when it does not."""
    at: list[int] = []
    place, end, sentence = start, len(tokens), tokens[start].sentence
    for item in phrase:
        skipped = 0
        while True:
            if place >= end or tokens[place].sentence != sentence:
                return ()
            size = _size(item, tokens[place], classes[place])
            if size:
                break
            if not at or skipped == SKIPPED or tokens[place].said not in SMALL:
                return ()
            skipped += 1
            place += 1
        at.extend(range(place, place + size))
        place += size
    return tuple(at)


def _size(item: str, token: Token, classes: Mapping[str, int]) -> int:
    """How many tokens an item takes at a token; 0 when it is not there."""
    if item == token.word or item == token.said:  # no tuple: this runs some hundred times for a line
        return 1
    return classes.get(item[1:-1], 0) if item[0] == "<" else 0


def _hit(sign: str, at: tuple[int, ...], tokens: Sequence[Token], text: str) -> Hit:
    """A denial that belongs to the phrase, as in "can not be switched off", denies nothing of it."""
    own = next((i for i in at if tokens[i].word in DENIERS), len(tokens))
    return Hit(sign, at, any(tokens[i].denied for i in at if i < own), text)
