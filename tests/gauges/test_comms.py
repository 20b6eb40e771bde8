"""Communication-side gauges. B1, F1 ... are rows of the fact sheet on communication wiring."""

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.gauges import base, load_all
from diagnose.physics import cable
from diagnose.physics.trunk import ALTERATIONS
from diagnose.site.places import Place
from tests.gauges.comms_sites import CONTROL, FAR_END, NEAR_END, TRUNK, UPLINK, site

load_all()

AUDITS = {
    "terminator-plan": ("trunk", ("two-at-ends", "one-missing", "none", "too-many", "misplaced")),
    "terminator-value": ("trunk", ("matches", "differs")),
    "bus-load": ("trunk", ("within", "over")),
    "length-against-rate": ("trunk", ("within", "over")),
    "drop-plan": ("trunk", ("within", "over")),
    "bias-plan": ("trunk", ("adequate", "weak", "none")),
    "bit-rate-class": ("trunk", ("slow", "medium", "fast")),
    "timeout-against-reply": ("trunk", ("enough", "too-short")),
    "interval-against-cycle": ("trunk", ("enough", "too-short")),
    "address-plan": ("trunk", ("unique", "duplicate", "out-of-range")),
    "unit-address": ("unit", ("unique", "duplicate", "out-of-range")),
    "connection-plan": ("trunk", ("within", "too-many")),
    "ip-plan": ("uplink", ("fits", "gateway-outside", "invalid", "self-assigned")),
    "ethernet-length": ("uplink", ("within", "over")),
    "contact-sense": ("control", ("agrees", "opposite")),
    "control-loop-plan": ("control", ("within", "over")),
}
READINGS = {
    "trunk-ohms": ("ohm", "trunk-end", ("as-expected", "one-terminator", "no-terminator", "extra-terminator", "short")),
    "idle-millivolts": ("mV", "trunk-end", ("as-expected", "high", "weak", "none", "reversed")),
    "common-difference": ("V", "trunk", ("small", "suspicious", "beyond-limit", "mains")),
    "poll-error-percent": ("%", "unit", ("clean", "some", "many")),
    "poll-cycle-seconds": ("s", "trunk", ("as-expected", "long")),
    "supply-5v": ("V", "trunk-end", ("as-expected", "low", "absent")),
    "link-loss-percent": ("%", "uplink", ("clean", "some", "many")),
    "cable-pair-ohms": ("ohm", "uplink", ("as-expected", "high", "open", "short")),
    "signal-csq": ("1", "uplink", ("good", "fair", "poor", "none")),
    "signal-rsrp": ("dBm", "uplink", ("good", "fair", "poor", "none")),
    "clock-offset": ("s", "uplink", ("right", "off", "epoch")),
    "round-trip-ms": ("ms", "uplink", ("normal", "slow")),
    "sensing-volts": ("V", "control", ("as-expected", "low", "absent", "foreign")),
    "loop-ohms": ("ohm", "control", ("as-expected", "high", "open")),
    "leak-ohms": ("ohm", "control", ("open", "leaky", "short")),
}
STRENGTHS = ["reflections-disturb", "bias-loss-disturbs", "drops-disturb", "timeout-loses-replies", "extra-terminator-disturbs"]
SIGNED = {"idle-millivolts", "common-difference", "supply-5v", "clock-offset", "sensing-volts", "signal-rsrp"}


def expect(name, where, at):
    return base.READINGS[name].function(where, at)


def audit(name, where, at=TRUNK):
    got = base.AUDITS[name].function(where, at)
    return got.outcome if got else None


def strength(name, where):
    return base.STRENGTHS[name].function(where, TRUNK)


def predict(name, where, at, *alterations):
    return base.PREDICTORS[name](where, at, alterations)


def test_all_gauges_are_there():
    for name, (at, outcomes) in AUDITS.items():
        assert (base.AUDITS[name].at, base.AUDITS[name].outcomes) == (at, outcomes)
    for name, (unit, at, outcomes) in READINGS.items():
        assert base.READINGS[name][1:4] == (at, unit, outcomes)
    assert all(base.STRENGTHS[name].at == "trunk" for name in STRENGTHS)
    assert {"trunk-ohms", "idle-millivolts"} <= set(base.PREDICTORS)


