"""Dialogs: going back, and effects that are not done again by it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.report.lines import Line, wrap
from diagnose.shell.dialog import Ask, Dialog, Talk, fitting, once, yes_or_no
from diagnose.shell.refusal import Refusal
from diagnose.shell.router import Router
from tests.shell.sites import say
from tests.shell.test_evidence import meter_log


def ask(text: str) -> Ask:
    return Ask(tuple(wrap("title", text, 80)), "> ")


def test_an_effect_is_done_once_and_again_for_another_key() -> None:
    done: list[str] = []

    def work(name: str) -> str:
        done.append(name)
        return f"contents of {name}"

    def talk() -> Talk:
        name = yield ask("which?")
        text = yield from once(f"read {name}", lambda: work(name))
        sure = yield ask(text)
        return [Line("text", f"{text}, {sure}")]

    dialog = Dialog(talk)
    dialog.send("a")
    assert dialog.ask.lines[0].text == "contents of a"
    assert dialog.back()
    dialog.send("a")
    assert done == ["a"]
    assert dialog.back()
    dialog.send("b")
    assert done == ["a", "b"]
    dialog.send("yes")
    assert dialog.result == [Line("text", "contents of b, yes")]


def test_an_effect_that_fails_is_told_where_it_was_asked_for_and_tried_again() -> None:
    tries: list[int] = []

    def work() -> int:
        tries.append(1)
        if len(tries) < 3:
            raise OSError("not there")
        return len(tries)

    def talk() -> Talk:
        text = "file?"
        while True:
            typed = yield ask(text)
            try:
                return [Line("text", str((yield from once(typed, work))))]
            except OSError as error:
                text = str(error)

    dialog = Dialog(talk)
    dialog.send("a")
    assert dialog.ask.lines[0].text == "not there"
    dialog.send("a")
    dialog.send("a")
    assert dialog.result == [Line("text", "3")]


def test_an_effect_before_the_first_question_and_one_that_refuses() -> None:
    count: list[int] = []

    def talk() -> Talk:
        yield from once("first", lambda: count.append(1))
        if (yield from yes_or_no("sure?", 80)):
            yield from once("second", refuse)
        return []

    def refuse() -> None:
        raise Refusal("no")

    dialog = Dialog(talk)
    with pytest.raises(Refusal):
        dialog.send("y")
    assert dialog.ask.lines[0].text == "sure?"  # the question stands again
    dialog.send("n")
    assert (dialog.result, count) == ([], [1])


def test_going_back_reads_no_file_again(silent: Callable[..., Router], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from diagnose.shell import evidence

    real, read = evidence.take_in, []
    monkeypatch.setattr(evidence, "take_in", lambda *given: read.append(given[3]) or real(*given))
    session = silent("electrician")
    say(session, f"evidence {meter_log(tmp_path)}", "7", "back", "7", "back", "8", "1")
    assert read == ["", "unit 7", "unit 8"]
    assert session.case.book is not None
    assert {e.data["at"] for e in session.case.book.events if e.kind == "reading" and e.data.get("from")} <= {"unit 8", "panel 1"}


def test_what_fits() -> None:
    assert fitting("Un", ("unit 1", "all", "unit 1")) == (2, ["unit 1"])
