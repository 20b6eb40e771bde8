"""Checks over what faults show: lines without effect, faults that nothing reveals or nothing tells apart."""

from __future__ import annotations

import math
from collections.abc import Iterator

from diagnose.knowledge import model as m

BY_LUCK = ("rarely", "never")  # words of lines that nobody goes looking for
MOST_WAYS = 64

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint


def _owners(k: m.Knowledge) -> Iterator[tuple[str, m.Spot, tuple[m.Show, ...], tuple[m.Show, ...]]]:
    """Label, spot, own lines, and the lines that mechanisms add."""
    for f in k.faults.values():
        added = [k.mechanisms[c.mechanism].shows for c in f.causes if c.mechanism in k.mechanisms]
        yield f"fault {f.id}", f.spot, f.shows, tuple(s for shows in added for s in shows)
    for x in k.mechanisms.values():
        yield f"mechanism {x.id}", x.spot, x.shows, ()


def lines(k: m.Knowledge) -> Iterator[Finding]:
    """A line said twice, or one that says `never` and holds nothing back."""
    for label, spot, shows, added in _owners(k):
        seen: set[tuple[str, str, frozenset[str], m.Given]] = set()
        for show in shows:
            at = m.Spot(spot.file, show.line)
            key = (show.check, show.outcome, frozenset(show.where), show.given)
            if key in seen:
                yield (at, f"{label}: says twice how often {show.check} is {show.outcome}", "keep one line", "twice")
            seen.add(key)
            # At run time the nearest `where` that has a line wins, so `never` may shield from a wider line.
            others = [s for s in (*shows, *added) if s.check == show.check and s is not show]
            if show.how_often == "never" and not any(s.how_often != "never" for s in others):
                yield (at, f"{label}: 'never' is what holds without the line", "leave the line out", "pointless")


def _is_seen(word: str) -> bool:
    return word not in BY_LUCK


def undetectable(k: m.Knowledge) -> Iterator[Finding]:
    """A fault all of whose lines say rarely or never is found by luck."""
    for f in k.faults.values():
        caused = any(
            _is_seen(c.how_often) and any(_is_seen(s.how_often) for s in k.mechanisms[c.mechanism].shows)
            for c in f.causes if c.mechanism in k.mechanisms
        )  # fmt: skip
        if (f.shows or f.causes) and not (caused or f.alters or any(_is_seen(s.how_often) for s in f.shows)):
            yield (f.spot, f"fault {f.id}: every line says rarely or never", "add a check that shows it", "undetectable")


def _effects(f: m.Fault) -> tuple[object, ...]:
    shows = frozenset((s.check, s.outcome, s.how_often, frozenset(s.where), s.given) for s in f.shows)
    causes = frozenset((c.mechanism, c.how_often, c.given) for c in f.causes)
    return f.at, f.end, shows, causes, frozenset(f.alters)


def _never_both(one: m.Fault, other: m.Fault) -> bool:
    """Whether the install record decides between them: they want different words of the same fact."""
    wanted = dict(other.given)
    return any(key in wanted and not set(words) & set(wanted[key]) for key, words in one.given)


def twins(k: m.Knowledge) -> Iterator[Finding]:
    """Two faults with the same lines look the same for ever; that is all right only with one remedy."""
    by_effects: dict[tuple[object, ...], list[m.Fault]] = {}
    for f in k.faults.values():
        if not (f.shows or f.causes or f.alters):
            continue
        alike = by_effects.setdefault(_effects(f), [])
        for other in alike:
            if other.remedy != f.remedy and not _never_both(f, other):
                yield (
                    f.spot, f"fault {f.id}: shows exactly what fault {other.id} shows, with another remedy",
                    "add a check that tells them apart, or one remedy for both", "twins",
                )  # fmt: skip
        alike.append(f)


def ways(k: m.Knowledge) -> Iterator[Finding]:
    """Lists of alternatives multiply; a block stands for at most MOST_WAYS plain rules."""
    for r in k.rules.values():
        yield from _count(f"rule {r.id}", r.spot, [len(w.words) or 1 for w in r.when])
    for f in k.faults.values():
        yield from _count(f"fault {f.id}", f.spot, [len(words) for _, words in f.given])
        for c in f.causes:
            yield from _count(f"fault {f.id}", m.Spot(f.spot.file, c.line), [len(words) for _, words in c.given])
    for label, spot, shows, _ in _owners(k):
        for s in shows:
            yield from _count(label, m.Spot(spot.file, s.line), [len(words) for _, words in s.given])


def _count(label: str, spot: m.Spot, numbers: list[int]) -> Iterator[Finding]:
    if math.prod(numbers) > MOST_WAYS:
        yield (spot, f"{label}: its alternatives multiply to {math.prod(numbers)}", f"at most {MOST_WAYS}; split the block", "too-many-ways")
