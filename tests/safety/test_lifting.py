"""How a danger ends, and every short cut by which it must not: as whole conversations.

The order (isolate, lock, prove dead; repair; prove; then use) is that of OSHA 29 CFR 1910.333(b)(2); that nothing is
closed again after a protective device before it is known to be safe, 1910.334(b)(2). Which reading proves what is common
practice of the trade: a ground by its ohms, insulation by a test, a joint by its millivolts or its heat.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnose.knowledge import model as m
from diagnose.shell.router import Router
from tests.safety.talk import SAFE, danger, flat, log_kinds, make_safe, power, say, status

Begin = Callable[..., Router]
LOW = ("caller", "help-desk")
SHOCK, HEAT, SMOKE = "5", "7", "3"
STANDING = {"standing", "asked"}


def stopped(begin: Begin, role: str, sign: str = SHOCK, place: str = "5") -> Router:
    """A session in which a sign was told of at a place."""
    s = begin(role)
    say(s, sign)
    say(s, place)
    return s


def lifted_shock(begin: Begin, *left_out: str) -> Router:
    """The whole way for a shock at unit 5, without the steps named."""
    s = stopped(begin, "electrician")
    if "safe" not in left_out:
        make_safe(s, "5")
    if "repair" not in left_out:
        say(s, "repaired repair-ground-conductor at 5")
    for proof, answer in (
        ("ground-path", "0.1 ohm"), ("ground-through-cable", "0.1 ohm"), ("branch-insulation", "500 Mohm"),
        ("danger-signs", "none"),
    ):
        if proof not in left_out:
            say(s, f"read {proof} at 5 = {answer}")
    return s


def test_the_whole_way_ends_a_shock(begin: Begin) -> None:
    s = lifted_shock(begin)
    assert status(s) == []
    assert "STOP USE" not in s.prompt


def test_what_was_said_of_a_danger_ends_with_it(begin: Begin) -> None:
    """Else a page of a closed case goes on to say that the sign goes before everything else."""
    told = "danger-at-hand"
    s = stopped(begin, "electrician")
    assert told in [f.id for f in s.case.seen.findings]
    s = lifted_shock(begin, "branch-insulation")
    assert told in [f.id for f in s.case.seen.findings]
    s = lifted_shock(begin)
    assert told not in [f.id for f in s.case.seen.findings]


@pytest.mark.parametrize("step", ["safe", "repair", "ground-path", "ground-through-cable", "branch-insulation", "danger-signs"])
def test_no_step_of_it_can_be_left_out(begin: Begin, step: str) -> None:
    s = lifted_shock(begin, step)
    assert [x[:2] for x in status(s)] == [("shock", "unit 5")]


def test_each_step_shows_what_is_left(begin: Begin) -> None:
    s = stopped(begin, "electrician")
    assert "made-safe" in flat("\n".join(x.text for x in s.case.here()))
    text = make_safe(s, "5", "breaker 5 in panel 1", "L-44")
    assert "isolated at breaker 5 in panel 1, lock L-44" in text
    assert status(s) == [("shock", "unit 5", "made-safe")]
    text = flat(say(s, "repaired repair-ground-conductor at 5"))
    assert "It stays off until its proofs read good" in text
    assert s.case.step is not None
    assert s.case.step.id == "ground-path"
    assert "STOP USE ends only when this reads good here, after the repair" in text
    say(s, "0.1 ohm")
    assert s.case.step.id == "ground-through-cable"


# ---- A1: the last measurement says that it is there


def test_ground_still_open_after_the_repair_stays_stopped(begin: Begin) -> None:
    s = begin("electrician")
    say(s, "n", "unit 3 does not charge")
    while s.case.opening:
        say(s, "-" if s.case.dialog is not None and "-" in s.case.dialog.ask.words else "3")
    say(s, "read ground-path at 3 = open")
    assert ("no-ground", "unit 3", "standing") in status(s)
    make_safe(s, "3", "breaker 3")
    say(s, "repaired repair-ground-conductor at 3")
    say(s, "read ground-path at 3 = open")
    say(s, "read danger-signs at 3 = none")
    assert [x[:2] for x in status(s)] == [("no-ground", "unit 3")]
    say(s, "repaired repair-ground-conductor at 3")
    say(s, "read ground-path at 3 = 0.1 ohm")
    assert [x[2] for x in status(s)] == ["repaired"]  # a good reading un-makes nothing
    say(s, "read ground-through-cable at 3 = 0.1 ohm", "read danger-signs at 3 = none")
    assert status(s) == []


def test_after_a_proof_has_failed_another_repair_comes_before_the_signs(begin: Begin) -> None:
    s = stopped(begin, "electrician")
    make_safe(s, "5")
    say(s, "repaired repair-ground-conductor at 5")
    say(s, "read ground-path at 5 = 0.1 ohm", "read ground-through-cable at 5 = 0.1 ohm")
    say(s, "read branch-insulation at 5 = 0.1 Mohm")
    assert {x[0] for x in status(s)} == {"shock", "branch-insulation-bad"}
    assert s.case.step is None or s.case.step.id != "danger-signs"
    assert "first that repair" in flat(say(s, "energized 5"))
    assert "energized" not in [e.data.get("what") for e in s.case.book.events]  # type: ignore[union-attr]
    say(s, "read danger-signs at 5 = none")
    assert {x[0] for x in status(s)} == {"shock", "branch-insulation-bad"}


@pytest.mark.parametrize("repair", ["replace-display at 5", "replace-reader at 5"])
def test_shock_and_a_repair_of_something_else_at_the_unit_still_wants_its_proofs(begin: Begin, repair: str) -> None:
    s = stopped(begin, "electrician")
    make_safe(s, "5")
    say(s, f"repaired {repair}")
    say(s, "read danger-signs at 5 = none")
    assert [x[0] for x in status(s)] == ["shock"]


PROOFS = {  # written by hand: what a practitioner measures before it is used again
    "shock": [{"ground-path"}, {"ground-through-cable"}, {"branch-insulation"}],
    "water-inside": [{"output-insulation"}, {"branch-insulation"}, {"device-trip-current"}],
    "hot-or-buzzing": [{"unit-lug-millivolts", "unit-lug-rise"}],
    "burning-smell": [{"breaker-lug-millivolts", "breaker-lug-rise"}],
    "damaged-cable": [{"cable-look"}, {"ground-through-cable"}],
    "hit-by-vehicle": [{"ground-path"}, {"ground-through-cable"}, {"branch-insulation"}],
    "neutral-lost": [{"feeder-legs"}],
    "live-when-off": [{"contactor-poles"}, {"connector-idle"}],
    "mains-on-trunk": [{"line-to-common-volts"}],
    "mains-between-commons": [{"common-difference"}, {"line-to-common-volts"}],
}


@pytest.mark.parametrize("name", PROOFS)
def test_each_danger_has_the_proofs_of_its_kind(k: m.Knowledge, name: str) -> None:
    wanted = [set(p) for p in k.dangers[name].proofs]
    for ways in PROOFS[name]:
        assert any(ways & p for p in wanted), ways


# ---- A2: nobody below technician, whatever they type or claim


def everything_a_layperson_might_type(s: Router) -> None:
    for line in (
        "none", "n", "read danger-signs at 5 = none", "read danger signs at all = none", "made-safe",
        "made-safe 5", "made safe 5", SAFE, "energized 5", "vouch",
        "repaired replace-contactor at 5", "Bob", "", "repaired restart-router at uplink 1", "repaired seat-switch-plug at uplink 1", "uplink", "",
        "check danger-signs", "Bob", "5", "none", "check ground-path", "the owner", "5", "0.1 ohm", "undo",
        "undo", "redo", "danger none", "fact unit.setting 5 16 A",
        "role caller", "close", "it is fine now", "complaint it works again",
    ):  # fmt: skip
        say(s, line)
        if s.prompt.startswith("danger (y/n)"):
            say(s, "n")


@pytest.mark.parametrize("role", LOW)
@pytest.mark.parametrize("sign", [SHOCK, HEAT, SMOKE, "15"])
def test_nothing_a_layperson_types_ends_it(begin: Begin, role: str, sign: str) -> None:
    s = stopped(begin, role, sign)
    before = status(s)
    everything_a_layperson_might_type(s)
    assert [x[:2] for x in status(s)][: len(before)] == [x[:2] for x in before]
    assert {x[2] for x in status(s)} <= STANDING
    assert not any(
        e.kind == "danger" and e.data.get("what") in ("made-safe", "energized", "vouched")
        for e in s.case.book.events  # type: ignore[union-attr]
    )


@pytest.mark.parametrize("role", LOW)
def test_an_unrelated_repair_that_somebody_reports_ends_nothing(begin: Begin, role: str) -> None:
    s = stopped(begin, role, SMOKE, "3")
    say(s, "repaired seat-switch-plug at uplink 1", "Ines", "read danger-signs at 3 = none", "Ines")
    assert status(s) == [("burning-smell", "unit 3", "standing")]


@pytest.mark.parametrize("where", ["all", "?"])
def test_none_at_one_unit_clears_no_danger_of_the_whole_site(begin: Begin, where: str) -> None:
    s = begin("electrician")
    say(s, SHOCK)
    say(s, where)
    say(s, "made-safe", "breaker 1", "L-44", SAFE)
    assert status(s) == [("shock", "site", "made-safe")]
    say(s, "repaired repair-ground-conductor at 5")
    for proof, answer in (("ground-path", "low"), ("ground-through-cable", "low"), ("branch-insulation", "good")):
        say(s, f"read {proof} at all = {answer}")
    say(s, "read danger-signs at 5 = none")
    assert [x[:2] for x in status(s)] == [("shock", "site")]
    say(s, "read danger-signs at 1-12 = none")
    assert [x[:2] for x in status(s)] == [("shock", "site")]  # and the panel
    say(s, "read panel-danger-signs at 1 = none")
    assert status(s) == []


def test_a_lost_neutral_wants_all_units_and_the_panel(begin: Begin) -> None:
    s = begin("electrician")
    say(s, "13")
    say(s, "panel")
    make_safe(s, "panel 1", "breaker 1")
    say(s, "repaired restore-neutral at panel 1")
    assert [x[2] for x in status(s)] == ["repaired"]
    power(s, "panel 1")
    assert [x[2] for x in status(s)] == ["proving"]
    say(s, "read feeder-legs at panel 1 = equal")
    if status(s):
        say(s, f"read feeder-legs at panel 1 = {s.case.desk.knowledge.checks['feeder-legs'].normal}")
    say(s, "read danger-signs at 12 = none")
    assert [x[:2] for x in status(s)] == [("neutral-lost", "panel 1")]
    say(s, "read danger-signs at 1-12 = none", "read panel-danger-signs at 1 = none")
    assert status(s) == []


def test_a_name_is_no_role(begin: Begin) -> None:
    """Typing "electrician" where a name is asked for makes nobody an electrician."""
    s = stopped(begin, "caller")
    say(s, "check danger-signs", "Ines, licensed", "5", "none")
    say(s, "repaired repair-ground-conductor at 5", "Ines, licensed")
    assert status(s) == [("shock", "unit 5", "standing")]


def test_what_the_desk_writes_down_ends_nothing_until_it_is_vouched_for(begin: Begin) -> None:
    s = stopped(begin, "help-desk")
    say(s, "reported-safe", "2", "Ines Koval", "off at breaker 5 and locked, lock 12")
    assert status(s) == [("shock", "unit 5", "standing")]
    assert "Reported safe by electrician Ines Koval" in flat(say(s, "handover"))
    assert "Only a" in say(s, "vouch")
    say(s, "role technician", "vouch", "these are my own")
    assert status(s) == [("shock", "unit 5", "standing")]  # a shock is an electrician's
    say(s, "role electrician", "vouch", "these are my own")
    assert danger(s) in ("standing", "made-safe")


def test_an_electrician_vouches_for_what_was_written_down(begin: Begin) -> None:
    s = stopped(begin, "help-desk")
    say(s, "reported-safe", "2", "Ines Koval", "off at breaker 5 and locked, lock 12", "role electrician", "vouch", "yes")
    assert status(s) == [("shock", "unit 5", "standing")]
    say(s, "vouch", "these are my own")
    assert status(s) == [("shock", "unit 5", "made-safe")]


# ---- A3: taking back


@pytest.mark.parametrize("role", LOW)
def test_undo_ends_nothing_below_technician(begin: Begin, role: str) -> None:
    s = stopped(begin, role)
    for line in ("undo", "y", "yes", "undo", "it was a mistake", "back", "redo", "undo it was a mistake of mine"):
        text = flat(say(s, line))
        assert ("shock", "unit 5", "standing") in status(s), text


@pytest.mark.parametrize("role", LOW)
def test_a_stop_by_a_reading_is_not_undone_either(begin: Begin, role: str) -> None:
    s = begin(role)
    say(s, "n", "unit 5 does not charge")
    while s.case.opening:
        say(s, "-" if s.case.dialog is not None and "-" in s.case.dialog.ask.words else "5")
    say(s, "read handle-warmth at 5 = hot")
    assert [x[:2] for x in status(s)] == [("connector-overheated", "unit 5")]
    assert "only a technician or above takes that back" in flat(say(s, "undo"))
    assert "withdrawn" not in log_kinds(s)
    assert [x[2] for x in status(s)] == ["standing"]


@pytest.mark.parametrize("role", ["technician", "electrician"])
def test_above_it_wants_a_reason_that_stays(begin: Begin, role: str) -> None:
    s = begin(role)
    say(s, "n", "unit 5 does not charge")
    while s.case.opening:
        say(s, "-" if s.case.dialog is not None and "-" in s.case.dialog.ask.words else "5")
    say(s, "read handle-warmth at 5 = hot")
    assert [x[2] for x in status(s)] == ["standing"]
    assert "Why is it taken back" in flat(say(s, "undo"))
    say(s, "")
    assert [x[2] for x in status(s)] == ["standing"]
    say(s, "undo", "oops")
    assert [x[2] for x in status(s)] == ["standing"]
    say(s, "undo", "I typed the wrong number")
    assert status(s) == []
    assert "I typed the wrong number" in flat(say(s, "log"))


def test_nobody_takes_back_what_a_higher_role_has_entered(begin: Begin) -> None:
    s = begin("electrician")
    say(s, SHOCK, "5", "role technician")
    say(s, "undo", "I typed the wrong number")
    say(s, "undo", "I typed the wrong number")
    assert status(s) == [("shock", "unit 5", "standing")]


def test_undo_of_a_confirmed_alarm_asks_again(begin: Begin) -> None:
    """What was heard stands by itself; taking back the "yes" opens the question again."""
    s = begin("electrician")
    say(s, "unit 5 gave my hand a tickle", "y")
    assert status(s) == [("shock", "unit 5", "standing")]
    text = flat(say(s, "undo", "I typed the wrong letter"))
    assert "Is that a danger sign" in text
    assert "Type made-safe" not in text
    assert status(s) == [("shock", "unit 5", "asked")]


# ---- B3: place by place, by the role that may, with what was done


def test_made_safe_is_asked_place_by_place(begin: Begin) -> None:
    s = stopped(begin, "electrician", SMOKE, "3")
    say(s, "danger electric shock at unit 9")
    if s.prompt.startswith("danger (y/n)"):
        say(s, "y")
    assert {x[1] for x in status(s)} == {"unit 3", "unit 9"}
    make_safe(s, "3", "breaker 3", "L-3")
    assert ("burning-smell", "unit 3", "made-safe") in status(s)
    assert ("shock", "unit 9", "standing") in status(s)
    assert danger(s) == "standing"
    text = flat(say(s, "made-safe"))
    assert "unit 9: made safe means" in text
    assert "unit 3" not in text


def test_enter_leaves_a_place_out(begin: Begin) -> None:
    s = stopped(begin, "electrician", SHOCK, "3, 9")
    say(s, "made-safe", "", "breaker 9", "L-9", SAFE)
    assert status(s) == [("shock", "unit 3", "standing"), ("shock", "unit 9", "made-safe")]


# sign, where, whether a technician may report it as safe; written by hand
BY = [
    ("7", "5", True), ("9", "5", True), ("11", "5", True), ("12", "5", True), ("15", "5", True),
    (SHOCK, "5", False), ("2", "5", False), (SMOKE, "5", False), ("4", "5", False), ("8", "5", False),
    ("10", "5", False), ("13", "5", False), ("13", "panel", False),
    ("7", "panel", False), ("8", "panel", False), (SHOCK, "panel", False), ("15", "panel", False),
]  # fmt: skip


@pytest.mark.parametrize(("sign", "place", "may"), BY)
def test_who_makes_it_safe(begin: Begin, sign: str, place: str, may: bool) -> None:
    """Panel, feeder, neutral, ground, water and fire are an electrician's, or the utility's."""
    s = begin("technician")
    say(s, sign)
    say(s, place)
    text = flat(say(s, "made-safe"))
    assert ("Where was it isolated" in text) is may, text
    assert may or "licensed electrician" in text


def test_mains_on_the_trunk_is_an_electricians(begin: Begin) -> None:
    s = begin("technician")
    say(s, "n", "units 6-12 are silent", "1", "", "y", "read line-to-common-volts at 6 = mains")
    assert ("mains-on-trunk", "unit 6", "standing") in status(s)
    assert "licensed electrician" in flat(say(s, "made-safe"))


def test_mains_between_commons_ends_by_that_reading_and_no_other(begin: Begin) -> None:
    """The whole way: made safe at the trunk, repaired, power for the proof, read small again, no signs at any unit of it."""
    s = begin("electrician")
    say(s, "n", "units 6-12 are silent", "1", "", "y", "read common-difference at trunk = 120 V")
    assert status(s) == [("mains-between-commons", "trunk 1", "standing")]
    make_safe(s, "trunk")
    assert status(s) == [("mains-between-commons", "trunk 1", "made-safe")]
    say(s, "repaired part-power-from-data at trunk")
    say(s, "read danger-signs at units 1-12 = none")
    assert status(s) == [("mains-between-commons", "trunk 1", "repaired")]
    say(s, "energized trunk", "energized for the proofs")
    say(s, "read common-difference at trunk = 9 V")
    assert status(s) == [("mains-between-commons", "trunk 1", "proving")]
    say(s, "read common-difference at trunk = 0.1 V", "2")
    assert status(s) == []


def test_it_says_where_with_which_lock_and_in_so_many_words(begin: Begin) -> None:
    s = stopped(begin, "electrician")
    assert "Where was it isolated" in flat(say(s, "made-safe 5"))
    assert "Number of the lock" in flat(say(s, "breaker 5"))
    assert "That is needed" in flat(say(s, ""))
    assert SAFE in flat(say(s, "L-44"))
    assert "STOP USE stands" in flat(say(s, "yes"))
    assert status(s) == [("shock", "unit 5", "standing")]
    text = make_safe(s, "5", "breaker 5", "L-44")
    assert "L-44" in text
    assert "L-44" in flat(say(s, "log"))


def test_power_without_a_repair_voids_it(begin: Begin) -> None:
    s = stopped(begin, "electrician")
    make_safe(s, "5")
    assert "a repair comes first" in flat(say(s, "energized 5"))
    assert status(s) == [("shock", "unit 5", "made-safe")]


def test_told_again_it_begins_anew(begin: Begin) -> None:
    s = lifted_shock(begin)
    say(s, "danger electric shock at unit 5")
    if s.prompt.startswith("danger (y/n)"):
        say(s, "y")
    assert status(s) == [("shock", "unit 5", "standing")]


def test_a_danger_told_of_anew_voids_the_lock_for_what_is_read_dead(begin: Begin) -> None:
    """Made safe, then the same danger is told of again: a bad dead reading after it is made safe by no old report."""
    s = stopped(begin, "electrician", "11", "1")
    make_safe(s, "1")
    say(s, "somebody has cut the cable of unit 1", "y")
    say(s, "read ground-through-cable at 1 = low", "Alva of the yard", "high")
    assert {x[0]: x[2] for x in status(s)} == {"damaged-cable": "standing", "no-ground-in-cable": "standing"}
    make_safe(s, "1")
    assert {x[2] for x in status(s)} == {"made-safe"}
