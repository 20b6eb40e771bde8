"""Control pilot against IEC 61851-1 Annex A and SAE J1772, and the node equation against a solved network."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import pilot
from diagnose.physics.pilot import VEHICLE_OHMS as OHMS
from diagnose.physics.pilot import levels


def test_vehicle_resistors() -> None:  # SAE totals 882 and 246 ohm are IEC's 1.3 k and 270 ohm beside 2.74 k
    assert OHMS["C"] == pytest.approx(881.7, abs=0.05)
    assert OHMS["D"] == pytest.approx(245.8, abs=0.05)


@pytest.mark.parametrize(("name", "volts"), [("B", 8.98), ("C", 5.99), ("D", 2.93)])
def test_levels(name: str, volts: float) -> None:
    peaks = levels(OHMS[name])
    assert peaks.high == pytest.approx(volts, abs=0.005)
    assert peaks.low == -12
    assert pilot.state(*peaks) == name


@pytest.mark.parametrize(("name", "least", "most"), [("B", 8.37, 9.59), ("C", 5.47, 6.53), ("D", 2.59, 3.28)])
def test_worst_case(name: str, least: float, most: float) -> None:
    """Generator +-0.6 V, both resistors +-3 %, diode 0.55 to 0.85 V: inside IEC 61851-1's +-1 V."""
    low = levels(OHMS[name] * 0.97, volts=11.4, source_ohms=1030, diode_volts=0.55).high
    high = levels(OHMS[name] * 1.03, volts=12.6, source_ohms=970, diode_volts=0.85).high
    assert (low, high) == pytest.approx((least, most), abs=0.006)
    assert pilot.state(low) == pilot.state(high) == name


@pytest.mark.parametrize(("extra", "volts"), [(50, 6.15), (100, 6.30), (200, 6.57), (500, 7.26), (1000, 8.08)])
def test_worn_contacts(extra: float, volts: float) -> None:
    peaks = levels(OHMS["C"], series_ohms=extra)
    assert peaks == pytest.approx((volts, -12), abs=0.006)
    assert pilot.series_ohms(peaks.high) == pytest.approx(extra)


@pytest.mark.parametrize(("vehicle", "leak", "high", "low"), [
    (math.inf, 10e3, 10.9, -10.9), (math.inf, 5e3, 10.0, -10.0), (OHMS["B"], 10e3, 8.37, -10.9),
    (OHMS["B"], 5e3, 7.83, -10.0), (OHMS["B"], 2e3, 6.57, -8.0)])
def test_wet_handle(vehicle: float, leak: float, high: float, low: float) -> None:
    peaks = levels(vehicle, leak_ohms=leak)
    assert peaks == pytest.approx((high, low), abs=0.01)
    assert pilot.leak_ohms(peaks.low) == pytest.approx(leak)


def test_wet_handle_is_mistaken_for_ready() -> None:  # 2 kohm of water turns "connected" into "ready"
    assert pilot.state(*levels(OHMS["B"], leak_ohms=2000)) == "C"


@pytest.mark.parametrize(("name", "volts"), [("B", 8.79), ("C", 5.62), ("D", 2.37)])
def test_missing_diode_is_symmetric(name: str, volts: float) -> None:
    assert levels(OHMS[name], diode=False) == pytest.approx((volts, -volts), abs=0.006)


def test_readings_of_a_service_call() -> None:
    """+6.6/-12 V in charge: 200 ohm of wear. +6.6/-8 V before: 2 kohm of water."""
    assert pilot.series_ohms(6.6) == pytest.approx(200, abs=12)
    assert pilot.leak_ohms(-8) == pytest.approx(2000)
    assert pilot.series_ohms(5.9) == 0
    assert pilot.leak_ohms(-12) == math.inf


def test_open_and_shorted() -> None:  # IEC 61851-1: state A when open, E when shorted to ground, F at -12 V
    assert levels() == (12, -12)
    assert levels(leak_ohms=0) == (0, 0)
    assert pilot.state(12) == "A"
    assert pilot.state(0, 0) == "E"
    assert pilot.state(-12, -12) == pilot.state(-12) == "F"
    assert pilot.state(7.5) == "between"


@given(st.floats(50, 1e5), st.floats(0.1, 5000), st.floats(50, 1e6))
def test_node_equation_against_a_solved_network(vehicle: float, series: float, leak: float) -> None:
    """Nodal analysis with numpy: generator, source, series contact, diode as 0.7 V, vehicle, leak."""
    peaks = levels(vehicle, series_ohms=series, leak_ohms=leak)
    g_source, g_leak, g_vehicle, g_series = 1 / 1000, 1 / leak, 1 / vehicle, 1 / series
    a = np.array([[g_source + g_leak + g_series, -g_series], [-g_series, g_series + g_vehicle]])
    solved = np.linalg.solve(a, np.array([12 * g_source, 0.7 * g_vehicle]))[0]
    if 12 * leak / (1000 + leak) > 0.7:  # the diode conducts
        assert peaks.high == pytest.approx(solved, rel=1e-6)
    assert peaks.low == pytest.approx(-12 * leak / (1000 + leak))


