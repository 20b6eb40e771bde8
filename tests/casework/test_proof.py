"""Proof of repair and handover, against tables written by hand."""

from __future__ import annotations

from typing import Any

import pytest

from diagnose.casework import view as v
from diagnose.casework.gate import FREE, Bars
from diagnose.casework.proof import handover, proofs
from diagnose.knowledge import model as m
from diagnose.site.model import Site, Trunk
from diagnose.site.places import SITE, Place
from tests.casework.small_case import (
    NEAR_END,
    PANEL_1,
    PANEL_2,
    SEGMENT,
    TRUNK,
    U1,
    U2,
    U3,
    U4,
    U5,
    UPLINK,
    belief,
    check,
    fault,
    knowledge,
    mended,
    reading,
    remedy,
    show,
    state,
)  # fmt: skip

SIGN = m.SIGNS[0]
CHECKS = [
    check("sound"), check("second"), check("whole", sweep=True), check("of-panel", "panel"), check("of-end", "trunk-end"),
    check("of-trunk", "trunk"), check("of-uplink", "uplink"), check("of-control", "control"), check(SIGN, outcomes=("none", "shock"), sweep=True),
]  # fmt: skip
PLACES = ("unit", "segment", "trunk", "trunk-end", "panel", "site", "uplink")


def base(*faults: m.Fault) -> m.Knowledge:
    return knowledge(CHECKS, faults or [fault("loose", prove=("sound",))])


def rows(found: tuple[v.ProofView, ...]) -> list[tuple[str, str, tuple[Place, ...], str, bool]]:
    return [(p.remedy, p.check, p.at, p.done, p.failed) for p in found]


# readings after (or before) the one repair at unit 2, event that proves it, whether it failed
READ = [
    ([], "", False),
    ([reading(1, "sound", "fine", U2, after=1)], "e1", False),
    ([reading(1, "sound", "odd", U2, after=1)], "", True),
    ([reading(1, "sound", "fine", U2)], "", False),  # before the repair
    ([reading(1, "sound", None, U2, after=1)], "", False),
    ([reading(1, "sound", "fine", U2, after=1), reading(2, "sound", "odd", U2, after=1)], "", True),
    ([reading(1, "sound", "odd", U2, after=1), reading(2, "sound", "fine", U2, after=1)], "e2", False),
    ([reading(1, "sound", "fine", U2, after=1), reading(2, "sound", None, U2, after=1)], "e1", False),
    ([reading(1, "sound", "fine", U3, after=1)], "", False),  # elsewhere
    ([reading(1, "second", "fine", U2, after=1)], "", False),  # something else
    ([reading(1, "sound", "fine", U1, U2, after=1)], "e1", False),
    ([reading(1, "sound", "fine", after=1)], "", False),  # at no place in particular
    ([reading(1, "sound", "fine", U2, after=2)], "e1", False),
]


@pytest.mark.parametrize(("readings", "done", "failed"), READ)
def test_what_proves_a_repair(readings: list[Any], done: str, failed: bool) -> None:
    k = base()
    found = proofs(k, state(readings, [mended(1, "mend-loose", U2)]), belief(k, {("loose", U2): 0.9}))
    assert rows(found) == [("mend-loose", "sound", (U2,), done, failed)]
    assert found[0].place == U2


def test_a_proof_over_several_places_wants_each() -> None:
    """What was complained of at two units has to be gone at both."""
    k = base()
    told = reading(1, "second", "odd", U3, U4, complaint=True)
    repair = [mended(2, "mend-loose", U2)]
    here = belief(k, {("loose", U2): 0.9})

    def second(*later: Any) -> tuple[str, bool]:
        found = proofs(k, state([told, *later], repair), here)
        return next((p.done, p.failed) for p in found if p.check == "second" and p.at == (U3, U4))

    assert second() == ("", False)
    assert second(reading(3, "second", "fine", U3, after=1)) == ("", False)
    assert second(reading(3, "second", "fine", U3, after=1), reading(4, "second", "fine", U4, after=1)) == ("e3", False)
    assert second(reading(3, "second", "fine", U3, after=1), reading(4, "second", "bad", U4, after=1)) == ("", True)


