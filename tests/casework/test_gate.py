"""The gate against a table written by hand: role, reach, state and danger; use and power at places that are stopped."""

from __future__ import annotations

from itertools import product

import pytest

from diagnose.casework.gate import FREE, Bars, barred, has_instrument, may_take, touches
from diagnose.knowledge import model as m
from diagnose.site.model import Group, Site, Trunk
from diagnose.site.places import SITE, Place

SPOT = m.Spot("x", 1)
U1, U2, U3 = (Place("unit", n) for n in (1, 2, 3))
TRUNK, PANEL, OTHER_PANEL, UPLINK = Place("trunk", 1), Place("panel", 1), Place("panel", 2), Place("uplink", 1)


def site() -> Site:
    """Units 1 and 2 on panel 1 and on the trunk, unit 3 alone on panel 2."""
    facts = {("unit", 1): {"panel": 1}, ("unit", 2): {"panel": 1}, ("unit", 3): {"panel": 2}}
    return Site("s", (1, 2, 3), (Trunk(1, "t", (1, 2), 1, (10.0,)),), (Group(1, 1, (1, 2)),), (), (1, 2), facts)


def step(role: str = "caller", state: str = "any", reach: str = "phone", needs: str = "none", instrument: str = "none") -> m.Check:
    return m.Check("x", "X", "unit", "look", "?", "", instrument, "", (), False, False, (), role, state, reach, 1, needs, (), (), SPOT)


# Written out: least role for a step of this role and reach when nothing is dangerous.
LEAST = {
    ("caller", "phone"): "caller", ("caller", "remote"): "caller", ("caller", "on-site"): "technician",
    ("help-desk", "phone"): "help-desk", ("help-desk", "remote"): "help-desk", ("help-desk", "on-site"): "technician",
    ("technician", "phone"): "technician", ("technician", "remote"): "technician", ("technician", "on-site"): "technician",
    ("electrician", "phone"): "electrician", ("electrician", "remote"): "electrician", ("electrician", "on-site"): "electrician",
}  # fmt: skip
LADDER = ("caller", "help-desk", "technician", "electrician")


@pytest.mark.parametrize(("needed", "reach", "role", "state"), list(product(LADDER, m.REACHES, LADDER, m.STATES)))
def test_who_may_take_a_step(needed: str, reach: str, role: str, state: str) -> None:
    s = step(needed, state, reach)
    may = LADDER.index(role) >= LADDER.index(LEAST[needed, reach])
    assert may_take(s, role) is may
    assert may_take(s, role, Bars("standing")) is False
    assert may_take(s, role, Bars("made-safe")) is (may and state in ("any", "dead-verified"))
    assert may_take(s, role, FREE._replace(unseen=True)) is (may and state not in ("live", "dead-verified"))


def test_with_the_danger_question_unanswered_nothing_is_used() -> None:
    assert not may_take(step(needs="in-use"), "electrician", FREE._replace(unseen=True))
    assert may_take(step(needs="energized"), "electrician", FREE._replace(unseen=True))


# needs, where the step is, what is stopped, whether it is barred
STOPPED = [
    ("none", U1, U1, False),
    ("energized", U1, U1, True),
    ("in-use", U1, U1, True),
    ("in-use", U2, U1, False),
    ("energized", U2, U1, False),
    ("in-use", TRUNK, U1, True),  # a start or restart of the whole trunk reaches the stopped unit
    ("in-use", SITE, U1, True),
    ("in-use", UPLINK, U2, True),
    ("energized", TRUNK, U1, False),  # the others on it still have power
    ("energized", UPLINK, U2, False),
    ("in-use", U1, PANEL, True),
    ("energized", U1, PANEL, True),
    ("energized", U3, PANEL, False),
    ("in-use", U3, PANEL, False),
    ("energized", TRUNK, PANEL, True),  # everybody on it is off
    ("in-use", U1, TRUNK, True),
    ("energized", OTHER_PANEL, PANEL, False),
    ("in-use", U3, SITE, True),
    ("energized", U3, SITE, True),
]


@pytest.mark.parametrize(("needs", "place", "stopped", "is_barred"), STOPPED)
def test_use_and_power_at_stopped_places(needs: str, place: Place, stopped: Place, is_barred: bool) -> None:
    for danger in ("none", "standing"):
        assert barred(step(needs=needs), place, "electrician", Bars(danger, frozenset({stopped})), site()) is is_barred


