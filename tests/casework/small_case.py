"""A case as plain values: a rule base of a few blocks, a site of five units, beliefs with the figures that a test wants.

Units 1 to 4 are one trunk, controlled from unit 2; units 1 and 2 hang on panel 1, units 3, 4 and 5 on panel 2;
uplink 1 is wired to unit 5 and serves units 4 and 5. Unit 5 is on no trunk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.belief.evidence import Evidence
from diagnose.belief.posterior import Belief
from diagnose.belief.tables import Tables, build_tables
from diagnose.casework.state import Mended, Reading, State
from diagnose.inference.expectations import Entry, Expectations, Variants
from diagnose.inference.terms import Fact
from diagnose.inference.trace import Trace
from diagnose.knowledge import model as m
from diagnose.site.model import FactSpec, Group, Site, Trunk
from diagnose.site.places import KINDS, Place

SPOT = m.Spot("x.yaml", 1)
OFTEN = {"always": 0.98, "usually": 0.8, "sometimes": 0.4, "rarely": 0.1, "never": 0.01}
PRIOR = {"very-common": 0.04, "common": 0.02, "uncommon": 0.008, "rare": 0.003}
U1, U2, U3, U4, U5 = (Place("unit", n) for n in range(1, 6))
TRUNK, PANEL_1, PANEL_2, UPLINK = Place("trunk", 1), Place("panel", 1), Place("panel", 2), Place("uplink", 1)
SEGMENT, NEAR_END = Place("segment", 2, 3), Place("trunk-end", 1, 0)


def site() -> Site:
    facts: dict[tuple[str, int], dict[str, Any]] = {("unit", n): {"panel": 1 if n < 3 else 2} for n in range(1, 6)}
    return Site(
        "small", (1, 2, 3, 4, 5), (Trunk(1, "trunk 1", (1, 2, 3, 4), 2, (5.0, 5.0, 5.0)),), (Group(1, 5, (4, 5)),), (), (1, 2), facts
    )


def check(id: str, at: str = "unit", outcomes: Sequence[str] = ("fine", "odd", "bad"), **more: Any) -> m.Check:
    answers = tuple(m.Outcome(o, f"it is {o}", ()) for o in outcomes)
    plain = m.Check(
        id, f"Title of {id}", at, "look", "?", "", "none", "", answers, False, False, (), "caller", "any", "phone", 1, "none",
        (), (), SPOT,
    )  # fmt: skip
    return plain._replace(**more)


def show(check: str, how_often: str = "usually", outcome: str = "odd") -> m.Show:
    return m.Show(check, outcome, how_often, ("here",), (), 1)


def fault(id: str, at: str = "unit", **more: Any) -> m.Fault:
    plain = m.Fault(
        id, f"Title of {id}", "It is.", at, "both", "fault", "degraded", (), (), "common", (), (), (), f"mend-{id}", (), (), (), SPOT
    )
    return plain._replace(**more)


def remedy(id: str, role: str = "technician", **more: Any) -> m.Remedy:
    return m.Remedy(id, f"Title of {id}", "Do.", role, "any", "phone", 10, "none", (), (), (), SPOT)._replace(**more)


def rule(id: str, when: Sequence[m.When], then: Sequence[m.Then], level: str = "note", says: str = "It is so.") -> m.ReadingRule:
    return m.ReadingRule(id, id, tuple(when), (), True, tuple(then), level, says, ("common-practice",), SPOT)


def knowledge(
    checks: Sequence[m.Check] = (), faults: Sequence[m.Fault] = (), remedies: Sequence[m.Remedy] = (),
    mechanisms: Sequence[m.Mechanism] = (), rules: Sequence[m.ReadingRule] = (), facts: Sequence[str] = (),
) -> m.Knowledge:  # fmt: skip
    """A rule base; a fault whose remedy is not among `remedies` gets one that a technician does by telephone."""
    mend = {r.id: r for r in remedies}
    for f in faults:
        mend.setdefault(f.remedy, remedy(f.remedy))
    specs = {key: FactSpec(key, key, "text", "", {}, "?", "", ()) for key in facts}
    scales = {"how-often": m.Scale("how-often", OFTEN), "prior": m.Scale("prior", PRIOR)}
    return m.Knowledge(
        specs, {}, {}, {c.id: c for c in checks}, {x.id: x for x in mechanisms}, {f.id: f for f in faults}, mend,
        {r.id: r for r in rules}, {}, {}, {}, scales, {}, "small",
    )  # fmt: skip


def variants(where: Site, facts: Mapping[str, Sequence[tuple[str, str]]] = {}) -> Variants:
    """All places of a kind are alike; `facts` are the words that hold at each kind."""
    by_kind = {kind: where.places(kind) for kind in KINDS if where.places(kind)}
    return Variants(
        {p: f"{kind}/0" for kind, places in by_kind.items() for p in places},
        {f"{kind}/0": places[0] for kind, places in by_kind.items()},
        {f"{kind}/0": places for kind, places in by_kind.items()},
        {f"{kind}/0": tuple(facts.get(kind, ())) for kind in by_kind}, {},
    )  # fmt: skip


def tables(k: m.Knowledge, where: Site | None = None) -> Tables:
    """Every fault is possible everywhere, and shows what its own lines say."""
    where = where or site()
    nothing = Fact("shows", "x", "x", "x")
    entries = {
        (f.id, f"{f.at}/0"): tuple(Entry(s.check, s.outcome, s.where, OFTEN[s.how_often], nothing) for s in f.shows if s.check in k.checks)
        for f in k.faults.values()
    }  # fmt: skip
    return build_tables(k, where, Expectations(variants(where), entries, Trace((), ())), {})


def belief(
    k: m.Knowledge, chances: Mapping[tuple[str, Place], float] = {}, held: Mapping[tuple[str, Place], float] = {},
    answers: Sequence[Evidence] = (), log_of: Mapping[tuple[str, Place], Sequence[float]] = {}, log_none: Sequence[float] = (),
    agreement: Any = None,
) -> Belief:  # fmt: skip
    """A belief with these chances of faults at places, and none in pairs; what is not named is 0."""
    t = tables(k)
    keys = [(t.fault[n], t.where(n)) for n in range(t.size)]
    assert set(chances) | set(held) | set(log_of) <= set(keys)
    single = np.array([chances.get(key, 0.0) for key in keys])
    logs = np.array([list(log_of.get(key, [0.0] * len(answers))) for key in keys], dtype=float).reshape(len(keys), len(answers)).T
    none = np.zeros((0, 2), dtype=np.intp)
    return Belief(
        t, tuple(answers), 0.0, 0.0, single, none, np.zeros(0), logs, np.array(log_none, dtype=float),
        np.array([held.get(key, 0.0) for key in keys]), 1.0, {}, np.zeros((0, 0)) if agreement is None else np.array(agreement),
    )  # fmt: skip


def reading(n: int, check: str, outcome: str | None, *places: Place, after: int = 0, complaint: bool = False, **more: Any) -> Reading:
    """The answer with event id e<n>."""
    return Reading(f"e{n}", check, places, outcome, outcome or "", None, "", complaint, after, "", "", n)._replace(**more)


def mended(n: int, remedy: str, place: Place) -> Mended:
    return Mended(f"r{n}", remedy, place, "", "", n)


def state(readings: Sequence[Reading] = (), repairs: Sequence[Mended] = (), role: str = "technician", **more: Any) -> State:
    plain = State("t", site(), "", role, frozenset(), True, 0.0, "", tuple(readings), tuple(repairs), (), None, (), ())
    return plain._replace(**more)
