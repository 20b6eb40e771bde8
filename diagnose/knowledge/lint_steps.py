"""Checks over checks and remedies that put equipment under power or into use."""

from __future__ import annotations

import re
from collections.abc import Iterator

from diagnose.knowledge import model as m
from diagnose.source.problems import shown

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint

PROVING = ("test", "measurement")  # kinds of check that prove a circuit before it goes back into use

_CLAUSE = re.compile(r"[.;:,?()]| - | and then ")
_DENIED = re.compile(r"\b(no|not|nobody|nothing|never|without|none|before|nor|only by|if|where|when|last|was|were)\b", re.I)
_USE = re.compile(
    r"(?<!the )\bplug(ged)? (it |them |a car |another car )?in\b(?! the laptop)|\bstart (a|one|the|another) |\bsend one start"
    r"|\bre-?start(s|ed)?\b|\bresets?\b|\bre-?energi[sz]e|\b(switch|power) (it |them )?(on|up)\b|\bclose up\b|\bclosed? (it )?once"
    r"|\bpress(es)? (the|its|a) (start|stop|test) button|\bwatch (a|one|the) (full )?charge|\bhold a card"
    r"|\bwhile (a|one|another|several)? ?cars? (charges?|is plugged)",
    re.I,
)  # fmt: skip
_POWER_ON = re.compile(
    r"\bclose up\b|\bcloses? (it|the feeder) (- )?once|\bswitch(es)? (it |them )?on\b|\bre-?energi[sz]e|\bbreaker on last\b|\bpower up\b", re.I
)  # fmt: skip


def asks_for_use(text: str) -> str:
    """The words by which a text asks for power or use, empty when it asks for neither.

    A clause that denies something, or that tells of what was, asks for nothing.
    """
    for clause in _CLAUSE.split(text):
        found = _USE.search(clause)
        if found and not _DENIED.search(clause):
            return found.group(0)
    return ""


def _steps(k: m.Knowledge) -> Iterator[tuple[str, m.Check | m.Remedy, str]]:
    for c in k.checks.values():
        yield f"check {c.id}", c, f"{c.ask} {c.how}"
    for r in k.remedies.values():
        yield f"remedy {r.id}", r, r.do


def needs(k: m.Knowledge) -> Iterator[Finding]:
    """What asks for power or use says so, or it would be asked for at a place that is locked out."""
    for label, step, text in _steps(k):
        if step.needs != "none":
            continue
        if step.state == "live":
            yield (step.spot, f"{label}: a live step without 'needs'", "add 'needs: energized' or 'needs: in-use'", "needs")
        elif words := asks_for_use(text):
            yield (
                step.spot, f"{label}: {shown(words)} asks for power or use, and 'needs' is not set",
                "add 'needs: energized' or 'needs: in-use'", "needs",
            )


def back_in_service(k: m.Knowledge) -> Iterator[Finding]:
    """A repair that puts power back is proved by a test or a measurement, not by looking alone."""
    for r in k.remedies.values():
        if not _POWER_ON.search(r.do) and not (r.state == "dead-verified" and r.needs != "none"):
            continue
        for f in k.faults.values():
            if f.remedy == r.id and f.prove and not any(k.checks[c].kind in PROVING for c in f.prove if c in k.checks):
                yield (
                    f.spot, f"fault {f.id}: its remedy {r.id} puts power back, and nothing of 'prove' is a test or a measurement",
                    "add one to 'prove'", "unproved",
                )  # fmt: skip


def told_to_laypeople(k: m.Knowledge) -> Iterator[Finding]:
    """Orders meant for the qualified do not stand on what a caller or the help desk does."""
    for label, step, _ in _steps(k):
        if m.may(step.role, "technician"):
            continue
        for name in step.cautions:
            if name in k.cautions and k.cautions[name].audience == "qualified":
                yield (
                    step.spot,
                    (
                        f"{label}: caution {name} is for the qualified, and the step is for "
                        f"{m.a_role(step.role)}"
                    ),
                    "leave it out, or name one for everybody", "audience",
                )
