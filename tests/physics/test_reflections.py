"""Echoes. R1, S4 ... are rows of the fact sheet on communication wiring; scikit-rf is the independent reference."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skrf.tlineFunctions import zl_2_Gamma0

from diagnose.physics import reflections as echo

INF = math.inf
# Section 6, R1-R16 (textbook transmission-line theory): load, line, factor, return loss dB, VSWR.
CASES = [
    (INF, 120, 1.0, 0, INF),
    (0, 120, -1.0, 0, INF),
    (120, 120, 0, INF, 1),
    (100, 120, -0.0909, 20.8, 1.20),
    (120, 100, 0.0909, 20.8, 1.20),
    (150, 120, 0.1111, 19.1, 1.25),
    (120, 150, -0.1111, 19.1, 1.25),
    (60, 120, -0.3333, 9.54, 2.0),
    (60, 100, -0.2500, 12.0, 1.67),
    (40, 120, -0.5000, 6.02, 3.0),
    (30, 120, -0.6000, 4.44, 4.0),
    (12_000, 120, 0.9802, 0.17, 100),
    (1120, 120, 0.8065, 1.87, 9.33),
    (130, 120, 0.0400, 28.0, 1.08),
]


@pytest.mark.parametrize(("load", "line", "factor", "loss", "ratio"), CASES)
def test_reflection_table(load, line, factor, loss, ratio):
    got = echo.gamma(load, line)
    assert got == pytest.approx(factor, abs=5e-5)


def test_reflection_against_scikit_rf():
    for load, line, *_ in CASES:
        reference = np.ravel(zl_2_Gamma0(line, 1e12 if math.isinf(load) else load))[0]
        assert echo.gamma(load, line) == pytest.approx(reference.real, abs=1e-6)
        assert echo.load_from_gamma(echo.gamma(load, line), line) == pytest.approx(load, rel=1e-9)


@pytest.mark.parametrize(
    ("args", "levels"),
    [
        ((3, 40, 120, INF), [4.5, 2.25, 3.375, 2.8125, 3.09375, 2.9531, 3.0234, 2.9883]),
        ((2.25, 30, 120, INF), [3.600, 1.440, 2.736, 1.958, 2.425, 2.145, 2.313]),
        ((3, 40, 120, 60), [1.500, 1.750, 1.7917, 1.7986]),
    ],
)
def test_echo_trains(args, levels):  # section 6 and 14, open_end_steps_V
    assert echo.echo_train(*args, len(levels)) == pytest.approx(levels, abs=6e-4)


def waves(open_v, source, line, load, steps):
    """The same by following single waves to and fro, a simulation that knows no series."""
    at_load, wave, seen = 0.0, open_v * line / (line + source), []
    for _ in range(steps):
        back = wave * (load - line) / (load + line)
        at_load += wave + back
        wave = back * (source - line) / (source + line)
        seen.append(at_load)
    return seen


@given(st.floats(1, 5), st.floats(5, 500), st.floats(60, 200), st.floats(1, 5000), st.integers(1, 20))
def test_echo_train_against_wave_simulation(open_v, source, line, load, steps):
    got = echo.echo_train(open_v, source, line, load, steps)
    assert got == pytest.approx(waves(open_v, source, line, load, steps), rel=1e-9)


@given(st.floats(5, 500), st.floats(60, 200), st.floats(1, 5000))
def test_echo_train_ends_at_the_divider(source, line, load):
    gain = abs(echo.gamma(source, line) * echo.gamma(load, line))
    if gain < 0.9:
        assert echo.echo_train(3, source, line, load, 400)[-1] == pytest.approx(3 * load / (load + source), rel=1e-9)


@pytest.mark.parametrize(("gain", "trips"), [(0.33, 2.70), (0.5, 4.32), (0.6, 5.86), (0.8, 13.4)])
def test_round_trips_to_five_percent(gain, trips):  # section 6, echo trains
    assert echo.round_trips_to(0.05, gain) == pytest.approx(trips, abs=0.03)


def test_three_round_trips_rule():  # section 6: 1.5 V overshoot is inside 200 mV after 2.9 round trips at 0.5
    assert echo.round_trips_to(0.2 / 1.5, 0.5) == pytest.approx(2.9, abs=0.01)


@pytest.mark.parametrize(
    ("metres", "rate", "factor", "share"),
    [(30, 9600, 0.66, 0.017), (30, 19_200, 0.66, 0.035), (30, 115_200, 0.66, 0.21), (300, 9600, 0.66, 0.17),
     (300, 19_200, 0.66, 0.35), (300, 115_200, 0.66, 2.10), (300, 115_200, 0.78, 1.77), (1200, 9600, 0.66, 0.70),
     (1200, 9600, 0.78, 0.59), (1200, 19_200, 0.66, 1.40), (1200, 19_200, 0.78, 1.18), (1200, 115_200, 0.66, 8.38),
     (1200, 115_200, 0.78, 7.09)],
)  # fmt: skip
def test_settling_table(metres, rate, factor, share):  # section 6, when reflections matter
    assert echo.settling_share(metres, rate, factor) == pytest.approx(share, rel=0.03)


def test_published_settling_example():  # section 6: 2000 ft at 0.66 c, 6.16 and 18.49 us, 104 us bit
    assert echo.settling_share(609.6, 9600) * 52.083 == pytest.approx(18.49, abs=0.01)


@pytest.mark.parametrize(("ratio", "dip"), [(0.1, 0.033), (0.2, 0.067), (0.5, 0.167), (1, 1 / 3), (4, 1 / 3)])
def test_stub_dip(ratio, dip):  # section 6, stub on a matched trunk
    rise = 1e-7
    metres = ratio * rise * 0.66 * 299_792_458 / 2
    assert echo.stub_dip(metres, rise) == pytest.approx(dip, abs=5e-4)


@pytest.mark.parametrize(("factor", "ns", "metres"), [(0.66, 1000, 98.93), (0.70, 1000, 104.93), (0.78, 1000, 116.92),
                                                (0.66, 100, 9.89), (0.66, 500, 49.5)])  # fmt: skip
def test_echo_distance(factor, ns, metres):  # section 6 and 14, echo_m
    assert echo.echo_distance_m(ns * 1e-9, factor) == pytest.approx(metres, rel=1e-3)


@pytest.mark.parametrize(("factor", "shown"), [(0.70, 318), (0.78, 354.5)])
def test_wrong_velocity_factor(factor, shown):  # section 6
    true_delay = 2 * 300 / (0.66 * 299_792_458)
    assert echo.echo_distance_m(true_delay, factor) == pytest.approx(shown, abs=0.3)


@pytest.mark.parametrize(("factor", "ohms"), [(-1 / 3, 60), (-0.5, 40), (-1 / 11, 100), (1 / 11, 144), (0.2, 180)])
def test_load_by_echo(factor, ohms):  # section 6, distance by echo
    assert echo.load_from_gamma(factor, 120) == pytest.approx(ohms, rel=1e-3)


def test_electrically_short():
    assert echo.is_electrically_short(1, 50e-9)
    assert not echo.is_electrically_short(30, 50e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: echo.gamma(-1, 120),
        lambda: echo.gamma(1, 0),
        lambda: echo.load_from_gamma(1.5, 120),
        lambda: echo.round_trips_to(2, 0.5),
        lambda: echo.round_trips_to(0.1, 1),
        lambda: echo.settling_share(10, 0),
        lambda: echo.stub_dip(1, 0),
        lambda: echo.echo_distance_m(-1),
        lambda: echo.echo_distance_m(1, 66),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()
