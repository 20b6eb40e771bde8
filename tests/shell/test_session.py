"""The conversation over an open case."""

from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.casework.store import StoreError
from diagnose.knowledge import model as m
from diagnose.report.lines import Line
from diagnose.shell.commands import COMMANDS
from diagnose.shell.registry import NAMES
from diagnose.shell.router import Router
from tests.shell.sites import flat, say

Silent = Callable[..., Router]


def live(session: Router) -> int:
    assert session.case.state_now is not None
    return len(session.case.state_now.readings)


def test_a_step_tells_what_where_why_and_how_long(silent: Silent) -> None:
    text = say(silent(), "")
    for word in ("NEXT:", "Where:", "Expect:", "Why:", "Time: about"):
        assert word in text


@pytest.mark.parametrize(("role", "who"), [("caller", False), ("help-desk", True), ("technician", False), ("electrician", False)])
def test_who_does_a_step_is_said_where_it_is_somebody_else(silent: Silent, role: str, who: bool) -> None:
    """A desk has the caller look; whoever is there does it, and is not told to be somebody else."""
    session = silent(role)
    say(session, "check unit power at 5")
    text = say(session, "?") if session.case.dialog is None else "\n".join(x.text for x in session.case.dialog.ask.lines)
    assert ("Who: caller (touches nothing), by phone" in text) is who
    assert ("Time: about" in text) is not who


def test_who_is_said_to_an_electrician_who_is_not_there(silent: Silent) -> None:
    session = silent("electrician")
    say(session, "on-site no", "check unit power at 5")
    assert session.case.dialog is not None
    assert "Who: caller" in "\n".join(x.text for x in session.case.dialog.ask.lines)


@pytest.mark.parametrize(("role", "shown"), [("caller", False), ("help-desk", False), ("technician", True)])
def test_sources_are_for_those_who_know_the_documents(silent: Silent, role: str, shown: bool) -> None:
    session = silent(role)
    text = ""
    for line in ("findings", "why", "?"):
        text += say(session, line)
    assert ("source:" in text.lower()) is shown
    assert ("rule: " in text) is shown


def test_saved_is_said_after_the_commit(silent: Silent) -> None:
    session = silent()
    seen: list[tuple[str, int]] = []

    def hear(lines: list[Line]) -> None:
        assert session.case.book is not None
        seen.extend((line.text, len(session.case.desk.store.events(session.case.book.case))) for line in lines)

    session.case.say = hear
    session.handle("read unit power at 6 = alive")
    assert seen[0][0].startswith("Saved: Unit has power at unit 6")
    assert seen[0][1] == 6


def test_undo_and_redo_as_often_as_wanted(silent: Silent) -> None:
    session = silent()
    for text in ("read unit power at 6 = alive", "read unit power at 7 = dark"):
        say(session, text)
    assert live(session) == 6
    assert "Taken back: Unit has power at unit 7" in say(session, "undo")
    say(session, "undo")
    assert live(session) == 4
    assert "Restored: Unit has power at unit 6" in say(session, "redo")
    say(session, "redo")
    assert live(session) == 6
    assert "nothing to redo" in say(session, "redo")
    for _ in range(6):
        say(session, "undo")
    assert live(session) == 0
    assert "nothing to undo" in say(session, "undo")


def test_undo_survives_a_new_session(silent: Silent, begin: Callable[..., Router]) -> None:
    session = silent()
    say(session, "read unit power at 6 = alive")
    say(session, "undo")
    assert session.case.book is not None
    again = begin("", 80, "", session.case.book.case)
    assert live(again) == 4
    say(again, "redo")
    assert live(again) == 5
    say(again, "undo")
    say(again, "undo")
    assert live(again) == 3


def test_something_new_ends_what_may_be_restored(silent: Silent) -> None:
    session = silent()
    say(session, "read unit power at 6 = alive")
    say(session, "undo")
    say(session, "read unit power at 7 = alive")
    assert "nothing to redo" in say(session, "redo")


def test_one_answer_over_several_places_is_taken_back_as_one(silent: Silent) -> None:
    session = silent()
    say(session, "read unit power = alive")
    say(session, "all")
    before = live(session)
    say(session, "check unit power")
    say(session, "undo")
    say(session, "4: dark\n5: alive")
    say(session, "undo")
    assert live(session) == before


