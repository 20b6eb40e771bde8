"""Insulation resistance against ANSI/NETA, IEC 60364-6 and IEEE 43."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import insulation

positive = st.floats(1e-3, 1e6)


@pytest.mark.parametrize(("volts", "test", "least"), [(250, 500, 25), (240, 500, 25), (600, 1000, 100),
                                                      (1000, 1000, 100)])
def test_neta(volts: float, test: int, least: float) -> None:  # ANSI/NETA MTS Table 100.1
    assert insulation.neta_minimum(volts)[:2] == (test, least)


@pytest.mark.parametrize(("volts", "test", "least"), [(50, 250, 0.5), (230, 500, 1), (500, 500, 1), (690, 1000, 1)])
def test_iec(volts: float, test: int, least: float) -> None:  # IEC 60364-6 Table 6.1
    assert insulation.iec_minimum(volts)[:2] == (test, least)
    with pytest.raises(ValueError, match="1000 V"):
        insulation.iec_minimum(1500)


@pytest.mark.parametrize(("reading", "celsius", "at_20"), [(40, 35, 113), (75, 30, 150), (10, 5, 3.5)])
def test_corrected_to_20(reading: float, celsius: float, at_20: float) -> None:  # halves per +10 K
    corrected = insulation.at_temperature(reading, celsius)
    assert corrected == pytest.approx(at_20, rel=0.015)
    assert (corrected >= 25) == (reading != 10)  # NETA 250 V row: the cold reading fails
    assert corrected >= 1  # IEC floor: all pass


@pytest.mark.parametrize(("celsius", "factor"), [(0, 0.25), (10, 0.5), (20, 1), (30, 1.98), (40, 3.95), (50, 7.85),
                                                 (60, 15.85)])
def test_liquid_filled_table(celsius: float, factor: float) -> None:  # NETA table of factors, within 2 %
    assert insulation.at_temperature(1, celsius) == pytest.approx(factor, rel=0.02)


def test_ieee_43_form() -> None:  # K = 0.5^((40 - T)/10) = 10^(0.0301 T - 1.2041)
    for celsius in (10, 25, 40, 70):
        ours = insulation.at_temperature(1, celsius, 40)
        assert ours == pytest.approx(0.5 ** ((40 - celsius) / 10))
        assert ours == pytest.approx(10 ** (0.0301 * celsius - 1.2041), rel=0.002)


@given(positive, st.floats(-20, 80))
def test_there_and_back(reading: float, celsius: float) -> None:
    once = insulation.at_temperature(reading, celsius)
    assert insulation.at_temperature(once, 20, celsius) == pytest.approx(reading)
    assert insulation.at_temperature(reading, celsius + 10) == pytest.approx(2 * once)


@given(st.lists(positive, min_size=2, max_size=10))
def test_parallel_is_below_the_smallest(values: list[float]) -> None:
    assert insulation.in_parallel(values) < min(values)


def test_parallel_and_length() -> None:
    assert insulation.in_parallel([100] * 10) == pytest.approx(10)
    assert insulation.in_parallel([200, 50, 5]) == pytest.approx(4.44, abs=0.005)
    assert insulation.of_length(1000 * 1000, 200) == pytest.approx(5000)  # 1000 Mohm over 1000 ft, at 200 ft
    with pytest.raises(ValueError, match="above 0"):
        insulation.in_parallel([1, math.nan])