# reading before the last repair, whether that repair has to prove it gone
TOLD = [
    (reading(1, "second", "odd", U3, complaint=True), True),
    (reading(1, "second", "odd", U3), False),
    (reading(1, "second", "fine", U3, complaint=True), False),
    (reading(1, "second", None, U3, complaint=True), False),
    (reading(1, SIGN, "shock", U3), True),
    (reading(1, SIGN, "none", U3), False),
    (reading(1, SIGN, None, U3), False),
    (reading(1, SIGN, "shock", U3, after=1), False),  # told after a repair: the danger's own proofs see to it
    (reading(1, SIGN, "shock", U3, after=1, complaint=True), True),
]


@pytest.mark.parametrize(("told", "wanted"), TOLD)
def test_what_was_complained_of_has_to_be_gone(told: Any, wanted: bool) -> None:
    k = base()
    repairs = [mended(2, "mend-loose", U1), mended(3, "mend-loose", U2)]
    found = proofs(k, state([told], repairs), belief(k))
    assert [(p.check, p.place, p.at) for p in found if p.check == told.check] == ([(told.check, U2, (U3,))] if wanted else [])


# chances of the fault and its twin behind the earlier repair, proof that it still wants
EARLIER = [(0.49, 0.0, []), (0.5, 0.0, ["sound"]), (0.3, 0.25, ["sound"]), (0.2, 0.31, ["second"]), (0.2, 0.2, [])]


@pytest.mark.parametrize(("one", "twin", "wanted"), EARLIER)
def test_an_earlier_repair_is_proved_while_its_fault_is_believed_in(one: float, twin: float, wanted: list[str]) -> None:
    k = base(fault("loose", prove=("sound",)), fault("worn", prove=("second",), remedy="mend-loose"), fault("other", prove=("whole",)))
    repairs = [mended(1, "mend-loose", U2), mended(2, "mend-other", U3)]
    found = proofs(k, state([], repairs), belief(k, {("loose", U2): one, ("worn", U2): twin, ("loose", U4): 0.9}))
    assert [p.check for p in found if p.remedy == "mend-loose"] == wanted
    assert [p.check for p in found if p.remedy == "mend-other"] == ["whole"]  # the last one always


def test_a_repair_done_again_is_proved_by_what_comes_after_the_last_time() -> None:
    k = base()
    likely = belief(k, {("loose", U2): 0.9, ("loose", U3): 0.9})
    twice = [mended(1, "mend-loose", U2), mended(3, "mend-loose", U2)]
    assert rows(proofs(k, state([reading(2, "sound", "fine", U2, after=1)], twice), likely)) == [("mend-loose", "sound", (U2,), "", False)]
    assert proofs(k, state([reading(4, "sound", "fine", U2, after=2)], twice), likely)[0].done == "e4"
    two_places = [mended(1, "mend-loose", U2), mended(3, "mend-loose", U3)]
    assert [p.at for p in proofs(k, state([], two_places), likely)] == [(U2,), (U3,)]
    other = base(fault("loose", prove=("sound",)), fault("worn", prove=("second",)))
    both = belief(other, {("loose", U2): 0.9, ("worn", U2): 0.9})
    assert [p.check for p in proofs(other, state([], [mended(1, "mend-loose", U2), mended(3, "mend-worn", U2)]), both)] == ["sound", "second"]


def test_a_repair_of_what_cannot_be_there_proves_only_the_complaint() -> None:
    k = base()
    told = reading(1, "second", "odd", U1, complaint=True)
    found = proofs(k, state([told], [mended(2, "mend-loose", PANEL_1)]), belief(k, {("loose", U1): 0.9}))
    assert rows(found) == [("mend-loose", "second", (U1,), "", False)]
    assert proofs(k, state([told]), belief(k)) == ()


