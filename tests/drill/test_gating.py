"""Nobody is offered a step above their role, by any path; danger stops everything. On the shipped rules."""

from __future__ import annotations

import random
from collections.abc import Iterable
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.gate import Bars, may_take
from diagnose.casework.state import MADE_SAFE
from diagnose.casework.view import Assessment
from diagnose.drill.play import open_case
from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.knowledge.model import DANGER
from diagnose.site.places import describe

SITES = Path(__file__).resolve().parents[1] / "sites"
LADDER = {"caller": 0, "help-desk": 1, "technician": 2, "electrician": 3}
DANGERS = ("none", "standing", "made-safe")
PLAYED_AT = ("harbour-12", "mill-2", "quay-6")


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load(cache=False), plain)


def text(name: str) -> str:
    return (SITES / f"{name}.yaml").read_text(encoding="utf-8")


class Case:
    """Events in the making."""

    def __init__(self, assessor: Assessor, site: str, role: str) -> None:
        self.assessor = assessor
        self.events = list(open_case(text(site), role, None))
        self.units = assessor.state(self.events).site.places("unit")

    def add(self, kind: str, **data: Any) -> None:
        n = len(self.events) + 1
        self.events.append(Event(f"e{n}", "test", n, EPOCH, kind, data, "test"))

    def answer(self, check: str, at: str, said: str) -> None:
        self.add("reading", check=check, at=at, answer=said)

    def now(self) -> Assessment:
        return self.assessor.assess(self.events)


def offered(a: Assessment, k: m.Knowledge) -> Iterable[m.Check | m.Remedy]:
    for s in a.steps:
        yield k.checks[s.id] if s.kind == "check" else k.remedies[s.id]


def proper(step: m.Check | m.Remedy, role: str) -> bool:
    """The rule in plain words: not above the role, and nobody but a technician is sent on site, inside or near live parts."""
    if LADDER[step.role] > LADDER[role]:
        return False
    if LADDER[role] < LADDER["technician"]:
        return step.reach != "on-site" and step.state in ("any", "covers-closed")
    return True


@pytest.mark.parametrize(("role", "danger"), list(product(m.ROLES, DANGERS)))
def test_the_gate_itself(assessor: Assessor, role: str, danger: str) -> None:
    """Every check and remedy of the rule base, for every role and state of danger."""
    k = assessor.knowledge
    allowed = [s for s in (*k.checks.values(), *k.remedies.values()) if may_take(s, role, Bars(danger))]
    assert all(proper(s, role) for s in allowed)
    if danger == "standing":
        assert not allowed
    if danger == "made-safe":
        assert not [s.id for s in allowed if s.state in ("live", "covers-closed")]
    if danger == "none":
        assert len(allowed) > 20
        wanted = [s.id for s in (*k.checks.values(), *k.remedies.values()) if proper(s, role)]
        assert sorted(s.id for s in allowed) == sorted(wanted)  # and nothing is withheld without reason


def test_roles_are_a_ladder(assessor: Assessor) -> None:
    k = assessor.knowledge
    assert tuple(LADDER) == m.ROLES
    for danger in DANGERS:
        kept: set[str] = set()
        for role in m.ROLES:
            now = {s.id for s in (*k.checks.values(), *k.remedies.values()) if may_take(s, role, Bars(danger))}
            assert kept <= now
            kept = now


@pytest.mark.parametrize("role", m.ROLES)
@pytest.mark.parametrize("site", sorted(p.stem for p in SITES.glob("*.yaml")))
def test_a_fresh_case_begins_with_the_danger_signs(assessor: Assessor, site: str, role: str) -> None:
    case = Case(assessor, site, role)
    steps = case.now().steps
    assert [s.id for s in steps] == [DANGER]
    assert steps[0].places == case.units
    case.add("reading", check="unit-answers", at="unit 1", answer="silent", complaint=True)
    assert [s.id for s in case.now().steps] == [DANGER]  # a complaint does not get ahead of it


