"""Supply-side gauges: their tables, what they make of worked examples, and that no record can break them."""

import math
from collections.abc import Mapping
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.gauges import load_all
from diagnose.gauges.base import AUDITS, READINGS, STRENGTHS, Audit, Expectation
from diagnose.site.model import FactValue, Site
from diagnose.site.places import Place

load_all()

UNIT, PANEL = Place("unit", 1), Place("panel", 1)

GOOD: dict[str, FactValue] = {
    "site.system": "split-120-240", "site.wiring-rules": "north-american", "site.ambient": 30.0,
    "panel.breaker": 800.0, "panel.inside-temperature": 40.0,
    "unit.rating": 48.0, "unit.setting": 40.0, "unit.breaker": 50.0, "unit.breaker-kind": "plain",
    "unit.own-ground-fault": "ccid20", "unit.wire-size": "6-awg", "unit.wire-metal": "copper",
    "unit.wire-insulation": "90c", "unit.terminal-rating": "75c", "unit.run-length": 45.0,
    "unit.conductors-together": 2, "unit.torque": 4.0, "unit.torque-wanted": 4.0, "unit.legs": "a-b"}
EUROPE: dict[str, FactValue] = {
    **GOOD, "site.system": "single-230", "site.wiring-rules": "international", "unit.setting": 32.0,
    "unit.rating": 32.0, "unit.breaker": 32.0, "unit.wire-size": "10-mm2", "unit.legs": "a-n",
    "unit.breaker-kind": "ground-fault-30ma", "unit.own-ground-fault": "dc-6ma", "unit.wire-insulation": "90c"}


def site(facts: Mapping[str, FactValue | None] | None = None, units: int = 1,
         base: Mapping[str, FactValue] = GOOD) -> Site:
    """A site on one panel whose units all carry the base facts, some of them changed (None: not recorded)."""
    merged = {k: v for k, v in {**base, **(facts or {})}.items() if v is not None}
    found: dict[tuple[str, int], dict[str, FactValue]] = {}
    for key, value in merged.items():
        section, name = key.split(".", 1)
        for number in {"site": (0,), "panel": (1,)}.get(section, tuple(range(1, units + 1))):
            found.setdefault((section, number), {})[name] = value
    return Site("test", tuple(range(1, units + 1)), facts=found)


def audit(name: str, facts: Mapping[str, FactValue | None] | None = None, units: int = 1,
          base: Mapping[str, FactValue] = GOOD) -> str | None:
    found = AUDITS[name].function(site(facts, units, base), PANEL if AUDITS[name].at == "panel" else UNIT)
    return found.outcome if found else None


def reading(name: str, facts: Mapping[str, FactValue | None] | None = None, units: int = 1,
            base: Mapping[str, FactValue] = GOOD) -> Expectation:
    return READINGS[name].function(site(facts, units, base), PANEL if READINGS[name].at == "panel" else UNIT)


AUDIT_TABLE = {
    "breaker-against-setting": "adequate too-small", "setting-against-rating": "within above",
    "setting-against-breaker-80": "within above", "conductor-against-load": "adequate too-small",
    "breaker-against-conductor": "protected too-large", "branch-voltage-drop": "within over",
    "torque-against-wanted": "right low high wrong-unit", "ground-fault-in-series": "selective upstream-first",
    "feeder-against-load": "adequate too-small", "leakage-budget": "within over", "panel-heat": "normal hot"}