trunk_facts = st.fixed_dictionaries(
    {},
    optional={
        "cable": st.sampled_from(["26-awg", "24-awg", "22-awg", "18-awg"]),
        "terminator_ohms": st.sampled_from([100.0, 120.0, 150.0]),
        "terminator_kind": st.sampled_from(["resistor", "rc"]),
        "bias": st.sampled_from(["controller", "every-unit", "none"]),
        "bias_ohms": st.floats(300, 5000),
        "bias_supply": st.sampled_from([3.3, 5.0]),
        "unit_load": st.sampled_from([0.125, 0.5, 1.0]),
        "bit_rate": st.sampled_from([9600, 19_200, 115_200]),
        "registers_polled": st.integers(1, 400),
        "timeout": st.floats(1, 5000),
        "poll_interval": st.floats(0.01, 100),
        "near_power": st.booleans(),
        "topology": st.sampled_from(["line", "drops", "star"]),
        "drop_length": st.floats(0, 80),
    },
)
segments = st.one_of(st.none(), st.floats(0.1, 80))


@settings(max_examples=60, deadline=None)
@given(trunk_facts, segments, st.integers(1, 14), st.floats(-1e6, 1e6))
def test_bands_cover_every_number(facts, segment, count, number):
    """No gap, no overlap, only declared outcomes, and open (inf) is understood; on any record, full or bare."""
    where = site(count, segment, bare=True, **facts)
    for name, (_, at, outcomes) in READINGS.items():
        got = expect(name, where, where.places(at)[-1])
        bands = got.bands
        assert all(a.high == b.low for a, b in itertools.pairwise(bands))
        assert all(b.low < b.high for b in bands)
        assert {b.outcome for b in bands} <= set(outcomes)
        assert bands[-1].high == math.inf
        assert bands[0].low == (-math.inf if name in SIGNED else 0)
        assert got.outcome(math.inf) in outcomes
        assert got.outcome(number if name in SIGNED else abs(number)) in outcomes
        assert got.text
        assert "\n" not in got.text
        if got.value is not None and math.isfinite(got.value) and "no bias" not in got.text:
            assert got.outcome(got.value) == outcomes[0]
            assert got.low <= got.value <= got.high
    for name in STRENGTHS:
        assert 0 <= strength(name, where) <= 1
    for name, (at, outcomes) in AUDITS.items():
        result = base.AUDITS[name].function(where, where.places(at)[0])
        assert result is None or (result.outcome in outcomes and result.text)


# ---- resistance across the pair

def test_expected_ohms_follow_the_record():  # section 3, B1: 300 m 24 AWG reads 70.4 at the end
    where = site(11, 30.0, bias="none", unit_load=1e-6)
    got = expect("trunk-ohms", where, NEAR_END)
    assert got.value == pytest.approx(70.4, abs=0.06)
    assert "300 m of 24 AWG" in got.text
    assert "two 120 ohm terminators" in got.text
    assert got.assumed == ()


@pytest.mark.parametrize(("end", "at"), [(NEAR_END, 0.0), (FAR_END, 1.0)])
def test_outcomes_are_what_each_fault_reads_here(end, at):
    """600 m: three terminators read the 'good' 60 ohm (section 3, trap), healthy reads 78."""
    where = site(11, 60.0, bias="none", unit_load=1e-6)
    got = expect("trunk-ohms", where, end)
    assert got.value == pytest.approx(77.8, abs=0.1)
    assert got.outcome(60.2) == "extra-terminator"
    assert got.outcome(77.8) == "as-expected"
    assert got.outcome(120) == "one-terminator"
    assert got.outcome(221) == "one-terminator"
    assert got.outcome(math.inf) == "no-terminator"
    assert got.outcome(1) == "short"


