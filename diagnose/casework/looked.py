"""Where somebody has looked for danger signs, and where a case speaks of a unit that nobody was asked about. Pure."""

from __future__ import annotations

from typing import NamedTuple

from diagnose.casework.state import State
from diagnose.knowledge import model as m
from diagnose.site.places import Place


class Gaps(NamedTuple):
    """Units that a case is about without a word on their danger signs: never asked there, or asked and not answered."""

    never: tuple[Place, ...]
    unanswered: tuple[Place, ...]


def concerned(state: State) -> tuple[Place, ...]:
    """The units that the case is about; all of them when nobody has said which."""
    units = {n for r in state.readings if r.complaint for p in r.places for n in state.site.units_of(p)}
    return tuple(p for p in state.site.places("unit") if not units or p.number in units)


def gaps(k: m.Knowledge, state: State) -> Gaps:
    """Units with a complaint, a repair or a reading that is not normal, of which nobody has said that they show no danger."""
    if m.DANGER not in k.checks:
        return Gaps((), ())
    named = {p for r in state.readings if r.complaint or (r.outcome and r.outcome != k.checks[r.check].normal) for p in r.places}
    named |= {x.place for x in state.mended}
    units = [p for p in state.site.places("unit") if p in named] or list(concerned(state))
    answered, asked = _looked_at(state)
    return Gaps(tuple(p for p in units if p not in asked), tuple(p for p in units if p in asked and p not in answered))


def unanswered(state: State) -> tuple[Place, ...]:
    """The units concerned of which nobody could say whether they are dangerous."""
    answered, _ = _looked_at(state)
    return tuple(p for p in concerned(state) if p not in answered)


def unseen(state: State) -> tuple[Place, ...]:
    """Where the danger question comes next: not asked yet, or not answered and somebody else is there now."""
    answered, asked = _looked_at(state)
    if not asked:
        return state.site.places("unit")
    return tuple(p for p in concerned(state) if p not in answered and asked.get(p, 0) < max(1, state.role_since))


def _looked_at(state: State) -> tuple[dict[Place, int], dict[Place, int]]:
    """Where somebody has answered the danger question, and where it was asked at all; position of the last time."""
    answered: dict[Place, int] = {}
    asked: dict[Place, int] = {}
    for r in state.readings:
        if r.check == m.DANGER:
            for place in r.places or state.site.places("unit"):
                asked[place] = r.n
                if r.outcome is not None:
                    answered[place] = r.n
    return answered, asked