READING_TABLE = {
    "supply-volts": ("V", "as-expected low high other-system absent"),
    "line-to-ground-volts": ("V", "as-expected off absent"), "volts-under-load": ("V", "as-expected sags collapses"),
    "charging-amps": ("A", "as-expected below-setting above-setting none"),
    "breaker-amps": ("A", "within-80 over-80 over-rating"), "feeder-amps": ("A", "within-80 over-80 over-rating"),
    "joint-millivolts": ("mV", "sound suspect bad"), "pole-millivolts": ("mV", "sound suspect bad"),
    "joint-rise": ("K", "alike warm hot"), "insulation-megohms": ("Mohm", "good poor bad"),
    "leakage-milliamps": ("mA", "normal high at-trip"), "ground-path-ohms": ("ohm", "low high open"),
    "ground-fault-trip-ma": ("mA", "in-window too-sensitive too-late"),
    "pilot-volts": ("V", "connected unplugged charging ventilation weak none negative-only"),
    "pilot-duty": ("%", "matches-setting lower higher no-signal"),
    "proximity-ohms": ("ohm", "as-expected open short other"), "panel-celsius": ("°C", "normal hot")}
STRENGTH_TABLE = {"small-overload-trips": "unit", "leakage-trips": "panel", "sag-disturbs": "unit"}


def test_every_gauge_is_registered_with_its_outcomes() -> None:
    panel = {"feeder-against-load", "leakage-budget", "panel-heat", "feeder-amps", "panel-celsius"}
    for name, outcomes in AUDIT_TABLE.items():
        assert (AUDITS[name].outcomes, AUDITS[name].at) == (tuple(outcomes.split()), "panel" if name in panel else "unit")
    for name, (unit, outcomes) in READING_TABLE.items():
        gauge = READINGS[name]
        assert (gauge.unit, gauge.outcomes) == (unit, tuple(outcomes.split()))
        assert gauge.at == ("panel" if name in panel else "unit")
    for name, at in STRENGTH_TABLE.items():
        assert STRENGTHS[name].at == at


@pytest.mark.parametrize("name", AUDIT_TABLE)
def test_a_sound_record_audits_normal_and_an_empty_one_says_nothing(name: str) -> None:
    kind = {"leakage-budget": {"unit.breaker-kind": "ground-fault-30ma"}}.get(name, {})
    assert audit(name, kind) == AUDITS[name].outcomes[0]
    assert audit(name, base={}) is None


@pytest.mark.parametrize("name", AUDIT_TABLE)
def test_a_sound_record_under_iec_audits_normal(name: str) -> None:
    assert audit(name, base=EUROPE) == AUDITS[name].outcomes[0]


@pytest.mark.parametrize("name", READING_TABLE)
@pytest.mark.parametrize("base", [GOOD, EUROPE, {}])
def test_the_expected_figure_is_the_normal_outcome(name: str, base: Mapping[str, FactValue]) -> None:
    found = reading(name, base=base)
    normal = READINGS[name].outcomes[0]
    for number in (found.value, found.low, found.high):
        if number is not None and math.isfinite(number) and not (name == "proximity-ohms" and number == found.high):
            assert found.outcome(number) == normal
    assert found.unit == READINGS[name].unit
    assert len(found.text) < 110


# ---- audit gauges on worked examples

@pytest.mark.parametrize(("setting", "breaker", "rule"), [(48, 60, "adequate"), (48, 50, "too-small"),
                                                          (40, 50, "adequate"), (32, 40, "adequate"), (33, 40, "too-small")])
def test_breaker_against_setting(setting: float, breaker: float, rule: str) -> None:  # NEC 625.41, 240.6(A)
    facts = {"unit.setting": float(setting), "unit.breaker": float(breaker)}
    assert audit("breaker-against-setting", facts) == rule
    assert audit("setting-against-breaker-80", facts) == {"adequate": "within", "too-small": "above"}[rule]


def test_rules_differ_between_the_codes() -> None:  # IEC 60364-4-43: 32 A on a 32 A breaker is right
    facts = {"unit.setting": 32.0, "unit.breaker": 32.0}
    assert audit("breaker-against-setting", facts) == "too-small"
    assert audit("breaker-against-setting", facts, base=EUROPE) == "adequate"


def test_rating_stands_in_for_a_missing_setting() -> None:
    assert audit("breaker-against-setting", {"unit.setting": None}) == "too-small"  # 48 A on 50 A
    assert audit("setting-against-rating", {"unit.setting": 50.0}) == "above"


