"""How a case begins."""

from collections.abc import Callable
from pathlib import Path

from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.shell.sites import HARBOUR, flat, say

Begin = Callable[..., Router]


def readings(session: Router) -> list[tuple[str, str, str]]:
    assert session.case.book is not None
    return [
        (str(e.data["check"]), str(e.data["at"]), str(e.data["answer"]))
        for e in session.case.book.events
        if e.kind == "reading"
    ]


def test_danger_signs_come_first(desk: Desk) -> None:
    session = Router(desk, Options("technician", HARBOUR))
    text = flat("\n".join(line.text for line in session.start()))
    assert text.startswith("First: any fire, smoke or burning smell")
    assert "at any unit, its cable, or the panel that feeds it?" in text
    assert session.case.book is None


def test_a_complaint_typed_first_is_kept_but_the_danger_signs_are_asked(begin: Begin) -> None:
    session = begin()
    assert "First the danger signs" in say(session, "units 6-12 are silent")
    assert "Which comes nearest" in say(session, "n")


def test_a_sweep_asks_once_how_the_others_are(silent: Callable[..., Router]) -> None:
    session = silent()
    assert readings(session) == [
        ("danger-signs", "units 1-12", "none"),
        ("panel-danger-signs", "panel 1", "none"),
        ("unit-answers", "units 6-12", "silent"),
        ("unit-answers", "units 1-5", "answers"),
    ]
    assert session.case.book is not None
    assert session.case.book.title == "units 6-12 are silent"


def test_others_not_known_are_not_recorded(begin: Begin) -> None:
    session = begin()
    say(session, "n", "units 6-12 are silent", "1", "", "?")
    assert [r[1] for r in readings(session)] == ["units 1-12", "panel 1", "units 6-12"]


def test_place_not_known(begin: Begin) -> None:
    session = begin()
    say(session, "n", "breaker trips after an hour", "1", "?")
    assert readings(session)[-1] == ("breaker-trips", "", "after-a-while")


def test_none_of_these_leads_to_the_families_and_never_ends_dead(begin: Begin) -> None:
    session = begin()
    assert "Which comes nearest" in say(session, "n", "the station hums")
    assert "What is it about" in say(session, "none of these")
    assert "Unit has power:" in say(session, "unit-power")
    assert "What is it about" in say(session, "none of these")
    say(session, "nothing of this: begin without it")
    assert session.case.book is not None
    assert readings(session) == [("danger-signs", "units 1-12", "none"), ("panel-danger-signs", "panel 1", "none")]


def test_words_that_match_nothing_lead_to_the_families(begin: Begin) -> None:
    assert "What is it about" in say(begin(), "n", "qwzx jkjk")


def test_back_at_any_question(begin: Begin) -> None:
    session = begin()
    say(session, "n", "units 6-12 are silent", "1", "3-4")
    assert "at which unit" in say(session, "undo")
    say(session, "6-12", "y")
    assert readings(session)[2] == ("unit-answers", "units 6-12", "silent")


def test_without_a_record_units_and_trunk_are_asked(desk: Desk) -> None:
    session = Router(desk, Options())
    session.start()
    assert "Install record" in say(session, "n", "units 6-12 are silent", "1")
    assert "cannot be read" in say(session, "no-such-file.yaml")
    assert "How many units" in say(session, "")
    assert "linked" in say(session, "12")
    say(session, "1", "", "y", "3")
    assert session.case.state_now is not None
    assert len(session.case.state_now.site.units) == 12
    assert session.case.role == "technician"


def test_no_role_given_has_the_least_rights(desk: Desk) -> None:
    session = Router(desk, Options("", HARBOUR))
    session.start()
    say(session, "n", "units 6-12 are silent", "1", "", "y", "")
    assert session.case.role == "caller"


def test_a_record_that_is_wrong_is_told_in_one_line(desk: Desk, tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("install-record: 1\nname: x\nunits: {count: 0}\n")
    session = Router(desk, Options("technician"), 200)
    session.start()
    say(session, "n", "hums", "1")
    text = say(session, str(bad))
    assert "bad.yaml:3:" in flat(text)
    assert len(text.splitlines()) == 1
    assert session.prefill == str(bad)


def test_danger_stops_everything(begin: Begin) -> None:
    session = begin()
    assert "STOP USE" in say(session, "there is smoke at a unit", "y")
    text = flat(say(session, "3"))
    assert "STOP USE at unit 3: smoke or a burning smell" in text
    assert session.case.step is None
    assert session.prompt == "STOP USE> "
    assert "NEXT" not in text
    assert readings(session) == [("danger-signs", "", "burning-smell")]  # saved before it was asked where


def test_danger_in_the_complaint(begin: Begin) -> None:
    session = begin()
    assert "danger sign" in say(session, "n", "unit 4 smells burnt")
    say(session, "y")
    assert session.case.danger == "standing"
    assert readings(session) == [("danger-signs", "unit 4", "burning-smell")]


def test_danger_without_a_record(desk: Desk) -> None:
    session = Router(desk, Options())
    session.start()
    say(session, "shock", "unit 7")
    assert session.case.danger == "standing"
    assert session.case.seen is not None
    assert [str(p) for x in session.case.seen.stop_use for p in x.places] == ["unit 7"]
    assert session.case.state_now is not None
    assert len(session.case.state_now.site.units) == 7


def test_input_that_ends_during_the_opening_is_saved(begin: Begin) -> None:
    session = begin()
    say(session, "n", "units 6-12 are silent")
    text = "\n".join(line.text for line in session.leave())
    assert session.case.book is not None
    assert session.case.book.case in text
    assert session.case.book.title == "units 6-12 are silent"


def test_nothing_said_nothing_saved(begin: Begin) -> None:
    session = begin()
    assert "Nothing was recorded" in "\n".join(line.text for line in session.leave())
    assert session.case.desk.store.cases() == []
