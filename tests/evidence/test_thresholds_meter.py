"""Every threshold of the readings of a meter's log, just below and just above, from small logs and small values."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest

from diagnose.evidence.meter import take as taking
from diagnose.evidence.meter.breaker import Trip
from diagnose.evidence.meter.course import charge_course, leg_course, trip_time
from diagnose.evidence.meter.feeder import feeder_course
from diagnose.evidence.meter.find import MeterFindings, find
from diagnose.evidence.meter.heat import moved
from diagnose.evidence.meter.levels import Charge, Level
from diagnose.evidence.meter.sag import SourceOhms
from diagnose.evidence.meter.say import says
from diagnose.evidence.meter.take import held_when_cooler, take
from diagnose.evidence.reader import Asked
from diagnose.physics import protection, service
from diagnose.site.model import Site
from diagnose.site.places import Place
from tests.evidence.meter_shapes import steps
from tests.evidence.test_meter_log import place

ACROSS, AMPS = "L1-L2 (V)", "I (A)"
LEGS = ("L1-G (V)", "L2-G (V)")


def log(columns: dict[str, Sequence[float]], every: float = 1.0, name: str = "unit 1.csv", site: Site | None = None) -> MeterFindings:
    """A log of these columns, a row each so many seconds. The unit is set to 32 A on a breaker of 40 A at 120/240 V."""
    rows = [f"Time (s),{','.join(columns)}"]
    rows += [",".join([f"{n * every:.3f}", *(f"{v:.4f}" for v in values)]) for n, values in enumerate(zip(*columns.values(), strict=True))]
    return find(io.BytesIO("\n".join(rows).encode()), Asked(name, site or place()))


def one_charge(amps: float, seconds: float, every: float = 1.0) -> MeterFindings:
    """A charge with two minutes of rest on either side, the volts always there."""
    current = steps((120, 0.0), (seconds, amps), (120, 0.0), every=every)
    return log({ACROSS: [240.0] * len(current), AMPS: current}, every)


def answer(a: MeterFindings, check: str) -> str:
    """The answer to a check, or nothing."""
    return next((t.answer for t in take(a) if t.check == check), "")


# ---- levels and charges


@pytest.mark.parametrize(("amps", "charges"), [(3.0, 0), (3.01, 1)])
def test_least_load(amps: float, charges: int) -> None:
    """LEAST_LOAD."""
    assert len(one_charge(amps, 60).charges) == charges


@pytest.mark.parametrize(("seconds", "held"), [(9, 0), (10, 1)])
def test_a_level_is_held_for_ten_seconds(seconds: float, held: int) -> None:
    """LEAST_SECONDS."""
    assert sum(x.amps > 10 for x in one_charge(20.0, seconds).held) == held


@pytest.mark.parametrize(
    ("away", "rest", "ending"),
    [(29, 60, "interrupted"), (30, 60, "supply-lost"), (29, 0, "lost-at-end"), (31, 0, "supply-lost")],
)
def test_how_long_the_supply_is_away(away: int, rest: int, ending: str) -> None:
    """SELF_CLOSING: sooner nobody closes a breaker."""
    volts = [240.0] * 120 + [0.0] * away + [240.0] * rest
    a = log({ACROSS: volts, AMPS: [0.0] * 60 + [32.0] * 60 + [0.0] * (away + rest)})
    assert [c.ending for c in a.charges] == [ending]


@pytest.mark.parametrize(("volts", "ending"), [(59.9, "supply-lost"), (60.1, "stopped")])
def test_volts_that_are_no_supply(volts: float, ending: str) -> None:
    """LOST_SHARE: a quarter of those before."""
    a = log({ACROSS: [240.0] * 120 + [volts] * 90, AMPS: [0.0] * 60 + [32.0] * 60 + [0.0] * 90})
    assert [c.ending for c in a.charges] == [ending]


@pytest.mark.parametrize(("seconds", "word"), [(3, "at-once"), (4, "after-a-while")])
def test_a_trip_at_once(seconds: int, word: str) -> None:
    """AT_ONCE_S."""
    a = log({ACROSS: [240.0] * (60 + seconds) + [0.0] * 90, AMPS: [0.0] * 60 + [32.0] * seconds + [0.0] * 90})
    assert answer(a, "breaker-trips") == word


# ---- amperes and volts


@pytest.mark.parametrize(("amps", "seconds", "told"), [(32.0, 59, ""), (32.0, 60, "32.0 A"), (4.99, 60, ""), (5.0, 60, "5.0 A")])
def test_the_highest_level(amps: float, seconds: float, told: str) -> None:
    """SUSTAINED_S, and 5 A."""
    assert answer(one_charge(amps, seconds), "amps-while-charging") == told


@pytest.mark.parametrize(("amps", "told"), [(30.39, False), (30.41, True)])
def test_amperes_at_the_breaker_are_those_of_full_current(amps: float, told: bool) -> None:
    assert bool(answer(one_charge(amps, 120), "amps-at-breaker")) is told


@pytest.mark.parametrize(("amps", "told"), [(25.59, False), (25.61, True)])
def test_volts_while_charging_are_those_near_full_current(amps: float, told: bool) -> None:
    """FULL."""
    assert bool(answer(one_charge(amps, 120), "volts-while-charging")) is told


@pytest.mark.parametrize(("volts", "told"), [(119.9, "119.9 V"), (120.0, ""), (120.1, "120.1 V")])
def test_volts_that_never_come(volts: float, told: str) -> None:
    """GONE and LOST, half of the nominal volts: below, the supply is dead; above, it is one without load."""
    assert answer(log({ACROSS: [volts] * 60, AMPS: [0.0] * 60}), "volts-at-unit") == told


# ---- legs


@pytest.mark.parametrize(
    ("low", "other", "seconds", "lost"),
    [
        (59.9, 120.0, 60, 1),  # GONE
        (60.0, 120.0, 60, 0),
        (10.0, 96.1, 60, 1),  # ALIVE
        (10.0, 96.0, 60, 0),
        (10.0, 120.0, 2, 1),  # LEAST_S
        (10.0, 120.0, 1, 0),
    ],
)
def test_a_lost_leg(low: float, other: float, seconds: int, lost: int) -> None:
    a = log({LEGS[0]: [120.0] * 60 + [low] * seconds + [120.0] * 60, LEGS[1]: [120.0] * 60 + [other] * seconds + [120.0] * 60})
    assert len(a.lost) == lost


@pytest.mark.parametrize(("low", "told"), [(29.9, "absent"), (30.0, "30.0 V")])
def test_stray_volts(low: float, told: str) -> None:
    """STRAY: a quarter of the nominal volts."""
    a = log({LEGS[0]: [low] * 60, LEGS[1]: [120.0] * 60, ACROSS: [0.0] * 60})
    assert answer(a, "leg-to-ground-volts") == told


@pytest.mark.parametrize(("over", "floats"), [(0.1, True), (-0.1, False)])
def test_a_neutral_that_floats(over: float, floats: bool) -> None:
    """One leg past the supply's own limit, the other as far below."""
    top = service.limits(120.0).b_high + over
    one = [120.0] * 60 + [240.0 - top] * 60
    assert (log({"L1-N (V)": one, "L2-N (V)": [240.0 - v for v in one]}).floats is not None) is floats