def test_where_a_fault_may_hurt_nothing_is_used_but_it_is_measured() -> None:
    bars = Bars(kept_out=frozenset({U1}))
    assert barred(step(needs="in-use"), U1, "electrician", bars, site())
    assert not barred(step(needs="energized", state="live"), U1, "electrician", bars, site())
    assert not barred(step(needs="in-use"), U3, "electrician", bars, site())


@pytest.mark.parametrize("role", LADDER)
def test_after_a_trip_nobody_below_technician_uses_it(role: str) -> None:
    bars = Bars(held=frozenset({U1}))
    assert barred(step(needs="in-use"), U1, role, bars, site()) is (role in ("caller", "help-desk"))
    assert not barred(step(needs="energized"), U1, role, bars, site())


def test_proofs_are_taken_where_power_is_back_for_them() -> None:
    live = step("technician", "live", "on-site", "energized")
    safe = Bars("made-safe", frozenset({U1}))
    assert not may_take(live, "electrician", safe)
    proving = safe._replace(proving=frozenset({("x", U1)}))
    assert may_take(live, "electrician", proving)
    assert not may_take(live, "help-desk", proving)
    assert not barred(live, U1, "electrician", proving, site())
    assert barred(live, U2, "electrician", proving, site())  # and nowhere else


def mending(state: str, needs: str) -> m.Remedy:
    return m.Remedy("y", "Y", "", "electrician", state, "on-site", 1, needs, (), (), (), SPOT)


def test_dead_work_goes_on_where_it_was_made_safe() -> None:
    safe = Bars("made-safe", frozenset({U1}))
    for state in ("any", "dead-verified"):
        assert not barred(step(state=state), U1, "electrician", safe, site())
        assert not barred(step(state=state), U2, "electrician", safe, site())
    for state in ("covers-closed", "live"):
        assert barred(step(state=state), U2, "electrician", safe, site())


def test_power_after_dead_work_does_not_bar_the_work() -> None:
    """A repair that is done dead is offered at a stopped place though power has to come back for its proofs; nothing else is."""
    stopped = Bars("none", frozenset({U1}))
    assert not barred(mending("dead-verified", "energized"), U1, "electrician", stopped, site())
    assert barred(mending("live", "energized"), U1, "electrician", stopped, site())
    assert barred(mending("any", "energized"), U1, "electrician", stopped, site())
    assert barred(mending("dead-verified", "in-use"), U1, "electrician", stopped, site())
    assert barred(step(state="dead-verified", needs="energized"), U1, "electrician", stopped, site())


def test_a_place_without_units_is_barred_only_where_it_is_stopped_itself() -> None:
    control = Place("control", 1)  # the record has none
    for needs in ("energized", "in-use"):
        assert not barred(step(needs=needs), control, "electrician", Bars("none", frozenset({U1})), site())
        assert barred(step(needs=needs), control, "electrician", Bars("none", frozenset({control})), site())


def test_what_touches_what() -> None:
    assert touches(site(), PANEL, frozenset({U1}))
    assert touches(site(), U1, frozenset({PANEL}))
    assert not touches(site(), U3, frozenset({PANEL, TRUNK}))
    assert touches(site(), Place("segment", 1, 2), frozenset({U2}))


# instrument, what is at hand, whether it will do
AT_HAND = [
    ("none", (), True),
    ("phone", (), True),
    ("multimeter", (), False),
    ("multimeter", ("multimeter",), True),
    ("millivolt-meter", ("multimeter",), True),  # a multimeter also reads millivolts
    ("millivolt-meter", (), False),
    ("millivolt-meter", ("clamp-meter",), False),
    ("millivolt-meter", ("millivolt-meter",), True),
    ("multimeter", ("millivolt-meter",), False),
    ("clamp-meter", ("multimeter", "oscilloscope"), False),
    ("clamp-meter", ("clamp-meter",), True),
]


@pytest.mark.parametrize(("instrument", "at_hand", "will_do"), AT_HAND)
def test_which_instrument_will_do(instrument: str, at_hand: tuple[str, ...], will_do: bool) -> None:
    assert has_instrument(step(instrument=instrument), at_hand) is will_do
