"""What must not be asked, offered or said beside a danger, or where one is in question.

OSHA 29 CFR 1910.334(b)(2): nothing is closed or tried again after a protective device has opened before it is known to be
safe. The rest is common practice, no source, or named beside the test.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.casework.assess import Assessor
from diagnose.casework.casefile import read_case
from diagnose.casework.gate import barred, may_take
from diagnose.casework.view import Assessment
from diagnose.knowledge import model as m
from diagnose.report.lines import Line
from diagnose.report.text import assessment_lines
from diagnose.shell.router import Router
from diagnose.site.places import Place
from tests.evidence.meter_shapes import Net, charging, log, text
from tests.safety.talk import CASES, danger, events, flat, make_safe, reading, say, status, steps_in_use
from tests.shell.sites import HARBOUR

Begin = Callable[..., Router]
ROLES = list(m.ROLES)
LOW = ("caller", "help-desk")
U5 = Place("unit", 5)
FILES = sorted(CASES.glob("*.yaml"))


def record(path: str = HARBOUR) -> str:
    with open(path, encoding="utf-8") as file:
        return file.read()


def case(assessor: Assessor, name: str, role: str = "") -> Assessment:
    """The assessment of a shipped case, in another role where one is named."""
    found = read_case(CASES / f"{name}.yaml", assessor.knowledge)
    rows = list(found.events())
    if role:
        rows[0] = rows[0]._replace(data={**rows[0].data, "role": role})
    return assessor.assess(rows)


def shown(a: Assessment, width: int = 100) -> str:
    """The assessment as it is read."""
    lines: list[Line] = assessment_lines(a, width)
    return flat("\n".join(x.text for x in lines))


def words_of_innocence(said: str) -> list[str]:
    return [x for x in ("No fault", "no fault", "othing is broken", "othing broken", "there is none", "no other fault", "is sound") if x in said]


# ---- the cases


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize(
    "name",
    [
        "ground-still-open", "unrelated-repair", "nothing-broken-and-smell", "ground-fault-at-once",
        "layperson-second-car",
    ],
)
def test_cases_in_which_use_is_stopped(assessor: Assessor, name: str, role: str) -> None:
    """Whatever the role of the case, the danger is there, and nothing is offered but what a safe place allows."""
    if name == "ground-still-open" and role in LOW:
        pytest.skip("nobody below technician reports it as safe")
    a = case(assessor, name, role)
    assert a.stop_use
    assert not a.may_acquit
    assert words_of_innocence(shown(a)) == []
    k = assessor.knowledge
    assert all((k.checks.get(s.id) or k.remedies[s.id]).needs == "none" for s in a.steps)
    assert a.danger == "standing" or name == "ground-still-open"


def test_ground_that_still_reads_open_is_not_repaired(assessor: Assessor) -> None:
    a = case(assessor, "ground-still-open")
    (stop,) = a.stop_use
    assert (stop.danger, stop.status) == ("no-ground", "made-safe")


def test_no_weaker_breaker_before_it_is_measured(assessor: Assessor) -> None:
    """NEC 625.54 and 210.8, IEC 60364-7-722: the protection of people stays until the station is known to have it."""
    for name in ("ground-fault-at-once", "ground-fault-now-and-then"):
        a = case(assessor, name)
        assert "plain-breaker-ahead" not in {s.id for s in a.steps[:1]}, name
        assert "plain-breaker-ahead" not in {s.id for s in a.steps}, name


def test_devices_in_series_is_no_answer_to_a_trip_at_once(assessor: Assessor) -> None:
    """Two devices in series trip now and then; at once is a leak, in the cable, the car or the wiring (common practice)."""
    a = case(assessor, "ground-fault-at-once")
    share = {s.fault: s.probability for s in a.suspects}
    assert share.get("ground-fault-devices-in-series", 0.0) < 0.2


@pytest.mark.parametrize("role", LOW)
@pytest.mark.parametrize("name", ["layperson-second-car", "layperson-second-car-held"])
def test_no_second_car_by_a_layperson(assessor: Assessor, name: str, role: str) -> None:
    a = case(assessor, name, role)
    assert not {"other-car-here", "this-car-elsewhere", "start-by-app", "full-charge-after-test"} & {s.id for s in a.steps}
    assert not steps_in_use(assessor.knowledge, a)


@pytest.mark.parametrize(("check", "answer"), [
    ("ground-fault-trips", "now-and-then"), ("ground-fault-trips", "when-wet"),
    ("unit-display-says", "ground-fault"), ("reported-error-code", "ground-failure"),
    ("reported-error-code", "high-temperature"), ("unit-fault-record", "ground-fault"),
    ("breaker-trips", "after-a-while"), ("breaker-handle", "handle-tripped"),
    ("unit-display-says", "internal-fault"),
])  # fmt: skip
@pytest.mark.parametrize("role", LOW)
def test_after_any_trip_nobody_below_technician_uses_it(assessor: Assessor, k: m.Knowledge, check: str, answer: str, role: str) -> None:
    """Not here, not with this car elsewhere, not from afar: every step that uses the place is barred, not only those offered."""
    rows = [reading("danger-signs", "none", "units 1-12"), reading(check, answer, "unit 5", complaint=True)]
    state = assessor.state(events(rows, record(), role))
    a = assessor.assess_state(state)
    bars = assessor.bars(state, a)
    assert not [s for s in steps_in_use(k, a) if U5 in s[1] or s[0] == "this-car-elsewhere"]
    for block in (*k.checks.values(), *k.remedies.values()):
        if block.needs == "in-use" and may_take(block, role, bars):
            assert barred(block, U5, role, bars, state.site), block.id


RESTARTS = ("soft-restart", "restart-and-query", "restart-unit", "restart-controller", "start-by-app", "remote-enable-acts", "clear-lockout-once")


@pytest.mark.parametrize("name", RESTARTS)
def test_a_remote_restart_does_not_clear_a_lock_out(assessor: Assessor, k: m.Knowledge, name: str) -> None:
    rows = [reading("danger-signs", "none", "units 1-12"), reading("unit-fault-record", "ground-fault", "unit 5", complaint=True)]
    state = assessor.state(events(rows, record(), "help-desk"))
    a = assessor.assess_state(state)
    bars = assessor.bars(state, a)
    block = k.checks.get(name) or k.remedies[name]
    places = [
        p
        for p in state.site.places(block.at if isinstance(block, m.Check) else "unit")
        if state.site.units_of(p) and 5 in state.site.units_of(p)
    ]
    assert places
    for place in places:
        assert not may_take(block, "help-desk", bars) or barred(block, place, "help-desk", bars, state.site)


# ---- B4: nothing asks for use of, or power at, a stopped place

ASKS_FOR_USE = (
    "start-by-app", "soft-restart", "restart-and-query", "contact-exercise", "meter-when-car-starts",
    "legs-against-plan", "remote-enable-acts", "clicks", "unit-display-says",
    "authorization", "other-card", "screen-amps", "meter-while-charging", "sim-reseat", "plug-reseat",
    "cut-and-try", "bridge-at-station", "breaker-swap-test", "input-reads",
)  # fmt: skip


@pytest.mark.parametrize("name", ASKS_FOR_USE)
def test_steps_that_tempt_to_switch_it_on_say_what_they_need(k: m.Knowledge, name: str) -> None:
    if name not in k.checks:
        pytest.skip("there is no such step any more")
    assert k.checks[name].needs in ("in-use", "energized")


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("at", ["unit 5", "unit 1", "panel 1"])
def test_nothing_uses_a_place_that_was_made_safe(assessor: Assessor, k: m.Knowledge, role: str, at: str) -> None:
    """Unit 1 holds uplink, controller and contact of all: a restart or an enabling of the group would reach it."""
    sign = reading("panel-danger-signs" if at.startswith("panel") else "danger-signs", "hot-or-buzzing", at)
    others = "units 1-12" if at.startswith("panel") else ", ".join(f"unit {n}" for n in range(1, 13) if f"unit {n}" != at)
    safe = ("danger", {"what": "made-safe", "at": at, "isolated": "upstream", "lock": "L-1", "tester": "proved"})
    switch = ("role", {"role": role})
    rows = [reading("danger-signs", "none", others), sign, ("role", {"role": "electrician"}), safe, switch]
    rows += [reading("unit-answers", "silent", "units 6-12", complaint=True)]
    state = assessor.state(events(rows, record(), "electrician"))
    a = assessor.assess_state(state)
    bars = assessor.bars(state, a)
    assert a.danger == "made-safe"
    stopped = {p for p in state.site.places("unit") if at.startswith("panel") or str(p) == at}
    for s in a.steps:
        block = k.checks.get(s.id) or k.remedies[s.id]
        reached = {p for place in s.places for p in state.site.places("unit") if p.number in state.site.units_of(place)}
        assert block.state in ("any", "dead-verified"), s.id
        assert block.needs != "in-use" or not reached & stopped, s.id
        assert block.needs != "energized" or not (reached and reached <= stopped), s.id
    for block in k.checks.values():
        for place in state.site.places(block.at):
            if block.needs == "in-use" and stopped & {p for p in state.site.places("unit") if p.number in state.site.units_of(place)}:
                assert barred(block, place, role, bars, state.site), block.id


def test_a_check_by_name_at_a_dead_unit_is_refused(begin: Begin) -> None:
    s = begin("electrician")
    say(s, "7", "5")
    make_safe(s, "5")
    for name in ("clicks", "unit-display-says", "start-by-app"):
        said = flat(say(s, f"read {name} at 5"))
        assert "NEXT" not in said, said
        say(s, "cancel")


# ---- B1: evidence that says "no charging here" stops use, whoever takes it

SITE = """install-record: 1
name: Alder Court
site: {system: split-120-240, wiring-rules: north-american, outdoor: yes, ambient: 30 C, journey: 30 min, load-management: none}
panels: [{breaker: 200 A, inside-temperature: 35 C}]
units:
  count: 1
  each: {rating: 48 A, setting: 32 A, breaker: 40 A, wire-size: 8-awg, wire-metal: copper, run-length: 20 m, legs: a-b}