def test_units_sharing_a_circuit() -> None:  # NEC 625.40, 625.42(A): unmanaged they add, managed they share
    facts: dict[str, FactValue] = {"unit.circuit": "c1", "unit.breaker": 100.0, "unit.setting": 30.0}
    assert audit("breaker-against-setting", facts, units=3) == "too-small"
    assert audit("breaker-against-setting", {**facts, "site.load-management": "local"}, units=3) == "adequate"
    assert audit("breaker-against-setting", facts, units=2) == "adequate"
    assert reading("breaker-amps", facts, units=3).value == 90


@pytest.mark.parametrize(("changes", "outcome"), [
    ({"unit.wire-size": "6-awg", "unit.setting": 48.0}, "adequate"),  # NEC 310.16: 65 A at 75 °C for 60 A
    ({"unit.wire-size": "6-awg", "unit.setting": 48.0, "unit.terminal-rating": "60c"}, "too-small"),  # 55 A
    ({"unit.wire-size": "6-awg", "unit.setting": 48.0, "unit.terminal-rating": None}, None),  # hangs on the terminals
    ({"unit.wire-size": "4-awg", "unit.setting": 48.0, "unit.terminal-rating": None}, "adequate"),  # 70 A at 60 °C
    ({"unit.wire-size": "8-awg", "unit.setting": 32.0, "unit.conductors-together": 6, "site.ambient": 40.0}, "adequate"),
    ({"unit.wire-size": "8-awg", "unit.setting": 32.0, "unit.conductors-together": 6, "site.ambient": 45.0}, "too-small"),
    ({"unit.wire-size": "12-awg"}, "too-small")])
def test_conductor(changes: dict[str, FactValue | None], outcome: str | None) -> None:
    assert audit("conductor-against-load", changes) == outcome


@pytest.mark.parametrize(("changes", "outcome"), [
    ({"unit.wire-size": "10-awg", "unit.breaker": 40.0}, "too-large"),  # NEC 240.4(D): 30 A
    ({"unit.wire-size": "6-awg", "unit.breaker": 70.0}, "protected"),  # NEC 240.4(B): 65 A, next size up
    ({"unit.wire-size": "6-awg", "unit.breaker": 80.0}, "too-large"),
    ({"unit.wire-size": "8-awg", "unit.breaker": 50.0, "unit.terminal-rating": None}, None)])
def test_breaker_against_conductor(changes: dict[str, FactValue | None], outcome: str | None) -> None:
    assert audit("breaker-against-conductor", changes) == outcome


@pytest.mark.parametrize(("changes", "outcome"), [  # NEC 210.19 note: 3 %; 150 ft of 8 AWG 3.89 %, of 6 AWG 2.46 %
    ({"unit.wire-size": "8-awg", "unit.run-length": 45.72}, "over"),
    ({"unit.wire-size": "6-awg", "unit.run-length": 45.72}, "within"),
    ({"unit.setting": 48.0, "unit.run-length": 60.96, "site.system": "wye-120-208"}, "over"),  # 200 ft: 4.53 %
    ({"unit.setting": 48.0, "unit.run-length": 60.96, "site.system": "wye-120-208", "unit.wire-size": "4-awg"}, "within"),
    ({"unit.run-length": None}, None)])
def test_branch_voltage_drop(changes: dict[str, FactValue | None], outcome: str | None) -> None:
    assert audit("branch-voltage-drop", changes) == outcome


@pytest.mark.parametrize(("applied", "outcome"), [(4.0, "right"), (3.0, "low"), (6.0, "high"), (48.0, "wrong-unit"),
                                                  (0.33, "wrong-unit"), (35.4, "wrong-unit"), (0.452, "wrong-unit"),
                                                  (0.0, "low")])
def test_torque(applied: float, outcome: str) -> None:  # NEC 110.14(D)
    assert audit("torque-against-wanted", {"unit.torque": applied}) == outcome


