"""Danger in a line that a person typed. A missed one can kill; a doubtful one costs a question."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.words.clauses import SMALL, tokenize
from diagnose.words.features import Seen
from diagnose.words.lexicon import Hit, Lexicon
from diagnose.words.measures import measures
from diagnose.words.stems import stem, written
from diagnose.words.typos import Speller
from diagnose.words.weights import Weights, judge, shipped

LONGEST = 2000  # letters of one line that are heard; more is a paste, which is heard line by line


COMMON = Path(__file__).with_name("common.txt")  # made with the weights, by the same command
PLAIN = 0.15  # probability from which a plain, undenied phrase of danger is asked about


@lru_cache(maxsize=1)
def common_words() -> tuple[str, ...]:
    """Words of everyday lines, which are not taken for slips of the finger."""
    return tuple(COMMON.read_text(encoding="utf-8").split()) if COMMON.exists() else ()


class Heard(NamedTuple):
    """Danger in a line.

    signs     danger signs, likeliest first; empty when nothing plain was said
    doubtful  nothing plain was said: ask the general question
    because   the words that told it, as they were typed
    panel     whether a panel or what belongs to it is named
    """

    signs: tuple[str, ...]
    doubtful: bool
    because: tuple[str, ...]
    panel: bool


_PATH = re.compile(r"(?:[A-Za-z]:)?(?:[\\/~.]+[\w.@-]+)+[\\/]?|\b[\w-]+\.(?:ya?ml|csv|txt|log|json|pcapng|pcap|wav|html?|bin)\b|\w+://\S+|\S+@\S+")
_OPTION = re.compile(r"(?:^|\s)--?[a-z][\w-]*(?:[= ](?!-)\S+)?")
_HEX = re.compile(r"\b(?:0x[0-9a-f]+|(?:[0-9a-f]{2}[ :]){2,}[0-9a-f]{2})\b", re.I)
_WHAT_IF = re.compile(r"\s*what-if\b", re.I)
_ANSWERED = re.compile(r"^\s*(?:read|check)\s+(?P<check>[a-z0-9.-]+).*?=\s*(?P<answer>[a-z0-9 -]+?)\s*$", re.I)


class Listener:
    """Hears danger by the words of one rule base."""

    def __init__(self, k: m.Knowledge, weights: Weights | None = None) -> None:
        self.lexicon = Lexicon(k.groups, k.words)
        self.weights = weights or shipped()
        known = [w for g in k.groups.values() if g.calm or g.id == "lookalikes" for text in g.words for w in text.split()]
        self.speller = Speller(self.lexicon.spelled, [*known, *written(), *SMALL, *common_words()])
        self.ids = frozenset(i for i in (*k.checks, *k.remedies, *k.faults) if "-" in i)
        self.answers = {c.id: frozenset(c.outcome_ids) for c in k.checks.values()}

    def seen(self, text: str) -> Seen:
        """A line as the lexicon sees it."""
        tokens = tokenize(self._bare(text), self._mean, self.lexicon.telling.__contains__, self.lexicon.things.__contains__)
        classes = self.lexicon.classes(tokens)
        for i, kind in measures([t.said for t in tokens]).items():
            classes[i][kind] = 1
        return Seen(tokens, classes, self.lexicon.hits(tokens, classes), self.lexicon.excused(tokens, classes))

    def listen(self, text: str) -> Heard | None:
        """The danger that a line tells, or nothing."""
        if not text.strip() or _WHAT_IF.match(text):
            return None
        seen = self.seen(text)
        if not seen.tokens:
            return None
        plain = [h for h in seen.hits if not h.denied]
        sure, told = judge(self.weights, seen)
        if sure < (min(PLAIN, self.weights.sure) if plain else self.weights.sure):
            return None
        panel = any("panel" in groups for groups in seen.classes)
        if plain:
            words = sorted({i for h in plain for i in h.at})
            return Heard(_ranked(plain), False, tuple(dict.fromkeys(seen.tokens[i].said for i in words)), panel)
        return Heard((), True, tuple(dict.fromkeys(seen.tokens[i].said for i in told)), panel)

    def _mean(self, word: str) -> str:
        return stem(self.speller.right(word))

    def _bare(self, text: str) -> str:
        """A line without what is no speech: paths, options, hex, names of the rule base."""
        text = text[:LONGEST]
        answered = _ANSWERED.match(text)
        if answered and answered["answer"].strip().lower().replace(" ", "-") in self.answers.get(answered["check"].lower(), ()):
            text = text[: answered.start("answer")]
        text = _HEX.sub(" ", _OPTION.sub(" ", _PATH.sub(" ", text)))
        return re.sub(r"[a-z0-9.]+(?:-[a-z0-9.]+)+", lambda w: " " if w.group() in self.ids else w.group(), text)


def _ranked(hits: Iterable[Hit]) -> tuple[str, ...]:
    """Signs by how many words speak for them, then by name; what names none of them last."""
    words: dict[str, set[int]] = {}
    for hit in hits:
        words.setdefault(hit.sign, set()).update(hit.at)
    return tuple(sorted(words, key=lambda sign: (sign == "not-clear", -len(words[sign]), sign)))


_kept: dict[str, Listener] = {}


def listener(k: m.Knowledge) -> Listener:
    """The listener that a rule base makes; kept, so that asking again costs nothing."""
    if k.key not in _kept:
        _kept.clear()
        _kept[k.key] = Listener(k)
    return _kept[k.key]


@lru_cache(maxsize=1)
def _shipped() -> m.Knowledge:
    return load()


def listen(text: str, k: m.Knowledge | None = None) -> Heard | None:
    """The danger that a line tells by the words of `k`, or of the shipped rule base."""
    return listener(k or _shipped()).listen(text)