@given(st.floats(0, 1e5), st.floats(0, 1e4))
def test_less_resistance_less_volts(vehicle: float, more: float) -> None:
    assert levels(vehicle).high <= levels(vehicle + more).high + 1e-12
    assert levels(vehicle).low == levels(vehicle + more).low


@pytest.mark.parametrize(("peaks", "duty", "mean"), [((9, -12), 50, -1.5), ((6, -12), 50, -3.0), ((6, -12), 80, 2.4)])
def test_dc_meter(peaks: tuple[float, float], duty: float, mean: float) -> None:
    assert pilot.dc_meter(pilot.Levels(*peaks), duty) == pytest.approx(mean)


# ---- duty cycle: IEC 61851-1 Annex A, SAE J1772

STATION = [(6, 10), (10, 16.67), (13, 21.67), (16, 26.67), (20, 33.33), (24, 40), (30, 50), (32, 53.33), (40, 66.67),
           (48, 80), (51, 85), (56, 86.4), (60, 88), (64, 89.6), (72, 92.8), (80, 96)]


@pytest.mark.parametrize(("amps", "duty"), STATION)
def test_duty_for(amps: float, duty: float) -> None:
    assert pilot.duty_for(amps) == pytest.approx(duty, abs=0.005)
    assert pilot.duty_meaning(pilot.duty_for(amps)).amps == pytest.approx(amps)


@pytest.mark.parametrize(("duty", "amps"), [(16, 9.6), (25, 15), (53, 31.8), (80, 48), (85, 51), (86, 55), (90, 65),
                                            (96, 80), (97, 80), (8, 6), (9.9, 6), (10, 6), (53.3, 32), (89.6, 64),
                                            (30, 18)])
def test_duty_meaning(duty: float, amps: float) -> None:
    assert pilot.duty_meaning(duty) == ("current", pytest.approx(amps, abs=0.03))


@pytest.mark.parametrize(("duty", "kind"), [(0, "none"), (2.9, "none"), (3, "digital"), (5, "digital"), (7, "digital"),
                                            (7.5, "none"), (97.1, "none"), (100, "none")])
def test_duty_without_current(duty: float, kind: str) -> None:
    assert pilot.duty_meaning(duty) == (kind, 0)


@given(st.floats(10, 96))
def test_duty_there_and_back(duty: float) -> None:
    amps = pilot.duty_meaning(duty).amps
    if not 51 < amps < 52.5:
        assert pilot.duty_for(amps) == pytest.approx(duty)


@given(st.floats(8, 97), st.floats(8, 97))
def test_current_never_falls_with_duty(one: float, two: float) -> None:
    low, high = sorted((one, two))
    assert pilot.duty_meaning(low).amps <= pilot.duty_meaning(high).amps + 1e-9
    assert not 51 + 1e-9 < pilot.duty_meaning(low).amps < 52.5  # the jump at 85 %


def test_shared_circuit_duty() -> None:  # 26.67 A each on a managed 100 A branch
    assert pilot.duty_for(80 / 3) == pytest.approx(44.4, abs=0.05)


# ---- proximity

@pytest.mark.parametrize(("ohms", "amps"), [(1500, 13), (680, 20), (220, 32), (100, 63), (74, "short"), (2300, "none"),
                                            (math.inf, "none")])
def test_cable_code(ohms: float, amps: int | str) -> None:  # IEC 61851-1 cable coding
    assert pilot.cable_amps(ohms) == amps
    if isinstance(amps, int):
        assert pilot.cable_code(amps)[0] == ohms


def test_band_edges_lie_near_geometric_means() -> None:
    codes = [c[0] for c in pilot.CABLE_CODES]
    means = [math.sqrt(a * b) for a, b in pairwise(codes)]
    assert means == pytest.approx([148, 387, 1010], rel=0.003)
    assert [c[1] for c in pilot.CABLE_CODES[1:]] == pytest.approx(means, rel=0.15)


@pytest.mark.parametrize(("ohms", "volts"), [(math.inf, 4.46), (150, 1.51), (480, 2.76)])
def test_vehicle_proximity(ohms: float, volts: float) -> None:  # SAE J1772, from memory
    assert pilot.vehicle_proximity_volts(ohms) == pytest.approx(volts, abs=0.006)
    for supply in (4.75, 5.25):  # 5 V +-5 % scales the reading alike
        assert pilot.vehicle_proximity_volts(ohms, supply) == pytest.approx(volts * supply / 5, abs=0.007)


def test_bad_values_are_refused() -> None:
    for call in (lambda: pilot.duty_for(5), lambda: pilot.duty_for(81), lambda: pilot.duty_meaning(101),
                 lambda: pilot.levels(-1), lambda: pilot.series_ohms(12), lambda: pilot.series_ohms(6, "A"),
                 lambda: pilot.leak_ohms(1), lambda: pilot.cable_amps(-1), lambda: pilot.cable_code(64)):
        with pytest.raises(ValueError, match=r"right would be|must|can offer|largest"):
            call()