@pytest.mark.parametrize(("kind", "own", "outcome"), [  # UL 943, UL 2231-2, EN 61008-1 windows
    ("ground-fault-5ma", "ccid20", "upstream-first"), ("ground-fault-5ma", "ccid5", "upstream-first"),
    ("ground-fault-30ma", "ccid5", "selective"), ("ground-fault-30ma", "ccid20", "selective"),
    ("plain", "ccid20", "selective"), ("ground-fault-5ma", "none", "selective"),
    ("ground-fault-30ma", "dc-6ma", "selective"), (None, "ccid20", None)])
def test_series(kind: str | None, own: str, outcome: str | None) -> None:
    assert audit("ground-fault-in-series", {"unit.breaker-kind": kind, "unit.own-ground-fault": own}) == outcome


@pytest.mark.parametrize(("units", "breaker", "outcome"), [  # 40 A units dealt over 208Y/120: 4 -> 150 A, 6 -> 175 A
    (4, 150, "adequate"), (4, 125, "too-small"), (6, 175, "adequate"), (6, 150, "too-small"), (1, 50, "adequate")])
def test_feeder(units: int, breaker: float, outcome: str) -> None:
    facts = {"site.system": "wye-120-208", "unit.legs": None, "panel.breaker": float(breaker)}
    assert audit("feeder-against-load", facts, units) == outcome


def test_feeder_with_every_unit_on_two_lines() -> None:  # 4 x 32 A on A-B: 128 A, not 85
    facts: dict[str, FactValue] = {"site.system": "wye-120-208", "unit.setting": 32.0, "panel.breaker": 110.0}
    assert audit("feeder-against-load", facts, 4) == "too-small"
    assert reading("feeder-amps", facts, 4).value == pytest.approx(128)
    managed = {**facts, "site.load-management": "local", "site.load-limit": 80.0}
    assert audit("feeder-against-load", managed, 4) == "adequate"


def test_leakage_budget() -> None:  # BS 7671 531.3.2: four units of 2.5 mA on one 30 mA device, 9 mA allowed
    facts: dict[str, FactValue] = {"unit.breaker-kind": "ground-fault-30ma", "unit.run-length": None}
    assert audit("leakage-budget", {**facts, "unit.circuit": "c1"}, 4) == "over"
    assert audit("leakage-budget", {**facts, "unit.circuit": "c1"}, 3) == "within"
    assert audit("leakage-budget", facts, 4) == "within"  # a device each


def test_panel_heat() -> None:  # derating: 50 A is worth about 44 A at 60 °C
    assert audit("panel-heat", {"panel.inside-temperature": 60.0}) == "normal"
    assert audit("panel-heat", {"panel.inside-temperature": 60.0, "unit.setting": 48.0}) == "hot"
    assert 45 < reading("panel-celsius", {"unit.setting": 48.0}).high < 50


# ---- reading gauges

@pytest.mark.parametrize(("system", "legs", "volts", "outcome"), [  # ANSI C84.1, IEC 60038
    ("split-120-240", "a-b", 241, "as-expected"), ("split-120-240", "a-b", 208, "other-system"),
    ("split-120-240", "a-b", 219, "low"), ("split-120-240", "a-b", 120, "low"), ("split-120-240", "a-b", 277, "other-system"),
    ("split-120-240", "a-b", 5, "absent"), ("split-120-240", "a-b", -1, "absent"), ("split-120-240", "a-b", 258, "high"),
    ("split-120-240", "a-b", 254, "as-expected"), ("split-120-240", "a-b", 254.1, "high"),
    ("wye-120-208", "b-c", 208, "as-expected"), ("wye-120-208", "b-c", 240, "other-system"),
    ("wye-120-208", "b-c", 224, "high"), ("wye-120-208", "b-c", 185, "low"), ("wye-120-208", "a-n", 120, "as-expected"),
    ("wye-120-208", "a-n", 208, "other-system"), ("single-230", "a-n", 230, "as-expected"),
    ("single-230", "a-n", 400, "other-system"), ("single-230", "a-n", 200, "low"), ("wye-230-400", "a-b-c", 398, "as-expected"),
    ("wye-230-400", "a-b-c", 230, "other-system"), ("wye-230-400", "b-n", 230, "as-expected"),
    ("wye-230-400", None, 230, "as-expected"), ("wye-230-400", None, 400, "as-expected"), ("wye-230-400", None, 300, "low")])