def test_cannot_and_do_not_know_are_recorded_and_not_asked_again(silent: Silent) -> None:
    session = silent()
    for word in ("can't", "do not know", "can't", "do not know"):
        step = session.case.step
        assert step is not None
        say(session, word)
        assert session.case.seen is not None
        assert all(
            (step.id, p) != (x.id, p)
            for x in session.case.seen.steps
            for p in step.places
            for q in x.places
            if q == p
            if x.id == step.id
        )
    assert live(session) == 8


def test_an_earlier_answer_is_replaced_or_stands_beside(silent: Silent) -> None:
    session = silent()
    say(session, "read unit power at 6 = alive")
    assert "Answered before" in say(session, "read unit power at 6 = dark")
    say(session, "1")
    assert live(session) == 5
    say(session, "undo")
    assert session.case.state_now is not None
    assert session.case.state_now.readings[-1].outcome == "alive"


def test_wrong_answers_come_back_for_editing(silent: Silent) -> None:
    session = silent()
    text = say(session, "zorgle")
    assert session.prefill == "zorgle"
    assert "number from 1 to" in flat(text)
    assert live(session) == 4


def test_words_that_are_no_answer_are_offered_as_what_they_may_mean(silent: Silent) -> None:
    session = silent()
    text = say(session, "router internet lamp red")
    assert "Or did you see" in flat(text)
    assert "none of these" in text
    say(session, "")
    assert live(session) == 4


def test_what_if_records_nothing(silent: Silent) -> None:
    session = silent()
    assert session.case.book is not None
    before = list(session.case.book.events)
    text = say(session, "what-if unit power at 6 = dark")
    assert "nothing is recorded" in flat(text)
    assert "%" in text
    assert session.case.desk.store.events(session.case.book.case) == before


def test_value_read_in_two_ways_is_asked(silent: Silent) -> None:
    session = silent()
    text = say(session, "read ohms-across-pair at near end = 1,234")
    assert live(session) == 4
    assert " 1  " in text
    say(session, "1")
    assert live(session) == 5


def test_a_pasted_block_is_shown_and_asked_once(silent: Silent) -> None:
    session = silent()
    text = flat(
        say(
            session,
            "read unit power at 6 = dark\nunit power at 7: alive\n"
            "ohms-across-pair at near end = 129 ohm\nsome remark",
        )
    )
    assert "Understood 2 of 4" in text or "Understood 3 of 4" in text
    assert "some remark" in text
    say(session, "2")
    assert session.case.state_now is not None
    assert session.case.state_now.notes
    say(session, "undo")
    assert live(session) == 4
    assert session.case.state_now.notes == ()


def test_steps_other_and_choosing(silent: Silent) -> None:
    session = silent()
    assert "Steps that fit now" in say(session, "other")
    say(session, "2")
    assert session.case.seen is not None
    assert session.case.step == session.case.seen.steps[1]


def test_a_note_leaves_the_step_that_was_picked(silent: Silent) -> None:
    """A number typed after the note answers the question on the screen, not the one that stood there before."""
    session = silent()
    say(session, "other")
    say(session, "2")
    picked = session.case.step
    assert picked is not None
    assert session.case.seen is not None
    assert picked != session.case.seen.steps[0]
    assert f"Still next: {picked.title}" in flat(say(session, "note the gate is locked"))
    assert session.case.step is not None
    assert (session.case.step.id, session.case.step.places) == (picked.id, picked.places)
    say(session, "do not know")
    assert session.case.step is not None
    assert (session.case.step.id, session.case.step.places) != (picked.id, picked.places)


def test_a_denied_danger_shows_the_question_that_comes_back(silent: Silent) -> None:
    """What was picked is dropped while the danger is asked about; the step that is back is shown with its answers."""
    session = silent()
    say(session, "other")
    say(session, "2")
    picked = session.case.step
    say(session, "note it smells burnt here")
    text = flat(say(session, "n"))
    assert session.case.step is not None
    assert session.case.step != picked
    assert f"NEXT: {session.case.step.title}" in text


def test_commands_leave_an_open_question(silent: Silent) -> None:
    session = silent()
    say(session, "other")
    assert "opened" in say(session, "log")
    assert session.case.dialog is None


def test_why_tells_evidence_rules_and_sources(silent: Silent) -> None:
    text = flat(say(silent(), "why 1"))
    assert "speaks for it" in text
    assert "By which rules" in text
    assert ".yaml:" in text
    assert "MODBUS over Serial Line" in text
    assert "no suspect" in say(silent(), "why 99")


