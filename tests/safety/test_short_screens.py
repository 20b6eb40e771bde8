"""The danger question where little fits on a screen: short, whole, and short again when it ends a danger."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnose.knowledge import model as m
from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.safety.talk import flat, make_safe, say, status
from tests.shell.sites import HARBOUR

Begin = Callable[..., Router]
MOST_LINES = 10  # of the first screen at 40 columns, 8 of the question and what may be typed


@pytest.mark.parametrize("record", [HARBOUR, ""], ids=["with a record", "without"])
def test_the_first_question_fits_on_a_phone(desk: Desk, record: str) -> None:
    lines = [x.text for x in Router(desk, Options("caller", record), 40).start()]
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= 40
    text = " ".join(lines)
    assert text.startswith("First: any fire, smoke")
    for words in (
        "hurt", "shock", "bang", "heat", "buzzing", "water", "open cover", "damaged cable", "vehicle", "live",
        "lights", "battery", "alarming",
    ):
        assert words in text


def test_the_list_with_its_numbers_is_one_key_away(desk: Desk, k: m.Knowledge) -> None:
    s = Router(desk, Options("caller", HARBOUR), 40)
    s.start()
    text = flat(say(s, "?"))
    for n, outcome in enumerate(k.checks["danger-signs"].outcomes, 1):
        assert f"{n} {outcome.says}" in text
    say(s, "8")
    assert status(s)[0][0] == "water-inside"


@pytest.mark.parametrize("width", [40, 100])
def test_what_ends_a_danger_is_asked_without_the_list(begin: Begin, width: int) -> None:
    s = begin("electrician", width)
    say(s, "5", "5")  # shock
    make_safe(s, "unit 5")
    say(s, "repaired repair-ground-conductor at 5")
    say(s, "read ground-path at 5 = 0.1 ohm", "read ground-through-cable at 5 = 0.1 ohm", "read branch-insulation at 5 = 500 Mohm")
    assert s.case.step is not None
    assert s.case.step.id == "danger-signs"
    lines = s.case.here()
    text = flat("\n".join(x.text for x in lines))
    assert "Any fire, smoke" in text
    assert "n: none of these" in text
    assert "fire or flames" not in text
    assert "8 water inside" in flat(say(s, "?"))
    say(s, "n")
    assert status(s) == []


def test_no_prompt_is_wider_than_the_screen(begin: Begin) -> None:
    """A terminal cuts a prompt where a line of it ends beyond the screen, and the place of the step is lost."""
    s = begin("electrician", 40)
    say(s, "5", "5")
    make_safe(s, "unit 5")
    for line in ("", "check reported-error-code at 5"):
        say(s, line)
        assert max(map(len, s.prompt.split("\n"))) <= 40
        assert "unit 5" in s.prompt.replace("\n", " ")
