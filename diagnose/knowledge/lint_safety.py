"""Checks that keep the first question and the first caller safe."""

from __future__ import annotations

import re
from collections.abc import Iterator

from diagnose.knowledge import model as m
from diagnose.source.problems import shown

ON_THE_PHONE = ("caller", "help-desk")
SMALL_WORDS = frozenset(
    [
        "anybody", "anything", "before", "from", "gone", "have", "inside", "itself", "loudly", "panel",
        "should", "somebody", "some", "something", "that", "there", "this", "unit", "very", "when", "where",
        "with",
    ]
)
SHORT_SIGNS = frozenset(("hit", "hot"))

ACQUITS = re.compile(
    r"\bnothing (?:at all )?(?:(?:is|was|else is) )?(?:broken|wrong|at fault|the matter)\b"
    r"|\bno fault (?:is |was )?(?:present|there|found)\b|\bthere is no (?:fault|danger)\b"
    r"|\b(?:stations?|units?|cars?|chargers?|side|equipment) (?:is|are|and cars are) (?:sound|fine|good|healthy|all right|in order|safe)\b"
    r"|\b(?:does|do) what (?:it|they) should\b|\bworks? as (?:designed|it should|intended)\b|\bcharging is still possible\b",
    re.I,
)
NO_OTHER = re.compile(r"\bno (?:other )?fault\b", re.I)

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint


def danger(k: m.Knowledge) -> Iterator[Finding]:
    """There is a check for danger signs, and each abnormal outcome of such a check by itself stops use."""
    if m.DANGER not in k.checks:
        spot = next(iter(k.checks.values())).spot if k.checks else m.Spot("rules", 1)
        yield (m.Spot(spot.file, 1), f"there is no check '{m.DANGER}'", "add it: a case begins with it", "danger")
    for check in (k.checks[name] for name in m.SIGNS if name in k.checks):
        stopped = {o for d in k.dangers.values() if d.level == "stop" for r in d.raised_by if r.check == check.id for o in r.outcomes}
        for name in check.outcome_ids[1:]:
            if name not in stopped:
                yield (
                    check.spot, f"check {check.id}: no danger that stops use is raised by '{name}'",
                    f"add {{check: {check.id}, outcome: {name}}} to 'raised-by' of a danger", "danger",
                )  # fmt: skip


def signs_asked(k: m.Knowledge) -> Iterator[Finding]:
    """The question for danger signs names each of them, by at least one telling word of the outcome."""
    for check in (k.checks[name] for name in m.SIGNS if name in k.checks):
        asked = _stems(check.ask)
        for outcome in check.outcomes[1:]:
            if not _stems(f"{outcome.id.replace('-', ' ')} {outcome.says}") & asked:
                yield (
                    check.spot, f"check {check.id}: its question does not name {outcome.id}",
                    f"say {shown(outcome.says)} in a word of it", "danger",
                )


def innocence(k: m.Knowledge) -> Iterator[Finding]:
    """No text calls a thing sound that may be read beside a danger; only what is left out there says that no other fault was seen."""
    texts = [(f"fault {f.id}", f.spot, f"{f.title}. {f.says}", f.nature != "fault") for f in k.faults.values()]
    texts += [(f"rule {r.id}", r.spot, r.says, r.level == "no-fault") for r in k.rules.values()]
    texts += [(f"remedy {r.id}", r.spot, f"{r.title}. {r.do}", False) for r in k.remedies.values()]
    texts += [(f"check {c.id}", c.spot, f"{c.ask} {c.how}", False) for c in k.checks.values()]
    texts += [(f"{kind} {x.id}", x.spot, x.says, False) for kind, rows in (("caution", k.cautions), ("danger", k.dangers)) for x in rows.values()]
    for label, spot, text, left_out in texts:
        found = ACQUITS.search(text) or (None if left_out else NO_OTHER.search(text))
        if found:
            yield (
                spot, f"{label}: {shown(found.group())} calls something sound, also beside a danger",
                "say what was seen, and no more", "innocence",
            )


def _stems(text: str) -> set[str]:
    """The telling words of a text, cut so that buzz and buzzing agree."""
    words = re.findall(r"[a-z]+", text.lower())
    return {w[:5] for w in words if len(w) >= 4 and w not in SMALL_WORDS} | {w for w in words if w in SHORT_SIGNS}


def complaints(k: m.Knowledge) -> Iterator[Finding]:
    """Whoever calls, or the desk for them, can answer what a case is opened with."""
    for c in k.checks.values():
        if (c.complaint or c.id == m.DANGER) and c.role not in ON_THE_PHONE:
            yield (c.spot, f"check {c.id}: a caller cannot answer it, a {c.role} must", "role caller or help-desk", "role")