def test_short_trunk_bands_agree_with_common_practice():  # section 3, interpretation bands under 100 m
    got = expect("trunk-ohms", site(6, 10.0), NEAR_END)
    cases = {5: "short", 9: "short", 36: "extra-terminator", 45: "extra-terminator", 56: "as-expected", 65: "as-expected",
             95: "one-terminator", 130: "one-terminator", 1100: "no-terminator"}  # fmt: skip
    assert {ohms: got.outcome(ohms) for ohms in cases} == cases


ALONE = [
    ("near-terminator-off", TRUNK, "one-terminator", "one-terminator"),
    ("far-terminator-off", TRUNK, "one-terminator", "one-terminator"),
    ("extra-terminator", Place("unit", 6), "extra-terminator", "extra-terminator"),
    ("doubled-far-terminator", FAR_END, "extra-terminator", "extra-terminator"),
    ("pair-open", Place("segment", 6, 7), "one-terminator", "one-terminator"),
    ("one-wire-open", Place("segment", 6, 7), "one-terminator", "one-terminator"),
    ("pair-short", Place("segment", 6, 7), "short", "short"),
    ("pair-short", Place("unit", 1), "short", "short"),
    ("bias-off", TRUNK, "as-expected", "as-expected"),
    ("pair-swapped", Place("segment", 6, 7), "as-expected", "as-expected"),
    ("rc-terminators", TRUNK, "no-terminator", "no-terminator"),
]


@pytest.mark.parametrize(("name", "place", "near", "far"), ALONE)
@pytest.mark.parametrize("segment", [2.0, 12.0, 24.0])
def test_each_alteration_reads_as_its_fault(name, place, near, far, segment):
    where = site(12, segment)
    for end, outcome in ((NEAR_END, near), (FAR_END, far)):
        value, spread = predict("trunk-ohms", where, end, (name, place))
        assert expect("trunk-ohms", where, end).outcome(value) == outcome
        assert 0.02 < spread < 0.3


def test_a_distant_short_reads_like_a_terminator_too_many():
    """440 m: seen from the far end a short at unit 1 (120 || 74 ohm) lies among the extra terminators, as physics has it."""
    where = site(12, 40.0)
    value, _ = predict("trunk-ohms", where, FAR_END, ("pair-short", Place("unit", 1)))
    assert value == pytest.approx(1 / (1 / 120 + 1 / cable.loop_ohms(24, 440)), rel=0.01)
    assert expect("trunk-ohms", where, FAR_END).outcome(value) == "extra-terminator"
    assert expect("trunk-ohms", where, NEAR_END).outcome(0.1) == "short"


def test_two_alterations_at_once():
    where = site(12, 12.0)
    ends = ("near-terminator-off", NEAR_END), ("far-terminator-off", FAR_END)
    value, _ = predict("trunk-ohms", where, NEAR_END, *ends)
    assert value == pytest.approx(1 / (1 / 1120 + 1 / (24_000 / 1.5)), rel=0.01)  # section 3, B2: bias and receivers left
    assert expect("trunk-ohms", where, NEAR_END).outcome(value) == "no-terminator"
    hidden = ("extra-terminator", Place("unit", 1)), ("far-terminator-off", FAR_END)
    value, _ = predict("trunk-ohms", where, NEAR_END, *hidden)
    assert expect("trunk-ohms", where, NEAR_END).outcome(value) == "as-expected"  # one fault hides the other


def test_both_ends_locate_a_doubled_terminator():  # section 3, B1, last column: 44.4 near, 57.5 far at 300 m
    where = site(11, 30.0, bias="none", unit_load=1e-6)
    near, _ = predict("trunk-ohms", where, NEAR_END, ("doubled-far-terminator", FAR_END))
    far, _ = predict("trunk-ohms", where, FAR_END, ("doubled-far-terminator", FAR_END))
    assert (near, far) == pytest.approx((57.54, 44.38), rel=1e-3)