def test_supply_volts(system: str, legs: str | None, volts: float, outcome: str) -> None:
    assert reading("supply-volts", {"site.system": system, "unit.legs": legs}).outcome(volts) == outcome


@pytest.mark.parametrize(("volts", "outcome"), [(120, "as-expected"), (0, "absent"), (208, "off"), (60, "off"), (180, "off")])
def test_line_to_ground(volts: float, outcome: str) -> None:
    assert reading("line-to-ground-volts").outcome(volts) == outcome


def test_volts_under_load_say_why() -> None:  # NEC chapter 9 Table 8: 28 m of 8 AWG at 32 A loses 4.6 V
    facts: dict[str, FactValue] = {"site.system": "wye-120-208", "unit.run-length": 28.0, "unit.wire-size": "8-awg",
                                   "unit.setting": 32.0}
    found = reading("volts-under-load", facts)
    assert found.text.startswith("about 203 V: 208 V less 4.6 V along 28 m of 8 AWG at 32 A")
    assert [found.outcome(v) for v in (203, 195, 150, -5)] == ["as-expected", "sags", "collapses", "collapses"]
    assert not found.assumed
    blind = reading("volts-under-load", {**facts, "unit.run-length": None})
    assert any("run length" in text for text in blind.assumed)


def test_a_run_too_long_reads_as_a_sag() -> None:  # 200 m of 6 AWG at 40 A loses 26 V
    found = reading("volts-under-load", {"unit.run-length": 200.0})
    assert found.value is not None
    assert found.outcome(found.value) == "sags"


@pytest.mark.parametrize(("amps", "outcome"), [(40, "as-expected"), (16, "below-setting"), (48, "above-setting"), (0, "none"),
                                               (-1, "none"), (41, "as-expected")])
def test_charging_amps(amps: float, outcome: str) -> None:
    assert reading("charging-amps").outcome(amps) == outcome


def test_breaker_amps() -> None:  # UL 489 and NEC 210.20; IEC 60898-1: 1.13 times the rating is still held
    assert [reading("breaker-amps").outcome(a) for a in (40, 44, 51)] == ["within-80", "over-80", "over-rating"]
    found = reading("breaker-amps", base=EUROPE)
    assert [found.outcome(a) for a in (32, 34, 37)] == ["within-80", "over-80", "over-rating"]


def test_joint_millivolts() -> None:  # 6 mV and 62 mV at 40 A: 0.15 and 1.55 mohm; 100 mV at any current is damage
    found = reading("joint-millivolts")
    assert [found.outcome(mv) for mv in (6, 20, 62, -1)] == ["sound", "suspect", "bad", "sound"]
    assert reading("joint-millivolts", {"unit.setting": 400.0}).outcome(101) == "bad"
    assert reading("pole-millivolts").outcome(62) == "sound"


def test_joint_rise() -> None:  # ANSI/NETA Table 100.18
    assert [reading("joint-rise").outcome(k) for k in (-2, 3, 4, 15, 16)] == ["alike", "alike", "warm", "warm", "hot"]


def test_insulation() -> None:  # ANSI/NETA MTS Table 100.1: 25 Mohm; IEC 60364-6: 1 Mohm
    assert [reading("insulation-megohms").outcome(m) for m in (113, 3.5, 0.5)] == ["good", "poor", "bad"]
    assert reading("insulation-megohms", base=EUROPE).outcome(3.5) == "good"


def test_leakage() -> None:  # UL 2231-2: 15 mA; UL 943: 4 mA
    assert [reading("leakage-milliamps").outcome(a) for a in (2, 10, 15)] == ["normal", "high", "at-trip"]
    found = reading("leakage-milliamps", {"unit.breaker-kind": "ground-fault-5ma"})
    assert [found.outcome(a) for a in (2, 3, 5)] == ["normal", "high", "at-trip"]


