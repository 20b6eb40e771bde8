"""Ground-fault devices against UL 943, UL 2231, IEC 61008-1, and leakage sums solved a second way."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import groundfault as gf

CLASS_A, CCID20, RCD30 = gf.WINDOWS["ground-fault-5ma"], gf.WINDOWS["ccid20"], gf.WINDOWS["ground-fault-30ma"]


@pytest.mark.parametrize(("ma", "seconds"), [  # UL 943: T = (20/I)^1.43
    (6, 5.59), (8, 3.71), (10, 2.69), (12, 2.08), (15, 1.51), (20, 1.000), (30, 0.560), (50, 0.270), (60, 0.208),
    (100, 0.100), (150, 0.0561), (200, 0.0372), (264, 0.0250), (1000, 0.025)])
def test_class_a_curve(ma: float, seconds: float) -> None:
    assert gf.class_a_seconds(ma) == pytest.approx(seconds, rel=0.005)


def test_class_a_curve_inverse() -> None:  # UL 943: 25 ms lies at 263.8 mA
    assert pytest.approx(263.8, abs=0.1) == 20 / 0.025 ** (1 / 1.43)
    assert gf.class_a_seconds(20) == 1.0
    with pytest.raises(ValueError, match="need not trip"):
        gf.class_a_seconds(5.9)


@given(st.floats(6, 260), st.floats(0.1, 3))
def test_class_a_is_strictly_decreasing(ma: float, more: float) -> None:
    assert gf.class_a_seconds(ma + more) < gf.class_a_seconds(ma)


@pytest.mark.parametrize(("multiple", "general", "selective"), [(1, 0.3, 0.5), (2, 0.15, 0.2), (5, 0.04, 0.15)])
def test_rcd_times(multiple: float, general: float, selective: float) -> None:  # IEC 61008-1 Table 1
    assert gf.rcd_seconds(30, 30 * multiple) == general
    assert gf.rcd_seconds(30, 30 * multiple, selective=True) == selective


def test_rcd_windows() -> None:  # EN 61008-1: AC 0.5-1; A 0.35-1.4 above 10 mA, 0.35-2 to 10 mA
    assert gf.rcd_window(30)[:2] == (15, 30)
    assert gf.rcd_window(30, "a")[:2] == pytest.approx((10.5, 42))
    assert gf.rcd_window(10, "a")[:2] == pytest.approx((3.5, 20))
    with pytest.raises(ValueError, match="need not trip"):
        gf.rcd_seconds(30, 29)


@pytest.mark.parametrize(("ma", "seconds"), [(6, 10), (60, 0.3), (200, 0.1)])
def test_dc_detection(ma: float, seconds: float) -> None:  # IEC 62955, from memory
    assert gf.dc_detection_seconds(ma) == seconds


def test_windows() -> None:  # UL 943 Class A 4 to 6 mA; UL 2231-2 CCID20 15 to 20 mA
    assert CLASS_A[:2] == (4, 6)
    assert CCID20[:2] == (15, 20)
    assert [gf.action(CLASS_A, ma) for ma in (4, 5, 6)] == ["holds", "may-trip", "trips"]


def test_two_devices_in_series() -> None:
    """CCID20 station on a Class A breaker, 10 mA: the breaker within 2.69 s, the station never."""
    assert gf.order(CLASS_A, CCID20) == "upstream"
    assert gf.who_trips(10, CLASS_A, CCID20) == "upstream"
    assert gf.class_a_seconds(10) == pytest.approx(2.69, abs=0.005)
    assert gf.who_trips(3, CLASS_A, CCID20) == "neither"
    assert gf.who_trips(25, CLASS_A, CCID20) == "either"  # both must open; no standard orders them
    assert gf.order(RCD30, gf.WINDOWS["ccid5"]) == "downstream"
    assert gf.who_trips(10, RCD30, gf.WINDOWS["ccid5"]) == "downstream"
    assert gf.order(CLASS_A, gf.WINDOWS["ccid5"]) == "either"
    touching = gf.Window(20, 30, "")
    assert gf.order(touching, CCID20) == "downstream"  # windows that touch do not overlap
    assert gf.order(CCID20, touching) == "upstream"


@pytest.mark.parametrize(("volts", "hertz", "per_nf", "at_4n7", "at_10n", "at_47n"), [
    (120, 60, 0.0452, 0.213, 0.452, 2.13), (230, 50, 0.0723, 0.340, 0.723, 3.40)])
def test_filter_leakage(volts: float, hertz: float, per_nf: float, at_4n7: float, at_10n: float,
                        at_47n: float) -> None:
    for nf, ma in ((1, per_nf), (4.7, at_4n7), (10, at_10n), (47, at_47n)):
        assert gf.capacitive_leakage(nf, volts, hertz) == pytest.approx(ma, rel=0.003)


def test_more_leakage_values() -> None:
    assert gf.capacitive_leakage(1, 277, 60) == pytest.approx(0.1044, abs=0.00005)
    assert gf.capacitive_leakage(48.4, 230, 50) == pytest.approx(3.5, rel=0.001)  # 3.5 mA class I limit
    assert gf.capacitive_leakage(77.4, 120, 60) == pytest.approx(3.5, rel=0.001)
    assert gf.capacitive_leakage(60 * 0.1, 120, 60) == pytest.approx(0.27, abs=0.002)  # 60 m of cable, 100 pF/m


@pytest.mark.parametrize(("volts", "ohms", "ma"), [(120, 20e3, 6), (120, 6e3, 20), (230, 7.67e3, 30)])
def test_resistive_leakage(volts: float, ohms: float, ma: float) -> None:
    assert gf.resistive_leakage(volts, ohms) == pytest.approx(ma, rel=0.001)


def test_vector_sums() -> None:
    """Equal Y capacitors of 4.7 nF: split phase cancels, two legs of a wye equal one, three cancel."""
    one = gf.capacitive_leakage(4.7, 120, 60)
    assert gf.leakage_sum([("a", one, 0), ("b", one, 0)], "split-120-240") == pytest.approx(0, abs=1e-12)
    assert gf.leakage_sum([("a", one, 0), ("b", one, 0)], "wye-120-208") == pytest.approx(0.213, abs=0.0005)
    assert gf.leakage_sum([(leg, one, 0) for leg in "abc"], "wye-120-208") == pytest.approx(0, abs=1e-12)
    mismatch = gf.leakage_sum([("a", 1.2 * one, 0), ("b", 0.8 * one, 0)], "split-120-240")
    assert mismatch == pytest.approx(0.085, abs=0.0005)


parts = st.lists(st.tuples(st.sampled_from("abc"), st.floats(0, 20), st.floats(0, 20)), max_size=8)


@given(parts)
def test_leakage_sum_solved_with_numpy(found: list[tuple[str, float, float]]) -> None:
    angle = {"a": 0.0, "b": -2 * np.pi / 3, "c": 2 * np.pi / 3}
    x = sum(r * np.cos(angle[leg]) - c * np.sin(angle[leg]) for leg, c, r in found)
    y = sum(r * np.sin(angle[leg]) + c * np.cos(angle[leg]) for leg, c, r in found)
    assert gf.leakage_sum(found, "wye-120-208") == pytest.approx(math.hypot(x, y), abs=1e-9)
    assert gf.leakage_sum(found, "wye-120-208") <= sum(math.hypot(c, r) for _, c, r in found) + 1e-9


def test_budget() -> None:  # BS 7671 531.3.2: 30 % of 30 mA = 9 mA; four units of 2.5 mA exceed it
    assert gf.standing_budget(30) == 9
    assert gf.leakage_sum([("a", 2.5, 0)] * 4, "single-230") == pytest.approx(10)
    assert RCD30.hold - 10 == 5  # margin to the earliest trip point
    assert gf.leakage_sum([("a", 3.5, 0)] * 3, "single-230") == pytest.approx(10.5)


def test_nuisance_likelihood() -> None:
    assert gf.nuisance_likelihood(9, RCD30) == 0
    assert gf.nuisance_likelihood(30, RCD30) == 1
    assert 0 < gf.nuisance_likelihood(10, RCD30) < gf.nuisance_likelihood(16, RCD30) < 1


