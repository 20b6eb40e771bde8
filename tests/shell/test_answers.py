"""What an answer and a place mean."""

import pytest

from diagnose.casework.state import AnswerError, read_site
from diagnose.shell.answers import Taken, TwoWays, per_place, places_said, understand, where
from diagnose.shell.desk import Desk
from diagnose.site.model import Site
from diagnose.site.places import Place, describe
from tests.shell.sites import HARBOUR


@pytest.fixture(scope="module")
def site(warm: Desk) -> Site:
    with open(HARBOUR, encoding="utf-8") as file:
        return read_site(file.read(), warm.knowledge)


def meant(desk: Desk, site: Site, check: str, text: str) -> str:
    taken = understand(desk.knowledge, site, desk.knowledge.checks[check], (), text)
    assert isinstance(taken, Taken)
    return taken.text


@pytest.mark.parametrize(
    ("check", "text", "outcome"),
    [
        ("danger-signs", "n", "none"),
        ("danger-signs", "nothing", "none"),
        ("danger-signs", "smoke", "burning-smell"),
        ("danger-signs", "do not know", "do-not-know"),
        ("danger-signs", "5", "shock"),
        ("unit-power", "y", "alive"),
        ("unit-answers", "yes", "answers"),
        ("unit-answers", "silent", "silent"),
        ("unit-answers", "= 4", "silent"),
        ("unit-answers", "can’t", "cannot-reach"),
        ("comm-lamp", "it stays dark.", "dark"),
        ("unit-power", "completley dark", "dark"),
    ],
)
def test_understood(warm: Desk, site: Site, check: str, text: str, outcome: str) -> None:
    assert meant(warm, site, check, text) == outcome


@pytest.mark.parametrize(
    ("check", "text"),
    [
        ("danger-signs", "y"),
        ("danger-signs", "card not accepted"),
        ("danger-signs", "no power at unit 3"),
        ("danger-signs", "not sure"),
        ("danger-signs", "all fine"),
        ("danger-signs", ""),
        ("unit-power", "lamp off"),
        ("unit-power", "is it dark?"),
        ("unit-power", "not dark"),
        ("breaker-trips", "y"),
        ("unit-answers", "9"),
        ("ohms-across-pair", "banana"),
        ("ohms-across-pair", "208 V"),
    ],
)
def test_not_guessed(warm: Desk, site: Site, check: str, text: str) -> None:
    with pytest.raises(AnswerError) as caught:
        understand(warm.knowledge, site, warm.knowledge.checks[check], (), text)
    assert "\n" not in str(caught.value)


def test_values(warm: Desk, site: Site) -> None:
    check = warm.knowledge.checks["ohms-across-pair"]
    end = site.places("trunk-end")[:1]
    assert understand(warm.knowledge, site, check, end, "OL") == Taken("OL", "OL")
    assert understand(warm.knowledge, site, check, end, "61.2") == Taken("61.2 ohm", "61.2")
    words = understand(warm.knowledge, site, check, end, "no terminator")
    assert isinstance(words, Taken)
    assert words.text == "no-terminator"
    assert isinstance(understand(warm.knowledge, site, check, end, "1,234"), TwoWays)


def test_answers_place_by_place(warm: Desk, site: Site) -> None:
    check = warm.knowledge.checks["unit-answers"]
    asked = site.places("unit")
    got = per_place(site, check, asked, "6-12 silent, others answer")
    assert [(describe(p), a) for p, a in got] == [("units 6-12", "silent"), ("units 1-5", "answer")]
    got = per_place(site, check, asked, "3: silent; 5 = 2; rest: 1")
    assert [(describe(p), a) for p, a in got] == [
        ("unit 3", "silent"),
        ("unit 5", "2"),
        ("units 1-2, 4, 6-12", "1"),
    ]
    assert per_place(site, check, asked, "silent") == []
    with pytest.raises(AnswerError):
        per_place(site, check, asked, "14: silent")


def test_a_value_is_no_place(warm: Desk, site: Site) -> None:
    check = warm.knowledge.checks["ohms-across-pair"]
    assert per_place(site, check, site.places("trunk-end"), "61 ohm") == []


def test_places_by_the_way(site: Site) -> None:
    assert describe(places_said(site, "unit", "units 6-12 are silent")) == "units 6-12"
    assert describe(places_said(site, "unit", "trips at unit 7 after 20 minutes")) == "unit 7"
    assert describe(places_said(site, "unit", "all units dark")) == "units 1-12"
    assert places_said(site, "unit", "trips after 2 hours at 115200 bit") == ()
    assert places_said(site, "unit", "unit 99 dark") == ()


def test_where(site: Site) -> None:
    assert where(site, "unit", "?") == where(site, "unit", "do not know") == ()
    assert where(site, "unit", "all") == site.places("unit")
    assert where(site, "segment", "4-5") == (Place("segment", 4, 5),)
    with pytest.raises(AnswerError):
        where(site, "unit", "seven")
