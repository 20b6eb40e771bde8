"""Checks over the words that people read: length, placeholders, and what callers say."""

from __future__ import annotations

import re
from collections.abc import Iterator

from diagnose.knowledge import model as m
from diagnose.source.problems import shown

LONGEST_TITLE = 110
EMERGENCY = "{emergency}"  # the number to call: of the record, of the settings, else in general words

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint
_HOLE = re.compile(r"\{[^{}]*\}?")


def _texts(k: m.Knowledge) -> Iterator[tuple[str, m.Spot, str, tuple[str, ...]]]:
    """Label, spot, title, and the texts into which a place is filled."""
    for s in k.sources.values():
        yield f"source {s.id}", s.spot, "", (s.title,)
    for n in k.cautions.values():
        yield f"caution {n.id}", n.spot, n.title, (n.title, n.says)
    for c in k.checks.values():
        yield f"check {c.id}", c.spot, c.title, (c.title, c.ask, c.how, *(o.says for o in c.outcomes))
    for x in k.mechanisms.values():
        yield f"mechanism {x.id}", x.spot, x.title, (x.title, x.says)
    for f in k.faults.values():
        yield f"fault {f.id}", f.spot, f.title, (f.title, f.says)
    for r in k.remedies.values():
        yield f"remedy {r.id}", r.spot, r.title, (r.title, r.do)
    for rule in k.rules.values():
        yield f"rule {rule.id}", rule.spot, rule.title, (rule.title, rule.says)
    for d in k.dangers.values():
        yield f"danger {d.id}", d.spot, d.title, (d.title, d.says, *d.kit)
    for fact in k.facts.values():
        yield f"fact {fact.key}", m.Spot(*fact.spot), fact.title, (fact.title, fact.ask, fact.find)


def titles(k: m.Knowledge) -> Iterator[Finding]:
    """A title fits one line of a list. A source's title is what the source is called, however long."""
    for label, spot, title, _ in _texts(k):
        if len(title) > LONGEST_TITLE:
            yield (spot, f"{label}: the title has {len(title)} characters", f"at most {LONGEST_TITLE}", "long-title")


def placeholders(k: m.Knowledge) -> Iterator[Finding]:
    """{place} is filled in, and in cautions and dangers {emergency}; anything else in braces would be shown as it stands."""
    for label, spot, _, texts in _texts(k):
        filled = ("{place}", EMERGENCY) if label.split()[0] in ("caution", "danger") else ("{place}",)
        for hole in dict.fromkeys(h for text in texts for h in _HOLE.findall(text) if h not in filled):
            yield (spot, f"{label}: {shown(hole)} is not filled in", f"write {' or '.join(filled)}, or leave the braces out", "placeholder")


def phrases(k: m.Knowledge) -> Iterator[Finding]:
    """What a caller says points to one outcome of a check."""
    for c in k.checks.values():
        said: dict[str, str] = {}
        for outcome in c.outcomes:
            for phrase in outcome.phrases:
                other = said.setdefault(phrase.lower(), outcome.id)
                if other != outcome.id:
                    yield (c.spot, f"check {c.id}: the phrase {shown(phrase)} stands for {other} and {outcome.id}", "keep it at one", "phrases")