def test_trip_current() -> None:
    assert [reading("ground-fault-trip-ma").outcome(a) for a in (10, 18, 25)] == ["too-sensitive", "in-window", "too-late"]
    found = reading("ground-fault-trip-ma", {"unit.breaker-kind": "ground-fault-5ma"})
    assert [found.outcome(a) for a in (3, 5, 7)] == ["too-sensitive", "in-window", "too-late"]
    assert reading("ground-fault-trip-ma", {"unit.own-ground-fault": "dc-6ma"}).high == 6


def test_ground_path() -> None:  # NEC Table 250.122: 10 AWG for 50 A; 45 m cold about 0.15 ohm; a rod reads 25 ohm
    found = reading("ground-path-ohms")
    assert found.value == pytest.approx(0.15, abs=0.005)
    assert [found.outcome(r) for r in (0.2, 0.5, 2, 25, 1e6)] == ["low", "low", "high", "open", "open"]
    assert "10 mm²" in reading("ground-path-ohms", base=EUROPE).text


@pytest.mark.parametrize(("volts", "outcome"), [  # IEC 61851-1 Annex A; +8.37 V: 10 kohm of water; 10.0 V: 5 kohm, no car
    (8.98, "connected"), (8.37, "connected"), (12, "unplugged"), (12.6, "unplugged"), (6.57, "charging"), (2.93, "ventilation"),
    (7.26, "weak"), (10.5, "weak"), (1.5, "weak"), (0, "none"), (-0.5, "none"), (-12, "negative-only")])
def test_pilot_volts(volts: float, outcome: str) -> None:
    assert reading("pilot-volts").outcome(volts) == outcome


@pytest.mark.parametrize(("setting", "duty"), [(40, 66.7), (32, 53.3), (48, 80.0), (64, 89.6), (80, 96.0), (6, 10.0)])
def test_pilot_duty(setting: float, duty: float) -> None:  # IEC 61851-1 Annex A, SAE J1772
    found = reading("pilot-duty", {"unit.setting": float(setting)})
    assert found.value == pytest.approx(duty, abs=0.05)
    assert found.outcome(duty) == "matches-setting"
    assert found.outcome(duty - 1.5) == "lower"
    assert [found.outcome(d) for d in (0, 100)] == ["no-signal", "no-signal"]
    if setting < 80:
        assert found.outcome(duty + 1.5) == "higher"


def test_proximity() -> None:  # SAE J1772 handle; IEC 61851-1 cable codes
    found = reading("proximity-ohms")
    assert [found.outcome(r) for r in (150, 480, 0, 1e6)] == ["as-expected", "other", "short", "open"]
    coded = reading("proximity-ohms", base=EUROPE)
    assert [coded.outcome(r) for r in (220, 100, 680, 10, 5000)] == ["as-expected", "as-expected", "other", "short", "open"]


# ---- strengths

def test_strengths() -> None:
    overload = STRENGTHS["small-overload-trips"].function
    cool = overload(site(), UNIT)
    hot = overload(site({"unit.setting": 48.0, "panel.inside-temperature": 60.0}), UNIT)
    over = overload(site({"unit.setting": 70.0}), UNIT)
    assert cool == 0.01
    assert 0.25 < hot < 0.45
    assert over == 0.98  # UL 489: 140 % trips within the hour
    guessed = overload(site({"unit.setting": 48.0, "panel.inside-temperature": None, "site.ambient": 50.0}), UNIT)
    assert guessed == hot  # a panel is taken to be 10 K warmer inside than the air around it
    sag = STRENGTHS["sag-disturbs"].function
    assert sag(site(), UNIT) == 0.01
    assert sag(site({"unit.run-length": 150.0}), UNIT) > 0.2  # 19 V of 240 V lost
    leak = STRENGTHS["leakage-trips"].function
    shared: dict[str, FactValue] = {"unit.breaker-kind": "ground-fault-30ma", "unit.circuit": "c1"}
    assert leak(site(shared, 2), PANEL) == 0.01
    assert leak(site(shared, 4), PANEL) < leak(site(shared, 8), PANEL) <= 0.98