@pytest.mark.parametrize(("swing", "floats"), [(9.9, True), (10.1, False)])
def test_the_sum_of_the_legs_has_to_hold(swing: float, floats: bool) -> None:
    """SUM_HOLDS or a quarter of how far the legs are apart, whatever is more: here a quarter of 40 V."""
    one = [120.0] * 200 + [100.0] * 100
    sums = [240.0] * 200 + [240.0 - swing] * 100
    a = log({"L1-N (V)": one, "L2-N (V)": [140.0 if v < 110 else 120.0 for v in one], ACROSS: sums})
    assert (a.floats is not None) is floats


# ---- what is lost on the way


def sources(a: MeterFindings, *ohms: tuple[str, float, float, int], upstream: float | None = None) -> MeterFindings:
    """The findings with resistances seen: leg, ohm, bar, steps."""
    found = tuple(SourceOhms(n, leg, r, bar, count, 0, None, None) for n, (leg, r, bar, count) in enumerate(ohms))
    legs = sorted((s for s in found if s.leg), key=lambda s: -s.ohms)
    more = legs[0].ohms - legs[-1].ohms if legs else 0.0
    bar = sum(s.bar**2 for s in (legs[0], legs[-1])) ** 0.5 if legs else 0.0
    ahead = None if upstream is None else SourceOhms(9, "", upstream, 0.0, 3, 0, None, None)
    leg = legs[0].leg if more > bar else ""
    return a._replace(sag=a.sag._replace(sources=found, upstream=ahead, leg=leg, leg_ohms=more, leg_bar=bar))


