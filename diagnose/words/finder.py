"""Matching what people say to what the rule base calls it: stems, rare words count more, typos forgiven."""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Iterable
from typing import Generic, TypeVar

from diagnose.words.stems import regular

Key = TypeVar("Key")

_IDLE = frozenset(
    [
        "a", "an", "the", "is", "are", "was", "were", "be", "been", "am", "at", "of", "on", "in", "to", "for",
        "from", "with", "and", "or", "it", "its", "it's", "this", "that", "these", "those", "there", "here",
        "i", "we", "they", "he", "she", "you", "our", "my", "your", "their", "some", "any", "has", "have",
        "had", "do", "does", "did", "but", "so", "just", "very", "please", "still", "when", "while", "if",
        "by", "as", "then", "than", "too", "also", "again", "now", "get", "gets", "got", "seems", "seem",
        "like", "says", "say", "about", "unit", "units", "station", "stations", "charger", "chargers", "post",
        "posts", "number",
    ]
)
_SAME = {
    "ev": "vehicle",
    "car": "vehicle",
    "cars": "vehicle",
    "internet": "network",
    "gfci": "ground fault",
    "rcd": "ground fault",
    "gfi": "ground fault",
    "burnt": "burn",
    "quiet": "silent",
    "mute": "silent",
    "reboots": "restart",
    "rebooting": "restart",
    "portal": "office",
    "smells": "smell",
    "none": "not",
    "no": "not",
    "never": "not",
    "nothing": "not",
    "cannot": "not",
    "cant": "not",
}
_NEGATED = re.compile(r"\b(\w+?)n['’]t\b|\b(ca|do|does|did|wo|is|are|was|has|have)nt\b")
_WORD = re.compile(r"[a-z0-9µω]+")
NEAR = 0.8  # ratio from which two words are taken for one with a slip of the finger


def tokens(text: str) -> tuple[str, ...]:
    """The telling words of a text, as stems, each once, in their order."""
    plain = _NEGATED.sub(lambda found: f"{found.group(1) or found.group(2)} not", text.lower())
    found = [part for word in _WORD.findall(plain) for part in _SAME.get(word, word).split()]
    return tuple(dict.fromkeys(regular(word) for word in found if word not in _IDLE))


def is_negated(text: str) -> bool:
    """Whether a text denies something."""
    return "not" in tokens(text)


class Finder(Generic[Key]):
    """Texts with keys; several texts may share a key, the best one counts."""

    def __init__(self, texts: Iterable[tuple[Key, str]]) -> None:
        self.entries = [(key, frozenset(tokens(text))) for key, text in texts]
        count = Counter(word for _, words in self.entries for word in words)
        total = max(len(self.entries), 1)
        self.weights = {word: math.log(1 + total / n) for word, n in count.items()}
        self.most = max(self.weights.values(), default=1.0)

    def _known(self, word: str) -> dict[str, float]:
        """The words of the texts that `word` stands for, with how surely."""
        if word in self.weights:
            return {word: 1.0}
        if len(word) < 4:
            return {}
        close = difflib.get_close_matches(word, self.weights, n=3, cutoff=NEAR)
        starts = [w for w in self.weights if len(w) >= 4 and (w.startswith(word) or word.startswith(w))]
        return dict.fromkeys((*close, *starts), 0.8)

    def search(self, text: str, most: int = 5, least: float = 0.3) -> list[tuple[Key, float]]:
        """The best keys with their scores of 0 to 1, best first."""
        wanted = {word: self._known(word) for word in tokens(text)}
        if not wanted:
            return []
        weight = {
            w: max((self.weights[x] for x in near), default=0.3 * self.most) for w, near in wanted.items()
        }
        total = sum(weight.values())
        best: dict[Key, float] = {}
        for key, words in self.entries:
            hit = {
                w: max((s for x, s in near.items() if x in words), default=0.0) for w, near in wanted.items()
            }
            matched = sum(weight[w] * s for w, s in hit.items())
            if matched <= 0:
                continue
            size = sum(self.weights[w] for w in words)
            score = 0.65 * matched / total + 0.35 * min(matched / size, 1.0)
            if score > best.get(key, 0.0):
                best[key] = score
        order = sorted(best, key=lambda key: (-round(best[key], 6), str(key)))
        return [(key, best[key]) for key in order[:most] if best[key] >= least]