def test_capacitor_terminators_do_not_show():  # section 3: reads only bias and receivers
    got = expect("trunk-ohms", site(10, 0.1, terminator_kind="rc", unit_load=1.0), NEAR_END)
    assert got.value == pytest.approx(764, rel=5e-3)  # section 3, B2: 10 UL and 560 ohm, RC
    assert got.outcome(2000) == "as-expected"
    assert got.outcome(114) == "extra-terminator"
    assert "capacitor" in got.text


def test_assumptions_are_told():
    got = expect("trunk-ohms", site(12, None, bare=True), NEAR_END)
    assert any("24 AWG" in a for a in got.assumed)
    assert any("10 m" in a for a in got.assumed)
    assert any("bias" in a for a in got.assumed)
    known, unknown = site(12, 10.0), site(12, None)
    assert predict("trunk-ohms", unknown, NEAR_END)[1] > predict("trunk-ohms", known, NEAR_END)[1]


def test_healthy_scatter_stays_healthy():
    """Two spreads about the healthy figure are called healthy, on a trunk of any length."""
    for segment in (1.0, 12.0, 60.0, 90.0):
        where = site(12, segment)
        for name in ("trunk-ohms", "idle-millivolts"):
            for end in (NEAR_END, FAR_END):
                value, spread = predict(name, where, end)
                got = expect(name, where, end)
                for factor in (1 - 1.5 * spread, 1, 1 + 1.5 * spread):
                    healthy = got.outcome(value * factor)
                    assert healthy == "as-expected" or (name == "idle-millivolts" and value * factor < 200), (segment, name)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(sorted(ALTERATIONS)), st.integers(1, 11)), max_size=3), st.floats(1, 60))
def test_any_combination_is_computed(picks, segment):
    where = site(12, segment)
    alterations = []
    for name, n in picks:
        at_segment = name in ("pair-open", "one-wire-open", "pair-swapped", "pair-short")
        alterations.append((name, Place("segment", n, n + 1) if at_segment else Place("unit", n)))
    for name in ("trunk-ohms", "idle-millivolts"):
        for end in (NEAR_END, FAR_END):
            value, spread = predict(name, where, end, *alterations)
            assert not math.isnan(value)
            assert 0 <= spread < 10
            assert expect(name, where, end).outcome(value) in base.READINGS[name].outcomes


def test_another_trunk_is_left_alone():
    one = site(12, 12.0)
    other = one.trunks[0]._replace(number=2, units=(21, 22, 23), controller=21, segment_m=(5.0, 5.0))
    both = replace(one, units=(*one.units, *other.units), trunks=(*one.trunks, other))
    for place in (Place("trunk-end", 2, 1), Place("unit", 22), Place("trunk", 2)):
        for name in ("far-terminator-off", "extra-terminator", "pair-short", "bias-off"):
            assert predict("trunk-ohms", both, NEAR_END, (name, place)) == predict("trunk-ohms", one, NEAR_END)
    assert predict("trunk-ohms", both, Place("trunk-end", 2, 0), ("pair-short", Place("unit", 21)))[0] < 1


def test_facts_that_change_are_seen():
    """Answers are kept by the facts they rest on, so a corrected record gives a new one."""
    before = expect("trunk-ohms", site(12, 12.0), FAR_END)
    assert expect("trunk-ohms", site(12, 12.0), FAR_END) == before
    assert expect("trunk-ohms", site(12, 12.0, terminator_ohms=150.0), FAR_END).value > before.value
    assert expect("trunk-ohms", site(12, 13.0), FAR_END).value > before.value


def test_unknown_alteration_and_no_trunk():
    with pytest.raises(ValueError, match="unknown alteration"):
        predict("trunk-ohms", site(), NEAR_END, ("painted-green", TRUNK))
    with pytest.raises(ValueError, match="on no trunk"):
        expect("trunk-ohms", site(), Place("trunk-end", 9, 0))


# ---- idle voltage