@pytest.mark.parametrize(
    ("ahead", "run", "word"),
    [
        (0.0, 7.21, "in-the-run"),  # BRANCH_SHARE of 240 V
        (0.0, 7.19, ""),
        (0.0, 4.81, ""),  # FEEDER_SHARE
        (0.0, 4.79, "little-lost"),
        (4.81, 0.0, "ahead-of-panel"),
        (4.79, 0.0, "little-lost"),
        (3.6, 3.59, "little-lost"),
        (3.61, 3.6, ""),
        (7.3, 7.31, "in-the-run"),
        (7.31, 7.3, "ahead-of-panel"),
    ],
)
def test_where_the_volts_are_lost(ahead: float, run: float, word: str) -> None:
    a = sources(one_charge(32.0, 120), ("", (ahead + run) / 32, 0.0, 3), upstream=ahead / 32)
    assert answer(a, "drop-along-run") == word


@pytest.mark.parametrize(
    ("one", "two", "bar", "count", "charge", "word"),
    [
        (1.21, 0.0, 0.0, 2, 700, "one-sags"),  # ONE_SHARE of 120 V
        (1.19, 0.0, 0.0, 2, 700, ""),
        (1.21, 0.0, 0.0, 1, 700, ""),
        (6.26, 5.0, 0.0, 2, 700, "one-sags"),  # ONE_FACTOR
        (6.24, 5.0, 0.0, 2, 700, ""),
        (6.01, 6.01, 0.0, 2, 700, "all-sag"),  # SAG_SHARE
        (5.99, 5.99, 0.0, 2, 700, ""),
        (6.51, 6.51, 0.52, 2, 700, ""),
        (3.59, 3.59, 0.0, 3, 700, "steady"),  # STEADY_SHARE
        (3.61, 3.61, 0.0, 3, 700, ""),
        (1.0, 1.0, 0.0, 2, 700, ""),  # LEAST_STEPS
        (1.0, 1.0, 0.0, 3, 600, "steady"),  # LEGS_S
        (1.0, 1.0, 0.0, 3, 599, ""),
        (1.0, 1.0, 0.84, 3, 700, "steady"),
        (1.0, 1.0, 0.86, 3, 700, ""),  # the bars of both together stay under ONE_SHARE
    ],
)
def test_the_course_of_the_legs(one: float, two: float, bar: float, count: int, charge: int, word: str) -> None:
    """Volts lost at 32 A in either leg, with the bar of each."""
    a = sources(one_charge(32.0, charge), ("a", one / 32, bar / 32, count), ("b", two / 32, bar / 32, count))
    assert [t.answer for t in leg_course(a, "unit 1")] == ([word] if word else [])


@pytest.mark.parametrize(("amps", "word"), [(28.81, "steady"), (28.79, "")])
def test_a_steady_course_needs_nearly_full_current(amps: float, word: str) -> None:
    """BELOW."""
    a = sources(one_charge(amps, 700), ("a", 0.03, 0.0, 3), ("b", 0.03, 0.0, 3))
    assert [t.answer for t in leg_course(a, "unit 1")] == ([word] if word else [])


