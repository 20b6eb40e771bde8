"""Circuits against the printed tables, worked examples and two independent routes (square-root law, phasors)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import circuit

FT = circuit.FOOT
amps = st.floats(0.1, 4000, allow_nan=False)


def kft(size: str, metal: str = "copper") -> float:
    """Table 8 value back in ohm per 1000 ft."""
    return circuit.ohms_per_km(size, metal) * FT


# ---- NEC 625.41 with 240.6(A): setting to breaker, breaker to setting

STATIONS = [12, 16, 20, 24, 28, 30, 32, 36, 40, 42, 48, 50, 56, 60, 64, 72, 80]
BREAKERS = [15, 20, 25, 30, 35, 40, 40, 45, 50, 60, 60, 70, 70, 80, 80, 90, 100]


@pytest.mark.parametrize(("breaker", "setting"), [
    (15, 12), (20, 16), (25, 20), (30, 24), (35, 28), (40, 32), (45, 36), (50, 40), (60, 48), (70, 56), (80, 64),
    (90, 72), (100, 80), (110, 88), (125, 100)])
def test_largest_setting(breaker: int, setting: int) -> None:
    assert circuit.largest_setting(breaker) == setting


def test_standard_ratings_lack_the_sizes_people_ask_for() -> None:  # NEC 240.6(A)
    assert not {55, 65, 75, 85} & set(circuit.STANDARD_RATINGS)
    assert len(circuit.STANDARD_RATINGS) == 37
    assert list(circuit.STANDARD_RATINGS) == sorted(circuit.STANDARD_RATINGS)


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_bad_currents_are_refused(bad: float) -> None:
    assert circuit.next_rating(0.1 * 3 * 500) == 150  # 150.00000000000003 is 150 A
    with pytest.raises(ValueError, match="6000"):
        circuit.next_rating(6001)


# ---- NEC Table 310.16: copper 60, 75, 90, aluminum 60, 75, 90

AMPACITY = """
14 15 20 25 - - -|12 20 25 30 15 20 25|10 30 35 40 25 30 35|8 40 50 55 35 40 45|6 55 65 75 40 50 55
4 70 85 95 55 65 75|3 85 100 115 65 75 85|2 95 115 130 75 90 100|1 110 130 145 85 100 115
1-0 125 150 170 100 120 135|2-0 145 175 195 115 135 150|3-0 165 200 225 130 155 175|4-0 195 230 260 150 180 205
"""


@pytest.mark.parametrize("row", AMPACITY.replace("\n", "|").strip("|").split("|"))
def test_ampacity_table(row: str) -> None:
    size, *cells = row.split()
    for index, cell in enumerate(cells):
        metal, column = ("copper", "aluminum")[index // 3], (60, 75, 90)[index % 3]
        if cell == "-":
            with pytest.raises(ValueError, match="no ampacity"):
                circuit.table_ampacity(f"{size}-awg", metal, column)
        else:
            assert circuit.table_ampacity(f"{size}-awg", metal, column) == int(cell)


# NEC Table 310.15(B)(1): upper edge of each band, then the printed 60, 75 and 90 deg C columns
AMBIENT = [
    (10, 1.29, 1.20, 1.15), (15, 1.22, 1.15, 1.12), (20, 1.15, 1.11, 1.08), (25, 1.08, 1.05, 1.04),
    (30, 1.00, 1.00, 1.00), (35, 0.91, 0.94, 0.96), (40, 0.82, 0.88, 0.91), (45, 0.71, 0.82, 0.87),
    (50, 0.58, 0.75, 0.82), (55, 0.41, 0.67, 0.76), (60, 0.00, 0.58, 0.71)]


@pytest.mark.parametrize("row", AMBIENT)
def test_ambient_table_is_printed_and_follows_the_square_root_law(row: tuple[float, ...]) -> None:
    edge, *printed = row
    for rating, value in zip((60, 75, 90), printed, strict=True):
        assert circuit.table_ambient_factor(rating, edge) == value
        assert circuit.table_ambient_factor(rating, edge - 4) == value  # anywhere in the band
        assert round(math.sqrt((rating - edge) / (rating - 30)), 2) == value


@given(st.sampled_from([60, 75, 90]), st.floats(-40, 120))
def test_ambient_factor_is_one_at_30_and_falls_to_zero(rating: int, ambient: float) -> None:
    assert circuit.ambient_factor(rating, 30) == 1.0
    assert circuit.ambient_factor(rating, rating) == 0.0
    assert circuit.ambient_factor(rating, ambient) >= circuit.ambient_factor(rating, ambient + 1)


def test_iec_ambient_follows_the_same_law() -> None:  # IEC 60364-5-52 Table B.52.14, PVC then XLPE
    for ambient, pvc, xlpe in [(35, 0.94, 0.96), (40, 0.87, 0.91), (45, 0.79, 0.87), (50, 0.71, 0.82)]:
        assert circuit.ambient_factor(70, ambient) == pytest.approx(pvc, abs=0.005)
        assert circuit.ambient_factor(90, ambient) == pytest.approx(xlpe, abs=0.006)


@pytest.mark.parametrize(("count", "factor"), [
    (1, 1), (3, 1), (4, 0.8), (6, 0.8), (7, 0.7), (9, 0.7), (10, 0.5), (20, 0.5), (21, 0.45), (30, 0.45),
    (31, 0.40), (40, 0.40), (41, 0.35), (200, 0.35)])
def test_bundling(count: int, factor: float) -> None:  # NEC 310.15(C)(1)
    assert circuit.bundling_factor(count) == factor


def test_derated_ampacity() -> None:  # NEC 310.15: six 8 AWG THHN conductors, 75 deg C terminals, 40 and 45 deg C
    assert circuit.ampacity("8-awg", "copper", 90, 75, 40, 6) == pytest.approx(40.04, abs=0.005)
    assert circuit.ampacity("8-awg", "copper", 90, 75, 45, 6) == pytest.approx(38.28, abs=0.005)
    assert circuit.ampacity("6-awg", "copper", 90, 75) == 65  # NEC 110.14(C): terminal column caps the 75 A
    assert circuit.ampacity("6-awg", "copper", 60, 60) == 55  # NEC 334.80: cable held to the 60 deg C column


def test_48_ampere_station() -> None:  # NEC 625.41, 310.16, 334.80: 60 A breaker; 6 AWG passes at 75 deg C only
    assert circuit.table_ampacity("6-awg", "copper", 75) >= 60 > circuit.table_ampacity("6-awg", "copper", 60)
    assert circuit.table_ampacity("4-awg", "copper", 60) == 70


@pytest.mark.parametrize(("size", "metal", "usable", "breaker"), [
    ("14-awg", "copper", 20, 15), ("12-awg", "copper", 25, 20), ("10-awg", "copper", 40, 30),  # NEC 240.4(D)
    ("12-awg", "aluminum", 20, 15), ("10-awg", "aluminum", 30, 25),  # NEC 240.4(D)
    ("6-awg", "copper", 55, 60), ("6-awg", "copper", 65, 70), ("8-awg", "copper", 50, 50),  # NEC 240.4(B)
    ("4-0-awg", "copper", 790, 800), ("4-0-awg", "copper", 850, 800), ("4-0-awg", "copper", 1000, 1000)])
def test_largest_breaker(size: str, metal: str, usable: float, breaker: int) -> None:
    assert circuit.largest_breaker(size, metal, usable) == breaker


def test_mm2_ampacity() -> None:  # IEC 60364-5-52 Table B.52.2 and B.52.4, method B1, from memory
    assert circuit.ampacity_mm2("6-mm2") == 41
    assert circuit.ampacity_mm2("6-mm2", loaded=3) == 36
    assert circuit.ampacity_mm2("6-mm2", circuits=2) == pytest.approx(41 * 0.8)
    with pytest.raises(ValueError, match="6 mm²"):
        circuit.ampacity_mm2("6-mm2", 75)


# ---- NEC chapter 9 Table 8, ohm per 1000 ft: copper stranded, aluminum stranded, circular mils

TABLE_8 = """14 3.14 5.17 4110|12 1.98 3.25 6530|10 1.24 2.04 10380|8 0.778 1.28 16510|6 0.491 0.808 26240
4 0.308 0.508 41740|3 0.245 0.403 52620|2 0.194 0.319 66360|1 0.154 0.253 83690|1-0 0.122 0.201 105600
2-0 0.0967 0.159 133100|3-0 0.0766 0.126 167800|4-0 0.0608 0.100 211600"""


@pytest.mark.parametrize("row", TABLE_8.replace("\n", "|").split("|"))
def test_table_8(row: str) -> None:
    size, copper, aluminum, mils = row.split()
    assert kft(f"{size}-awg") == pytest.approx(float(copper))
    assert kft(f"{size}-awg", "aluminum") == pytest.approx(float(aluminum))
    # Independent route: R x CM is one constant per metal (12.9 and 21.2 ohm·cmil/ft, common form of the drop formula)
    assert float(copper) * int(mils) / 1000 == pytest.approx(12.9, rel=0.01)
    assert float(aluminum) * int(mils) / 1000 == pytest.approx(21.2, rel=0.01)


@pytest.mark.parametrize(("celsius", "factor"), [(20, 0.822), (25, 0.839), (40, 0.887), (60, 0.952), (90, 1.048)])
def test_copper_temperature(celsius: float, factor: float) -> None:  # NEC chapter 9 Table 8 note 2
    ratio = circuit.ohms_per_km("6-awg", "copper", celsius) / circuit.ohms_per_km("6-awg")
    assert ratio == pytest.approx(factor, abs=0.0006)


IEC_60228 = [(1.5, 12.1, None), (2.5, 7.41, None), (4, 4.61, None), (6, 3.08, None), (10, 1.83, 3.08),
             (16, 1.15, 1.91), (25, 0.727, 1.20), (35, 0.524, 0.868), (50, 0.387, 0.641), (70, 0.268, 0.443),
             (95, 0.193, 0.320), (120, 0.153, 0.253)]


@pytest.mark.parametrize(("mm2", "copper", "aluminum"), IEC_60228)
def test_iec_60228(mm2: float, copper: float, aluminum: float | None) -> None:
    size = f"{mm2:g}-mm2"
    assert circuit.ohms_per_km(size, "copper", 20) == copper
    assert circuit.ohms_per_km(size, "copper", 70) == pytest.approx(copper * 1.1965)
    if aluminum is None:
        with pytest.raises(ValueError, match="no resistance"):
            circuit.ohms_per_km(size, "aluminum")
    else:
        assert circuit.ohms_per_km(size, "aluminum", 20) == aluminum


# ---- voltage drop: NEC 210.19 note, chapter 9 Table 8

@pytest.mark.parametrize(("load", "source", "feet", "size", "metal", "volts", "percent"), [
    (40, 240, 150, "8-awg", "copper", 9.34, 3.89), (40, 240, 150, "6-awg", "copper", 5.89, 2.46),
    (48, 208, 200, "6-awg", "copper", 9.43, 4.53), (48, 208, 200, "4-awg", "copper", 5.91, 2.84),
    (80, 240, 200, "1-0-awg", "aluminum", 6.43, 2.68)])
def test_branch_drop(load: float, source: float, feet: float, size: str, metal: str, volts: float,
                     percent: float) -> None:
    drop = circuit.voltage_drop(load, feet * FT, circuit.ohms_per_km(size, metal))
    assert drop == pytest.approx(volts, abs=0.005)
    assert 100 * drop / source == pytest.approx(percent, abs=0.005)


def test_circular_mil_form_agrees() -> None:  # V = 2 K I L / CM with K = 12.9: 9.38 V against 9.34 V
    assert pytest.approx(9.38, abs=0.005) == 2 * 12.9 * 40 * 150 / 16_510
    assert circuit.voltage_drop(40, 150 * FT, circuit.ohms_per_km("8-awg")) == pytest.approx(9.38, rel=0.005)


def test_feeder_drop() -> None:  # NEC chapter 9 Table 8, and Table 9 (PVC) with reactance at pf 0.98
    line = 80 * math.sqrt(3)  # six 40 A units
    drop = circuit.voltage_drop(line, 250 * FT, circuit.ohms_per_km("3-0-awg"), three_phase=True)
    assert drop == pytest.approx(4.60, abs=0.005)
    assert 100 * drop / 208 == pytest.approx(2.21, abs=0.005)
    with_x = circuit.voltage_drop(line, 250 * FT, 0.077 / FT, three_phase=True, reactance_ohm_km=0.042 / FT,
                                  power_factor=0.98)
    assert with_x * 1000 == pytest.approx(5030, abs=5)


def test_iec_drop() -> None:  # IEC 60364-5-52 Annex G (rho 0.0225, pf 1), IEC 60228 at 70 deg C
    annex_g = 2 * 0.0225 * 30 / 6 * 32
    ours = circuit.voltage_drop(32, 30, circuit.ohms_per_km("6-mm2", "copper", 70))
    assert annex_g == pytest.approx(7.20)
    assert ours == pytest.approx(7.08, abs=0.005)
    three = circuit.voltage_drop(32, 50, circuit.ohms_per_km("6-mm2", "copper", 70), three_phase=True)
    assert three == pytest.approx(10.2, abs=0.02)
    assert 100 * three / 400 == pytest.approx(2.55, abs=0.005)


@given(st.floats(0, 400), st.floats(0, 500), st.floats(0.01, 20), st.floats(0.1, 5))
def test_drop_is_linear_and_three_phase_is_the_root_of_three_quarters(
        load: float, metres: float, ohm_km: float, times: float) -> None:
    drop = circuit.voltage_drop(load, metres, ohm_km)
    assert circuit.voltage_drop(load * times, metres, ohm_km) == pytest.approx(times * drop)
    assert circuit.voltage_drop(load, metres * times, ohm_km) == pytest.approx(times * drop)
    assert circuit.voltage_drop(load, metres, ohm_km, three_phase=True) == pytest.approx(drop * math.sqrt(3) / 2)


def test_drop_against_a_solved_network() -> None:
    """Nodal analysis with numpy: 240 V source, two wires, a load resistor that draws 40 A."""
    wire = circuit.ohms_per_km("6-awg") * 45 / 1000
    load = 240 / 40 - 2 * wire
    a = np.array([[1 / wire + 1 / load, -1 / load], [-1 / load, 1 / wire + 1 / load]])
    top, bottom = np.linalg.solve(a, np.array([240 / wire, 0.0]))
    assert 240 - (top - bottom) == pytest.approx(circuit.voltage_drop(40, 45, circuit.ohms_per_km("6-awg")))


# ---- line currents on 208Y/120, stations line to line (Kirchhoff)

DEALT = {  # units dealt A-B, B-C, C-A in turn: line currents in multiples of one unit's; worst line -> breaker
    1: (1, 1, 0, 40, 50, 60), 2: (1, 1.732, 1, 70, 90, 110), 3: (1.732, 1.732, 1.732, 70, 90, 110),
    4: (2.646, 2.646, 1.732, 110, 150, 175), 5: (2.646, 3.464, 2.646, 150, 175, 225),
    6: (3.464, 3.464, 3.464, 150, 175, 225), 7: (4.359, 4.359, 3.464, 175, 225, 300),
    8: (4.359, 5.196, 4.359, 225, 300, 350), 9: (5.196, 5.196, 5.196, 225, 300, 350),
    12: (6.928, 6.928, 6.928, 300, 350, 450)}
PAIRS = ("a-b", "b-c", "c-a")


def test_published_line_currents() -> None:
    assert circuit.line_currents([(p, 14) for p in PAIRS])["a"] == pytest.approx(24.25, abs=0.005)
    four = circuit.line_currents([("a-b", 32), ("b-c", 32), ("c-a", 32), ("a-b", 32)])
    assert four["a"] == pytest.approx(84.66, abs=0.005)
    assert four["c"] == pytest.approx(55.43, abs=0.005)
    wrong = circuit.line_currents([("a-b", 32)] * 4)
    assert (wrong["a"], wrong["b"], wrong["c"]) == pytest.approx((128, 128, 0))
    unequal = circuit.line_currents([("a-b", 12), ("b-c", 14), ("c-a", 16)])
    assert [unequal[leg] for leg in "abc"] == pytest.approx([24.33, 22.54, 26.00], abs=0.005)


load = st.floats(0, 200)


@given(load, load, load)
def test_line_currents_by_formula_and_by_solved_network(ab: float, bc: float, ca: float) -> None:
    lines = circuit.line_currents([("a-b", ab), ("b-c", bc), ("c-a", ca)])
    formula = [math.sqrt(x * x + y * y + x * y) for x, y in ((ab, ca), (ab, bc), (bc, ca))]
    assert [lines[leg] for leg in "abc"] == pytest.approx(formula, abs=1e-6)
    # Second route: admittance matrix of resistors between ideal line voltages, solved as I = Y V.
    volts = 120 * np.exp(-2j * np.pi * np.arange(3) / 3)
    across = 120 * math.sqrt(3)
    y = np.zeros((3, 3), dtype=complex)
    for i, j, current in ((0, 1, ab), (1, 2, bc), (2, 0, ca)):
        g = current / across
        y[i, i] += g
        y[j, j] += g
        y[i, j] -= g
        y[j, i] -= g
    currents = y @ volts
    assert abs(currents.sum()) < 1e-9
    assert np.abs(currents) == pytest.approx(formula, abs=1e-6)


@given(load, load, load)
def test_cyclic_swap_permutes(ab: float, bc: float, ca: float) -> None:
    one = circuit.line_currents([("a-b", ab), ("b-c", bc), ("c-a", ca)])
    two = circuit.line_currents([("b-c", ab), ("c-a", bc), ("a-b", ca)])
    assert [two[leg] for leg in "bca"] == pytest.approx([one[leg] for leg in "abc"], abs=1e-6)


def test_other_systems() -> None:
    split = circuit.line_currents([("a-b", 40), ("a-n", 16)], "split-120-240")
    assert (split["a"], split["b"], split["n"]) == pytest.approx((56, 40, 16))
    assert circuit.line_currents([("a-n", 32)] * 3, "single-230") == pytest.approx({"a": 96, "n": 96})
    wye = circuit.line_currents([("a-b-c", 32), ("a-n", 16), ("b-n", 16), ("c-n", 16)], "wye-230-400")
    assert wye == pytest.approx({"a": 48, "b": 48, "c": 48, "n": 0}, abs=1e-9)
    with pytest.raises(ValueError, match="does not exist"):
        circuit.line_currents([("b-c", 32)], "split-120-240")
    with pytest.raises(ValueError, match="two or three"):
        circuit.line_currents([("a-a", 32)])


def test_power_of_three_units() -> None:  # 3 x 208 V x 32 A against root 3 x 208 V x line current
    line = circuit.line_currents([(p, 32) for p in PAIRS])["a"]
    assert pytest.approx(math.sqrt(3) * 208 * line) == 3 * 208 * 32


def test_shared_managed_circuit() -> None:  # NEC 625.42(A): three 30 A units held to a 100 A branch
    assert circuit.largest_setting(100) / 3 == pytest.approx(26.67, abs=0.005)


def test_wire_names() -> None:
    assert [circuit.wire_name(s) for s in ("6-awg", "1-0-awg", "2.5-mm2")] == ["6 AWG", "1/0 AWG", "2.5 mm²"]