# where the repair was, the check that proves it, readings before it, where the proof is taken
AT = [
    (U2, "sound", [], (U2,)),
    (U2, "whole", [reading(1, "whole", "odd", U1, U3)], (U2,)),
    (PANEL_1, "of-panel", [], (PANEL_1,)),
    (PANEL_2, "whole", [reading(1, "whole", "odd", U1, U3)], (U1, U3)),
    (PANEL_2, "whole", [reading(1, "whole", "odd", U1), reading(2, "whole", "bad", U4)], (U4,)),
    (PANEL_2, "whole", [reading(1, "whole", "odd", U3), reading(2, "whole", "fine", U4)], (U3,)),
    (PANEL_2, "whole", [reading(1, "whole", "odd", U3), reading(2, "whole", None, U4)], (U3,)),
    (PANEL_2, "whole", [reading(1, "sound", "odd", U3)], (U1,)),
    (PANEL_2, "whole", [reading(1, "whole", "odd")], (U1,)),
    (PANEL_2, "sound", [reading(1, "sound", "odd", U3)], (U1,)),  # only what goes over many places is taken where it was bad
    (SEGMENT, "sound", [], (U3,)),  # beyond the piece, where it would show
    (SEGMENT, "of-panel", [], (PANEL_1,)),
    (SEGMENT, "of-end", [], (NEAR_END,)),
    (U3, "of-end", [], (NEAR_END,)),
    (U3, "of-panel", [], (PANEL_2,)),
    (U3, "of-trunk", [], (TRUNK,)),
    (U5, "of-end", [], (NEAR_END,)),  # on no trunk: the first there is
    (U5, "of-uplink", [], (UPLINK,)),
    (TRUNK, "sound", [], (U2,)),  # its controller
    (TRUNK, "of-end", [], (NEAR_END,)),
    (UPLINK, "sound", [], (U5,)),
    (SITE, "of-panel", [], (PANEL_1,)),
    (SITE, "of-control", [], ()),  # the site has none: anywhere
]


@pytest.mark.parametrize(("place", "check", "before", "at"), AT)
def test_where_a_proof_is_taken(place: Place, check: str, before: list[Any], at: tuple[Place, ...]) -> None:
    k = base(fault("loose", place.kind, prove=(check,)))
    (found,) = proofs(k, state(before, [mended(9, "mend-loose", place)]), belief(k, {("loose", place): 0.9}))
    assert (found.check, found.at) == (check, at)


def test_a_proof_of_no_place_is_taken_anywhere() -> None:
    k = base(fault("loose", "site", prove=("of-control",)))
    here = belief(k, {("loose", SITE): 0.9})
    (found,) = proofs(k, state([reading(2, "of-control", "fine", after=1)], [mended(1, "mend-loose", SITE)]), here)
    assert found.done == "e2"
    (found,) = proofs(k, state([reading(2, "of-control", "odd", after=1)], [mended(1, "mend-loose", SITE)]), here)
    assert (found.done, found.failed) == ("", True)


def test_a_trunk_is_proved_at_its_own_end() -> None:
    k = base()
    two = Site("two", (1, 2, 3, 4), (Trunk(1, "t", (1, 2), 1, (5.0,)), Trunk(2, "u", (3, 4), 3, (5.0,))))
    told = reading(1, "of-end", "odd", complaint=True)
    for place in (U4, Place("segment", 3, 4), Place("trunk", 2)):
        found = proofs(k, state([told], [mended(2, "mend-loose", place)], site=two), belief(k))
        assert next(p.at for p in found if p.check == "of-end") == (Place("trunk-end", 2, 0),)


# ---- handover