@pytest.mark.parametrize(("watts", "danger"), [(20.1, True), (19.9, False)])
def test_a_joint_that_may_burn(watts: float, danger: bool) -> None:
    """HOT_W at full current."""
    a = sources(one_charge(32.0, 120), ("a", watts / 32**2, 0.0, 3), ("b", 0.0, 0.0, 3))
    assert says(a)[0].startswith("DANGER") is danger


# ---- the course of a charge


def course(*levels: tuple[float, float], seconds: float = 0.0, ending: str = "tapered") -> str:
    """The course of one charge with levels of (seconds, amperes)."""
    a = one_charge(32.0, 5000, 10.0)
    held, at = [], 200.0
    for lasts, amps in levels:
        held.append(Level(int(at / 10), int((at + lasts) / 10), at, at + lasts, amps))
        at += lasts
    charge = Charge(20, 520, 200.0, 200.0 + (seconds or at - 200.0), max(x for _, x in levels), 0.0, ending, None)
    found = charge_course(a._replace(held=held, charges=[charge], ended=[], cuts=[]), "unit 1")
    return found[0].answer if found else ""


@pytest.mark.parametrize(
    ("levels", "seconds", "word"),
    [
        (((3000, 32.0),), 0, "as-set"),  # PANEL_S
        (((2999, 32.0),), 0, ""),
        (((3000, 34.2),), 0, "as-set"),  # AS_SET: 7 % of 32 A
        (((3000, 34.3),), 0, ""),
        (((3000, 29.8),), 0, "as-set"),
        (((3000, 29.7),), 0, ""),
        (((3000, 32.0), (600, 28.7)), 0, ""),  # FLAT_S, BELOW
        (((3000, 32.0), (599, 28.7)), 0, "as-set"),
        (((3000, 32.0), (600, 28.9)), 0, "as-set"),
        (((600, 20.0),), 750, "flat-below"),  # WHOLE
        (((600, 20.0),), 751, ""),
        (((599, 20.0),), 600, ""),
        (((600, 28.7),), 600, "flat-below"),
        (((600, 28.8),), 600, ""),
        (((600, 6.0),), 600, "flat-below"),  # OFFERED_A
        (((600, 5.9),), 600, ""),
        (((600, 20.0), (20, 21.4)), 620, "flat-below"),
        (((600, 20.0), (20, 21.6)), 620, ""),
    ],
)
def test_the_course_of_a_charge(levels: tuple[tuple[float, float], ...], seconds: float, word: str) -> None:
    assert course(*levels, seconds=seconds) == word


@pytest.mark.parametrize(("ending", "word"), [("tapered", "as-set"), ("log-ends", "as-set"), ("unknown", ""), ("interrupted", ""), ("leg-lost", "")])
def test_a_strange_ending_leaves_the_course_open(ending: str, word: str) -> None:
    assert course((3000, 32.0), ending=ending) == word


@pytest.mark.parametrize(("share", "word"), [(8.01, "steps-with-others"), (7.99, "")])
def test_steps_that_others_meet(share: float, word: str) -> None:
    """OTHERS: half of the step."""
    own = steps((120, 0.0), (300, 32.0), (300, 16.0), (300, 32.0), (120, 0.0))
    rest = [10.0 + (share if amps == 16.0 else 0.0) for amps in own]
    a = log({ACROSS: [240.0] * len(own), "I1 (A)": own, "feeder I1 (A)": [x + y for x, y in zip(own, rest, strict=True)]})
    found = [t.answer for t in charge_course(a, "unit 1")]
    assert found == ([word] if word else [])


# ---- heat


