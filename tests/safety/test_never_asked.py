"""A case is not closed over a unit of which nobody was asked whether it is dangerous."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from diagnose.shell.router import Router
from tests.safety.talk import danger, flat, make_safe, say, status

Begin = Callable[..., Router]


def closed(s: Router) -> list[dict[str, object]]:
    assert s.case.book is not None
    return [dict(e.data) for e in s.case.book.events if e.kind == "closed"]


def signs(s: Router) -> list[tuple[str, str]]:
    assert s.case.book is not None
    return [(str(e.data["at"]), str(e.data["answer"])) for e in s.case.book.events if e.kind == "reading" and e.data["check"] == "danger-signs"]


@pytest.fixture
def ended(begin: Begin) -> Router:
    """A danger at unit 5 was told, repaired and lifted; on the way unit 7 was found silent, and nobody asked about danger there."""
    s = begin("electrician")
    say(s, "5", "5")  # shock
    make_safe(s, "unit 5")
    say(s, "repaired repair-ground-conductor at 5")
    say(s, "read ground-path at 5 = 0.1 ohm", "read ground-through-cable at 5 = 0.1 ohm", "read branch-insulation at 5 = 500 Mohm", "n")
    assert danger(s) == "none"
    say(s, "read unit-answers at 7 = silent")
    return s


def test_it_is_asked_before_the_case_is_closed(ended: Router) -> None:
    text = flat(say(ended, "close"))
    assert "nobody has said yet whether unit 7 shows a danger sign" in text
    assert "Any fire, smoke" in text
    assert not closed(ended)
    say(ended, "n")
    if not closed(ended):
        say(ended, "handed over to the day shift")
    assert signs(ended)[-1] == ("unit 7", "none")
    assert len(closed(ended)) == 1


@pytest.mark.parametrize("typed", ["8", "water-inside"])
def test_a_sign_there_stops_use_and_the_case_stays_open(ended: Router, typed: str) -> None:
    say(ended, "close", typed)
    assert status(ended) == [("water-inside", "unit 7", "standing")]
    assert not closed(ended)


def test_danger_in_other_words_is_heard_there_too(ended: Router) -> None:
    assert "Is that a danger sign" in flat(say(ended, "close", "there is smoke coming out of it"))
    assert danger(ended) == "standing"
    assert not closed(ended)


@pytest.mark.parametrize("typed", ["do not know", "can't"])
def test_what_nobody_can_say_is_no_solved_case(ended: Router, typed: str) -> None:
    """It may be closed with a reason; the handover says that nobody has looked."""
    assert "not closed as solved" in flat(say(ended, "close", typed))
    say(ended, "handed over")
    assert [x["reason"] for x in closed(ended)] == ["handed over"]
    assert "nobody could say at unit 7. Look first" in flat(say(ended, "handover"))


def test_left_open_it_keeps_the_answer(ended: Router) -> None:
    say(ended, "close", "do not know", "")
    assert not closed(ended)
    assert signs(ended)[-1] == ("unit 7", "do-not-know")


def test_the_handover_says_that_it_was_never_asked(ended: Router) -> None:
    assert "Danger signs were NEVER ASKED at unit 7. Ask first." in flat(say(ended, "handover"))
    say(ended, "read danger-signs at 7 = none")
    assert "NEVER ASKED" not in flat(say(ended, "handover"))


def test_a_case_that_was_asked_closes_as_before(begin: Begin) -> None:
    s = begin("technician")
    say(s, "n", "units 6-12 are silent", "1", "", "y")
    assert "danger sign" not in flat(say(s, "close"))
    say(s, "handed over")
    assert len(closed(s)) == 1