def suspect(k: m.Knowledge, name: str, probability: float) -> v.SuspectView:
    f = k.faults[name]
    mend = k.remedies[f.remedy]
    return v.SuspectView(name, f.title, f.says, f.nature, f.severity, probability, ((U1, probability),), mend.id, mend.title, mend.role, ())


STEP = v.StepView("check", "x", "X", (), "", "", "none", "", (), (), "caller", "any", "phone", 1, (), "", 0.0, 0.0, (), ())
CLOSER = [
    check("own", instrument="multimeter"),
    check("by-phone", role="technician", instrument="phone"),
    check("meter", role="technician", instrument="multimeter"),
    check("clamp", role="technician", instrument="clamp-meter"),
    check("again", role="technician", instrument="multimeter"),
    check("bare", role="technician", instrument="none"),
    check("live", role="electrician", instrument="leakage-clamp"),
    *(check(f"more-{n}", role="technician", instrument="torque-tool") for n in range(4)),
]
LINES = (
    show("clamp", "always"), show("meter", "usually"), show("own", "always"), show("by-phone"), show("bare"), show("again"),
    show("live", "always"), show("more-0", "sometimes"),
)  # fmt: skip
LIST = [
    fault("easy", shows=(show("own"),)),
    fault("fuse", shows=LINES),
    fault("wiring", shows=(show("live"), show("meter"))),
    fault("spare", shows=tuple(show(f"more-{n}") for n in range(4))),
    fault("rare", shows=(show("clamp"),)),
]
MEND = [
    remedy("mend-easy", "caller"), remedy("mend-fuse", "technician", parts=("fuse", "gloves")),
    remedy("mend-wiring", "electrician", parts=("cable", "gloves")), remedy("mend-spare", "technician", parts=("board",)),
    remedy("mend-rare", "caller", parts=("never",)),
]  # fmt: skip
K = knowledge(CLOSER, LIST, MEND)


def sent(role: str, suspects: list[tuple[str, float]], steps: tuple[v.StepView, ...] = (STEP,), bars: Bars = FREE, **more: Any) -> v.Handover | None:
    return handover(K, state(role=role, **more), steps, (), bars, tuple(suspect(K, name, p) for name, p in suspects))


def test_who_is_sent_for_what() -> None:
    assert sent("help-desk", [("easy", 0.9)]) is None  # this role does it all
    assert sent("help-desk", []) is None
    assert sent("electrician", [("wiring", 0.9), ("fuse", 0.9)]) is None
    assert sent("help-desk", [("fuse", 0.9)]) == v.Handover(
        "technician", True, ("clamp-meter", "multimeter"), ("fuse", "gloves"), ("clamp", "meter", "by-phone", "bare", "again")
    )
    assert sent("help-desk", [("fuse", 0.3), ("wiring", 0.1)]) == v.Handover(
        "electrician", False, ("clamp-meter", "multimeter", "leakage-clamp"), ("fuse", "gloves", "cable"),
        ("clamp", "meter", "by-phone", "bare", "again", "live"),
    )  # fmt: skip
    assert sent("technician", [("wiring", 0.3), ("fuse", 0.2)]) == v.Handover(
        "electrician", False, ("leakage-clamp",), ("cable", "gloves"), ("live",)
    )
    assert sent("help-desk", [("fuse", 0.9)], closed={"outcome": "repaired"}) is None


def test_at_most_six_checks_are_named() -> None:
    found = sent("help-desk", [("fuse", 0.3), ("spare", 0.1)])
    assert found is not None
    assert found.checks == ("clamp", "meter", "by-phone", "bare", "again", "more-0")
    assert found.instruments == ("clamp-meter", "multimeter", "torque-tool")