def test_more_help_on_a_step(silent: Silent) -> None:
    text = say(silent(), "?")
    assert "How:" in text
    assert "Source:" in text


def test_a_repair_is_taken_by_its_whole_title(silent: Silent) -> None:
    session = silent("electrician")
    assert "Saved: repair done at unit 5" in flat(say(session, "repaired Remake the joint in the  station at 5"))
    assert session.case.state_now is not None
    assert [(x.remedy, str(x.place)) for x in session.case.state_now.mended] == [("remake-unit-lug", "unit 5")]


def test_facts(silent: Silent) -> None:
    session = silent()
    say(session, "fact unit.setting 7 48 A")
    assert "48 A (unit 7)" in flat(say(session, "facts setting"))
    say(session, "fact trunk.bit-rate 9600")
    assert "9600" in say(session, "facts bit-rate")
    say(session, "fact unit.setting all = 32 A")
    assert "unit.setting: 32 A" in say(session, "facts unit.setting")
    assert "At which unit" in say(session, "fact unit.setting 48 A")
    assert "no install fact" in say(session, "fact unit.seting 7 48 A")
    assert "one of" in flat(say(session, "fact name x")) or "no install fact" in flat(
        say(session, "fact name x")
    )


def test_repair_proof_close(silent: Silent) -> None:
    session = silent()
    say(
        session, "read segment-alone at 5-6 = both-open"
    ) if "segment-alone" in session.case.desk.knowledge.checks else say(
        session, "read one segment alone, both ends off at 5-6 = both wires open"
    )
    step = session.case.step
    assert step is not None
    assert step.kind == "remedy"
    say(session, "done")
    assert session.case.seen is not None
    assert session.case.seen.proofs
    assert "not proved" in say(session, "close")
    say(session, "")
    for _ in range(8):
        step = session.case.step
        if step is None:
            break
        check = session.case.desk.knowledge.checks[step.id]
        say(session, "60 ohm" if check.gauge == "trunk-ohms" else check.normal)
    assert all(p.done for p in session.case.seen.proofs)
    say(session, "close")
    assert session.prompt == "closed> "
    assert session.case.book is not None
    closed = session.case.book.events[-1]
    assert closed.kind == "closed"
    assert closed.data["proofs"]
    say(session, "undo")
    assert session.case.state_now is not None
    assert session.case.state_now.closed is None


def test_closing_without_proof_wants_a_reason(silent: Silent) -> None:
    session = silent()
    assert "Nothing was repaired" in say(session, "close")
    assert "few words" in say(session, "x")
    say(session, "handed over to the installer")
    assert session.case.book is not None
    assert session.case.book.events[-1].data["reason"] == "handed over to the installer"


def test_made_safe_only_by_a_role_that_may_and_in_so_many_words(begin: Callable[..., Router]) -> None:
    session = begin("help-desk")
    say(session, "smoke", "3")
    assert "Only a qualified" in say(session, "made-safe")
    say(session, "role technician")
    assert "takes a licensed electrician" in flat(say(session, "made-safe"))
    say(session, "role electrician")
    assert "Where was it isolated" in flat(say(session, "made safe"))
    assert "Number of the lock" in flat(say(session, "breaker 3 of the panel"))
    assert "That is needed" in flat(say(session, ""))
    assert "type: isolated and proved dead" in flat(say(session, "L-17"))
    assert "STOP USE stands" in flat(say(session, "yes"))
    assert session.case.danger == "standing"
    say(session, "made-safe unit 3", "breaker 3 of the panel", "L-17", "isolated and proved dead")
    assert session.case.danger == "made-safe"
    assert session.case.seen is not None
    assert session.case.seen.steps
    assert all(s.state in ("any", "dead-verified") for s in session.case.seen.steps)


def test_a_danger_sign_is_neither_answered_away_nor_undone_by_a_slip(begin: Callable[..., Router]) -> None:
    session = begin("caller")
    say(session, "smoke", "3")
    say(session, "check danger-signs")
    say(session, "the caretaker")
    say(session, "3")
    say(session, "none")
    assert session.case.danger == "standing"
    say(session, "undo")
    for _ in range(3):
        say(session, "undo")
        assert session.case.danger == "standing"
    assert "only a technician or above" in flat(say(session, "undo"))
    say(session, "role electrician")
    assert session.case.book is not None
    for _ in range(8):
        text = flat(say(session, "undo"))
        if "Why is it taken back" in text:
            break
    assert "Why is it taken back" in text
    say(session, "")
    assert session.case.danger == "standing"
    say(session, "undo", "typed at the wrong unit", "undo", "typed at the wrong unit")  # where it is, then that it is
    assert session.case.danger == "none"
    assert "typed at the wrong unit" in str([e.data for e in session.case.book.events])


