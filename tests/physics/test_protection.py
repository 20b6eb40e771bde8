"""Breakers against UL 489, IEC 60898-1 and published derating tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import protection
from diagnose.physics.protection import plausible


@pytest.mark.parametrize(("rating", "share", "verdict", "seconds"), [
    (50, 1.00, "must-hold", None),  # UL 489, 100 %
    (50, 1.10, "may-trip", None), (50, 1.25, "may-trip", None),  # UL 489 asks nothing between 100 and 135 %
    (30, 1.35, "must-trip-within", 3600), (50, 1.35, "must-trip-within", 3600),  # UL 489, 135 %, to 50 A
    (60, 1.35, "must-trip-within", 7200),  # UL 489, 135 % above 50 A, from memory
    (50, 1.50, "must-trip-within", 3600), (100, 1.50, "must-trip-within", 7200),  # bounded by the 135 % point
    (30, 2.0, "must-trip-within", 120),  # UL 489, 200 %, to 30 A
    (50, 2.0, "must-trip-within", 240), (100, 2.0, "must-trip-within", 360), (150, 2.0, "must-trip-within", 480),
    (225, 2.0, "must-trip-within", 600), (400, 2.0, "must-trip-within", 720)])  # UL 489, 200 %, from memory
def test_ul_489(rating: float, share: float, verdict: str, seconds: float | None) -> None:
    found = plausible(rating, rating * share)
    assert (found.verdict, found.seconds) == (verdict, seconds)
    assert "UL 489" in found.source


@pytest.mark.parametrize(("rating", "share", "verdict", "seconds"), [
    (32, 1.13, "must-hold", 3600), (80, 1.13, "must-hold", 7200), (32, 1.3, "may-trip", None),
    (63, 1.45, "must-trip-within", 3600), (80, 1.45, "must-trip-within", 7200),
    (32, 2.55, "must-trip-within", 60), (40, 2.55, "must-trip-within", 120)])
def test_iec_60898(rating: float, share: float, verdict: str, seconds: float | None) -> None:
    found = plausible(rating, rating * share, celsius=30, family="iec60898")
    assert (found.verdict, found.seconds) == (verdict, seconds)


@pytest.mark.parametrize(("curve", "low", "high"), [("B", 3, 5), ("C", 5, 10), ("D", 10, 20)])
def test_magnetic(curve: str, low: float, high: float) -> None:  # IEC 60898-1 instantaneous ranges
    assert protection.MAGNETIC[curve] == (low, high)
    assert plausible(32, 32 * high, 30, "iec60898", curve).seconds == 0.1
    assert plausible(32, 32 * low, 30, "iec60898", curve).seconds == 60


def test_setting_too_high_for_the_breaker() -> None:
    """48 A on a 50 A breaker: 96 % holds at 25 deg C; at 60 deg C it is worth about 44 A, 109 %: may trip."""
    assert plausible(50, 48).verdict == "must-hold"
    assert plausible(50, 48, 60).verdict == "may-trip"
    assert protection.derated(50, 60).typical == pytest.approx(44, abs=0.5)
    assert 48 / protection.derated(50, 60).typical == pytest.approx(1.09, abs=0.01)


def test_no_bound_is_given_in_the_cold() -> None:
    assert plausible(50, 70, celsius=-10) == plausible(50, 70, celsius=-10)._replace(verdict="may-trip", seconds=None)


DERATING = [  # published tables of molded-case and miniature breakers, calibrated at 40 deg C
    (20, {50: 19, 55: 18, 60: 18}), (40, {50: 38, 55: 37, 60: 36}), (50, {50: 47, 55: 45, 60: 44}),
    (60, {50: 56, 55: 55, 60: 53}), (80, {50: 73, 55: 70, 60: 67}), (100, {50: 96, 55: 92, 60: 85}),
    (40, {55: 36.0, 60: 34.0}), (63, {55: 56.7, 60: 53.6}), (40, {20: 48, 30: 44, 50: 36, 60: 33.2})]


@pytest.mark.parametrize(("rating", "row"), DERATING)
def test_fit_encloses_published_derating(rating: float, row: dict[int, float]) -> None:
    for celsius, printed in row.items():
        worth = protection.derated(rating, celsius)
        assert worth.least - 1.1 <= printed <= worth.most + 1.1
        assert worth.least <= worth.typical <= worth.most


def test_fit_at_its_two_ends() -> None:  # element at 145 deg C: 0.951 and 0.900 at 50 and 60 deg C
    for celsius, share in ((50, 0.951), (60, 0.900)):
        assert protection.derated(1, celsius).most == pytest.approx(share, abs=0.0006)


@given(st.sampled_from([15, 20, 40, 50, 60, 100]), st.floats(-30, 90), st.sampled_from(["ul489", "iec60898"]))
def test_derating_falls_with_heat_and_is_one_at_the_reference(rating: float, celsius: float, family: str) -> None:
    reference = protection.FAMILIES[family].reference_celsius
    assert protection.derated(rating, reference, family) == pytest.approx((rating,) * 3)
    assert protection.derated(rating, celsius, family).typical >= protection.derated(rating, celsius + 1, family).typical


@given(st.floats(15, 400), st.floats(0.2, 1.5), st.sampled_from(["ul489", "iec60898"]))
def test_load_temperature_inverts_derating(rating: float, share: float, family: str) -> None:
    celsius = protection.celsius_for_load(rating, rating * share, family)
    worth = protection.derated(rating, celsius, family).typical
    assert worth * protection.FAMILIES[family].hold == pytest.approx(rating * share)


@given(st.floats(15, 400), st.floats(0, 3), st.floats(25, 80))
def test_more_current_never_holds_better(rating: float, share: float, celsius: float) -> None:
    order = ["must-hold", "may-trip", "must-trip-within"]
    weak = plausible(rating, rating * share, celsius)
    strong = plausible(rating, rating * (share + 0.1), celsius)
    assert order.index(strong.verdict) >= order.index(weak.verdict)
    if weak.seconds and strong.seconds:
        assert strong.seconds <= weak.seconds


def test_illustrative_thermal_model_agrees_with_the_verdicts() -> None:
    """First-order heating t = tau ln((m² - p²)/(m² - k²)), k 1.15, tau 150 s, lies inside every bound (to 30 A)."""
    for m, cold in ((1.2, 376), (1.25, 281), (1.35, 194), (1.5, 133), (2, 60.2), (3, 23.8)):
        t = 150 * math.log(m**2 / (m**2 - 1.15**2))
        assert t == pytest.approx(cold, rel=0.005)
        found = plausible(30, 30 * m)
        assert found.verdict != "must-hold"
        assert found.seconds is None or t <= found.seconds


def test_trip_likelihood() -> None:
    assert protection.trip_likelihood(50, 40, 40) == 0  # UL 489: holds
    assert protection.trip_likelihood(50, 67.5, 40) == pytest.approx(1)  # UL 489: 135 % trips within the hour
    assert 0.25 < protection.trip_likelihood(50, 48, 60) < 0.45
    assert protection.trip_likelihood(50, 48, 45) < protection.trip_likelihood(50, 48, 50) < 0.15
    assert protection.trip_likelihood(50, 48, 200) == 1
    assert protection.trip_likelihood(32, 32, 30, "iec60898") == 0


def test_wrong_names_are_refused() -> None:
    for call in (lambda: plausible(50, 48, family="x"), lambda: plausible(50, 48, curve="Z"),
                 lambda: plausible(0, 48), lambda: plausible(50, -1), lambda: protection.celsius_for_load(0, 1)):
        with pytest.raises(ValueError, match=r"right would be|must"):
            call()