@pytest.mark.parametrize("role", m.ROLES)
@pytest.mark.parametrize("site", PLAYED_AT)
def test_every_danger_sign_stops_everything(assessor: Assessor, site: str, role: str) -> None:
    """Said of one unit, first thing, as a complaint, or after other answers; later answers do not bring steps back."""
    k = assessor.knowledge
    signs = k.checks[DANGER].outcome_ids[1:]
    assert len(signs) >= 5
    for n, sign in enumerate(signs):
        unit = str(case_unit(assessor, site, n))
        for before, complaint in [((False, False), (False, True), (True, False))[(n + len(role)) % 3]]:
            case = Case(assessor, site, role)
            if before:
                case.answer(DANGER, describe(case.units), "none")
                case.answer("unit-power", unit, k.checks["unit-power"].outcome_ids[1])
                case.answer("charging-starts", unit, "do-not-know")
            case.add("reading", check=DANGER, at=unit, answer=sign, complaint=complaint)
            stopped(case.now(), sign)
            case.answer("unit-power", unit, k.checks["unit-power"].normal)
            stopped(case.now(), sign)
            if before is False and complaint is False:
                case.answer(DANGER, describe(case.units), "none")  # saying so is not making it safe
                stopped(case.now(), sign)


def case_unit(assessor: Assessor, site: str, n: int) -> object:
    units = Case(assessor, site, "help-desk").units
    return units[n % len(units)]


def stopped(a: Assessment, sign: str) -> None:
    assert a.steps == (), sign
    assert a.stop_use, sign
    assert not all(s.made_safe for s in a.stop_use), sign


def test_made_safe_is_a_qualified_persons_word(assessor: Assessor) -> None:
    """After it: dead work and looking only, for whoever may; a caller or the help desk cannot say it."""
    k = assessor.knowledge
    for role in m.ROLES:
        case = Case(assessor, "harbour-12", role)
        case.answer(DANGER, "unit 3", "burning-smell")
        by = k.dangers["burning-smell"].by
        case.add("danger", what=MADE_SAFE, at="unit 3")
        a = case.now()
        assert a.stop_use
        if LADDER[role] < LADDER[by]:
            stopped(a, role)
        else:
            assert a.steps
            assert all(s.state in ("any", "dead-verified") for s in offered(a, k))
            case.answer(DANGER, "unit 5", "shock")  # a new danger needs to be made safe anew
            stopped(case.now(), role)


@pytest.mark.parametrize("role", m.ROLES)
@pytest.mark.parametrize("site", PLAYED_AT)
def test_forty_random_answers(assessor: Assessor, site: str, role: str) -> None:
    """Any offered step, any answer, not known now and then, repairs done: each offer is within the role's bounds.

    Half-way the case is handed down to a caller and back.
    """
    k = assessor.knowledge
    draw = random.Random(f"{site} {role}")
    case, acting, seen = restart(assessor, site, role), role, 0
    for turn in range(40):
        if turn in (20, 26):
            acting = "caller" if turn == 20 else role
            case.add("role", role=acting)
        a = case.now()
        steps = list(offered(a, k))
        seen += len(steps)
        for s in steps:
            assert proper(s, acting), (acting, s.id)
        if any(not s.made_safe for s in a.stop_use):
            assert not steps
        if not steps:
            case, acting = restart(assessor, site, acting), acting
            continue
        step = draw.choice(a.steps)
        if step.kind == "remedy":
            case.add("remedy", remedy=step.id, at=str(step.places[0]))
            continue
        outcomes = ["do-not-know"] if step.id == DANGER else [*k.checks[step.id].outcome_ids, "do-not-know", "cannot-reach"]
        for place in step.places[:3]:
            case.answer(step.id, str(place), "none" if step.id == DANGER else draw.choice(outcomes))
    assert seen > 30


def restart(assessor: Assessor, site: str, role: str) -> Case:
    case = Case(assessor, site, role)
    case.answer(DANGER, describe(case.units), "none")
    return case


def test_a_handover_names_who_may(assessor: Assessor) -> None:
    """When the likely remedy is above the role, the person named may do it, and it is not offered here."""
    k = assessor.knowledge
    handed = 0
    for role, site in product(("caller", "help-desk", "technician"), ("mill-2", "quay-6")):
        draw = random.Random(f"handover {role} {site}")
        case = restart(assessor, site, role)
        for _ in range(8):
            a = case.now()
            if a.handover:
                handed += 1
                assert LADDER[a.handover.role] > LADDER[role] or a.handover.role == "technician"
                assert all(proper(k.checks[c], a.handover.role) for c in a.handover.checks)
            checks = [s for s in a.steps if s.kind == "check"]
            if not checks:
                break
            step = checks[0]
            said = draw.choice(k.checks[step.id].outcome_ids)
            case.answer(step.id, str(step.places[0]), said)
    assert handed > 2