def test_expected_idle_follows_the_record():  # section 4 and 14: 24 AWG 300 m, 560 ohm: 295.8 near, 208.2 far
    where = site(11, 30.0, unit_load=1e-6)
    assert expect("idle-millivolts", where, NEAR_END).value == pytest.approx(295.8, rel=1e-3)
    assert expect("idle-millivolts", where, FAR_END).value == pytest.approx(208.2, rel=1e-3)
    got = expect("idle-millivolts", where, FAR_END)
    assert got.outcome(208) == "as-expected"
    assert got.outcome(140) == "weak"
    assert got.outcome(3) == "none"
    assert got.outcome(-208) == "reversed"
    assert got.outcome(400) == "high"  # about what one terminator in place of two leaves


def test_weak_by_design_is_said():  # section 4: 1000 m reads 146 mV at the far end though healthy
    got = expect("idle-millivolts", site(11, 100.0, unit_load=1e-6), FAR_END)
    assert got.value == pytest.approx(146.3, rel=1e-3)
    assert got.outcome(146) == "as-expected"
    assert "200 mV" in got.text
    assert audit("bias-plan", site(11, 100.0)) == "weak"


@pytest.mark.parametrize(
    ("name", "place", "near", "far"),
    [
        ("bias-off", TRUNK, "none", "none"),
        ("extra-terminator", Place("unit", 6), "weak", "weak"),
        ("pair-open", Place("segment", 6, 7), "high", "none"),
        ("one-wire-open", Place("segment", 6, 7), "high", "none"),
        ("pair-swapped", Place("segment", 6, 7), "as-expected", "reversed"),
        ("far-terminator-off", TRUNK, "high", "high"),
        ("bias-extra", TRUNK, "high", "high"),
    ],
)
def test_each_alteration_at_idle(name, place, near, far):
    where = site(12, 12.0)
    for end, outcome in ((NEAR_END, near), (FAR_END, far)):
        value, _ = predict("idle-millivolts", where, end, (name, place))
        assert expect("idle-millivolts", where, end).outcome(value) == outcome


def test_two_swaps_cancel():
    where = site(12, 12.0)
    swaps = [("pair-swapped", Place("segment", n, n + 1)) for n in (3, 8)]
    value, _ = predict("idle-millivolts", where, FAR_END, *swaps)
    assert value == pytest.approx(predict("idle-millivolts", where, FAR_END)[0], rel=0.01)


def test_no_bias_by_the_record():
    got = expect("idle-millivolts", site(bias="none"), NEAR_END)
    assert got.outcome(0) == "none"
    assert "no bias" in got.text
    assert predict("idle-millivolts", site(bias="none"), NEAR_END)[0] == 0


# ---- audits

@pytest.mark.parametrize(
    ("at", "outcome"),
    [((1, 12), "two-at-ends"), ((12,), "one-missing"), ((1,), "one-missing"), ((), "none"), ((1, 6, 12), "too-many"),
     ((1, 6), "misplaced"), ((6,), "misplaced"), ((12, 1), "two-at-ends"), (None, None)],
)  # fmt: skip
def test_terminator_plan(at, outcome):  # section 4, F4: MODBUS over Serial Line V1.02, 3.4.5
    assert audit("terminator-plan", site(terminators_at=at)) == outcome


def test_terminator_plan_from_the_units():
    units = {n: {"terminator": "on" if n in (1, 12) else "off"} for n in range(1, 13)}
    assert audit("terminator-plan", site(terminators_at=None, units=units)) == "two-at-ends"
    units[12] = {}
    assert audit("terminator-plan", site(terminators_at=None, units=units)) is None


@pytest.mark.parametrize(("ohms", "line", "outcome"), [(120.0, 120.0, "matches"), (100.0, 120.0, "matches"), (120.0, 100.0, "matches"),
                                                       (150.0, 120.0, "matches"), (60.0, 120.0, "differs"), (1000.0, 120.0, "differs")])  # fmt: skip
def test_terminator_value(ohms, line, outcome):  # section 6, R3-R8: 9 to 11 % harmless, 33 % not
    assert audit("terminator-value", site(terminator_ohms=ohms, impedance=line)) == outcome


