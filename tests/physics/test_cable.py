"""Cable figures. C2, L6 ... are rows of the fact sheet on communication wiring."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import cable

# Section 2, C1-C6; diameter ASTM B258, copper IEC 60028.
GAUGES = [
    (26, 0.405, 133.9, 267.8, 288.9),
    (24, 0.511, 84.2, 168.43, 181.7),
    (23, 0.573, 66.8, 133.6, 144.1),
    (22, 0.644, 53.0, 105.92, 114.3),
    (20, 0.812, 33.3, 66.62, 71.9),
    (18, 1.024, 20.9, 41.90, 45.2),
]


@pytest.mark.parametrize(("awg", "diameter", "wire", "loop", "loop_warm"), GAUGES)
def test_gauge_table(awg, diameter, wire, loop, loop_warm):
    assert cable.diameter_mm(awg) == pytest.approx(diameter, abs=6e-4)
    assert cable.ohms_per_metre(awg) * 1000 == pytest.approx(wire, abs=0.06)
    assert cable.loop_ohms(awg, 1000) == pytest.approx(loop, rel=2e-3)
    assert cable.loop_ohms(awg, 1000, 40) == pytest.approx(loop_warm, abs=0.08)


@pytest.mark.parametrize(("awg", "per_km"), [(26, 267.8), (24, 168.43), (22, 105.92), (20, 66.62), (18, 41.90)])
def test_loop_vector(awg, per_km):  # section 14, loop_ohm_per_km
    assert cable.loop_ohms(awg, 1000) == pytest.approx(per_km, rel=1e-3)


@pytest.mark.parametrize(("celsius", "ohms"), [(0, 46.6), (20, 50.5), (40, 54.5)])
def test_temperature(celsius, ohms):  # section 3, B3: 300 m of 24 AWG (IEC 60028)
    assert cable.loop_ohms(24, 300, celsius) == pytest.approx(ohms, abs=0.06)


@pytest.mark.parametrize(("awg", "metres"), [(24, 594), (22, 944), (20, 1501), (18, 2387)])
def test_length_for_hundred_ohm(awg, metres):  # section 12, cable for a 100 ohm loop
    assert cable.length_from_loop(awg, 100) == pytest.approx(metres, abs=1)


@pytest.mark.parametrize(("metres", "ohms"), [(50, 8.42), (100, 16.8), (300, 50.5)])
def test_shorted_far_end(metres, ohms):  # section 3, B3
    assert cable.loop_ohms(24, metres) == pytest.approx(ohms, rel=4e-3)


@pytest.mark.parametrize(("factor", "ns_per_m"), [(0.66, 10.11), (0.70, 9.53), (0.78, 8.55)])
def test_round_trip_per_metre(factor, ns_per_m):  # section 2, C12
    assert cable.round_trip_s(1, factor) * 1e9 == pytest.approx(ns_per_m, abs=0.006)


@pytest.mark.parametrize(
    ("factor", "metres", "us"),
    [(0.66, 30, 0.303), (0.66, 300, 3.032), (0.66, 1200, 12.130), (0.78, 30, 0.257), (0.78, 300, 2.566), (0.78, 1200, 10.264)],
)
def test_round_trip_vector(factor, metres, us):  # section 14, round_trip_us
    assert cable.round_trip_s(metres, factor) * 1e6 == pytest.approx(us, rel=1e-3, abs=5e-4)


def test_ethernet():
    assert cable.delay_s(100, 0.69) * 1e9 == pytest.approx(483, abs=0.6)  # section 8, N12
    assert cable.loop_ohms(24, 100) < cable.ETHERNET_LOOP_PER_M * 100  # section 8, N9: TIA-568
    assert cable.loop_ohms(23, 100) == pytest.approx(13.4, abs=0.05)  # section 8, N9


def test_drop_over_control_cable():  # section 12: 84 mV at 5 mA over 100 m of 24 AWG
    assert cable.loop_ohms(24, 100) * 0.005 == pytest.approx(0.084, abs=5e-4)


@given(st.floats(18, 30), st.floats(0, 3000), st.floats(-40, 90))
def test_length_comes_back(awg, metres, celsius):
    back = cable.length_from_loop(awg, cable.loop_ohms(awg, metres, celsius), celsius)
    assert math.isclose(back, metres, rel_tol=1e-9, abs_tol=1e-9)


@given(st.integers(0, 39), st.floats(-40, 90))
def test_thinner_and_warmer_is_more(awg, celsius):
    assert cable.ohms_per_metre(awg + 1, celsius) > cable.ohms_per_metre(awg, celsius)
    assert cable.ohms_per_metre(awg, celsius + 1) > cable.ohms_per_metre(awg, celsius)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cable.diameter_mm(-1),
        lambda: cable.diameter_mm(41),
        lambda: cable.ohms_per_metre(24, 400),
        lambda: cable.loop_ohms(24, -1),
        lambda: cable.loop_ohms(24, math.nan),
        lambda: cable.length_from_loop(24, -2),
        lambda: cable.delay_s(1, 0),
        lambda: cable.delay_s(1, 66),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()