def test_under_stop_use_no_procedure_is_shown_by_any_path(begin: Callable[..., Router]) -> None:
    session = begin("electrician")
    say(session, "smoke", "3")
    k = session.case.desk.knowledge
    for check in list(k.checks.values())[::7]:
        if check.id == "danger-signs":
            continue
        text = flat(say(session, f"check {check.id}"))
        assert flat(check.how) not in text, check.id
        say(session, "cancel")
    for text in ("steps", "other", "?", ""):
        assert "Do:" not in say(session, text)
    assert "note" in say(session, "note called the owner")
    say(session, "check unit-power")
    say(session, "the electrician on site")
    say(session, "3")
    say(session, "dark")
    assert session.case.book is not None
    assert session.case.book.events[-1].data["reported-by"] == "the electrician on site"
    assert session.case.danger == "standing"


@pytest.mark.parametrize("role", ["caller", "help-desk"])
def test_steps_above_the_role_are_never_shown(silent: Silent, role: str) -> None:
    session = silent(role)
    k = session.case.desk.knowledge
    from diagnose.casework.gate import may_take

    barred = [c for c in k.checks.values() if not may_take(c, role)]
    assert len(barred) > 50
    for check in barred[::5]:
        text = flat(say(session, f"check {check.id}"))
        assert check.title in text
        assert "Needs:" in text
        assert flat(check.how) not in text
        say(session, "")
        text = flat(say(session, f"read {check.id} = 1"))
        assert flat(check.how) not in text
        say(session, "cancel")
    for _ in range(10):
        assert session.case.seen is not None
        for step in session.case.seen.steps:
            assert m.may(role, step.role)
            assert step.reach != "on-site"
        if session.case.step is None:
            break
        say(session, "do not know")


def test_a_repair_above_the_role_is_only_taken_as_reported(silent: Silent) -> None:
    session = silent("caller")
    k = session.case.desk.knowledge
    remedy = next(
        r
        for r in k.remedies.values()
        if r.role == "electrician" and {f.at for f in k.faults.values() if f.remedy == r.id} == {"unit"}
    )
    text = flat(say(session, f"repaired {remedy.id} at 7"))
    assert "needs a" in text
    assert flat(remedy.do) not in text
    say(session, "the electrician of the site")
    assert session.case.book is not None
    assert session.case.book.events[-1].kind == "remedy"
    assert session.case.book.events[-1].by == "caller, reported by the electrician of the site"


def test_handover_names_whom_to_send(silent: Silent) -> None:
    session = silent("caller")
    text = flat(say(session, "handover"))
    assert "Send:" in text
    assert "Read so far:" in text


def test_role_instruments_on_site(silent: Silent) -> None:
    session = silent("caller")
    assert "no role" in say(session, "role boss")
    say(session, "role technician")
    assert session.case.role == "technician"
    assert "did you mean 'multimeter'" in flat(say(session, "instruments multimetre"))
    say(session, "instruments multimeter, clamp meter")
    assert session.case.state_now is not None
    assert session.case.state_now.instruments == {"multimeter", "clamp-meter"}
    say(session, "on-site no")
    assert not session.case.state_now.on_site


def test_export(silent: Silent, tmp_path: Path) -> None:
    session = silent()
    target = tmp_path / "case.jsonl"
    assert "5 entries written" in flat(say(session, f"export {target}"))
    assert "exists already" in flat(say(session, f"export {target}"))