@pytest.mark.parametrize(("count", "load", "bias", "outcome"), [(28, 1.0, "controller", "within"), (29, 1.0, "controller", "over"),
                                                                (32, 1.0, "none", "within"), (33, 1.0, "none", "over"),
                                                                (200, 0.125, "controller", "within"), (247, 0.125, "none", "within")])  # fmt: skip
def test_bus_load(count, load, bias, outcome):  # section 1, E10 (TIA/EIA-485-A), section 7, M11
    assert audit("bus-load", site(count, unit_load=load, bias=bias)) == outcome


@pytest.mark.parametrize(("segment", "rate", "outcome"), [(86.0, 115_200, "within"), (87.0, 115_200, "over"), (100.0, 9600, "within"),
                                                          (101.0, 9600, "over"), (None, 9600, None)])  # fmt: skip
def test_length_against_rate(segment, rate, outcome):  # section 2, L2, L3: 868 m at 115200, 1000 m else
    assert audit("length-against-rate", site(11, segment, bit_rate=rate)) == outcome


@pytest.mark.parametrize(("shape", "drop", "outcome"), [("line", None, "within"), ("star", None, "over"), ("drops", 20.0, "within"),
                                                        ("drops", 21.0, "over"), ("drops", None, None),
                                                        (None, None, None), ("line", 30.0, "over")])  # fmt: skip
def test_drop_plan(shape, drop, outcome):  # section 2, L4: MODBUS over Serial Line V1.02, 3.4.3
    assert audit("drop-plan", site(topology=shape, drop_length=drop)) == outcome


@pytest.mark.parametrize(("bias", "ohms", "outcome"), [("controller", 560.0, "adequate"), ("controller", 4700.0, "weak"),
                                                       ("none", None, "none"), ("controller", None, None), (None, 560.0, None),
                                                       ("every-unit", 4700.0, "adequate")])  # fmt: skip
def test_bias_plan(bias, ohms, outcome):  # section 4, F2, F10: ten pairs of 4.7 kohm do give 285 mV
    assert audit("bias-plan", site(bias=bias, bias_ohms=ohms)) == outcome


@pytest.mark.parametrize(("rate", "outcome"), [(9600, "slow"), (19_200, "slow"), (38_400, "medium"), (57_600, "fast"), (None, None)])
def test_bit_rate_class(rate, outcome):
    assert audit("bit-rate-class", site(bit_rate=rate)) == outcome


def test_timeout_and_interval():  # section 7: 306 ms for 125 registers at 9600; 31 units of 20 take 2.44 s
    slow = {"bit_rate": 9600, "registers_polled": 125}
    assert audit("timeout-against-reply", site(timeout=300.0, **slow)) == "too-short"
    assert audit("timeout-against-reply", site(timeout=310.0, **slow)) == "enough"
    assert audit("timeout-against-reply", site(timeout=None, **slow)) is None
    assert audit("interval-against-cycle", site(32, bit_rate=9600, poll_interval=2.0)) == "too-short"
    assert audit("interval-against-cycle", site(32, bit_rate=9600, poll_interval=2.6)) == "enough"
    assert strength("timeout-loses-replies", site(timeout=300.0, **slow)) > 0.9
    assert strength("timeout-loses-replies", site(timeout=1000.0, **slow)) < 0.05
    assert 0.05 < strength("timeout-loses-replies", site(timeout=350.0, **slow)) < 0.9


@pytest.mark.parametrize(
    ("units", "outcome", "own"),
    [({}, "unique", "unique"), ({5: {"address": 6}}, "duplicate", "duplicate"), ({5: {"address": 0}}, "out-of-range", "out-of-range"),
     ({5: {"address": 248}}, "out-of-range", "out-of-range"), ({5: {"address": 247}}, "unique", "unique")],
)  # fmt: skip
def test_addresses(units, outcome, own):  # section 7, M1: MODBUS over Serial Line V1.02, 2.2
    assert audit("address-plan", site(units=units)) == outcome
    assert audit("unit-address", site(units=units), Place("unit", 5)) == own