"""
HOT_JOINT = text(log(Net(wire=(0.051, 0.051), joint=(0.2, 0.0)), charging(2)))
OVERLOAD = text(log(Net(wire=(0.051, 0.051)), charging(1, amps=58.0, on=49 * 60.0)))


@pytest.mark.parametrize("answer", ["1", "2"], ids=["first choice", "second choice"])
@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("data", [HOT_JOINT, OVERLOAD], ids=["a joint that heats", "current over the breaker"])
def test_a_log_that_tells_of_danger_stops_use(begin: Begin, tmp_path: Path, data: bytes, role: str, answer: str) -> None:
    (tmp_path / "site.yaml").write_text(SITE, encoding="utf-8")
    (tmp_path / "unit 1.csv").write_bytes(data)
    s = begin(role, 100, str(tmp_path / "site.yaml"))
    say(s, "n", "it charges slowly")
    for _ in range(6):
        if s.case.opening:
            say(s, "-" if s.case.dialog is not None and "-" in s.case.dialog.ask.words else "1")
    assert not s.case.opening
    offered = flat(say(s, f"evidence {tmp_path / 'unit 1.csv'}"))
    assert "Record it?" in offered
    if answer == "2":
        assert "attach the file, and record only what tells of danger" in offered
    say(s, answer)
    if s.case.dialog is not None:
        say(s, "1")
    assert status(s), offered[-600:]
    assert danger(s) == "standing"
    assert s.case.seen is not None
    assert not s.case.seen.steps


def test_offered_current_over_the_sheet_stops_use(assessor: Assessor) -> None:
    for check, answer in (("offered-current", "higher"), ("meter-when-car-starts", "falls")):
        at = "unit 5" if assessor.knowledge.checks[check].at == "unit" else ""
        a = assessor.assess(events([reading("danger-signs", "none", "units 1-12"), reading(check, answer, at)], record(), "technician"))
        assert a.danger == "standing", check
        assert any(s.danger in ("circuit-overloaded", "feeder-overloaded") for s in a.stop_use)


# ---- B2: a dangerous fault that is likely keeps its place out of use


def test_a_dangerous_suspect_keeps_its_place_out_of_use(assessor: Assessor, k: m.Knowledge) -> None:
    rows = [
        reading("danger-signs", "none", "units 1-12"),
        reading("ground-fault-trips", "when-wet", "unit 5", complaint=True),
        reading("output-insulation", "poor", "unit 5"),
    ]
    state = assessor.state(events(rows, record(), "electrician"))
    a = assessor.assess_state(state)
    likely = [(s.fault, p) for s in a.suspects if s.severity == "danger" for p, share in s.places if share >= 0.2]
    assert likely
    assert set(likely) <= {(x.fault, x.place) for x in a.kept_out}
    assert re.search(r"Keep unit 5 out of use until this is read: \w", shown(a))
    assert not a.may_acquit
    assert words_of_innocence(shown(a)) == []
    assert not [s for s in steps_in_use(k, a) if U5 in s[1]]


# ---- B6: "do not know" to the danger question opens nothing


@pytest.mark.parametrize("typed", ["?", "do not know", "can't", "can't reach"])
@pytest.mark.parametrize("role", ROLES)
def test_not_known_leaves_looking_from_afar_only(begin: Begin, k: m.Knowledge, role: str, typed: str) -> None:
    s = begin(role)
    say(s, typed if typed != "?" else "do not know", "units 6-12 are silent", "1", "", "y")
    assert s.case.seen is not None
    for step in s.case.seen.steps:
        block = k.checks.get(step.id) or k.remedies[step.id]
        assert block.needs != "in-use", step.id
        assert block.state not in ("live", "dead-verified"), step.id
    assert any(step.id == "danger-signs" for step in s.case.seen.steps)


def test_it_is_asked_again_when_somebody_else_takes_over(begin: Begin) -> None:
    s = begin("caller")
    say(s, "do not know", "units 6-12 are silent", "1", "", "y")
    say(s, "role technician")
    assert s.case.step is not None
    assert s.case.step.id == "danger-signs"
    case_id = s.case.book.case if s.case.book else ""
    again = begin("electrician", 80, HARBOUR, case_id)
    assert again.case.step is not None
    assert again.case.step.id == "danger-signs"


def test_none_at_another_unit_answers_nothing_here(assessor: Assessor) -> None:
    rows = [reading("danger-signs", "none", "unit 1"), reading("unit-answers", "silent", "unit 5", complaint=True)]
    a = assessor.assess(events(rows, record(), "technician"))
    assert a.steps[0].id == "danger-signs"
    assert U5 in a.steps[0].places


def test_a_sign_that_is_placed_afterwards_says_nothing_of_the_other_units(begin: Begin) -> None:
    """Told for the site and then placed at unit 5: findings and suspects are at unit 5, and not "the site"."""
    s = begin("electrician")
    say(s, "5")
    said = flat(say(s, "5"))
    assert "reported at site" not in said
    assert "reported at unit 5" in flat(say(s, "findings"))


# ---- B8: nothing is called sound beside a danger


def test_nothing_is_called_sound_beside_a_smell(assessor: Assessor) -> None:
    for role in ROLES:
        a = case(assessor, "nothing-broken-and-smell", role)
        assert not [f for f in a.findings if f.level == "no-fault"]
        assert words_of_innocence(shown(a)) == []


def test_a_lock_out_after_retries_is_a_fault(k: m.Knowledge) -> None:
    """UL 2231-2: a station that has locked out has seen a ground fault; it is one until insulation is read."""
    locked = [f for f in k.faults.values() if "lock" in f.title.lower() and f.remedy == "clear-lockout-once"]
    assert locked
    assert all(f.nature == "fault" for f in locked)


def test_sun_alone_explains_no_heat_before_handle_and_connector_were_looked_at(assessor: Assessor, k: m.Knowledge) -> None:
    name = next((f.id for f in k.faults.values() if f.remedy == "shade-the-unit"), "")
    assert name
    shade = k.remedies["shade-the-unit"]
    assert "handle" in shade.do.lower() or any(c in k.faults[name].prove for c in ("handle-warmth", "connector-look"))


def test_handing_over_to_a_workshop_wants_readings(assessor: Assessor) -> None:
    """Nothing but the danger question answered: no word that the car is to blame."""
    rows = [
        reading("danger-signs", "none", "units 1-12"),
        reading(
            "failing-cars", assessor.knowledge.checks["failing-cars"].outcome_ids[1], "unit 5", complaint=True
        ),
    ]
    a = assessor.assess(events(rows, record(), "help-desk"))
    assert not a.steps or a.steps[0].id != "refer-to-vehicle-workshop"


# ---- B10: laypeople reset nothing


def test_nothing_that_resets_is_a_contacts(k: m.Knowledge) -> None:
    for block in (*k.checks.values(), *k.remedies.values()):
        words = (block.how if isinstance(block, m.Check) else block.do).lower()
        if re.search(r"\b(resets? it|release it|releases it|closes it once|re-close|switch it on again)\b", words):
            assert block.role != "caller", block.id


@pytest.mark.parametrize("name", ["release-stop", "close-what-was-opened-by-hand"])
def test_releasing_is_the_sites_own_and_never_after_a_sign(assessor: Assessor, k: m.Knowledge, name: str) -> None:
    assert k.remedies[name].role != "caller"
    assert "If nobody knows why" in k.remedies[name].do
    for sign in ("shock", "burning-smell", "hot-or-buzzing", "water-inside"):
        rows = [reading("danger-signs", sign, "unit 5"), reading("stop-button-look", "pressed", "unit 5", complaint=True)]
        for role in ROLES:
            a = assessor.assess(events(rows, record(), role))
            assert name not in {s.id for s in a.steps}


def test_a_pressed_stop_is_released_by_nobody_on_the_phone(assessor: Assessor) -> None:
    rows = [reading("danger-signs", "none", "units 1-12"), reading("stop-button-look", "pressed", "unit 5", complaint=True)]
    for role in LOW:
        a = assessor.assess(events(rows, record(), role))
        assert "release-stop" not in {s.id for s in a.steps}
        assert a.holds


def test_every_shipped_case_is_used() -> None:
    used = {
        "ground-still-open", "unrelated-repair", "nothing-broken-and-smell", "ground-fault-at-once",
        "layperson-second-car", "ground-fault-now-and-then", "layperson-second-car-held", "quay",
    }
    assert {f.stem for f in FILES} == used




def test_a_step_that_has_no_place_is_one_of_the_whole_site(begin: Begin) -> None:
    """The record knows no control input: the proof by remote enable belongs to no place, and uses every unit."""
    s = begin("help-desk", record=str(Path(HARBOUR).with_name("quay-4.yaml")))
    say(s, "yes please", "n", "remote-enable-acts", "never-enabled", "somebody has cut the cable of unit 1", "y", "role technician")
    say(s, "made-safe", "breaker 3", "lock 7", "isolated and proved dead")
    say(s, "repaired repair-ground-conductor at 1", "Alva of the yard")
    assert s.case.seen is not None
    assert not steps_in_use(s.case.desk.knowledge, s.case.seen)