def test_a_full_disk_says_so_and_the_answer_can_be_repeated(
    silent: Silent, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = silent()
    assert session.case.book is not None
    real = session.case.book.store.append

    def broken(*_: object, **__: object) -> None:
        raise StoreError("the disk is full, nothing was saved; free some space and try again")

    monkeypatch.setattr(session.case.book.store, "append", broken)
    text = say(session, "read unit power at 6 = dark")
    assert "disk is full" in flat(text)
    assert "Saved" not in text
    assert live(session) == 4
    monkeypatch.setattr(session.case.book.store, "append", real)
    assert "Saved" in say(session, "read unit power at 6 = dark")


def test_a_mistake_inside_is_one_line_and_the_session_goes_on(
    silent: Silent, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    session = silent()
    monkeypatch.setenv("DIAGNOSE_STATE", str(tmp_path))

    def broken(*_: object) -> None:
        raise KeyError("oops")

    with monkeypatch.context() as patch:
        patch.setattr(session.case.desk.assessor, "assess_state", broken)
        text = flat(say(session, "read unit power at 6 = dark"))
    assert "Saved" in text
    assert "errors.log" in text
    assert "Traceback" not in text
    assert "KeyError" in (tmp_path / "errors.log").read_text()
    assert "Where:" in say(session, "") or session.case.step is not None


def test_foreign_text_cannot_drive_the_terminal(silent: Silent) -> None:
    from diagnose.shell.paint import render

    session = silent()
    say(session, "note \x1b[2Jwiped [bold]x[/nothing] \x07")
    text = "\n".join(render(line, False) for line in session.handle("log"))
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "[bold]x[/nothing]" in text


@pytest.mark.parametrize("width", [20, 40, 59, 60, 100])
def test_no_screen_is_wider_than_the_terminal(silent: Silent, width: int) -> None:
    session = silent("technician", width)
    for text in (
        "",
        "why",
        "suspects",
        "findings",
        "facts",
        "log",
        "handover",
        "help",
        "?",
        "other",
        "",
        "what-if unit power at 6 = dark",
    ):
        for line in session.handle(text):
            words = line.text.split()
            assert len(line.text) <= width or any(len(w) > width - 12 for w in words), (text, line.text)


def test_every_command_has_help(silent: Silent) -> None:
    session = silent()
    everything = flat(say(session, "help"))
    for command in COMMANDS:
        assert command.says in everything
        if command.name != "?":
            assert command.says in flat(say(session, f"help {command.name}"))
    assert "no command" in say(session, "help frobnicate")


def test_an_outcome_with_the_name_of_a_command_is_an_answer(silent: Silent) -> None:
    session = silent()
    both = [(c, o.id) for c in session.case.desk.knowledge.checks.values() for o in c.outcomes if o.id in NAMES]
    for check, outcome in both:
        say(session, f"check {check.id}")
        if session.case.dialog is not None and "where" in session.case.dialog.ask.prompt:
            say(session, "1")
        assert "Saved" in say(session, outcome), (check.id, outcome)


def test_completion(silent: Silent) -> None:
    session = silent()
    assert "suspects" in session.completions("sus")[1]
    assert "unit-answers" in session.completions("read unit-a")[1]
    assert "unit 5" in session.completions("read unit-answers at unit 5")[1]
    assert "silent" in session.completions("what-if unit-answers at unit 5 = si")[1]
    assert "unit.setting" in session.completions("fact unit.se")[1]
    assert "technician" in session.completions("role te")[1]
    assert session.completions("sus")[0] == 3


def test_a_new_case_after_this_one(silent: Silent) -> None:
    session = silent()
    assert "First:" in say(session, "new")
    assert session.case.book is None


def test_interrupted_work_goes_on_from_the_store(silent: Silent) -> None:
    session = silent()
    assert "Stopped" in "\n".join(line.text for line in session.interrupted())
    assert "Where:" in say(session, "")


@pytest.mark.parametrize("typed", ["handover", "made-safe 5", "energized 5", "log"])
def test_a_command_is_no_reason_to_close(silent: Silent, typed: str) -> None:
    session = silent("electrician")
    for line in ("close", "n"):
        if session.case.dialog is None or not session.case.dialog.ask.free:
            session.handle(line)
    assert session.case.dialog.ask.free
    shown = "\n".join(line.text for line in session.handle(typed))
    assert "The question is dropped." in shown
    assert session.case.state_now.closed is None


@pytest.mark.parametrize("typed", ["repaired", "handover to the electrician of the site", "log is full"])
def test_words_that_begin_like_a_command_are_a_reason(silent: Silent, typed: str) -> None:
    session = silent("electrician")
    for line in ("close", "n"):
        if session.case.dialog is None or not session.case.dialog.ask.free:
            session.handle(line)
    session.handle(typed)
    assert session.case.state_now.closed["reason"] == typed