def test_addresses_not_recorded():
    assert audit("address-plan", site(addresses=False)) is None
    assert audit("unit-address", site(addresses=False), Place("unit", 5)) is None
    assert audit("address-plan", site(addresses=False, units={3: {"address": 9}, 4: {"address": 9}})) == "duplicate"


def test_connections():
    assert audit("connection-plan", site()) == "within"
    assert audit("connection-plan", site(cables_per_connection=3)) == "too-many"
    assert audit("connection-plan", site(cables_per_connection=None)) is None


@pytest.mark.parametrize(
    ("facts", "outcome"),
    [({"address": "192.168.1.50", "mask": "255.255.255.0", "gateway": "192.168.1.1"}, "fits"),
     ({"address": "192.168.1.50", "mask": "255.255.255.0", "gateway": "192.168.10.1"}, "gateway-outside"),
     ({"address": "192.168.1.63", "mask": "255.255.255.192", "gateway": "192.168.1.1"}, "invalid"),
     ({"address": "169.254.3.4"}, "self-assigned"), ({"address": "10.0.0.9"}, None), ({}, None)],
)  # fmt: skip
def test_ip_plan(facts, outcome):  # section 9 (RFC 950, 3927)
    assert audit("ip-plan", site(uplink=facts), UPLINK) == outcome


def test_ethernet_length():  # section 8, N1 (TIA-568)
    assert audit("ethernet-length", site(uplink={"cable-length": 100.0}), UPLINK) == "within"
    assert audit("ethernet-length", site(uplink={"cable-length": 101.0}), UPLINK) == "over"
    assert audit("ethernet-length", site(), UPLINK) is None


@pytest.mark.parametrize(("contact", "sense", "outcome"), [("normally-open", "closed-enables", "agrees"),
                                                           ("normally-closed", "open-enables", "agrees"),
                                                           ("normally-open", "open-enables", "opposite"),
                                                           ("normally-closed", "closed-enables", "opposite")])  # fmt: skip
def test_contact_sense(contact, sense, outcome):  # section 12, D16
    assert audit("contact-sense", site(control={"contact": contact, "sense": sense}), CONTROL) == outcome


def test_control_loop():  # section 12: 1.73 kohm at 20.4 V is 10.3 km of 24 AWG
    plan = {"input": "type-1-24v", "cable": "24-awg", "supply": 24.0}
    assert audit("control-loop-plan", site(control={**plan, "cable-length": 10_000.0}), CONTROL) == "within"
    assert audit("control-loop-plan", site(control={**plan, "cable-length": 10_400.0}), CONTROL) == "over"
    assert audit("control-loop-plan", site(control={"input": "type-1-24v"}), CONTROL) is None


# ---- other readings

@pytest.mark.parametrize(
    ("name", "at", "cases"),
    [
        # section 5, G5
        (
            "common-difference", TRUNK,
            {
                0.2: "small", 1.5: "suspicious", -1.5: "suspicious", 8: "beyond-limit", -9: "beyond-limit",
                24.9: "beyond-limit", 25: "mains", 120: "mains", -208: "mains",
            },
        ),
        ("supply-5v", NEAR_END, {5.0: "as-expected", 4.8: "as-expected", 4.4: "low", 0.0: "absent"}),
        ("poll-error-percent", Place("unit", 3), {0: "clean", 4: "some", 60: "many", 100: "many"}),
        ("link-loss-percent", UPLINK, {0: "clean", 5: "some", 100: "many"}),
        ("signal-csq", UPLINK, {0: "none", 5: "poor", 12: "fair", 20: "good", 31: "good", 99: "none"}),  # section 10, Q1
        ("signal-rsrp", UPLINK, {-140: "none", -118: "poor", -105: "fair", -80: "good", 105: "fair", 80: "good"}),
        ("clock-offset", UPLINK, {3: "right", -3: "right", 7200: "off", 1.7e9: "epoch", -8e8: "epoch"}),  # section 9, I8
    ],
)  # fmt: skip
def test_fixed_bands(name, at, cases):
    got = expect(name, site(), at)
    assert {number: got.outcome(number) for number in cases} == cases


