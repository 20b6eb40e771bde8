"""Supply voltages against ANSI C84.1 and IEC 60038."""

import math

import pytest

from diagnose.physics import service


@pytest.mark.parametrize(("nominal", "row"), [  # ANSI C84.1: range A, range B, utilization
    (120, (114, 126, 110, 127, 108)), (208, (197, 218, 191, 220, 187)), (240, (228, 252, 220, 254, 216)),
    (277, (263, 291, 254, 293, 249)), (480, (456, 504, 440, 508, 432))])
def test_c84(nominal: float, row: tuple[float, ...]) -> None:
    assert tuple(service.limits(nominal)) == row
    assert row[0] == pytest.approx(0.95 * nominal, abs=1)  # range A is +-5 %
    assert row[1] == pytest.approx(1.05 * nominal, abs=1)
    assert row[2] == pytest.approx(nominal * 110 / 120, abs=1)  # range B is 110 to 127 on 120 V
    assert row[3] == pytest.approx(nominal * 127 / 120, abs=1)
    assert row[4] == pytest.approx(0.9 * nominal, abs=1)


def test_230_and_400() -> None:  # IEC 60038; BS 7671 722.411.4.1 uses the same 207 and 253 V
    assert service.limits(230)[:2] == (207, 253)
    assert service.limits(400)[:2] == pytest.approx((360, 440))


@pytest.mark.parametrize(("name", "legs", "volts"), [
    ("split-120-240", None, 240), ("split-120-240", "a-b", 240), ("split-120-240", "a-n", 120),
    ("wye-120-208", "b-c", 208), ("wye-120-208", "c-n", 120), ("single-230", None, 230), ("single-230", "a-n", 230),
    ("wye-230-400", "a-b-c", 400), ("wye-230-400", "b-n", 230)])
def test_nominal(name: str, legs: str | None, volts: float) -> None:
    assert service.nominal_volts(name, legs) == volts
    assert service.limits(volts).a_low < volts < service.limits(volts).a_high


@pytest.mark.parametrize("name", ["wye-120-208", "wye-230-400", "split-120-240"])
def test_line_voltage_is_the_difference_of_two_phasors(name: str) -> None:
    chosen = service.system(name)
    across = abs(service.leg_phasor(name, "a") - service.leg_phasor(name, "b")) * chosen.to_ground
    assert across == pytest.approx(chosen.between_lines, rel=0.005)


def test_unbalance() -> None:  # ANSI C84.1 annex: 211, 207, 200 V -> mean 206.0, 2.91 %
    assert service.unbalance_percent([211, 207, 200]) == pytest.approx(2.91, abs=0.005)
    assert service.unbalance_percent([208, 208, 208]) == 0
    for bad in ([208.0], [0.0, 0.0], [math.nan, 208]):
        with pytest.raises(ValueError, match="unbalance"):
            service.unbalance_percent(bad)


def test_open_neutral() -> None:  # voltage divider: 30 and 10 ohm on 240 V -> 180 and 60 V
    assert service.divided_by_open_neutral(240, 30, 10) == pytest.approx((180, 60))


def test_208_in_place_of_240() -> None:  # power at equal impedance 75.1 %, at equal current 86.7 %
    split, wye = service.nominal_volts("split-120-240"), service.nominal_volts("wye-120-208")
    assert (wye / split) ** 2 == pytest.approx(0.751, abs=0.0005)
    assert wye / split == pytest.approx(0.867, abs=0.0005)
    a, b = service.limits(208), service.limits(240)
    assert a.a_high < b.a_low  # the usual ranges do not touch: the system can be told from the reading


def test_wrong_names_are_refused() -> None:
    for call in (lambda: service.system("delta"), lambda: service.nominal_volts("single-230", "b-n"),
                 lambda: service.limits(600), lambda: service.leg_phasor("single-230", "c")):
        with pytest.raises(ValueError, match=r"right would be|its lines are"):
            call()
