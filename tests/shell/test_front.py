"""What a front end holds: the first question without the router, the same conversation with it."""

from __future__ import annotations

import pytest

from diagnose.shell.desk import Desk, Options
from diagnose.shell.front import Front
from diagnose.shell.router import Router
from tests.shell.sites import HARBOUR


@pytest.mark.parametrize("width", [40, 80])
def test_the_first_question_is_the_routers(desk: Desk, width: int) -> None:
    front, router = Front(desk, Options(), width), Router(desk, Options(), width)
    assert front.start() == router.start()
    assert (front.prompt, front.prefill, front.finished, front.between) == (router.prompt, router.prefill, False, False)
    assert front.completions("sho") == router.completions("sho")
    assert front.completions("sho")[1]
    assert front._router is None
    for typed in ("nonsense words", "n", "units 6-12 are silent"):
        assert front.handle(typed) == router.handle(typed)
        assert (front.prompt, front.prefill) == (router.prompt, router.prefill)


def test_a_danger_typed_first_is_heard_by_the_alarm(desk: Desk) -> None:
    front = Front(desk, Options(role="technician", record=HARBOUR), 80)
    front.start()
    front.handle("there is smoke coming out of unit 3")
    assert front.prompt == "danger (y/n)> "
    assert front.between is False


def test_leaving_before_anything_was_typed(desk: Desk) -> None:
    front = Front(desk, Options(), 80)
    front.start()
    front.prefill = "kept back"
    assert front.prefill == ""
    assert [line.text for line in front.leave()] == ["Nothing was recorded."]
    assert front.finished


def test_a_stored_case_begins_with_the_router_and_the_width_follows(desk: Desk) -> None:
    first = Front(desk, Options(role="technician", record=HARBOUR), 80)
    first.start()
    for typed in ("n", "units 6-12 are silent", "1", "", "y"):
        first.handle(typed)
    assert first.between
    book = first._awake().case.book
    assert book is not None
    shown: list[str] = []
    again = Front(desk, Options(case=book.case), 80, lambda lines: shown.extend(line.text for line in lines))
    assert max(len(line.text) for line in again.start()) > 44
    assert shown == [f"Case {book.case}: units 6-12 are silent"]
    again.width = 44
    assert max(len(line.text) for line in again.handle("suspects")) <= 44
    assert "Stopped" in again.interrupted()[0].text