def test_poll_cycle():  # section 7: a dead unit with three attempts of 1 s makes 444 ms into 3.4 s
    where = site(11, poll_interval=None)
    got = expect("poll-cycle-seconds", where, TRUNK)
    assert got.low == pytest.approx(0.4438, rel=1e-3)
    assert got.outcome(0.444) == "as-expected"
    assert got.outcome(3.413) == "long"
    assert expect("poll-cycle-seconds", site(11), TRUNK).outcome(10.2) == "as-expected"


def test_cable_pair():  # section 8, N9, N13: 16.8 ohm for 100 m
    got = expect("cable-pair-ohms", site(uplink={"cable-length": 100.0}), UPLINK)
    assert got.value == pytest.approx(16.84, rel=1e-3)
    cases = {17: "as-expected", 18.8: "as-expected", 60: "high", math.inf: "open", 2: "short"}
    assert {ohms: got.outcome(ohms) for ohms in cases} == cases
    assert expect("cable-pair-ohms", site(), UPLINK).assumed


def test_round_trip():
    assert expect("round-trip-ms", site(uplink={"kind": "ethernet"}), UPLINK).outcome(400) == "slow"
    assert expect("round-trip-ms", site(uplink={"kind": "cellular"}), UPLINK).outcome(400) == "normal"


def test_control_readings():  # section 12, D4, worked tables
    where = site(control={"input": "type-3-24v", "supply": 24.0, "cable": "24-awg", "cable-length": 100.0})
    volts = expect("sensing-volts", where, CONTROL)
    cases = {24: "as-expected", 20.4: "as-expected", -24: "as-expected", 15: "low", 0: "absent", 120: "foreign"}
    assert {v: volts.outcome(v) for v in cases} == cases
    loop = expect("loop-ohms", where, CONTROL)
    assert loop.value == pytest.approx(cable.loop_ohms(24, 100) + 0.5)
    cases = {17: "as-expected", 20: "as-expected", 60: "high", 5000: "high", math.inf: "open"}
    assert {r: loop.outcome(r) for r in cases} == cases
    leak = expect("leak-ohms", where, CONTROL)
    cases = {math.inf: "open", 5e6: "open", 12_000: "leaky", 17: "short", 0: "short"}
    assert {r: leak.outcome(r) for r in cases} == cases


# ---- strengths

def test_reflections_matter_when_the_rule_says():  # section 6, when reflections matter
    def at(rate, metres):
        return strength("reflections-disturb", site(11, metres / 10, bit_rate=rate))

    assert at(9600, 30) < 0.02  # no effect
    assert at(19_200, 30) < 0.02
    assert at(9600, 300) < 0.1  # settles
    assert at(19_200, 300) < 0.1
    assert at(115_200, 300) > 0.8  # terminate
    assert at(19_200, 1200) > 0.6
    assert at(115_200, 1200) > 0.95
    assert at(115_200, 3) == 0.01  # echo back within the edge


def test_drops_and_bias():
    branch = {"topology": "drops", "bit_rate": 115_200}
    assert strength("drops-disturb", site(drop_length=0.3, **branch)) < 0.05
    assert strength("drops-disturb", site(drop_length=20.0, **branch)) > 0.2
    assert strength("drops-disturb", site(11, 60.0, topology="star", bit_rate=115_200)) > 0.9
    assert strength("bias-loss-disturbs", site(near_power=True)) > strength("bias-loss-disturbs", site())
    assert strength("bias-loss-disturbs", site(bias="none")) < strength("bias-loss-disturbs", site())
    # section 4: a third terminator takes 450 ohm bias to 213 mV, 680 ohm to 143 mV
    weak, strong = site(3, 1.0, bias_ohms=680.0), site(3, 1.0, bias_ohms=300.0)
    assert strength("extra-terminator-disturbs", weak) > strength("extra-terminator-disturbs", strong)
