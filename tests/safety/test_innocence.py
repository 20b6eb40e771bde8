"""Beside a danger, or a fault that can hurt somebody, nothing is called sound: not by a finding, a suspect, a reason or a command."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from diagnose.casework.assess import Assessor
from diagnose.knowledge import model as m
from diagnose.report.text import assessment_lines
from diagnose.shell.router import Router
from tests.safety.talk import events, flat, make_safe, reading, say

Begin = Callable[..., Router]
INNOCENT = re.compile(
    (
        r"no (?:other )?fault|nothing (?:is )?(?:broken|wrong)|(?:station|unit)s? (?:is|are) (?:sound|fine)"
        r"|works? as designed|that there is none|does what it should"
    ),
    re.I,
)
# Readings that bring a harmless cause to the front, with what stops use beside them.
HARMLESS = [
    [("car-screen", "limit-reached", "unit 5")],
    [("car-screen", "waiting-timer", "unit 5")],
    [("charging-power", "always-low", "unit 5"), ("car-ac-limit", "below-setting", "unit 5")],
    [("limit-shown", "fallback", "unit 5")],
    [("card-record", "not-listed", "unit 5")],
    [("availability-record", "set-unavailable", "unit 5")],
    [("others-online", "none-online", "uplink"), ("network-reached", "never", "uplink")],
    [("limit-report", "from-grid", "unit 5")],
    [("clock-read", "right", "unit 5"), ("tls-look", "expired", "uplink")],
]
STOPPING = [("danger-signs", "burning-smell", "unit 5"), ("ground-path", "open", "unit 5"), ("contactor-poles", "joined-when-released", "unit 5")]


@pytest.mark.parametrize("stopping", STOPPING, ids=[x[0] for x in STOPPING])
@pytest.mark.parametrize("rows", HARMLESS, ids=[x[0][1] for x in HARMLESS])
def test_no_assessment_beside_a_danger_acquits(
    assessor: Assessor, k: m.Knowledge, rows: list[tuple[str, str, str]], stopping: tuple[str, str, str]
) -> None:
    with open("tests/sites/harbour-12.yaml", encoding="utf-8") as file:
        record = file.read()
    told = [reading("danger-signs", "none", "units 1-12")]
    told += [
        reading(
            c, o,
            str(
                assessor.state(events([], record, "help-desk")).site.places(k.checks[c].at)[0]
                if at == "uplink"
                else at
            ),
        )
        for c, o, at in [*rows, stopping]
    ]
    for role in m.ROLES:
        a = assessor.assess(events(told, record, role))
        assert a.stop_use
        text = flat("\n".join(x.text for x in assessment_lines(a, 100)))
        assert not INNOCENT.search(text)
        assert not [s.title for s in a.told_suspects if s.nature != "fault"]
        for s in a.told_suspects:
            assert not INNOCENT.search(s.says), s.fault
        for s in a.findings:
            assert not INNOCENT.search(s.says), s.id


@pytest.mark.parametrize("safe", [False, True], ids=["standing", "made safe"])
def test_no_command_beside_a_danger_acquits(begin: Begin, k: m.Knowledge, safe: bool) -> None:
    s = begin("electrician")
    say(s, "n", "the car at unit 5 does not charge")
    while s.case.opening:
        say(s, "-" if s.case.dialog is not None and "-" in s.case.dialog.ask.words else "5")
    say(s, "read car-screen at 5 = limit-reached", "read danger-signs at 5 = shock")
    while s.case.dialog is not None:
        say(s, "2")  # both stand
    if safe:
        make_safe(s, "unit 5")
    text = ""
    for line in (
        "", "?", "suspects", "findings", "other", "cancel", "why", "why 2", "why 3", "handover",
        "what-if unit power at 5 = dark", "close", "",
    ):
        text += " " + flat(say(s, line))
    harmless = [f.title for f in k.faults.values() if f.nature != "fault" and f.title in text]
    assert harmless == []
    assert not INNOCENT.search(text), INNOCENT.search(text)


def test_what_would_stop_use_is_not_weighed_against_no_fault(begin: Begin) -> None:
    """Beside an answer that is only tried, too."""
    s = begin("technician")
    say(s, "n", "units 6-12 are silent", "1", "", "y")
    assert "no fault present" in flat(say(s, "what-if unit power at 6 = dark"))
    text = flat(say(s, "what-if ground path at 6 = open"))
    if s.case.dialog is not None:
        text = flat(say(s, "1"))
    assert "Use would be stopped" in text
    assert "no fault present" not in text
