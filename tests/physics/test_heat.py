"""Heat at joints and conductors against ANSI/NETA Table 100.18 and the laws of Ohm and Joule."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import circuit, heat

# amperes: watts and millivolts at 0.1, 0.5, 1, 2, 5, 10 and 20 milliohm (Joule, Ohm)
TABLE = {
    16: "0.03 1.6 0.13 8 0.26 16 0.51 32 1.28 80 2.56 160 5.12 320",
    32: "0.10 3.2 0.51 16 1.02 32 2.05 64 5.12 160 10.2 320 20.5 640",
    40: "0.16 4 0.80 20 1.60 40 3.20 80 8.00 200 16.0 400 32.0 800",
    48: "0.23 4.8 1.15 24 2.30 48 4.61 96 11.5 240 23.0 480 46.1 960",
    80: "0.64 8 3.20 40 6.40 80 12.8 160 32.0 400 64.0 800 128 1600"}


@pytest.mark.parametrize("amps", TABLE)
def test_joint_table(amps: float) -> None:
    cells = [float(c) for c in TABLE[amps].split()]
    for milliohm, watts, mv in zip((0.1, 0.5, 1, 2, 5, 10, 20), cells[::2], cells[1::2], strict=True):
        assert heat.joint_watts(amps, milliohm / 1e3) == pytest.approx(watts, rel=0.005, abs=0.005)
        assert heat.joint_millivolts(amps, milliohm / 1e3) == pytest.approx(mv)


def test_loose_lug() -> None:  # 62 mV and 6 mV at 40 A: 1.55 and 0.15 mohm, 2.48 and 0.24 W
    bad, good = heat.joint_ohms(62, 40), heat.joint_ohms(6, 40)
    assert (bad, good) == pytest.approx((1.55e-3, 0.15e-3))
    assert heat.joint_watts(40, bad) == pytest.approx(2.48)
    assert heat.joint_watts(40, good) == pytest.approx(0.24)
    assert heat.joint_watts(48, bad) == pytest.approx(3.57, abs=0.005)


def test_a_lug_that_volts_do_not_show() -> None:  # 20 mohm at 48 A: 46 W from 0.96 V, 0.4 % of 240 V
    assert heat.joint_watts(48, 0.02) == pytest.approx(46, abs=0.1)
    assert heat.joint_millivolts(48, 0.02) / 1e3 / 240 == pytest.approx(0.004)


@pytest.mark.parametrize(("volts", "celsius"), [(0.070, 100), (0.111, 190), (0.276, 660), (0.413, 1083)])
def test_contact_temperature(volts: float, celsius: float) -> None:  # contact voltage-temperature relation
    assert heat.contact_celsius(volts * 1e3) == pytest.approx(celsius, rel=0.02)
    assert heat.contact_millivolts(celsius) == pytest.approx(volts * 1e3, rel=0.01)


@given(st.floats(0, 400))
def test_contact_there_and_back(mv: float) -> None:
    assert heat.contact_millivolts(heat.contact_celsius(mv) + 1e-9) == pytest.approx(mv, abs=0.05)


@pytest.mark.parametrize(("similar", "air", "action"), [  # ANSI/NETA Table 100.18
    (0.5, None, "none"), (1, None, "investigate"), (3, None, "investigate"), (4, None, "repair-as-time-permits"),
    (15, None, "repair-as-time-permits"), (16, None, "repair-immediately"), (None, 10, "investigate"),
    (None, 11, "repair-as-time-permits"), (None, 20, "repair-as-time-permits"), (None, 21, "monitor-until-corrected"),
    (None, 40, "monitor-until-corrected"), (None, 41, "repair-immediately"), (2, 45, "repair-immediately")])
def test_thermal_action(similar: float | None, air: float | None, action: str) -> None:
    assert heat.thermal_action(similar, air) == action


def test_part_load() -> None:  # 12 K at 24 A on a 48 A circuit: 36 to 48 K at full load, repair immediately
    low, high = heat.scaled_rise(12, 24, 48)
    assert (low, high) == pytest.approx((36.4, 48), abs=0.05)
    assert heat.thermal_action(12) == "repair-as-time-permits"
    assert heat.thermal_action(low) == "repair-immediately"


@given(st.floats(0.1, 50), st.floats(5, 80), st.floats(5, 80))
def test_scaling_stays_between_the_exponents(rise: float, amps: float, to: float) -> None:
    low, high = heat.scaled_rise(rise, amps, to)
    assert low <= high
    assert [low, high] == pytest.approx(sorted([rise * (to / amps) ** 1.6, rise * (to / amps) ** 2]))


@given(st.floats(0.1, 100), st.floats(0, 0.1), st.floats(0.1, 5))
def test_joint_heat_scales_with_the_square(amps: float, ohms: float, times: float) -> None:
    assert heat.joint_watts(times * amps, ohms) == pytest.approx(times**2 * heat.joint_watts(amps, ohms))


@pytest.mark.parametrize(("amps", "celsius"), [(48, 64.5), (60, 78.3), (65, 85)])
def test_conductor_temperature(amps: float, celsius: float) -> None:  # 6 AWG, 65 A at 75 deg C, ambient 40 deg C
    assert heat.conductor_celsius(40, amps, 65) == pytest.approx(celsius, abs=0.06)


@given(st.floats(30, 70))
def test_conductor_law_is_the_ampacity_correction(ambient: float) -> None:
    """A conductor at its corrected ampacity sits exactly at its rating (NEC 310.15(B))."""
    corrected = 65 * circuit.ambient_factor(75, ambient)
    assert heat.conductor_celsius(ambient, corrected, 65) == pytest.approx(75)


def test_bad_values_are_refused() -> None:
    for call in (lambda: heat.joint_ohms(5, 0), lambda: heat.thermal_action(), lambda: heat.scaled_rise(5, 0, 40),
                 lambda: heat.conductor_celsius(30, 40, 0), lambda: heat.contact_millivolts(10)):
        with pytest.raises(ValueError, match=r"under load|needs|above 0|colder"):
            call()
