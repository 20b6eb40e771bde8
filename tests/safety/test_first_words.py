"""What a person reads first when there is danger: whom to call, what to leave alone, and no order that is somebody else's.

What is said first is common practice of emergency services and of electrical trades, no single source: leave, call, do not
touch a person who is still in contact, and only then where and what.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

import pytest

from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.report.lines import Line
from diagnose.shell.desk import Desk, Options
from diagnose.shell.router import Router
from tests.safety.talk import case_of, danger, flat, log_kinds, say, status
from tests.shell.sites import HARBOUR

Begin = Callable[..., Router]
SIGNS = list(load().checks["danger-signs"].outcome_ids[1:])
PANEL_SIGNS = list(load().checks["panel-danger-signs"].outcome_ids[1:])
ROLES = list(m.ROLES)
LOW = ("caller", "help-desk")
WIDTHS = (40, 100)
NUMBER = "the local emergency number (112, 911, 999, 000 ...)"
# Signs at which somebody is called before anything is asked; written by hand.
CALL_FIRST = ("fire", "burning-smell", "hurt", "shock", "vehicle-battery")
# Words that only somebody qualified may be told to do; the orders of the making-safe texts.
ORDERS = (
    "prove dead", "proves dead", "lock out", "locks out", "lock and tag", "locks and tags", "isolates at",
    "isolates upstream", "isolate at", "the qualified person",
)


class Screens:
    """Every line that a session shows, with the text of each screen."""

    def __init__(self, desk: Desk, role: str, width: int, case: str = "") -> None:
        self.session = Router(desk, Options(role, HARBOUR, case), width)
        self.width = width
        self.screens: list[str] = []
        self._keep(self.session.start())

    def type(self, *typed: str) -> str:
        for text in typed:
            self._keep(self.session.handle(text))
        return self.screens[-1]

    def _keep(self, lines: Iterable[Line]) -> None:
        shown = [line.text for line in lines]
        for text in shown:
            assert len(text) <= self.width, text
        self.screens.append("\n".join(shown))

    @property
    def all(self) -> str:
        return flat("\n".join(self.screens))


def qualified(k: m.Knowledge) -> list[str]:
    """The cautions that laypeople never read."""
    return [flat(c.says) for c in k.cautions.values() if c.audience == "qualified"]


def no_order_of_the_qualified(k: m.Knowledge, text: str) -> None:
    for says in qualified(k):
        for sentence in re.split(r"(?<=[.;]) ", says):
            assert len(sentence) < 25 or sentence not in text, sentence
    for words in ORDERS:
        assert words not in text.lower().replace("a qualified person has to make it safe", ""), words


def innocence(text: str) -> list[str]:
    """Whatever says that a thing is sound, or how likely."""
    return [x for x in ("No fault", "no fault", "Nothing is broken", "nothing broken", "that there is none", "no other fault") if x in text]


def opened_by_number(screens: Screens, sign: str, place: str) -> str:
    """A sign from the list of the first question, then where."""
    screens.type(str(SIGNS.index(sign) + 2))
    return screens.type(place)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("sign", SIGNS)
def test_every_sign_to_every_role(desk: Desk, k: m.Knowledge, sign: str, role: str, width: int) -> None:
    """STOP USE first, the number before any question, nothing wider than the screen, and to each only what is theirs."""
    screens = Screens(desk, role, width)
    asked = flat(screens.type(str(SIGNS.index(sign) + 2)))
    if sign in CALL_FIRST:
        assert asked.index(f"Call {NUMBER}") < asked.index("Where?")
    assert status(screens.session)[0][2] == "standing"  # saved before it is asked where
    stopped = screens.type("5")
    handover = screens.type("handover")
    for shown in (stopped, handover):
        starts = [x for x in shown.splitlines() if re.match(r"(?!Saved)\S", x)]
        first = next(n for n, x in enumerate(starts) if x.startswith("STOP USE at unit 5"))
        assert not first or sign in CALL_FIRST  # nothing but whom to call stands before it
        assert all(x.startswith("! ") and not x.startswith("! Keep off") for x in starts[:first])
    if sign in CALL_FIRST:
        assert f"Call {NUMBER}" in flat(handover)  # whoever passes it on reads it again
    screens.type("suspects", "findings", "log", "", "help", "why", "other", "?", "undo")
    screens.type("quit")
    again = Screens(desk, role, width, case_of(screens.session))
    assert sign not in CALL_FIRST or f"Call {NUMBER}" in again.all
    text = screens.all + " " + again.all
    assert "{" not in text
    assert innocence(text) == []
    assert not re.search(r"NEXT:|REPAIR:", text)
    if role in LOW:
        no_order_of_the_qualified(k, text)
    else:
        assert "The qualified person" in text
    assert danger(again.session) == "standing"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("role", LOW)
@pytest.mark.parametrize("sign", PANEL_SIGNS)
def test_every_sign_at_the_panel(desk: Desk, k: m.Knowledge, sign: str, role: str, width: int) -> None:
    screens = Screens(desk, role, width)
    screens.type(str(SIGNS.index(sign) + 2))
    stopped = flat(screens.type("panel"))
    assert "STOP USE at panel 1" in stopped
    screens.type("handover", "suspects", "findings")
    assert "Send: licensed electrician" in screens.all
    no_order_of_the_qualified(k, screens.all)
    assert innocence(screens.all) == []
    assert {x[1] for x in status(screens.session)} == {"panel 1"}


@pytest.mark.parametrize("sign", SIGNS)
def test_whom_to_send(begin: Begin, k: m.Knowledge, sign: str) -> None:
    """An electrician where panel, ground, water or fire are concerned, with what it takes along; written by hand."""
    technician = {"hot-or-buzzing", "open-cover", "damaged-cable", "live-when-off", "not-clear"}
    s = begin("caller")
    say(s, str(SIGNS.index(sign) + 2))
    say(s, "5")
    assert s.case.seen is not None
    assert s.case.seen.handover is not None
    assert s.case.seen.handover.role in (("technician", "electrician") if sign in technician else ("electrician",))
    assert {"lock-out kit", "proving unit"} <= set(s.case.seen.handover.kit)
    if sign == "neutral-lost":
        assert "utility" in flat(say(s, "handover")).lower()


@pytest.mark.parametrize("words", [
    "there is smoke coming out of unit 3", "there are flames at post 3", "my hand got a shock from number 3", "somebody is lying next to unit 3",
])  # fmt: skip
def test_the_number_stands_before_the_question(begin: Begin, words: str) -> None:
    text = flat(say(begin("caller"), words))
    assert text.index(f"Call {NUMBER}") < text.index("Is that a danger sign")


def test_shock_says_not_to_touch_and_to_see_a_doctor(begin: Begin) -> None:
    text = flat(say(begin("caller"), "my wife got a shock at unit 2", "y"))
    assert "Do not touch a person who is still in contact" in text
    assert "Switch off from elsewhere only if that is safe" in text
    assert "sees a doctor" in text


def test_a_battery_that_hisses_is_for_the_fire_service(begin: Begin) -> None:
    text = flat(say(begin("caller"), str(SIGNS.index("vehicle-battery") + 2)))
    assert text.index("fire service") < text.index("Where?")
    assert "keep well away" in text


def test_the_sites_own_number_is_the_one_to_call(begin: Begin, tmp_path_factory: pytest.TempPathFactory) -> None:
    with open(HARBOUR, encoding="utf-8") as file:
        record = file.read().replace("site: {system:", "site: {emergency: gate house 4400, system:")
    path = tmp_path_factory.mktemp("record") / "harbor.yaml"
    path.write_text(record, encoding="utf-8")
    text = flat(say(begin("caller", 80, str(path)), "there is smoke coming out of unit 3"))
    assert "Call gate house 4400" in text
    assert NUMBER not in text


def test_signs_cover_what_people_report(k: m.Knowledge) -> None:
    """Fire, somebody hurt, a vehicle, an open cover, a bang: each has a sign of its own, and the question names it."""
    ask = k.checks["danger-signs"].ask
    for word in (
        "fire", "smoke", "burning smell", "hurt", "shock", "tickle", "bang", "flash", "heat", "buzzing",
        "water", "open cover", "hit by a vehicle", "damaged cable", "the panel that feeds it",
    ):
        assert word in ask, word
    assert {"fire", "hurt", "hit-by-vehicle", "open-cover", "bang-or-flash", "vehicle-battery"} <= set(SIGNS)


def test_the_first_question_asks_about_the_panel(desk: Desk) -> None:
    for width in WIDTHS:
        first = flat(Screens(desk, "caller", width).screens[0])
        assert "at any unit, its cable, or the panel that feeds it?" in first


def test_a_none_at_the_opening_covers_the_panel_and_a_buzzing_one_stops_all(begin: Begin) -> None:
    s = begin("caller")
    say(s, "the panel buzzes loudly", "y")
    assert ("panel-heat", "panel 1", "standing") in status(s)


@pytest.mark.parametrize("typed", ["3", "there is smoke at the charger", "5"])
def test_leaving_while_it_is_asked_where_loses_nothing(begin: Begin, desk: Desk, typed: str) -> None:
    """The report is in the case before the question, for the whole site."""
    s = begin("caller")
    say(s, typed)
    text = flat(say(s, "quit"))
    assert "Nothing was recorded" not in text
    assert "is saved" in text
    assert [c.stop_use for c in desk.store.cases()] == [True]
    again = Router(desk, Options("", "", case_of(s)))
    assert NUMBER in flat("\n".join(x.text for x in again.start()))
    assert danger(again) == "standing"


# Every place where something may be typed, and what was typed there in the first version without being heard.
SMOKE = "there is smoke coming out of it"
PROMPTS = [
    ("which comes nearest", ["n", "units 6-12 are silent"]),
    ("at which unit", ["n", "units 6-12 are silent", "1"]),
    ("and the others", ["n", "units 6-12 are silent", "1", "6-12"]),
    ("a check by name", ["n", "units 6-12 are silent", "1", "", "y", "check unit power"]),
    ("a reading", ["n", "units 6-12 are silent", "1", "", "y", "read unit power"]),
    ("a reason", ["n", "units 6-12 are silent", "1", "", "y", "close"]),
    ("a name", ["n", "units 6-12 are silent", "1", "", "y", "check ground-path"]),
    ("the step", ["n", "units 6-12 are silent", "1", "", "y"]),
]


@pytest.mark.parametrize("lines", [x for _, x in PROMPTS], ids=[n for n, _ in PROMPTS])
def test_heard_at_every_prompt(begin: Begin, lines: list[str]) -> None:
    s = begin("caller")
    say(s, *lines)
    text = flat(say(s, SMOKE))
    assert text.index(f"Call {NUMBER}") < text.index("Is that a danger sign")
    assert danger(s) == "standing"
    assert "closed" not in log_kinds(s)


@pytest.mark.parametrize("record", [HARBOUR, ""], ids=["with a record", "without"])
@pytest.mark.parametrize("line", ["none but smoke comes out", "no, only a bit of smoke", "not really, a little buzzing and it is red hot"])
def test_a_denial_in_the_same_line_denies_nothing(begin: Begin, line: str, record: str) -> None:
    s = begin("caller", 80, record)
    say(s, line)
    assert danger(s) == "standing"


def test_a_record_that_is_asked_for_hears_danger_too(begin: Begin) -> None:
    s = begin("caller", 80, "")
    say(s, "n", "it does not charge")
    say(s, "1")
    if s.case.dialog is not None and "record" not in s.case.dialog.ask.prompt:
        say(s, "-")
    say(s, SMOKE)
    assert danger(s) == "standing"


def test_a_note_after_it_was_made_safe_is_heard(begin: Begin) -> None:
    s = begin("electrician")
    say(s, "5")
    say(s, "5", "made-safe 5", "breaker 5", "L-12", "isolated and proved dead")
    assert danger(s) == "made-safe"
    assert "Is that a danger sign" in flat(say(s, "note there is smoke coming out of unit 5 now"))
    assert danger(s) == "standing"


def test_a_pasted_block_is_heard_line_by_line(begin: Begin) -> None:
    s = begin("help-desk")
    say(s, "n", "units 6-12 are silent", "1", "", "y")
    say(s, "unit power at 6 = dark\nunit 7: smoke is coming out of it\nunit power at 8 = dark")
    assert danger(s) == "standing"


@pytest.mark.parametrize(
    "line",
    [
        "help there is smoke coming out of it", "report there is smoke coming out of unit 3",
        "help my wife got a shock", "evidence of smoke coming out of unit 3",
    ],
)
def test_a_cry_that_begins_like_a_command_is_heard(silent: Begin, line: str) -> None:
    s = silent("caller")
    text = flat(say(s, line))
    assert text.index(f"Call {NUMBER}") < text.index("Is that a danger sign")
    assert danger(s) == "standing"


def test_the_command_needs_no_second_word(silent: Begin) -> None:
    """Whoever types `danger` with its sign means it: use is stopped at once, at the place that was named."""
    s = silent("caller")
    text = flat(say(s, "danger electric shock at unit 9"))
    assert "STOP USE at unit 9" in text
    assert status(s) == [("shock", "unit 9", "standing")]


@pytest.mark.parametrize("role", LOW)
def test_keep_off_tells_nobody_to_use_the_handle(begin: Begin, k: m.Knowledge, role: str) -> None:
    """Opening a disconnect under load at arm's length is not for a layperson; the stop button from a distance is all."""
    text = flat(say(begin(role), "7"))
    assert "Do not use the handle of anything that is hot, buzzing, smoking or wet" in text
    assert "At most press the station's own stop button" in text
    assert "normal handle" not in text


@pytest.mark.parametrize("words", ["smoke is coming out of unit 3", "smoke is seen at unit 3"])
def test_smoke_is_is_smoke(begin: Begin, words: str) -> None:
    """The plainest way to say it: the number first, and asked by its name."""
    text = flat(say(begin("caller"), words))
    assert text.index(f"Call {NUMBER}") < text.index("Is that a danger sign: smoke")


@pytest.mark.parametrize("words", ["smoke at unit 3", "fire in unit 3", "heat at unit 5"])
def test_a_plain_sign_and_a_place_are_heard(begin: Begin, words: str) -> None:
    s = begin("caller")
    say(s, "n", words)
    assert danger(s) == "standing"