@pytest.mark.parametrize(("high", "low", "steps_down"), [(30.0, 27.0, True), (30.0, 27.01, False), (10.0, 8.0, True), (10.0, 8.01, False)])
def test_a_step_of_the_current(high: float, low: float, steps_down: bool) -> None:
    """LEAST_CUT of the higher level, LEAST_AMPS at least."""
    levels = (Level(0, 9, 0.0, 9.0, high), Level(9, 18, 9.0, 18.0, low))
    assert moved(*levels) is moved(*levels[::-1]) is steps_down


def cut_backs(*gaps: float, warmer: float = 0.0) -> MeterFindings:
    """Cuts from 32 A to 16 A for 40 s, so many seconds from one to the next, with a temperature that is so much warmer at a cut."""
    current = steps((60, 0.0), (100, 32.0), *(x for gap in gaps for x in ((40, 16.0), (gap - 40, 32.0))), (40, 16.0), (100, 32.0), (60, 0.0))
    cuts = [n for n in range(1, len(current)) if (current[n - 1], current[n]) == (32.0, 16.0)]
    heat = [40.0 + (warmer if any(abs(n - cut) <= 18 for cut in cuts) else 0.0) for n in range(len(current))]
    return log({ACROSS: [240.0] * len(current), AMPS: current, "Temp (°C)": heat})


@pytest.mark.parametrize(("warmer", "seen"), [(1.5, True), (1.4, False)])
def test_a_temperature_that_goes_with_the_cuts(warmer: float, seen: bool) -> None:
    """APART_K."""
    assert [c.seen for c in cut_backs(200, warmer=warmer).cuts] == [seen]


@pytest.mark.parametrize(("one", "two", "regular"), [(134, 266, True), (128, 272, False)])
def test_cuts_that_are_regular(one: int, two: int, regular: bool) -> None:
    """REGULAR: the periods' standard deviation as a share of their mean, 0.33 and 0.36."""
    assert [c.regular for c in cut_backs(one, two).cuts] == [regular]


@pytest.mark.parametrize(("amps", "seconds", "told"), [(14.4, 1500, True), (14.39, 1500, False), (14.4, 1490, False)])
def test_joints_beside_one_another(amps: float, seconds: float, told: bool) -> None:
    """HALF of the setting for SETTLED_S."""
    current = steps((120, 0.0), (seconds, amps), (120, 0.0), every=10)
    lugs = {"breaker lug L1 (°C)": [50.0] * len(current), "breaker lug L2 (°C)": [40.0] * len(current)}
    a = log({ACROSS: [240.0] * len(current), AMPS: current, **lugs}, 10)
    assert bool(a.rises) is told


@pytest.mark.parametrize(("seconds", "told"), [(3000, True), (2990, False)])
def test_the_temperature_of_a_panel(seconds: float, told: bool) -> None:
    """PANEL_S."""
    current = steps((120, 0.0), (seconds, 32.0), (120, 0.0), every=10)
    a = log({ACROSS: [240.0] * len(current), AMPS: current, "panel temp (°C)": [35.0] * len(current)}, 10)
    assert (a.panel is not None) is told