def test_an_empty_record_gives_a_middling_strength() -> None:
    for name, at in STRENGTH_TABLE.items():
        assert STRENGTHS[name].function(site(base={}), PANEL if at == "panel" else UNIT) == 0.4


# ---- no record breaks a gauge

def test_a_panel_without_units() -> None:
    bare = Site("test", (1,), panels=(1, 2), facts={("unit", 1): {"panel": 1, "setting": 32.0}})
    for name in ("feeder-against-load", "leakage-budget", "panel-heat"):
        assert AUDITS[name].function(bare, Place("panel", 2)) is None
    for name in ("feeder-amps", "panel-celsius"):
        assert READINGS[name].function(bare, Place("panel", 2)).outcome(10.0) == READINGS[name].outcomes[0]
    assert STRENGTHS["leakage-trips"].function(bare, Place("panel", 2)) == 0.4


CHOICES = {
    "site.system": ["split-120-240", "wye-120-208", "single-230", "wye-230-400"],
    "site.wiring-rules": ["north-american", "international"], "site.load-management": ["none", "local", "back-office"],
    "unit.breaker-kind": ["plain", "ground-fault-5ma", "ground-fault-30ma"],
    "unit.own-ground-fault": ["ccid5", "ccid20", "dc-6ma", "none"],
    "unit.wire-size": ["12-awg", "10-awg", "8-awg", "6-awg", "4-awg", "3-awg", "2-awg", "1-awg", "1-0-awg", "2.5-mm2",
                       "4-mm2", "6-mm2", "10-mm2", "16-mm2", "25-mm2"],
    "unit.wire-metal": ["copper", "aluminum"], "unit.wire-insulation": ["60c", "75c", "90c"],
    "unit.terminal-rating": ["60c", "75c"], "unit.circuit": ["c1"],
    "unit.legs": ["a-b", "b-c", "c-a", "a-n", "b-n", "c-n", "a-b-c"]}
NUMBERS = ["site.load-limit", "panel.breaker", "unit.rating", "unit.setting", "unit.breaker", "unit.run-length",
           "unit.torque", "unit.torque-wanted"]
facts = st.fixed_dictionaries({}, optional={
    **{key: st.sampled_from(values) for key, values in CHOICES.items()},
    **{key: st.one_of(st.floats(0, 150), st.sampled_from([0.0, 1e-300, 1e-9, 1e6, 1e300])) for key in NUMBERS},
    "site.ambient": st.floats(-60, 200), "panel.inside-temperature": st.floats(-60, 200),
    "unit.conductors-together": st.integers(0, 60)})
numbers = st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.floats(-50, 700))


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(facts, st.integers(1, 4), numbers)
def test_any_record(record: dict[str, FactValue], units: int, number: float) -> None:
    where = site(record, units, base={})
    for name in AUDIT_TABLE:
        for place in where.places(AUDITS[name].at):
            found = AUDITS[name].function(where, place)
            assert found is None or (isinstance(found, Audit) and found.outcome in AUDITS[name].outcomes and found.text)
    for name in READING_TABLE:
        gauge = READINGS[name]
        for place in where.places(gauge.at):
            expected = gauge.function(where, place)
            edges = [(b.low, b.high) for b in expected.bands]
            assert edges[0][0] == -math.inf
            assert edges[-1][1] == math.inf
            assert all(one[1] == two[0] for one, two in pairwise(edges))
            assert {b.outcome for b in expected.bands} <= set(gauge.outcomes)
            assert expected.outcome(number) in gauge.outcomes
            assert "\n" not in expected.text
    for name in STRENGTH_TABLE:
        assert all(0 < STRENGTHS[name].function(where, place) < 1 for place in where.places(STRENGTHS[name].at))