def test_only_likely_suspects_are_sent_for() -> None:
    assert sent("help-desk", [("easy", 0.9), ("fuse", 0.049)]) is None
    found = sent("help-desk", [("easy", 0.9), ("fuse", 0.05)])
    assert found is not None
    assert not found.due
    crowd = [("easy", 0.2), ("easy", 0.2), ("easy", 0.2), ("easy", 0.2)]
    assert sent("help-desk", [*crowd, ("fuse", 0.2)]) is None  # the first four
    assert sent("help-desk", [*crowd[:3], ("fuse", 0.2)]) is not None


# suspects, whether any step is left for this role, whether it is time
DUE = [
    ([("fuse", 0.59)], True, False),
    ([("fuse", 0.6)], True, True),
    ([("fuse", 0.1)], False, True),
    ([("easy", 0.7), ("fuse", 0.7)], True, False),  # the likeliest cure is this role's own
    ([("easy", 0.7), ("fuse", 0.7)], False, True),
]


@pytest.mark.parametrize(("suspects", "left", "due"), DUE)
def test_when_it_is_time(suspects: list[tuple[str, float]], left: bool, due: bool) -> None:
    found = sent("help-desk", suspects, (STEP,) if left else ())
    assert found is not None
    assert found.due is due


def test_what_a_danger_bars_is_sent_for_at_least_by_a_technician() -> None:
    found = sent("caller", [("easy", 0.9)], bars=Bars("standing"))
    assert found is not None
    assert found.role == "technician"


# ---- handover for a danger


def stop(by: str, *wanted: v.DangerProof, kit: tuple[str, ...] = ()) -> v.StopUse:
    return v.StopUse("d", "D", "", (U1,), "", "standing", False, (), (), by, tuple(wanted), kit, "", "")


def proof(state: str, *checks: str) -> v.DangerProof:
    return v.DangerProof(checks, (U1,), state)


def for_danger(role: str, *stops: v.StopUse, suspects: list[tuple[str, float]] | None = None) -> v.Handover | None:
    k = knowledge([*CLOSER, check(SIGN)], LIST, MEND)
    named = tuple(suspect(k, name, p) for name, p in suspects or [])
    return handover(k, state(role=role), (), tuple(stops), FREE, named)


def test_a_danger_needs_the_highest_role_of_its_proofs() -> None:
    plain = stop("technician", proof("open", "meter", "live"), kit=("lock",))
    assert for_danger("technician", plain) is None
    assert for_danger("electrician", plain) is None
    assert for_danger("help-desk", plain) == v.Handover("technician", True, ("multimeter",), (), ("meter",), ("lock",))
    live = stop("technician", proof("failed", "live"), kit=("lock", "tester"))
    assert for_danger("technician", live) == v.Handover("electrician", True, ("leakage-clamp",), (), ("live",), ("lock", "tester"))
    both = for_danger("help-desk", plain, live)
    assert both == v.Handover("electrician", True, ("multimeter", "leakage-clamp"), (), ("meter", "live"), ("lock", "tester"))
    assert for_danger("help-desk", stop("electrician"), plain) is not None
    assert for_danger("technician", stop("electrician"), plain) == v.Handover("electrician", True, ("multimeter",), (), ("meter",), ("lock",))


def test_a_proof_that_is_good_and_a_look_for_signs_need_nothing_along() -> None:
    done = stop("technician", proof("good", "live"), proof("open", SIGN), proof("open", "by-phone"))
    assert for_danger("help-desk", done) == v.Handover("technician", True, (), (), ("by-phone",), ())


def test_parts_of_the_likeliest_suspects_come_along() -> None:
    found = for_danger("help-desk", stop("technician"), suspects=[("fuse", 0.6), ("spare", 0.59)])
    assert found is not None
    assert found.parts == ("fuse", "gloves")


def test_at_most_six_proofs_are_named() -> None:
    names = ("meter", "clamp", "again", "bare", "by-phone", "more-0", "more-1")
    found = for_danger("help-desk", stop("technician", *(proof("open", name) for name in names)))
    assert found is not None
    assert found.checks == names[:6]