@pytest.mark.parametrize(
    ("celsius", "most", "seconds", "like"),
    [
        (40.0, 32.0, 600, True), (40.1, 32.0, 600, False), (40.0, 28.81, 600, True),
        (40.0, 28.79, 600, False), (40.0, 32.0, 599, False),
    ]
)
def test_a_like_load_that_was_held_when_it_was_cooler(
    celsius: float, most: float, seconds: float, like: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """COOLER_K below 45 °C, ALIKE_AMPS of 32 A, and as long."""
    opened = Charge(0, 9, 0.0, 600.0, 32.0, 32.0, "supply-lost", None)
    other = Charge(9, 18, 900.0, 900.0 + seconds, most, most, "tapered", None)
    trip = Trip(opened, 600.0, 0.8, 0.8, protection.Plausible("must-hold", None, "as asked"), 45.0)
    monkeypatch.setattr(taking, "breaker_celsius", lambda view, charge: celsius)
    a = one_charge(32.0, 60)._replace(trips=[trip], charges=[opened, other])
    assert (held_when_cooler(a) is not None) is like


# ---- the breaker's standard


@pytest.mark.parametrize(("amps", "seconds", "word"), [(55.1, 3810, "past-band"), (55.1, 3800, ""), (55.0, 3810, "")])
def test_a_breaker_that_should_have_opened(amps: float, seconds: float, word: str) -> None:
    """135 % of 40 A and CLAMP_ERROR, for PAST of an hour and two rows."""
    found = [t.answer for t in trip_time(one_charge(amps, seconds, 10.0), "unit 1")]
    assert found == ([word] if word else [])


@pytest.mark.parametrize(("seconds", "word"), [(3000, "no-trip"), (2990, "")])
def test_a_breaker_that_holds(seconds: float, word: str) -> None:
    found = [t.answer for t in trip_time(one_charge(32.0, seconds, 10.0), "unit 1")]
    assert found == ([word] if word else [])


# ---- feeders


def feeder(one: Sequence[float], two: Sequence[float], limit: float | None = None) -> str:
    """The course of a feeder of 200 A with four stations of 32 A, a row each ten seconds."""
    site = place(count=4).with_fact("panel.breaker", Place("panel", 1), 200.0)
    if limit is not None:
        site = site.with_fact("site.load-management", Place("site"), "local").with_fact("site.load-limit", Place("site"), limit)
    found = feeder_course(log({"I1 (A)": one, "I2 (A)": two}, 10.0, "panel 1.csv", site), "panel 1")
    return found[0].answer if found else ""


@pytest.mark.parametrize(("amps", "seconds", "word"), [(204.1, 300, "over-limit"), (203.9, 300, ""), (204.1, 290, "")])
def test_over_the_breaker_of_the_feeder(amps: float, seconds: float, word: str) -> None:
    """CLAMP_ERROR, OVER_S."""
    current = steps((600, 20.0), (seconds, amps), (600, 20.0), every=10)
    assert feeder(current, current) == word


@pytest.mark.parametrize(("amps", "word"), [(84.1, "over-limit"), (83.9, "")])
def test_over_the_limit_of_a_load_manager(amps: float, word: str) -> None:
    """CLAMP_ERROR and AT_LIMIT over 80 A."""
    current = steps((600, 20.0), (300, amps), (600, 20.0), every=10)
    assert feeder(current, current, 80.0) == word


@pytest.mark.parametrize(
    ("one", "two", "seconds", "word"),
    [
        (100.0, 25.0, 3000, "lines-apart"),  # APART
        (100.0, 25.1, 3000, ""),
        (100.0, 25.0, 2990, ""),  # PANEL_S
        (65.7, 10.0, 3000, "lines-apart"),  # MANY times 32 A
        (65.5, 10.0, 3000, ""),
        (100.0, 75.0, 3000, "keeps-under"),  # ALIKE
        (100.0, 74.9, 3000, ""),
    ],
)
def test_lines_of_a_feeder(one: float, two: float, seconds: float, word: str) -> None:
    rest = (600.0, 5.0)
    assert feeder(steps(rest, (seconds, one), rest, every=10), steps(rest, (seconds, two), rest, every=10)) == word


@pytest.mark.parametrize(
    ("limit", "amps", "seconds", "word"),
    [
        (80.0, 80.0, 1200, "held-at-limit"),  # HELD_S
        (80.0, 80.0, 1190, ""),
        (80.0, 77.7, 1200, "held-at-limit"),  # AT_LIMIT
        (80.0, 77.5, 1200, ""),
        (106.6, 106.6, 1200, "held-at-limit"),  # HELD_SHARE: the settings add up to 128 A
        (106.8, 106.8, 1200, ""),
    ],
)
def test_a_feeder_that_is_held(limit: float, amps: float, seconds: float, word: str) -> None:
    current = steps((600, 5.0), (seconds, amps), (600, 5.0), every=10)
    assert feeder(current, current, limit) == word
