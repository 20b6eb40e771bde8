"""Trunk resistance and idle voltage. B1, F10 ... are rows of the fact sheet on communication wiring."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import cable, trunk
from diagnose.physics.trunk import Bias, Pair, alter, lumped_idle_volts, parallel


def plain(awg, metres, at=(0, 1), parts=2, **more):
    """A bare trunk in `parts` segments with 120 ohm terminators at the given shares of its length."""
    segment = cable.loop_ohms(awg, metres) / parts
    return Pair((segment,) * parts, tuple((share * parts, 120.0) for share in at), **more)


# Section 3, B1: TIA/EIA-485-A terminations on copper by IEC 60028; columns as there.
B1 = [
    (24, 0, 120, 120, 60.0, 60.0, 40.0, 40.0, 40.0, 40.0),
    (24, 30, 125.1, 122.5, 61.2, 61.3, 41.4, 40.6, 40.5, 42.2),
    (24, 100, 136.8, 128.4, 63.9, 64.2, 44.4, 41.8, 41.7, 46.8),
    (24, 300, 170.5, 145.3, 70.4, 72.6, 51.7, 45.2, 44.4, 57.5),
    (24, 600, 221.1, 170.5, 77.8, 85.3, 60.2, 49.8, 47.2, 68.8),
    (24, 1000, 288.4, 204.2, 84.7, 102.1, 68.5, 55.2, 49.7, 78.7),
    (22, 300, 151.8, 135.9, 67.0, 67.9, 47.9, 43.4, 43.0, 52.0),
    (22, 1000, 225.9, 173.0, 78.4, 86.5, 60.9, 50.3, 47.4, 69.6),
    (18, 300, 132.6, 126.3, 63.0, 63.1, 43.3, 41.4, 41.3, 45.2),
    (18, 1000, 161.9, 140.9, 68.9, 70.5, 50.0, 44.4, 43.8, 55.1),
]


@pytest.mark.parametrize("row", B1)
def test_resistance_table(row):
    awg, metres, *expected = row
    two, one = plain(awg, metres), plain(awg, metres, (0,))
    three, double = plain(awg, metres, (0, 0.5, 1)), plain(awg, metres, (0, 0, 1))
    got = [one.ohms(2), one.ohms(1), two.ohms(0), two.ohms(1), three.ohms(0), three.ohms(1), double.ohms(0), double.ohms(2)]
    assert got == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(
    ("metres", "at", "meter", "ohms"),
    [
        (300, (0, 1), 0.0, 70.44),
        (300, (0, 1), 0.5, 72.63),
        (300, (0,), 1.0, 170.53),
        (600, (0, 0.5, 1), 0.0, 60.24),
        (1000, (0, 1), 0.5, 102.11),
        (1000, (0, 1), 0.0, 84.74),
        (300, (0, 0, 1), 0.0, 44.38),
        (300, (0, 0, 1), 1.0, 57.54),
    ],
)
def test_ab_ohm_vector(metres, at, meter, ohms):  # section 14, ab_ohm
    assert plain(24, metres, at).ohms(2 * meter) == pytest.approx(ohms, rel=1e-3)


@pytest.mark.parametrize(("at", "ohms"), [(0, 70.43), (1, 72.08), (2, 72.63), (3, 72.08), (4, 70.43)])
def test_along_the_trunk(at, ohms):  # section 3, B1, last line
    assert plain(24, 300, parts=4).ohms(at) == pytest.approx(ohms, abs=0.01)


# Section 3, B2, 24 kohm convention (12 kohm a line to common, TIA/EIA-485-A): (UL, bias ohm) -> 0..3 terminators.
B2 = [
    (0, 0, (math.inf, 120, 60.0, 40.0)),
    (10, 0, (2400, 114.3, 58.5, 39.3)),
    (10, 560, (764, 103.7, 55.6, 38.0)),
    (32, 0, (750, 103.4, 55.6, 38.0)),
    (32, 560, (449, 94.7, 52.9, 36.7)),
    (0, 450, (900, 105.9, 56.2, 38.3)),
    (0, 560, (1120, 108.4, 56.9, 38.6)),
    (0, 650, (1300, 109.9, 57.4, 38.8)),
    (0, 1000, (2000, 113.2, 58.3, 39.2)),
    (0, 4700, (9400, 118.5, 59.6, 39.8)),
    (10, 450, (654,)),  # resistor-capacitor terminators: open to an ohmmeter
    (10, 650, (843,)),
]


@pytest.mark.parametrize(("loads", "bias", "readings"), B2)
def test_lumped_resistance_table(loads, bias, readings):
    biases = (Bias(0.0, bias),) if bias else ()
    for count, ohms in enumerate(readings):
        pair = Pair((0.0,), ((0.0, 120.0),) * count, biases, {0.0: float(loads)} if loads else {})
        assert pair.ohms(0) == pytest.approx(ohms, rel=1.2e-3, abs=0.06)
        across = parallel(*[120.0] * count, 2 * bias or math.inf, 24e3 / loads if loads else math.inf)
        assert pair.ohms(0) == pytest.approx(across)


@pytest.mark.parametrize(("count", "by_24k", "by_12k"), [(0, 2400, 1200), (1, 114.3, 109.1), (2, 58.5, 57.1), (3, 39.3, 38.7)])
def test_two_conventions_for_receivers(count, by_24k, by_12k):  # section 3, B2 and section 13, 2
    assert parallel(*[120.0] * count, 24e3 / 10) == pytest.approx(by_24k, rel=1.2e-3)
    assert parallel(*[120.0] * count, 12e3 / 10) == pytest.approx(by_12k, rel=1.2e-3)


def test_floating_rail_hides_the_bias_pair():  # section 3, formulas: up to open circuit if the rail floats
    pair = Pair((0.0,), (), (Bias(0.0, 560.0),))
    assert pair.ohms(0) == pytest.approx(1120)
    assert pair.ohms(0, math.inf) == math.inf


def test_short_in_the_middle():  # section 3, B3: short at 120 m of 300 m
    loop = cable.loop_ohms(24, 1)
    pair = Pair((120 * loop, 180 * loop), ((0.0, 120.0), (2.0, 120.0)), shorts=(1.0,))
    assert pair.ohms(0) == pytest.approx(17.3, abs=0.15)
    assert pair.ohms(2) == pytest.approx(24.2, abs=0.15)


@pytest.mark.parametrize("name", ["one-wire-open", "pair-open"])
def test_open_wire_shows_one_side(name):  # section 3, B3
    broken = alter(plain(24, 300), name, 0.5)
    assert broken.ohms(0) == pytest.approx(120)
    assert broken.ohms(1) == pytest.approx(120 + cable.loop_ohms(24, 150))
    assert broken.ohms(2) == pytest.approx(120)


def test_sixty_ohm_trap():  # section 3: three terminators on 600 m read the "good" 60 ohm at the end
    assert alter(plain(24, 600), "extra-terminator", 1.0).ohms(0) == pytest.approx(60.2, abs=0.06)


# Section 4, idle voltage at a lumped bus, 5 V, mV: bias -> two 120, with 32 UL (24 k / 12 k), one, three, two 150, none + 10 UL
F_TABLE = [
    (450, 312.5, 290.7, 271.7, 588.2, 212.8, 384.6, 2857),
    (560, 254.2, 236.3, 220.7, 483.9, 172.4, 313.8, 2586),
    (650, 220.6, 204.9, 191.3, 422.5, 149.3, 272.7, 2400),
    (680, 211.3, 196.2, 183.2, 405.4, 142.9, 261.3, 2344),
    (1000, 145.6, 135.1, 126.1, 283.0, 98.0, 180.7, 1875),
    (4700, 31.7, 29.4, 27.4, 63.0, 21.2, 39.6, 566),
]


@pytest.mark.parametrize("row", F_TABLE)
def test_idle_voltage_table(row):
    bias, *expected = row
    across = [60, parallel(60, 750), parallel(60, 375), 120, 40, 75, 1200]
    got = [1000 * lumped_idle_volts(bias, r) for r in across]
    assert got == pytest.approx(expected, rel=1.5e-3, abs=0.06)
    lumped = Pair((0.0,), ((0.0, 120.0), (1.0, 120.0)), (Bias(0.0, bias),), {0.0: 32.0})
    assert 1000 * lumped.idle_volts(1) == pytest.approx(expected[1], rel=1.5e-3)


@pytest.mark.parametrize(("bias", "mv"), [(390, 235.7), (450, 206.2), (560, 167.8)])
def test_idle_voltage_at_3v3(bias, mv):  # section 4, below the table
    assert 1000 * lumped_idle_volts(bias, 60, 3.3) == pytest.approx(mv, rel=1e-3)


@pytest.mark.parametrize(("bias", "volts"), [(650, 1.99), (450, 2.44)])
def test_idle_voltage_with_capacitor_terminators(bias, volts):  # section 4: 28 UL, 24 k convention
    assert lumped_idle_volts(bias, 24e3 / 28) == pytest.approx(volts, abs=6e-3)


@pytest.mark.parametrize(
    ("bias", "across", "mv"),
    [(450, 60, 312.5), (560, 60, 254.2), (650, 60, 220.6), (720, 60, 200.0), (560, 40, 172.4), (560, 120, 483.9),
     (650, 75, 272.7), (470, 57.143, 286.5)],
)  # fmt: skip
def test_idle_vector(bias, across, mv):  # section 14, idle_mV
    assert 1000 * lumped_idle_volts(bias, across) == pytest.approx(mv, rel=1e-3)


def test_design_formula_by_network():  # section 4, F7: 375 ohm a line, 120 and 135 ohm, 4.75 V gives 0.25 V
    pair = Pair((0.0,), ((0.0, 120.0), (1.0, 135.4)), (Bias(0.0, 527.8, 4.75),), {0.0: 32.0})
    assert pair.idle_volts(0) == pytest.approx(0.2500, abs=4e-4)
    pair = Pair((0.0,), ((0.0, 120.0), (1.0, 135.4)), (Bias(0.0, 523.0, 4.75),), {0.0: 32.0})
    assert pair.idle_volts(0) == pytest.approx(0.252, abs=5e-4)


def test_variant_formula_by_network():  # section 4, F8, F9: nodal 275 mV, not 300
    pair = Pair((0.0,), ((0.0, 120.0), (1.0, 146.3)), (Bias(0.0, 333.3, 3.3),), {0.0: 32.0})
    assert pair.idle_volts(0) == pytest.approx(0.275, abs=1.5e-3)


def test_worked_examples():  # section 4, F10-F13
    assert parallel(120, 120, 12e3 / 10) == pytest.approx(57.14, abs=0.01)
    assert pytest.approx(5.014e-3, rel=1e-3) == 5 / (470 * 2 + 57.143)
    ten = Pair((0.0,), ((0.0, 120.0), (1.0, 120.0)), (Bias(0.0, 4700.0),) * 10, {0.0: 20.0})
    assert 1000 * ten.idle_volts(0) == pytest.approx(286.5, abs=0.1)  # F10
    ten = Pair((0.0,), (), (Bias(0.0, 4700.0),) * 10, {0.0: 20.0})
    assert ten.idle_volts(0) == pytest.approx(2.80, abs=5e-3)  # F11: 470 + 1200 + 470 = 2.14 kohm


@pytest.mark.parametrize(
    ("awg", "metres", "bias", "near", "far"),
    [(24, 100, 450, 331.6, 290.8), (24, 100, 560, 270.0, 236.8), (24, 300, 450, 362.9, 255.4),
     (24, 300, 560, 295.8, 208.2), (24, 600, 450, 397.7, 215.9), (24, 600, 560, 324.7, 176.3),
     (24, 1000, 450, 430.3, 179.0), (24, 1000, 560, 351.7, 146.3), (22, 1000, 450, 400.5, 212.7),
     (22, 1000, 560, 327.0, 173.7), (18, 1000, 450, 355.6, 263.6), (18, 1000, 560, 289.8, 214.8)],
)  # fmt: skip
def test_idle_voltage_along_the_cable(awg, metres, bias, near, far):  # section 4 and 14, idle_far_mV
    pair = plain(awg, metres, biases=(Bias(0.0, bias),))
    assert 1000 * pair.idle_volts(0) == pytest.approx(near, rel=1e-3)
    assert 1000 * pair.idle_volts(2) == pytest.approx(far, rel=1e-3)


def test_alterations_of_the_idle_voltage():
    pair = plain(24, 300, biases=(Bias(0.0, 560.0),))
    assert alter(pair, "bias-off", 0).idle_volts(2) == 0
    assert alter(pair, "pair-swapped", 0.5).idle_volts(2) == pytest.approx(-pair.idle_volts(2), rel=1e-3)
    assert alter(pair, "pair-swapped", 0.5).idle_volts(0) == pytest.approx(pair.idle_volts(0), rel=1e-3)
    assert alter(alter(pair, "pair-swapped", 0.5), "pair-swapped", 1.5).idle_volts(2) > 0
    assert abs(alter(pair, "one-wire-open", 0.5).idle_volts(2)) < 1e-3
    assert alter(pair, "pair-short", 0.5).idle_volts(0) < pair.idle_volts(0) / 2
    assert alter(pair, "bias-extra", 2.0).idle_volts(2) > pair.idle_volts(2)
    assert alter(pair, "far-terminator-off", 0).idle_volts(2) > pair.idle_volts(2)
    assert alter(pair, "rc-terminators", 0).ohms(0) == pytest.approx(1120)
    with pytest.raises(ValueError, match="unknown alteration"):
        alter(pair, "painted-green", 0)
    with pytest.raises(ValueError, match="off the trunk"):
        alter(pair, "pair-short", 9)


@pytest.mark.parametrize(("across", "volts"), [(120, 2.07), (60, 1.58), (40, 1.28), (30, 1.07)])
def test_driver_under_load(across, volts):  # section 4: 3.0 V open, 54 ohm inside (TIA/EIA-485-A test load)
    assert 3 * trunk.far_end_share(across, 54) == pytest.approx(volts, abs=6e-3)


@pytest.mark.parametrize(("awg", "metres", "volts"), [(24, 300, 1.056), (24, 600, 0.814), (24, 1000, 0.624), (24, 1200, 0.559),
                                                (22, 1000, 0.797), (18, 1000, 1.112)])  # fmt: skip
def test_far_end_signal(awg, metres, volts):  # section 2, below L6
    assert 1.5 * trunk.far_end_share(120, cable.loop_ohms(awg, metres)) == pytest.approx(volts, abs=6e-4)


@pytest.mark.parametrize(("awg", "metres"), [(24, 712), (22, 1133), (18, 2864)])
def test_half_signal_length(awg, metres):  # section 2, L6: the loop equals the terminator at -6.02 dB
    assert cable.length_from_loop(awg, 120) == pytest.approx(metres, abs=1)
    assert 20 * math.log10(trunk.far_end_share(120, cable.loop_ohms(24, 1200))) == pytest.approx(-8.6, abs=0.05)


@pytest.mark.parametrize(("ohms", "volts", "watts"), [(120, 1.5, 0.019), (120, 2, 0.033), (120, 3, 0.075), (120, 5, 0.208),
                                                (120, 6, 0.3), (120, 12, 1.2), (120, 24, 4.8), (150, 5, 0.167),
                                                (150, 12, 0.96), (120, 5.48, 0.25), (120, 7.75, 0.5), (150, 8.66, 0.5)])  # fmt: skip
def test_terminator_power(ohms, volts, watts):  # section 4
    assert trunk.dissipation_w(ohms, volts) == pytest.approx(watts, rel=0.03)


@pytest.mark.parametrize(("rate", "metres"), [(115_200, 868), (19_200, 1200), (9600, 1200), (100_000, 1000), (10e6, 10)])
def test_length_against_rate(rate, metres):  # section 2, L2
    assert trunk.length_limit_m(rate) == pytest.approx(metres, abs=0.6)


def test_limits():  # section 1 and 2
    assert trunk.load_limit(False) == 32
    assert trunk.load_limit(True) == 28
    assert trunk.UNIT_LOAD_OHMS / 32 == 375  # E11
    assert parallel(60, 375) == pytest.approx(51.7, abs=0.05)  # E12
    assert parallel(60, 750) == pytest.approx(55.6, abs=0.05)  # E12
    assert trunk.drop_limit_m() == 20
    assert trunk.drop_limit_m(4) == 10
    assert trunk.modbus_length_limit_m(26) == 1000
    assert trunk.modbus_length_limit_m(28) is None
    assert trunk.modbus_length_limit_m(24, cat5=True) == 600


@given(st.floats(1, 60), st.integers(2, 12), st.integers(0, 12), st.floats(100, 150))
def test_a_terminator_more_never_raises_the_reading(segment, parts, where, ohms):
    pair = Pair((segment,) * parts, ((0.0, ohms), (float(parts), ohms)))
    more = alter(pair, "extra-terminator", float(min(where, parts)))
    less = alter(pair, "far-terminator-off", 0.0)
    for at in range(parts + 1):
        assert more.ohms(at) < pair.ohms(at) < less.ohms(at) + 1e-9


@given(st.floats(0, 400), st.floats(0, 1))
def test_two_terminators_closed_form(loop, share):  # section 3: R(x) = (R_T + l x) || (R_T + l (L - x))
    pair = Pair((loop,), ((0.0, 120.0), (1.0, 120.0)))
    assert pair.ohms(share) == pytest.approx(parallel(120 + loop * share, 120 + loop * (1 - share)), rel=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: Pair((-1.0,)),
        lambda: Pair((1.0,), ((0.0, 0.0),)),
        lambda: Pair((1.0,), ((5.0, 120.0),)),
        lambda: Pair((1.0,)).ohms(2),
        lambda: parallel(-1),
        lambda: lumped_idle_volts(0, 60),
        lambda: trunk.far_end_share(0, 1),
        lambda: trunk.dissipation_w(0, 1),
        lambda: trunk.length_limit_m(0),
        lambda: trunk.drop_limit_m(0),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()


def test_gathering_receivers_of_a_long_trunk_does_not_show() -> None:
    """247 eighth-load receivers (TIA/EIA-485-A: 12 kOhm a unit load) gathered at 24 spots: within 0.1 %."""
    from diagnose.physics.trunk import Bias, Pair, alter

    units = 247
    whole = Pair(
        segments=(0.674,) * (units - 1),
        terminators=((0.0, 120.0), (units - 1.0, 120.0)),
        biases=(Bias(0.0, 560.0),),
        receivers={float(n): 0.125 for n in range(units)},
    )
    for pair in (whole, alter(whole, "pair-open", 100.5), alter(whole, "pair-short", 60.5)):
        for at in (0.0, units - 1.0):
            assert abs(pair.lumped().ohms(at) / pair.ohms(at) - 1) < 1e-3
            assert abs(pair.lumped().idle_volts(at) - pair.idle_volts(at)) < 1e-3 * max(abs(pair.idle_volts(at)), 0.05)
