"""Danger in whatever is typed: saved first, asked before anything else, never lost by leaving."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.shell.sites import HARBOUR, flat, say

Begin = Callable[..., Router]
Silent = Callable[..., Router]
SMOKE = "there is smoke coming out of it"


def status(session: Router) -> list[tuple[str, str]]:
    assert session.case.seen is not None
    return [(x.danger, x.status) for x in session.case.seen.stop_use]


def case_of(session: Router) -> str:
    assert session.case.book is not None
    return session.case.book.case


def marked(desk: Desk) -> list[bool]:
    return [c.stop_use for c in desk.store.cases()]


# Where a line is typed: (name, lines before it, for an open case)
OPENING = [
    ("the danger question", []),
    ("the complaint", ["n"]),
    ("which comes nearest", ["n", "units 6-12 are silent"]),
    ("where", ["n", "units 6-12 are silent", "1"]),
    ("how the others are", ["n", "units 6-12 are silent", "1", "6-12"]),
]
OPEN = [
    ("the step", []),
    ("a note", ["note "]),
    ("a reason to close", ["close"]),
    ("a check by name", ["check unit power"]),
    ("who reports it", ["check ground-path"]),
    ("which repair", ["repaired cable"]),
    ("a fact", ["fact "]),
    ("a complaint", ["complaint "]),
    ("a reading", ["read unit power at 6 = "]),
    ("what-if", ["what-if unit power at 6 = "]),
    ("a choice of steps", ["other"]),
]


@pytest.mark.parametrize(("where", "lines"), OPENING, ids=[n for n, _ in OPENING])
def test_heard_at_every_prompt_of_the_opening(begin: Begin, desk: Desk, where: str, lines: list[str]) -> None:
    session = begin("caller")
    for line in lines:
        session.handle(line)
    text = flat(say(session, SMOKE))
    assert text.index("Call the local emergency number") < text.index("Is that a danger sign: smoke")  # the number first
    assert status(session) == [("burning-smell", "asked")]
    assert marked(desk) == [True]


@pytest.mark.parametrize(("where", "lines"), OPEN, ids=[n for n, _ in OPEN])
def test_heard_at_every_prompt_of_a_case(silent: Silent, where: str, lines: list[str]) -> None:
    session = silent("caller")
    for line in lines:
        if not line.endswith(" "):
            session.handle(line)
    last = lines[-1] if lines and lines[-1].endswith(" ") else ""
    assert "Is that a danger sign: smoke" in flat(say(session, f"{last}{SMOKE}"))
    assert ("burning-smell", "asked") in status(session)


def test_heard_in_a_pasted_block(silent: Silent) -> None:
    session = silent("caller")
    assert "Is that a danger sign" in flat(say(session, f"unit 6 is dark\n{SMOKE}\nthanks"))


def test_the_question_is_the_only_one_whatever_is_typed(begin: Begin) -> None:
    session = begin("caller")
    say(session, f"{SMOKE} at unit 4")
    for line in ("suspects", "note called the owner", "role electrician", "undo", "close", "new", "made-safe", "5", "", "export x", "help"):
        text = flat(say(session, line))
        assert "Is that a danger sign: smoke" in text or "Type y or n" in text, line
        assert status(session) == [("burning-smell", "asked")], line
        assert session.case.seen is not None
        assert not session.case.seen.steps
    assert session.prompt == "danger (y/n)> "


def test_it_survives_quitting_and_a_session_that_just_ends(begin: Begin, desk: Desk) -> None:
    session = begin("caller", 80, "")
    say(session, "a girl felt a tingle when she took the handle of number 4")
    case = case_of(session)
    say(session, "quit")
    for _ in range(2):
        again = Router(desk, Options("technician", "", case))
        text = flat("\n".join(line.text for line in again.start()))
        assert "Is that a danger sign: shock" in text
        assert status(again) == [("shock", "asked")]
        assert marked(desk) == [True]


def test_yes_stops_use_at_the_place_that_was_named(begin: Begin) -> None:
    session = begin("caller", 80, "")
    say(session, "a girl felt a tingle when she took the handle of number 4")
    text = flat(say(session, "y"))
    assert "STOP USE at unit 4" in text
    assert "Send: licensed electrician" in text
    assert status(session) == [("shock", "standing")]


@pytest.mark.parametrize("word", ["?", "not sure", "do not know", "yes"])
def test_not_sure_counts_as_yes(begin: Begin, word: str) -> None:
    session = begin("caller")
    say(session, f"{SMOKE} at unit 4", word)
    assert status(session) == [("burning-smell", "standing")]


def test_where_is_asked_after_it_was_saved_for_the_whole_site(begin: Begin, desk: Desk) -> None:
    session = begin("caller")
    say(session, SMOKE)
    assert "Where?" in flat(say(session, "y"))
    assert status(session) == [("burning-smell", "standing")]
    again = Router(desk, Options("", "", case_of(session)))
    assert "Where?" in flat("\n".join(line.text for line in again.start()))  # and again after the session just ended
    assert "STOP USE at unit 3" in flat(say(again, "3"))
    assert again.case.seen is not None
    assert [str(p) for p in again.case.seen.stop_use[0].places] == ["unit 3"]


def test_a_wrong_answer_to_where_is_told_every_right_one(begin: Begin) -> None:
    session = begin("caller")
    say(session, SMOKE)
    say(session, "y")
    text = flat(say(session, "handover"))
    assert all(word in text for word in ("5-9", "'panel'", "'all'", "? for not known", "'cancel'"))
    assert "STOP USE at panel 1" in flat(say(session, "panel"))


def test_no_goes_on_with_the_line_as_it_was_typed(silent: Silent) -> None:
    session = silent("technician")
    say(session, "note smoke is coming out of the grill next door")
    text = flat(say(session, "n"))
    assert "Saved: note: smoke is coming out of the grill" in text
    assert status(session) == []


def test_no_goes_on_with_the_opening(begin: Begin, desk: Desk) -> None:
    session = begin("caller")
    say(session, "n", "units 6-12 are silent, and it smells burnt here")
    text = flat(say(session, "n"))
    assert "Which comes nearest?" in text
    say(session, "1", "6-12", "y")
    assert session.case.seen is not None
    assert session.case.state_now is not None
    assert session.case.state_now.complaint.startswith("units 6-12 are silent")
    assert session.case.seen.steps
    assert len(desk.store.cases()) == 1
    assert marked(desk) == [False]


def test_two_at_once_are_both_asked(silent: Silent) -> None:
    session = silent("caller")
    say(session, f"{SMOKE} at unit 4")
    say(session, "and unit 5 gave me a shock")
    assert sorted(status(session)) == [("burning-smell", "asked"), ("shock", "asked")]
    say(session, "n")
    assert status(session) == [("burning-smell", "asked")]
    say(session, "y")
    assert status(session) == [("burning-smell", "standing")]


def test_words_of_alarm_without_a_sign_are_asked_about(silent: Silent) -> None:
    session = silent("caller")
    text = flat(say(session, "danger"))
    assert "Is anything hot, smoking, wet, broken open, or did anybody get a shock?" in text
    assert "Which comes nearest?" in flat(say(session, "y"))
    assert status(session) == [("not-clear", "asked")]
    say(session, "2", "5")
    assert status(session) == [("burning-smell", "standing")]


def test_a_number_of_the_danger_question_stops_at_once(begin: Begin, desk: Desk) -> None:
    session = begin("caller")
    say(session, "shock")
    assert status(session) == [("shock", "standing")]
    assert marked(desk) == [True]
    assert "STOP USE at unit 5" in flat(say(session, "5"))


def test_the_handover_shows_the_callers_own_words(begin: Begin) -> None:
    session = begin("caller")
    say(session, "my wife got a belt off the handle at unit 2", "y")
    assert '"my wife got a belt off the handle at unit 2"' in flat(say(session, "handover"))


@pytest.mark.parametrize("role", ["caller", "help-desk"])
def test_below_technician_nothing_is_undone_or_made_safe(begin: Begin, role: str) -> None:
    session = begin(role)
    say(session, f"{SMOKE} at unit 4", "y")
    before = status(session)
    for line in ("undo", "undo", "redo", "made-safe", "energized", "vouch", "read danger-signs at 4 = none", "Bob", "none"):
        say(session, line)
        assert status(session) == before, line


def test_lines_that_name_the_rule_base_are_no_alarm(silent: Silent) -> None:
    session = silent("technician")
    for line in (
        "why", "what-if danger-signs at 3 = shock", "check handle-warmth", "cancel",
        "read unit-power at 6 = dark", "59.8 ohm", "help danger",
    ):
        say(session, line)
        assert ("asked" not in {s for _, s in status(session)}), line


def test_a_case_list_shows_it_first(begin: Begin, desk: Desk, tmp_path: Path) -> None:
    first = begin("caller")
    say(first, f"{SMOKE} at unit 4", "y")
    second = Router(desk, Options("technician", HARBOUR))
    second.start()
    say(second, "n", "units 6-12 are silent", "1", "", "y")
    assert [c.stop_use for c in desk.store.cases()] == [True, False]


def test_two_signs_in_one_line_are_both_asked(begin: Begin) -> None:
    session = begin("caller")
    say(session, "smoke comes out of unit 4 and my wife got a shock from it")
    assert len(status(session)) == 1
    text = flat(say(session, "y"))
    assert "STOP USE at unit 4" in text
    assert "Is that a danger sign" in text
    say(session, "y")
    assert {"burning-smell", "shock"} <= {d for d, _ in status(session)}
    assert {x for _, x in status(session)} == {"standing"}
