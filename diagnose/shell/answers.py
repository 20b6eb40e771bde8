"""What a person means by an answer to a check, and by a place."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from typing import NamedTuple

from diagnose.casework.answers import UNKNOWN, plain, said
from diagnose.casework.state import AnswerError, find_places, take_answer
from diagnose.gauges import load_all
from diagnose.gauges.base import READINGS
from diagnose.knowledge import model as m
from diagnose.quantities import Ambiguous, Quantity, Wrong, parse
from diagnose.site.model import Site
from diagnose.site.places import KINDS, Place, describe
from diagnose.source.problems import shown
from diagnose.words.finder import Finder, is_negated, tokens
from diagnose.words.stems import regular

SURE = 0.62  # score from which words are taken for an outcome without asking back
CLEAR = 1.25  # how far ahead of the next one it has to be


class Taken(NamedTuple):
    """An answer understood: the text that is recorded, and the words that were typed."""

    text: str
    typed: str


class TwoWays(NamedTuple):
    """A value that can be read in several ways."""

    question: str
    readings: tuple[str, ...]


def understand(
    k: m.Knowledge, site: Site, check: m.Check, places: tuple[Place, ...], typed: str
) -> Taken | TwoWays:
    """The answer that `typed` gives to `check`. Raises AnswerError with what would be right."""
    text = typed.strip().lstrip("=").strip()
    word, same = plain(typed), said(check, typed)
    if len(same) == 1:
        return Taken(same[0], typed)
    if not word:
        raise AnswerError(f"nothing was typed; {wanted(check)}")
    if word in ("y", "yes", "n", "no", "none", "nothing", "nope", "yep"):
        return Taken(_yes_no(check, word in ("y", "yes", "yep")), typed)
    if check.gauge:
        return _measured(k, site, check, places, text)
    if word.isdecimal():
        raise AnswerError(f"there is no answer {shown(word)}; {wanted(check)}")
    return Taken(_by_words(check, word), typed)


def wanted(check: m.Check) -> str:
    """What would be a right answer, in a few words."""
    if check.gauge:
        return f"type the value with its unit ({unit_of(check)}), 'can't' or 'do not know'"
    return f"type a number from 1 to {len(check.outcomes)}, its words, 'can't' or 'do not know'"


def unit_of(check: m.Check) -> str:
    """The unit that a measured check wants."""
    load_all()
    unit = READINGS[check.gauge].unit
    return "a number" if unit == "1" else unit


def _yes_no(check: m.Check, yes: bool) -> str:
    """The outcome that yes or no means; only where the question leaves no doubt."""
    word = "yes" if yes else "no"
    starts = [o.id for o in check.outcomes if o.id == word or re.match(rf"{word}\b", o.says.lower())]
    if len(starts) == 1:
        return starts[0]
    if check.normal in ("none", "no"):  # "any burning smell ... ?"
        if not yes:
            return check.normal
        raise AnswerError(f"which of them? {wanted(check)}")
    asked = set(tokens(check.ask.split(",")[0]))
    named = [o.id for o in check.outcomes if regular(o.id.split("-")[0]) in asked and not is_negated(o.says)]
    others = [o.id for o in check.outcomes if o.id not in named]
    if len(named) == 1 and yes:
        return named[0]
    if len(named) == 1 and len(others) == 1:
        return others[0]
    raise AnswerError(f"yes or no does not say which; {wanted(check)}")


def _by_words(check: m.Check, word: str) -> str:
    """The outcome that words clearly mean. A denial alone means nothing; "none of these" is never guessed."""
    if word.endswith("?"):
        raise AnswerError(f"{shown(word)} is a question; {wanted(check)}")
    texts = [(o.id, text) for o in check.outcomes for text in (o.says, o.id.replace("-", " "), *o.phrases)]
    telling = " ".join(w for w in re.findall(r"[\w'’]+", word) if tokens(w) not in ((), ("not",)))
    best: dict[str, float] = {}
    for (outcome, text), score in Finder((row, row[1]) for row in texts).search(telling, len(texts), SURE):
        if outcome != "none" and is_negated(text) == is_negated(word):
            best.setdefault(outcome, score)
    order = sorted(best, key=lambda outcome: -best[outcome])
    if order and (len(order) == 1 or best[order[0]] >= CLEAR * best[order[1]]):
        said = {x for i, t in texts if i == order[0] for x in tokens(t)}
        if all(_near(x, said) for x in tokens(telling)):
            return order[0]
    raise AnswerError(f"{shown(word)} is no answer here; {wanted(check)}")


def _near(word: str, known: set[str]) -> bool:
    """Whether a word, or one with a slip of the finger, is among the known ones.

    All words have to be: what else was said may say the opposite.
    """
    return word in known or (len(word) > 3 and bool(difflib.get_close_matches(word, known, n=1, cutoff=0.8)))


def _measured(
    k: m.Knowledge, site: Site, check: m.Check, places: tuple[Place, ...], text: str
) -> Taken | TwoWays:
    load_all()
    quantity = parse(text, READINGS[check.gauge].unit)
    if isinstance(quantity, Ambiguous):
        return TwoWays(quantity.question, quantity.readings)
    if isinstance(quantity, Wrong):
        same = [o.id for o in check.outcomes if text.lower() == o.says.lower()]
        if same:
            return Taken(same[0], text)
        raise AnswerError(quantity.line)
    take_answer(k, site, check, places, text)
    unit = READINGS[check.gauge].unit
    bare = not any(c.isalpha() or c in "°%Ωµ" for c in text) and unit != "1"
    return Taken(
        f"{text} {unit}" if bare and isinstance(parse(f"{text} {unit}", unit), Quantity) else text, text
    )


_UNIT_LIST = (
    r"(?:units?\s*|#\s*)?\d+(?:\s*(?:-|–|to)\s*\d+)?(?:\s*(?:,|and|&)\s*\d+(?:\s*(?:-|–|to)\s*\d+)?)*"
)
_REST = r"(?:all\s+)?(?:the\s+)?(?:others?|rest)|all|every\s+unit"
_PIECE = re.compile(
    rf"^(?:at\s+)?(?P<place>{_UNIT_LIST}|{_REST})\s*(?P<mark>[:=]|\bis\b|\bare\b)?\s*(?P<answer>\D.*)$", re.I
)
_MARKED = re.compile(r"^(?:at\s+)?(?P<place>[^:=]{1,60}?)\s*[:=]\s*(?P<answer>\S.*)$")
_LIKE_A_PLACE = re.compile(rf"^(?:{'|'.join(f'{kind}s?' for kind in KINDS)}|near|far|#)?\s*\d", re.I)
_NEXT = re.compile(rf"\s*(?:;|\n|,\s*(?={_UNIT_LIST}\s*[:=]?\s*[a-z])|,\s*(?=(?:{_REST})\b))\s*", re.I)


def per_place(
    site: Site, check: m.Check, asked: Sequence[Place], text: str
) -> list[tuple[tuple[Place, ...], str]]:
    """`6-12 silent, others answer` as places with their answers; empty when the text is not of that kind.

    Raises AnswerError for a place that is not there.
    """
    pieces = [piece for piece in _NEXT.split(text.strip()) if piece]
    rows: list[tuple[tuple[Place, ...], str]] = []
    named: set[Place] = set()
    for piece in pieces:
        found = _MARKED.match(piece) or (
            _PIECE.match(piece) if check.at == "unit" and not check.gauge else None
        )
        if found is None:
            return []
        where = found.group("place").strip()
        if re.fullmatch(_REST, where, re.I) and "all" not in where.lower().split()[:1]:
            places = tuple(p for p in (asked if len(asked) > 1 else site.places(check.at)) if p not in named)
        else:
            try:
                places = find_places(site, check.at, where)
            except AnswerError:
                if not _LIKE_A_PLACE.match(where):
                    return []
                raise
        named.update(places)
        if places:
            rows.append((places, found.group("answer")))
    return rows


_SAID = re.compile(
    rf"(?:\b(?:units?|stations?|posts?|chargers?|numbers?|no\.?)\s+|#\s*)(?P<list>{_UNIT_LIST})", re.I
)
_RANGE_FIRST = re.compile(r"^\s*(?P<list>\d+\s*(?:-|–)\s*\d+)\b", re.I)
_EVERYWHERE = re.compile(
    r"\b(?:all|every)\s+(?:the\s+)?(?:units?|stations?|posts?|chargers?)\b|\ball of them\b", re.I
)


def places_said(site: Site, kind: str, text: str) -> tuple[Place, ...]:
    """The places that a sentence names by the way; empty when it names none that is there."""
    if kind != "unit":
        return ()
    if _EVERYWHERE.search(text):
        return site.places(kind)
    found = _SAID.search(text) or _RANGE_FIRST.search(text)
    if found is None:
        return ()
    try:
        return find_places(site, kind, found.group("list"))
    except AnswerError:
        return ()


def where(site: Site, kind: str, typed: str) -> tuple[Place, ...]:
    """The places of an answer to "where?"; empty for not known. Raises AnswerError."""
    if plain(typed) in ("?", *UNKNOWN):
        return ()
    return find_places(site, kind, typed)


def at_text(places: Sequence[Place]) -> str:
    """Places as events write them; empty for not known."""
    return describe(tuple(places)) if places else ""
