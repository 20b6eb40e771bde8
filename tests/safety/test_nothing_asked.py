"""What is typed where nothing is asked, and what is said at once to somebody who resets again and again."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnose.shell.router import Router
from tests.safety.talk import flat, make_safe, say, status

Begin = Callable[..., Router]
NO_RESET = "Do not reset it again"
WORDS = [
    "can't", "don't know", "do not know", "the lamp is green now", "unit answers", "5", "y",
    "frobnicate the gadget", "replies come back damaged",
]


@pytest.mark.parametrize("typed", WORDS)
@pytest.mark.parametrize("role", ["caller", "help-desk", "technician", "electrician"])
def test_beside_a_danger_words_are_no_answers(begin: Begin, role: str, typed: str) -> None:
    """No check is offered: who has to come, what lifts it, and how to keep what was said."""
    s = begin(role)
    say(s, "2", "5")
    before = status(s)
    text = flat(say(s, typed))
    assert "Nothing is asked now." in text
    assert "licensed electrician has to come" in text if role != "electrician" else "type made-safe" in text
    assert "note" in text
    assert "help" in text
    assert "Or did you see one of these" not in text
    assert len(text) < 330
    assert s.case.dialog is None
    assert status(s) == before


@pytest.mark.parametrize(("typed", "title"), [("3", "Fire or smoke - everybody leaves"), ("4", "Somebody is hurt"), ("5", "Somebody got a shock")])
def test_whom_to_call_comes_first_there_too(begin: Begin, typed: str, title: str) -> None:
    """"What do I do" beside smoke has an answer before anything about the program."""
    s = begin("caller", 40)
    say(s, typed, "5")
    text = flat(say(s, "what do i do now"))
    assert text.startswith(f"! {title}. Call ")
    assert text.index("Call ") < text.index("Nothing is asked now.")


def test_the_whole_site_is_said_in_words(begin: Begin) -> None:
    s = begin("technician")
    text = flat(say(s, "8", "?"))
    assert "Stop using the whole site." in text
    assert "whole site" in flat(say(s, "made-safe"))
    assert "Stop using site" not in text


def test_a_slip_of_a_command_is_still_told(begin: Begin) -> None:
    s = begin("caller")
    say(s, "2", "5")
    assert "Did you mean 'handover'?" in flat(say(s, "handovr"))


def test_after_made_safe_the_repair_is_named(begin: Begin) -> None:
    s = begin("electrician")
    say(s, "2", "5")
    make_safe(s, "unit 5")
    while s.case.step is not None:  # looking and dead work are offered; past them nothing is asked
        say(s, "can't")
        if s.case.dialog is not None:
            say(s, "cancel")
    text = flat(say(s, "don't know"))
    assert text.startswith("Nothing is asked now. First unit 5 has to be repaired: type repaired.")


def in_complaint(s: Router, words: str) -> str:
    return say(s, "n", words)


def at_the_danger_question(s: Router, words: str) -> str:
    return say(s, words)


def as_an_answer(s: Router, words: str) -> str:
    return say(s, "n", "units 6-12 are silent", "1", "", "y", words)


def in_a_note(s: Router, words: str) -> str:
    say(s, "n", "units 6-12 are silent", "1", "", "y")
    return say(s, f"note {words}")


def in_a_pasted_block(s: Router, words: str) -> str:
    say(s, "n", "units 6-12 are silent", "1", "", "y")
    return say(s, f"spoke to the guard\n{words}\nbye")


def beside_a_danger(s: Router, words: str) -> str:
    say(s, "2", "5")
    return say(s, words)


@pytest.mark.parametrize("position", [in_complaint, at_the_danger_question, as_an_answer, in_a_note, in_a_pasted_block, beside_a_danger])
@pytest.mark.parametrize("words", ["I reset it three times", "we keep flipping it back on", "it trips and I put it back in every morning"])
def test_resetting_again_is_stopped_at_once_wherever_it_is_told(begin: Begin, position: Callable[[Router, str], str], words: str) -> None:
    s = begin("caller")
    text = flat(position(s, words))
    assert text.startswith(NO_RESET)
    assert text.count(NO_RESET) == 1


def test_what_was_said_is_still_kept(begin: Begin) -> None:
    s = begin("caller")
    in_a_note(s, "I reset it three times")
    assert s.case.book is not None
    assert [e.data["text"] for e in s.case.book.events if e.kind == "note"] == ["I reset it three times"]
