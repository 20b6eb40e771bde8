"""Meter logs: figures against circuits solved here, standards' tables by their rows, every shape of file, and the fault that comes first."""

from __future__ import annotations

import io
import json
import math
import random
import re
import shutil
import subprocess
from contextlib import suppress
from copy import deepcopy
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.casework.casefile import EPOCH
from diagnose.casework.events import Event
from diagnose.casework.state import find_places, read_site, take_answer
from diagnose.evidence import lines as bounded
from diagnose.evidence.meter import read as meter_csv
from diagnose.evidence.meter import reduce as meter_rows
from diagnose.evidence.meter.cells import numbers
from diagnose.evidence.meter.columns import column, unit_of
from diagnose.evidence.meter.find import MeterFindings, find
from diagnose.evidence.meter.reader import read_meter_log
from diagnose.evidence.meter.times import stamp, stamps
from diagnose.evidence.reader import HEAD, Asked, EvidenceError, recognise
from diagnose.evidence.report import Report
from diagnose.site.model import Site
from tests.evidence.meter_shapes import (
    BEGIN,
    At,
    Meter,
    Net,
    Table,
    charging,
    log,
    resistors,
    solve,
    steps,
    text,
)
from tests.evidence.network_help import LONG_WINDED, NASTY, answers, assessor, harmless, knowledge, torture

RECORD = """install-record: 1
name: Alder Court
site: {{system: {system}, wiring-rules: {rules}, outdoor: yes, ambient: 30 C, journey: 30 min, load-management: none}}
panels: [{{breaker: 200 A, inside-temperature: 35 C}}]
units:
  count: {count}
  each: {{rating: 48 A, setting: {setting} A, breaker: {breaker} A, wire-size: {size}, wire-metal: {metal}, run-length: {run} m, legs: {legs}}}
"""
NORTH = {"system": "split-120-240", "rules": "north-american", "legs": "a-b", "size": "8-awg"}
EUROPE = {"system": "single-230", "rules": "international", "legs": "a-n", "size": "6-mm2"}


def record(**more: object) -> str:
    facts = {**NORTH, "metal": "copper", "run": 20, "setting": 32, "breaker": 40, "count": 1}
    return RECORD.format(**{**facts, **more})


def place(**more: object) -> Site:
    return read_site(record(**more), knowledge())


def look(data: bytes, name: str = "unit 1.csv", **more: object) -> MeterFindings:
    return find(io.BytesIO(data), Asked(name, place(**more)))


def report(data: bytes, name: str = "unit 1.csv", **more: object) -> Report:
    found = read_meter_log(io.BytesIO(data), Asked(name, place(**more)))
    harmless(found)
    return found


def first(data: bytes, more: tuple[tuple[str, str, str], ...] = (), name: str = "unit 1.csv", **facts: object) -> list[str]:
    """The suspects, likeliest first, of a case with everything that was taken."""
    return ranked(data, record(**facts), name, more)


def ranked(data: bytes, text_of_record: str, name: str, more: tuple[tuple[str, str, str], ...] = ()) -> list[str]:
    """The same on any record; each reading has to be a valid answer."""
    site = read_site(text_of_record, knowledge())
    found = read_meter_log(io.BytesIO(data), Asked(name, site))
    harmless(found)
    for t in found.taken:
        check = knowledge().checks[t.check]
        outcome, _, _ = take_answer(knowledge(), site, check, find_places(site, check.at, t.at), t.answer)
        assert outcome is not None, t
        assert t.because
    rows: list[tuple[str, dict[str, object]]] = [("opened", {"title": "log", "record": text_of_record, "role": "electrician"})]
    given_answers = [*more, *((t.check, t.at, t.answer) for t in found.taken)]
    rows += [("reading", {"check": c, "at": at, "answer": a, "complaint": False}) for c, at, a in given_answers]
    result = assessor().assess(tuple(Event(f"e{n}", "t", n, EPOCH, k, d, "electrician") for n, (k, d) in enumerate(rows, 1)))
    assert not result.notices, result.notices
    return [s.fault for s in result.suspects]


def flat(amps: float, seconds: float, every: float = 10.0, volts: float = 240.0) -> Table:
    """A steady current, with a minute of rest before and after."""
    current = steps((60, 0.0), (seconds, amps), (60, 0.0), every=every)
    return {"L1-L2 (V)": [volts] * len(current), "I (A)": list(current)}


# ---- (a) source resistance, against nodal analysis and a circuit simulator


def test_the_network_solver_agrees_with_ohms_law() -> None:
    at = solve(Net(source=120, leg=(0.1, 0.1), wire=(0.2, 0.2), joint=(0.05, 0)), 32)
    assert at.a_ground == pytest.approx(120 - 32 * 0.35, abs=0.02)
    assert at.b_ground == pytest.approx(120 - 32 * 0.30, abs=0.02)
    open_neutral = solve(Net(neutral=1e9, leg=(1e-6, 1e-6), house=(30, 10)), 0)
    # facts, V12: 30 ohm and 10 ohm share 240 V as 180 V and 60 V
    assert (open_neutral.a_neutral, open_neutral.b_neutral) == (pytest.approx(180, abs=0.01), pytest.approx(60, abs=0.01))


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not at hand")
def test_the_network_solver_agrees_with_a_circuit_simulator(tmp_path: Path) -> None:
    draw, nets, lines = random.Random(5), [], ["meter networks"]
    for k in range(8):
        r = [draw.uniform(0.01, 0.3) for _ in range(6)]
        net = Net(120, (r[0], r[1]), draw.choice([0.02, 1e9]), (draw.uniform(5, 50), draw.uniform(5, 50)), (r[2], r[3]), (r[4], r[5]))
        amps = draw.choice([0.0, 16.0, 32.0, 48.0])
        nets.append((net, amps))
        lines += [f"Va{k} sa{k} 0 120", f"Vb{k} sb{k} 0 -120", f"I{k} ua{k} ub{k} {amps}"]
        lines += [f"R{k}x{n} {x + str(k) if x != '0' else '0'} {y + str(k)} {ohms}" for n, (x, y, ohms) in enumerate(resistors(net))]
    shown = " ".join(f"v({n}{k})" for k in range(8) for n in ("ua", "ub", "n", "pa", "pb"))
    lines += [".options gmin=1e-15", ".op", ".control", "set numdgt=9", "run", f"print {shown}", "quit", ".endc", ".end"]
    (tmp_path / "nets.cir").write_text("\n".join(lines), encoding="utf-8")
    out = subprocess.run(["ngspice", "-b", "nets.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False).stdout
    volts = {name: float(value) for name, value in re.findall(r"v\((\w+)\) = ([-+.e\d]+)", out)}
    for k, (net, amps) in enumerate(nets):
        ua, ub, n, pa, pb = (volts[f"{name}{k}"] for name in ("ua", "ub", "n", "pa", "pb"))
        spice = At(abs(ua - ub), abs(ua), abs(ub), abs(ua - n), abs(ub - n), abs(pa - pb))
        assert solve(net, amps) == pytest.approx(spice, rel=1e-5)


def test_source_resistance_is_recovered_within_its_bar_across_seeds() -> None:
    inside, legs, false_legs, joints = [], 0, 0, 0
    for seed in range(24):
        draw = random.Random(seed)
        wire, joint = draw.uniform(0.02, 0.15), draw.choice([0.0, 0.0, 0.05, 0.3])
        net = Net(leg=(draw.uniform(0.005, 0.05),) * 2, wire=(wire, wire), joint=(joint, 0.0))
        meter = Meter(
            draw.choice([0.02, 0.15, 0.4]), draw.choice([0.03, 0.1, 0.3]), draw.choice([0.01, 0.1, 1.0]),
            draw.choice([0.01, 0.1]), draw.uniform(0.985, 1.015),
        )
        on = [
            x
            for _ in range(draw.randint(1, 4))
            for x in (
                (draw.randint(40, 200), 0.0), (draw.randint(40, 200), draw.choice([16.0, 24.0, 32.0])),
                (60, 6.0),
            )
        ]
        a = look(text(log(net, steps(*on, (60, 0.0)), seed, meter, drift=draw.choice([0.0, 2.0, 6.0]))))
        truth = {"a": net.leg[0] + wire + joint, "b": net.leg[1] + wire}
        truth[""] = truth["a"] + truth["b"]
        assert {s.leg for s in a.sag.sources} == {"", "a", "b"}
        inside += [abs(s.ohms - truth[s.leg]) <= s.bar for s in a.sag.sources]
        # One step of 10 A on a meter that shows whole volts says little, and the bar has to say so too.
        assert all(s.bar < 0.25 * truth[s.leg] + 0.01 + 0.1 * meter.volt_digit for s in a.sag.sources)
        joints += joint > 0.1
        legs += joint > 0.1 and a.sag.leg == "a"
        false_legs += joint == 0.0 and a.sag.leg != ""
    # The bars are meant as 95 %.
    assert sum(inside) >= 0.93 * len(inside), sum(inside)
    assert legs == joints
    assert false_legs == 0


def test_a_drifting_supply_is_told_from_the_load() -> None:
    net = Net(wire=(0.05, 0.05))
    a = look(text(log(net, charging(6, on=300, off=300), drift=10)))
    whole = next(s for s in a.sag.sources if not s.leg)
    assert abs(whole.ohms - 0.14) <= whole.bar < 0.02
    assert a.sag.drift is not None
    assert 7 < a.sag.drift < 22


def test_other_loads_switching_at_the_same_moment_are_seen() -> None:
    net = Net(wire=(0.05, 0.05))
    amps = charging(6)
    table = log(net, amps)
    table["L1-L2 (V)"] = [v - 9.0 if v is not None and 480 <= n < 840 else v for n, v in enumerate(table["L1-L2 (V)"])]
    whole = next(s for s in look(text(table)).sag.sources if not s.leg)
    assert abs(whole.ohms - 0.14) <= whole.bar
    assert whole.odd >= 1


def test_a_sound_site_with_loads_coming_and_going_accuses_nobody() -> None:
    inside = []
    for seed in range(10):
        draw = random.Random(seed)
        wire, leg = draw.uniform(0.03, 0.12), draw.uniform(0.01, 0.06)
        amps = steps(*[x for _ in range(draw.randint(3, 6)) for x in ((draw.randint(60, 200), 0.0), (draw.randint(60, 200), 32.0))], (60, 0.0))
        loads, now = [], (1e9, 1e9)
        for _ in amps:
            # On average every 40 s another load between a leg and neutral.
            if draw.random() < 1 / 40:
                now = (draw.choice([1e9, 8.0, 15.0, 40.0]), draw.choice([1e9, 8.0, 15.0, 40.0]))
            loads.append(Net(leg=(leg, leg), neutral=leg, wire=(wire, wire), house=now))
        a = look(text(log(loads.__getitem__, amps, seed, drift=2)))
        inside += [abs(s.ohms - (leg + wire) * (1 if s.leg else 2)) <= s.bar for s in a.sag.sources]
        assert not a.lost
        assert a.floats is None
        assert not a.ended
        assert not any(c.seen for c in a.cuts)
    assert sum(inside) >= 0.9 * len(inside)


def test_no_step_no_resistance() -> None:
    a = look(text(log(Net(), steps((600, 32.0)))))
    assert not a.sag.sources
    assert any("no step of the load" in x for x in report(text(log(Net(), steps((600, 32.0))))).says)


def test_where_along_the_run_the_volts_are_lost() -> None:
    thin = report(text(log(Net(wire=(0.16, 0.16)), charging(), what="across panel")))
    assert answers(thin)["drop-along-run"] == "in-the-run"
    weak = report(text(log(Net(leg=(0.16, 0.16)), charging(), what="across panel")))
    assert answers(weak)["drop-along-run"] == "ahead-of-panel"
    sound = report(text(log(Net(), charging(), what="across panel")))
    assert answers(sound)["drop-along-run"] == "little-lost"


# ---- legs and neutral


def test_a_lost_leg_with_and_without_the_other_end_fed_back() -> None:
    amps = [a if n < 400 else 0.0 for n, a in enumerate(charging(2))]
    fed_back = report(text(log(lambda n: Net(wire=(0.05, 0.05 if n < 400 else 1e9)), amps)))
    assert answers(fed_back)["volts-at-unit"] == "absent"
    assert fed_back.figures["lost_legs"][0]["leg"] is None
    assert fed_back.figures["lost_legs"][0]["seconds"] == pytest.approx(440, abs=2)
    table = log(Net(), amps)
    for name, low in (("L2-G (V)", 3.1), ("L1-L2 (V)", 110.0)):
        table[name] = [v if n < 400 else low for n, v in enumerate(table[name])]
    plain = report(text(table))
    assert answers(plain)["leg-to-ground-volts"] == "absent"
    assert plain.figures["lost_legs"][0]["leg"] == "b"
    assert plain.taken[0].lines == "lines 402-841"


def test_a_floating_neutral_and_an_ordinary_loaded_leg() -> None:
    lost = look(text(log(lambda n: Net(neutral=1e9, house=(30.0 if n % 200 < 100 else 12.0, 15.0)), [0.0] * 600, what="across neutral")))
    assert lost.floats is not None
    # loads of 30 and 15 ohm in series share 240 V as 160 V and 80 V
    assert (lost.floats.high, lost.floats.low) == (pytest.approx(160, abs=1), pytest.approx(80, abs=1))
    assert lost.floats.ratio == pytest.approx(2.0, abs=0.03)
    assert lost.floats.slope == pytest.approx(-1.0, abs=0.05)
    without_across = look(text(log(lambda n: Net(neutral=1e9, house=(30.0 if n % 200 < 100 else 12.0, 15.0)), [0.0] * 600, what="neutral")))
    assert without_across.floats is not None
    sound = look(text(log(lambda n: Net(house=(4.0 if n % 200 < 100 else 1e9, 15.0)), [0.0] * 600, what="across neutral ground")))
    assert sound.floats is None
    low_supply = look(text(log(Net(source=100), [0.0] * 600, what="across neutral")))
    assert low_supply.floats is None


def test_three_phase_and_its_lost_phase() -> None:
    amps = charging(3)
    # 400 V unit, 0.1 ohm in phase B more than in the others; a phase sees one conductor, for no neutral current flows
    extra = {"L1-N (V)": 0.15, "L2-N (V)": 0.25, "L3-N (V)": 0.15}
    table: Table = {name: [round(230 - ohms * a, 1) for a in amps] for name, ohms in extra.items()}
    table |= {f"I{n} (A)": list(amps) for n in (1, 2, 3)}
    wye = {"system": "wye-230-400", "rules": "international", "legs": "a-b-c", "size": "6-mm2", "run": 30}
    a = look(text(table), **wye)
    assert {s.leg: round(s.ohms, 3) for s in a.sag.sources} == {"a": 0.15, "b": 0.25, "c": 0.15}
    assert (a.sag.leg, round(a.sag.leg_ohms, 2)) == ("b", 0.1)
    # IEC 60228: 3.08 ohm/km of 6 mm² at 20 °C, 30 m
    assert a.sag.sources[0].cold == pytest.approx(3.08 * 0.030, rel=1e-3)
    table["L3-N (V)"] = [v if n < 500 else 4.0 for n, v in enumerate(table["L3-N (V)"])]
    lost = report(text(table), **wye)
    assert answers(lost)["leg-to-ground-volts"] == "absent"
    assert lost.figures["lost_legs"][0]["leg"] == "c"


def test_a_log_of_one_quantity_is_worth_a_sentence() -> None:
    heat = report(text({"Panel (°C)": [30.0 + n / 10 for n in range(200)]}))
    assert heat.says[1] == "Panel (°C): 30.0 to 49.9 °C, half the time under 40.0 °C"
    volts = report(text({"L1-L2 (V)": [231.0, *([240.0] * 99)]}))
    assert any(x.startswith("L1-L2 (V): 231.0 to 240.0 V") for x in volts.says)
    assert not volts.taken


def test_a_dead_unit_is_absent() -> None:
    dead = report(text({"L1-L2 (V)": [0.3] * 60, "I (A)": [0.0] * 60}))
    assert answers(dead) == {"volts-at-unit": "0.3 V"}


# ---- (b) breaker bands; each row as its standard has it, not as the code has it


@pytest.mark.parametrize(
    ("rating", "multiple", "seconds", "row"),
    [
        (20, 1.35, 3600, "UL 489: 135 % must trip within 1 h up to 50 A"),
        (50, 1.35, 3600, "UL 489: 135 % must trip within 1 h up to 50 A"),
        (60, 1.35, 7200, "UL 489: 135 % must trip within 2 h above 50 A"),
        (30, 2.00, 120, "UL 489: 200 % within 2 min up to 30 A"),
        (40, 2.00, 240, "UL 489: 200 % within 4 min, 31 to 50 A"),
        (100, 2.00, 360, "UL 489: 200 % within 6 min, 51 to 100 A"),
        (125, 2.00, 480, "UL 489: 200 % within 8 min, 101 to 150 A"),
    ],
)
def test_north_american_breakers_by_the_rows_of_their_standard(rating: int, multiple: float, seconds: float, row: str) -> None:
    every = 10.0 if seconds > 1000 else 1.0
    for share, over in ((0.97, False), (1.03, True)):
        a = look(text(flat(multiple * rating, share * seconds, every), every=every), breaker=rating)
        assert a.bands is not None
        assert (a.bands.due is not None) is over, row
    assert a.bands is not None
    assert a.bands.due is not None
    assert a.bands.due - float(a.view.log.times[0]) == pytest.approx(60 + seconds, abs=every), row
    below = look(text(flat((multiple - 0.01) * rating, 1.5 * seconds, every), every=every), breaker=rating)
    assert below.bands is not None
    assert below.bands.bounds[0 if multiple < 1.5 else 1].due is None, row


@pytest.mark.parametrize(
    ("rating", "multiple", "seconds", "row"),
    [
        (40, 1.45, 3600, "IEC 60898-1: 1.45 In within 1 h up to 63 A"),
        (80, 1.45, 7200, "IEC 60898-1: 1.45 In within 2 h above 63 A"),
        (32, 2.55, 60, "IEC 60898-1: 2.55 In within 60 s up to 32 A"),
        (40, 2.55, 120, "IEC 60898-1: 2.55 In within 120 s above 32 A"),
    ],
)
def test_international_breakers_by_the_rows_of_their_standard(rating: int, multiple: float, seconds: float, row: str) -> None:
    every = 10.0 if seconds > 1000 else 1.0
    for share, over in ((0.96, False), (1.04, True)):
        table = {"L1-N (V)": flat(0, share * seconds, every, 230.0)["L1-L2 (V)"], "I (A)": flat(multiple * rating, share * seconds, every)["I (A)"]}
        a = look(text(table, every=every), breaker=rating, **EUROPE)
        assert a.bands is not None
        assert (a.bands.due is not None) is over, row
    # IEC 60898-1: 1.13 In is held for the hour
    table["I (A)"] = flat(1.12 * rating, 1.04 * seconds, every)["I (A)"]
    a = look(text(table, every=every), breaker=rating, **EUROPE)
    assert a.bands is not None
    assert a.bands.due is None
    assert any("never over what" in x for x in report(text(table, every=every), breaker=rating, **EUROPE).says)


def test_a_varying_current_is_judged_by_its_least_and_a_gap_ends_a_stretch() -> None:
    # UL 489, 135 % of 40 A is 54 A, 1 h; the mean is far above it
    wave = [0.0] * 6 + [80.0 if n % 20 else 53.0 for n in range(500)]
    mean = look(text({"I (A)": list(wave)}, every=10.0), breaker=40)
    assert mean.bands is not None
    assert mean.bands.due is None
    swing = [0.0] * 6 + [55.0 + 20 * (n % 3) for n in range(500)]
    steady = look(text({"I (A)": list(swing)}, every=10.0), breaker=40)
    assert steady.bands is not None
    assert steady.bands.due is not None
    rows = text({"I (A)": list(swing)}, every=10.0).split(b"\n")
    torn = look(b"\n".join(rows[:200] + rows[240:]), breaker=40)
    assert torn.bands is not None
    assert torn.view.log.gaps == 1
    assert torn.bands.bounds[0].stretch.seconds < 3000
    assert torn.bands.due is None


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(5, 60), st.floats(20, 90)), min_size=1, max_size=12))
def test_no_bound_is_claimed_that_a_plain_count_does_not_find(pairs: list[tuple[int, float]]) -> None:
    amps = [round(a, 2) for count, a in pairs for _ in range(count)]
    found = look(text({"I (A)": [0.0, *amps, 0.0]}, every=30.0), breaker=40).bands
    assert found is not None
    for multiple, seconds in ((1.35, 3600), (2.0, 240)):
        longest = run = 0
        for a in amps:
            run = run + 1 if a >= multiple * 40 else 0
            longest = max(longest, run)
        bound = next(b for b in found.bounds if b.point.multiple == multiple)
        assert bound.stretch.seconds == pytest.approx(longest * 30.0)
        assert (bound.due is not None) == (longest * 30.0 > seconds)


# ---- (c) what the wires explain, against handbook figures


@pytest.mark.parametrize(
    ("facts", "amps", "volts"),
    [
        # NEC chapter 9 Table 8 at 75 °C, worked: 40 A, 150 ft (45.72 m)
        ({"size": "8-awg", "run": 45.72}, 40, 9.34),
        ({"size": "6-awg", "run": 45.72}, 40, 5.89),
        # 48 A, 200 ft, 208 V
        ({"size": "6-awg", "run": 60.96, "system": "wye-120-208"}, 48, 9.43),
        ({"size": "4-awg", "run": 60.96, "system": "wye-120-208"}, 48, 5.91),
        # 80 A, 200 ft, 1/0 aluminum
        ({"size": "1-0-awg", "run": 60.96, "metal": "aluminum"}, 80, 6.43),
        # IEC 60228, 3.08 ohm/km at 20 °C taken to 70 °C: 32 A, 30 m of 6 mm²
        ({**EUROPE, "run": 30}, 32, 7.08),
    ],
)
def test_the_wires_share_agrees_with_the_handbook(facts: dict[str, object], amps: float, volts: float) -> None:
    table = {("L1-N (V)" if facts.get("legs") == "a-n" else "L1-L2 (V)"): [230.0 - a * 0.2 for a in charging(1)], "I (A)": list(charging(1))}
    a = look(text(table), **facts)
    assert a.sag.sources[0].warm is not None
    assert a.sag.sources[0].warm * amps == pytest.approx(volts, abs=0.006)
    assert a.sag.sources[0].cold is not None
    # copper at 20 °C has 82 % of its table value at 75 °C, and 1/1.197 of that at 70 °C
    assert a.sag.sources[0].cold / a.sag.sources[0].warm == pytest.approx(1 / 1.1965 if facts.get("legs") == "a-n" else 0.82, abs=0.004)


# ---- levels, ends, heat


def test_levels_and_steps_of_the_current() -> None:
    amps = steps((60, 0.0), (120, 32.0), (300, 16.0), (90, 24.0), (60, 0.0))
    a = look(text(log(Net(), amps)))
    assert [(round(x.amps), round(x.seconds / 10) * 10) for x in a.held] == [(0, 60), (32, 120), (16, 300), (24, 90), (0, 60)]
    assert answers(report(text(log(Net(), amps))))["amps-while-charging"].startswith("32.0")


def test_a_ramp_and_single_samples_make_no_level() -> None:
    amps = steps((60, 0.0)) + [float(n) for n in range(1, 33)] + steps((120, 32.0), (60, 0.0))
    amps[130] = 0.0
    a = look(text(log(Net(), amps, meter=Meter(amp_noise=0.02))))
    assert [round(x.amps) for x in a.held] == [0, 32, 0]
    assert a.spikes == 1


@pytest.mark.parametrize(
    ("after", "ending"),
    [(240.0, "stopped"), (0.5, "supply-lost"), (None, "unknown")],
)
def test_how_a_charge_ended(after: float | None, ending: str) -> None:
    amps = steps((60, 0.0), (600, 32.0), (300, 0.0))
    table: Table = {"L1-L2 (V)": [240.0 if n < 660 else after for n in range(len(amps))], "I (A)": list(amps)}
    a = look(text(table))
    assert [c.ending for c in a.charges] == [ending]
    assert a.charges[0].seconds == pytest.approx(600, abs=2)
    assert ("breaker-trips" in answers(report(text(table)))) is (ending == "supply-lost")


def test_a_short_interruption_is_no_trip_and_a_slow_end_no_stop() -> None:
    amps = steps((60, 0.0), (600, 32.0), (100, 0.0), (300, 32.0)) + [32.0 - n / 4 for n in range(128)] + steps((60, 0.0))
    table: Table = {"L1-L2 (V)": [0.0 if 660 <= n < 672 else 240.0 for n in range(len(amps))], "I (A)": list(amps)}
    a = look(text(table))
    assert [c.ending for c in a.charges] == ["interrupted", "tapered"]
    assert a.charges[0].away == pytest.approx(12, abs=1)
    assert "breaker-trips" not in answers(report(text(table)))


def test_a_leg_lost_under_load_is_no_trip_and_neither_is_a_log_that_ends() -> None:
    amps = steps((60, 0.0), (600, 32.0), (300, 0.0))
    table = log(lambda n: Net(wire=(0.05, 0.05 if n < 660 else 1e9)), amps)
    found = report(text(table))
    assert [c["ending"] for c in found.figures["charges"]] == ["leg-lost"]
    assert "breaker-trips" not in answers(found)
    assert answers(found)["volts-at-unit"] == "absent"
    short: Table = {"L1-L2 (V)": [240.0 if n < 660 else 0.0 for n in range(680)], "I (A)": list(amps[:680])}
    assert look(text(short)).charges[0].ending == "lost-at-end"
    assert "breaker-trips" not in answers(report(text(short)))


def test_a_trip_says_how_long_and_at_what_multiple() -> None:
    amps = steps((60, 0.0), (1200, 50.0), (300, 0.0))
    table: Table = {"L1-L2 (V)": [240.0 if n < 1260 else 0.0 for n in range(len(amps))], "I (A)": list(amps)}
    found = report(text(table))
    assert found.figures["trips"] == [{"after_s": 1200.0, "multiple": 1.25, "most": 1.25, "verdict": "may-trip", "celsius": None}]
    assert answers(found)["breaker-trips"] == "after-a-while"
    assert answers(found)["trip-moment"] == "while-charging"
    held = report(text({**table, "I (A)": [0.0 if not a else 32.0 for a in amps]}))
    assert held.figures["trips"][0]["verdict"] == "must-hold"
    at_once = steps((60, 0.0), (2, 80.0), (300, 0.0))
    soon = report(text({"L1-L2 (V)": [240.0 if n < 62 else 0.0 for n in range(len(at_once))], "I (A)": list(at_once)}))
    assert answers(soon)["breaker-trips"] == "at-once"
    assert answers(soon)["trip-moment"] == "when-charging-starts"


def heated(seconds: int = 7200, cut: bool = True) -> Table:
    """A station of first order, 15 min, that halves its current at 62 °C and gives all again at 52 °C."""
    celsius, on, amps, heat = 35.0, 32.0, [], []
    for n in range(seconds):
        if cut and celsius > 62:
            on = 16.0
        elif celsius < 52:
            on = 32.0
        current = 0.0 if n < 60 else on
        celsius += (30 + 45 * (current / 32) ** 2 - celsius) / 900
        amps.append(current)
        heat.append(round(celsius, 1))
    return {**log(Net(), amps), "Station inside (°C)": list(heat)}


def test_cut_back_for_heat_its_levels_and_period() -> None:
    found = report(text(heated()))
    cut = found.figures["cut_backs"][0]
    # cooling from 62 to 52 °C towards 41.25, warming from 52 to 62 towards 75: 900 s * (ln(20.75/10.75) + ln(23/13))
    assert cut["period_s"] == pytest.approx(900 * (np.log(20.75 / 10.75) + np.log(23 / 13)), rel=0.03)
    assert (cut["high_a"], cut["low_a"]) == (pytest.approx(32, abs=0.2), pytest.approx(16, abs=0.2))
    assert (cut["down_c"], cut["up_c"]) == (pytest.approx(62, abs=0.5), pytest.approx(52, abs=0.5))
    assert answers(found)["charging-power"] == "drops-when-hot"


def test_steps_that_no_temperature_goes_with_are_not_blamed_on_heat() -> None:
    table = heated()
    table["Station inside (°C)"] = [45.0 + (n // 7 % 2) for n in range(7200)]
    found = report(text(table))
    assert "charging-power" not in answers(found)
    assert any("no logged temperature goes with them" in x for x in found.says)
    del table["Station inside (°C)"]
    assert any("cannot be told apart" in x for x in report(text(table)).says)


def test_like_joints_and_millivolts_across_joints() -> None:
    amps = steps((60, 0.0), (2400, 32.0), (60, 0.0))
    table = log(Net(), amps)
    table["Terminal L1 (°F)"] = [160.0 if a else 80.0 for a in amps]
    table["Terminal L2 (°F)"] = [120.0 if a else 80.0 for a in amps]
    table["Breaker lug L1 (mV)"] = [62.0 * a / 40 for a in amps]
    found = answers(report(text(table), setting=40))
    assert found["unit-lug-rise"] == "22.2 K"
    # the worked example: 62 mV at 40 A
    assert found["breaker-lug-millivolts"] == "62.0 mV"


# ---- (d) every shape of file gives the same figures


SHAPES: tuple[dict[str, object], ...] = (
    {"separator": ";"}, {"separator": "\t"}, {"separator": ";", "comma": True}, {"separator": "\t", "comma": True}, {"time": "clock"},
    {"time": "seconds"}, {"time": "elapsed"}, {"time": "split"}, {"time": "us"}, {"units": True}, {"bom": True}, {"end": "\r\n"}, {"end": "\r"},
    {"header": ("Power log", "Serial;none", "", "Place: courtyard")},
    {"separator": ";", "comma": True, "time": "seconds", "units": True, "end": "\r\n"},
)  # fmt: skip


def test_every_shape_gives_the_same_figures() -> None:
    table = log(Net(joint=(0.2, 0.0)), charging(2), drift=2)
    table["L2-G (V)"][50] = None
    table["I1 (A)"][700] = None
    wanted = report(text(table))
    for shape in SHAPES:
        found = report(text(table, **shape))  # type: ignore[arg-type]
        assert found.not_understood == 0, shape
        a, b = deepcopy(dict(found.figures)), deepcopy(dict(wanted.figures))
        for one in (a, b):
            # Only titles differ, for with a row of units they have none in brackets.
            for x in (*one["columns"], *one["sources"]):
                x.pop("title" if "title" in x else "column")
        assert a == b, shape
        assert [t[:4] for t in found.taken] == [t[:4] for t in wanted.taken], shape


def test_prefixes_fahrenheit_and_units_in_the_cells() -> None:
    table = log(Net(), charging(1))
    small: Table = {
        "L1-L2 (kV)": [None if v is None else v / 1000 for v in table["L1-L2 (V)"]],
        "I1 (mA)": [None if v is None else v * 1000 for v in table["I1 (A)"]],
    }
    a, b = look(text({k: table[k] for k in ("L1-L2 (V)", "I1 (A)")}, digits=5)), look(text(small, digits=7))
    assert a.sag.sources[0].ohms == pytest.approx(b.sag.sources[0].ohms, rel=1e-6)
    assert unit_of("°F") == ("celsius", pytest.approx(1 / 1.8), pytest.approx(-32 / 1.8))
    rows = ["Time,Value,Unit"] + [f"10:00:{n:02d},{'229.5' if n % 2 else '229500'},{'V' if n % 2 else 'mV'}" for n in range(60)]
    ranged = find(io.BytesIO("\n".join(rows).encode()), Asked("x.csv"))
    assert np.allclose(ranged.view.log.values, 229.5)
    rows = ["Time;Reading"] + [f"10:00:{n:02d};229,5 V" for n in range(60)]
    assert np.allclose(find(io.BytesIO("\n".join(rows).encode()), Asked("x.csv")).view.log.values, 229.5)
    quoted = ["Time,L1-L2 (V),I (A)"] + [f'"2031-04-01 10:00:{n:02d}","229,5","16,25"' for n in range(60)]
    assert np.allclose(find(io.BytesIO("\n".join(quoted).encode()), Asked("x.csv")).view.log.values, [229.5, 16.25])


def test_plain_numbers_as_times() -> None:
    table = log(Net(), charging(1))
    rows = text({k: table[k] for k in ("L1-L2 (V)", "I1 (A)")}).decode().strip().split("\n")[1:]
    body = [r.split(",", 1)[1] for r in rows]
    for title, factor, begin in (
        ("Time (s)", 1, 0), ("Timestamp (s)", 1, 1932804000), ("Time (ms)", 1000, 1932804000000),
        ("Elapsed (min)", 1 / 60, 0),
    ):
        data = "\n".join(
            [
                f"{title},L1-L2 (V),I1 (A)",
                *(
                    f"{begin + n * factor:.10g},{b}" if factor < 1 else f"{begin + n * factor},{b}"
                    for n, b in enumerate(body)
                ),
            ]
        )
        a = look(data.encode())
        assert a.view.log.samples == 480
        assert a.view.log.interval == pytest.approx(1.0, rel=1e-4)
        assert float(a.view.log.times[-1] - a.view.log.times[0]) == pytest.approx(479, abs=0.01)
    counted = "\n".join(["Interval: 2 s", "No,L1-L2 (V),I1 (A)", *(f"{n},{b}" for n, b in enumerate(body))])
    a = look(counted.encode())
    assert (a.view.log.interval, a.view.log.samples) == (2.0, 480)


def test_watts_stand_in_for_amperes() -> None:
    amps = charging(2)
    table: Table = {"L1-L2 (V)": [240 - 0.2 * a for a in amps], "P (kW)": [a * (240 - 0.2 * a) / 1000 for a in amps]}
    a = look(text(table, digits=4))
    assert a.sag.sources[0].ohms == pytest.approx(0.2, abs=0.01)
    assert a.view.load_name == "watts"
    assert any("worked out from watts" in x for x in report(text(table)).says)


def test_missing_samples_gaps_and_clocks_that_jump() -> None:
    rows = text(log(Net(), charging(3)), time="clock", begin=datetime(2031, 4, 1, 23, 50)).split(b"\n")
    over_midnight = look(b"\n".join(rows))
    assert over_midnight.view.log.jump_count == 0
    assert float(over_midnight.view.log.times[-1] - over_midnight.view.log.times[0]) == pytest.approx(1199)
    table = log(Net(), charging(3))
    one, two = text({k: v[:600] for k, v in table.items()}), text({k: v[600:] for k, v in table.items()}, begin=BEGIN - timedelta(minutes=50))
    back = report(one + two.split(b"\n", 1)[1])
    assert back.figures["clock_jumps"] == 1
    assert any("the clock goes back 1 time, first by 60 min at line 602" in x for x in back.says)
    assert back.figures["seconds"] == pytest.approx(1199, abs=1)
    later = report(one + text({k: v[600:] for k, v in table.items()}, begin=BEGIN + timedelta(hours=5)).split(b"\n", 1)[1])
    assert later.figures["gaps"] == 1
    assert later.figures["gap_s"] == pytest.approx(5 * 3600 - 600, abs=2)
    assert any("1 gap in the log" in x for x in later.says)
    holes = report(text({**table, "L1-G (V)": [None] * len(table["L1-G (V)"])}))
    assert holes.figures["missing"] == len(table["L1-G (V)"])
    assert any("cells without a value" in x for x in holes.says)


def test_several_samples_a_second_with_one_stamp() -> None:
    table = log(Net(), [a for a in charging(2) for _ in range(4)])
    rows = [
        f"{BEGIN + timedelta(seconds=n // 4):%Y-%m-%d %H:%M:%S},{table['L1-L2 (V)'][n]:.1f},"
        f"{table['I1 (A)'][n]:.2f}"
        for n in range(len(table["I1 (A)"]))
    ]
    a = look(("Time,L1-L2 (V),I1 (A)\n" + "\n".join(rows)).encode())
    assert (len(a.view.log.times), a.view.log.samples, a.view.log.interval) == (840, 3360, 1.0)
    assert a.sag.sources[0].ohms == pytest.approx(0.14, abs=0.01)


def test_rows_that_are_none_are_counted_and_shown() -> None:
    rows = text(log(Net(), charging(1))).decode().split("\n")
    rows[100:100] = ["", "* marker set by hand", "2031-04-01T09:31:00,1,2", rows[0], "2031-04-01T09:31:00,abc,120.1,120.2,0.0"]
    rows[300] = "x" * 50_000
    found = report("\n".join(rows).encode())
    assert found.not_understood == 5
    assert found.understood == len(rows) - 1 - 1 - 1 - 5
    assert "marker set by hand" in found.samples[0]


def test_what_is_not_used_is_named() -> None:
    table = log(Net(), charging(1))
    table["Frequency (Hz)"] = [60.0] * 480
    table["PF"] = [0.99] * 480
    table["L1-L2 (V) max"] = [250.0] * 480
    found = report(text(table))
    assert found.figures["columns_not_used"] == ["Frequency (Hz)", "PF", "L1-L2 (V) max"]
    assert any("columns not used: Frequency (Hz), PF, L1-L2 (V) max" in x for x in found.says)


@pytest.mark.parametrize(
    ("title", "unit", "wanted"),
    [
        ("V12", "", ("volts", "a-b", 1.0)), ("U L1-N", "kV", ("volts", "a-n", 1e3)),
        ("Line 1 to ground [V]", "", ("volts", "a-g", 1.0)), ("VAN", "", ("volts", "a-n", 1.0)),
        ("I_L2", "", ("amps", "b", 1.0)), ("Clamp (mA)", "", ("amps", "", 1e-3)),
        ("Power (kW)", "", ("watts", "", 1e3)), ("P_total [W]", "", ("watts", "", 1.0)),
        ("A", "", ("amps", "", 1.0)), ("A1", "", ("amps", "a", 1.0)),
        ("Breaker lug A mV", "", ("joint-volts", "a", 1e-3)), ("Temp (°F)", "", ("celsius", "", 1 / 1.8)),
        ("PF", "", None), ("Energy (kWh)", "", None), ("THD V L1 (%)", "", None), ("Sample", "", None),
    ],
)  # fmt: skip
def test_titles(title: str, unit: str, wanted: tuple[str, str, float] | None) -> None:
    found = column(3, title, unit)
    assert (None if found is None else (found.quantity, found.wires, pytest.approx(found.scale))) == wanted


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.datetimes(datetime(1999, 1, 1), datetime(2060, 1, 1)), min_size=1, max_size=20),
    st.sampled_from(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%m/%d/%Y %I:%M:%S %p", "%Y/%m/%dT%H:%M:%S.%f"]),
)
def test_times_read_at_once_and_one_by_one_as_the_calendar_has_them(moments: list[datetime], form: str) -> None:
    cells = [m.strftime(form) for m in moments]
    data = np.frombuffer(("|".join(cells) + "|").encode(), dtype=np.uint8)
    ends = np.flatnonzero(data == ord("|"))
    starts = np.concatenate([[0], ends[:-1] + 1])
    truth = [(datetime.strptime(c, form) - datetime(1970, 1, 1)).total_seconds() for c in cells]
    at_once = stamps(data, starts, ends, False)
    for one, cell, wanted in zip(at_once, cells, truth, strict=True):
        assert stamp(cell) == pytest.approx(wanted, abs=1e-5)
        assert np.isnan(one) or one == pytest.approx(wanted, abs=1e-5)
    assert not np.isnan(at_once).any()


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 9999), st.integers(0, 14), st.integers(0, 33))
def test_a_day_that_no_calendar_has_is_no_time(year: int, month: int, day: int) -> None:
    """Against the standard library: what `date` refuses is None, also where the cell before it is a good day of the same form."""
    cell = f"{year:04d}-{month:02d}-{day:02d} 10:00:00"
    try:
        wanted = (datetime(year, month, day, 10) - datetime(1970, 1, 1)).total_seconds()
    except ValueError:
        wanted = math.nan
    cells = ["2031-02-28 10:00:00", cell]
    data = np.frombuffer("".join(cells).encode(), dtype=np.uint8)
    _, at_once = stamps(data, np.array([0, 19]), np.array([19, 38]), False)
    alone = stamp(cell)
    assert (math.isnan(wanted) and alone is None) or alone == wanted
    assert (math.isnan(wanted) and np.isnan(at_once)) or at_once == wanted


def test_the_thirtieth_of_february_is_refused() -> None:
    assert stamp("2031-02-30 10:00:00") is None
    assert stamp("2031-04-31") is None
    assert stamp("29.02.2100") is None
    assert stamp("2032-02-29") == datetime(2032, 2, 29, tzinfo=UTC).timestamp()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-1e5, 1e5), st.none()), min_size=1, max_size=30), st.integers(0, 6), st.booleans())
def test_numbers_read_at_once_are_those_of_the_language(values: list[float | None], digits: int, comma: bool) -> None:
    cells = ["" if v is None else f"{v:.{digits}f}" for v in values]
    data = np.frombuffer((";".join(c.replace(".", ",") if comma else c for c in cells) + ";").encode(), dtype=np.uint8)
    ends = np.flatnonzero(data == ord(";"))
    found, plain = numbers(data, np.concatenate([[0], ends[:-1] + 1]), ends, 44 if comma else 46)
    for value, good, cell in zip(found, plain, cells, strict=True):
        assert good
        assert np.isnan(value) if not cell else value == float(cell)


def test_lines_read_on_their_own_give_the_same_numbers() -> None:
    data = text(log(Net(), charging(1)))
    quoted = b"\n".join(b",".join(b'"' + c + b'"' for c in line.split(b",")) for line in data.strip().split(b"\n"))
    a, b = look(data).view.log, look(quoted).view.log
    assert np.array_equal(a.values, b.values)
    assert np.array_equal(a.times, b.times)


@pytest.mark.parametrize("most", [1500, 500])
def test_a_long_log_is_brought_down_and_says_the_same(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    data = text(log(Net(joint=(0.2, 0.0)), charging(20, on=300, off=200), drift=2))
    whole = look(data)
    monkeypatch.setattr(meter_csv, "whole_lines", lambda stream, head, endless: iter(_pieces(data, 40_000)))
    monkeypatch.setattr(meter_rows, "MOST", most)
    slim = look(data)
    assert len(slim.view.log.times) <= most < len(whole.view.log.times)
    assert slim.view.log.samples == whole.view.log.samples == int(slim.view.log.counts.sum())
    assert [round(x.amps) for x in slim.held] == [round(x.amps) for x in whole.held]
    assert np.allclose([x.start for x in slim.held], [x.start for x in whole.held], atol=2.0)
    assert {s.leg for s in slim.sag.sources} == {"", "a", "b"}
    for s in slim.sag.sources:
        truth = {"": 0.34, "a": 0.27, "b": 0.07}[s.leg]
        assert abs(s.ohms - truth) <= s.bar < 0.1 * truth
    assert slim.sag.leg == "a"
    assert [c.ending for c in slim.charges] == [c.ending for c in whole.charges]
    # every sample is held in exactly one row, in order
    assert (slim.view.log.first_line[1:] > slim.view.log.last_line[:-1]).all()


def test_the_size_of_the_blocks_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [a for a in charging(5) for _ in range(2)]
    data = text(log(Net(), rows), every=0.5, time="clock", end="\r\n")  # two samples for each time stamp
    assert len(data) > 130_000
    whole = report(data)
    for size in (333, 4096, 50_001):
        monkeypatch.setattr(bounded, "BLOCK", size)
        assert report(data) == whole


def _pieces(data: bytes, size: int) -> list[bytes]:
    out, begin = [], 0
    while begin < len(data):
        end = data.find(b"\n", begin + size)
        end = len(data) if end < 0 else end
        out.append(data[begin:end])
        begin = end + 1
    return out


# ---- where it was taken


def test_the_unit_is_named_by_file_or_header_or_is_the_only_one() -> None:
    data = text(log(Net(), charging(1)))
    assert {t.at for t in report(data, "unit 3 court.csv", count=4).taken} == {"unit 3"}
    assert {t.at for t in report(data, "UNIT_02.csv", count=4).taken} == {"unit 2"}
    assert {t.at for t in report(text(log(Net(), charging(1)), header=("Place,unit 4",)), "x.csv", count=4).taken} == {"unit 4"}
    assert {t.at for t in report(data, "x.csv").taken} == {"unit 1"}
    unnamed = report(data, "x.csv", count=4)
    assert not unnamed.taken
    assert ["volts-at-unit", "240.0 V"] in unnamed.figures["not_taken"]
    assert any("put 'unit N' into the file's name" in x for x in unnamed.says)
    assert any("no unit 9" in x for x in report(data, "unit 9.csv", count=4).says)
    panel = report(data, "panel 1.csv", count=4)
    assert {(t.check, t.at) for t in panel.taken} == {("amps-on-feeder", "panel 1"), ("feeder-legs", "panel 1")}
    at_breaker = answers(report(data, "breaker of unit 2.csv", count=4))
    assert "volts-at-breaker" in at_breaker
    assert "volts-while-charging" not in at_breaker


# ---- (e) the true fault comes first


def test_a_loose_lug_that_trips_its_breaker_comes_first() -> None:
    amps = steps((100, 0.0), (1800, 32.0), (300, 0.0))
    data = text(log(lambda n: Net(wire=(0.051, 0.051), joint=(0.4, 0.0)) if n < 1900 else Net(leg=(1e9, 1e9)), amps))
    assert first(data)[0] == "loose-breaker-lug"


def test_a_hot_lug_in_the_station_comes_first() -> None:
    table = heated()
    heat = table["Station inside (°C)"]
    table["Lug L1 (°C)"] = [None if x is None else x + 25 for x in heat]
    table["Lug L2 (°C)"] = list(heat)
    assert first(text(table))[0] == "loose-unit-lug"


def test_a_high_joint_comes_first_by_its_sag_alone() -> None:
    data = text(log(Net(wire=(0.051, 0.051), joint=(0.45, 0.0)), charging(), drift=3))
    found = answers(report(data))
    assert found["leg-volts-course"] == "one-sags"
    assert not {"breaker-trips", "trip-time-logged", "charge-course", "charging-power"} & set(found)
    # Volts at the unit alone do not tell which end of the branch the joint is at.
    assert first(data)[0] == "loose-breaker-lug"
    assert set(first(data)[:3]) == {"loose-breaker-lug", "loose-unit-lug", "breaker-stab-loose"}
    assert any("leg A loses" in x and "a joint or a conductor of that leg alone" in x for x in report(data).says)
    other = first(text(log(Net(wire=(0.051, 0.051), joint=(0.0, 0.12)), charging(2))))
    assert other[0] == "loose-breaker-lug"


def test_a_lost_leg_comes_first() -> None:
    amps = [a if n < 400 else 0.0 for n, a in enumerate(charging(2))]
    data = text(log(lambda n: Net(wire=(0.05, 0.05 if n < 400 else 1e9)), amps))
    assert answers(report(data))["leg-volts-course"] == "one-gone"
    assert first(data)[0] == "branch-conductor-open"


def test_a_lost_neutral_comes_first() -> None:
    data = text(log(lambda n: Net(neutral=1e9, house=(30.0 if n % 200 < 100 else 12.0, 15.0)), [0.0] * 600, what="across neutral ground"))
    assert answers(report(data))["leg-volts-course"] == "drift-apart"
    assert first(data)[0] == "open-neutral"


def test_a_breaker_that_held_past_its_band_comes_first() -> None:
    # UL 489: 135 % of 30 A is 40.5 A, one hour
    data = text(flat(48, 7800), every=10.0)
    assert answers(report(data, breaker=30, setting=48, size="6-awg"))["trip-time-logged"] == "past-band"
    assert first(data, breaker=30, setting=48, size="6-awg")[0] == "breaker-larger-than-planned"


def test_a_setting_too_high_for_its_breaker_comes_first() -> None:
    amps = steps((100, 0.0), (3000, 48.0), (300, 0.0))
    data = text(log(lambda n: Net() if n < 3100 else Net(leg=(1e9, 1e9)), amps))
    assert first(data, setting=48, breaker=50, size="6-awg")[0] == "setting-too-high-for-breaker"


def tripping(amps: float, seconds: float, every: float = 1.0, **net: object) -> bytes:
    """A load whose breaker opens after so many seconds."""
    on = steps((100, 0.0), (seconds, amps), (300, 0.0), every=every)
    last = round((100 + seconds) / every)
    return text(log(lambda n: Net(**net) if n < last else Net(leg=(1e9, 1e9)), on), every=every)  # type: ignore[arg-type]


def test_a_trip_within_its_band_from_too_high_a_setting_comes_first() -> None:
    data = tripping(48, 1800)
    planned = {"setting": 48, "breaker": 40, "size": "6-awg"}
    assert answers(report(data, **planned))["trip-time-logged"] == "in-band"
    assert first(data, **planned)[0] == "setting-too-high-for-breaker"
    # The same load where 32 A were planned: somebody turned the selector.
    assert answers(report(data))["trip-time-logged"] == "in-band"
    assert first(data)[0] == "selector-too-high"


def test_a_trip_before_its_band_is_no_matter_of_the_setting() -> None:
    data = tripping(32, 1800, wire=(0.051, 0.051), joint=(0.4, 0.0))
    found = answers(report(data))
    assert (found["trip-time-logged"], found["charge-course"]) == ("before-band", "cut-off")
    assert "leg-volts-course" not in found  # one step of the load alone accuses no leg
    assert first(data)[0] == "loose-breaker-lug"


def test_a_station_that_cuts_back_for_heat_comes_first() -> None:
    found = answers(report(text(heated())))
    assert found["charge-course"] == "steps-down-warm"
    assert "amps-while-charging" not in found  # it has no one value
    assert first(text(heated()))[0] == "sun-heated-unit"


def test_a_station_that_cuts_back_in_the_sun_comes_first() -> None:
    assert first(text(heated()), (("sun-on-unit", "unit 1", "in-full-sun"),))[0] == "sun-heated-unit"


def test_a_hot_panel_comes_first() -> None:
    amps = steps((60, 0.0), (5400, 32.0), (3600, 0.0), (4000, 32.0), (300, 0.0), every=5)
    table = log(lambda n: Net() if n < 2612 else Net(leg=(1e9, 1e9)), amps)
    table["Panel (°C)"] = [67.0 if n > 1800 else 40.0 for n in range(len(amps))]
    data = text(table, every=5)
    assert answers(report(data))["breaker-trips"] == "only-in-heat"
    assert first(data)[0] == "hot-panel"


def test_a_long_run_and_a_low_supply_come_first() -> None:
    assert first(text(log(Net(wire=(0.25, 0.25)), charging())), run=100)[0] == "long-run"
    table: Table = {"L1-N (V)": [200.0 - 0.25 * a for a in charging()], "I (A)": list(charging())}
    assert first(text(table), **EUROPE)[0] == "supply-low"


def test_a_healthy_circuit_accuses_nobody() -> None:
    found = report(text(log(Net(), charging())))
    site = place()
    for t in found.taken:
        check = knowledge().checks[t.check]
        outcome, _, _ = take_answer(knowledge(), site, check, find_places(site, check.at, t.at), t.answer)
        assert outcome == check.outcome_ids[0], t


# ---- the courses: told where the log shows them, and nowhere else


def word(check: str, data: bytes, **facts: object) -> str | None:
    return answers(report(data, **facts)).get(check)


@pytest.mark.parametrize(
    ("amps", "seconds", "facts", "outcome"),
    [
        # breaker 40 A; UL 489 holds 100 % at 40 °C, opens at 135 % within 1 h and at 200 % within 4 min
        (32, 1800, {}, "before-band"), (38, 1800, {"setting": 38}, None), (48, 1800, {}, "in-band"), (48, 30, {}, None), (56, 1800, {}, "in-band"),
        (56, 4200, {}, "past-band"), (56, 3630, {}, "in-band"), (85, 120, {}, "in-band"), (85, 300, {}, "past-band"), (200, 2, {}, "at-once"),
        # IEC 60898-1: 32 A holds 1.13 times (36.2 A) for an hour, opens at 1.45 times (46.4 A) within it
        (35, 1800, {**EUROPE, "breaker": 32}, "before-band"),
        (35, 4000, {**EUROPE, "breaker": 32}, "in-band"), (40, 1800, {**EUROPE, "breaker": 32}, "in-band"),
        (50, 4200, {**EUROPE, "breaker": 32}, "past-band"),
    ],
)  # fmt: skip
def test_times_to_a_trip_by_the_points_of_the_standards(amps: float, seconds: float, facts: dict[str, object], outcome: str | None) -> None:
    every = 10.0 if seconds > 600 else 1.0
    on = steps((60, 0.0), (seconds, amps), (300, 0.0), every=every)
    last = round((60 + seconds) / every)
    title = "L1-N (V)" if facts.get("legs") == "a-n" else "L1-L2 (V)"
    table: Table = {title: [(230.0 if facts.get("legs") == "a-n" else 240.0) if n < last else 0.0 for n in range(len(on))], "I (A)": list(on)}
    assert word("trip-time-logged", text(table, every=every), **facts) == outcome


def test_no_word_on_a_trip_that_heat_another_load_or_the_log_leaves_open() -> None:
    data = tripping(32, 1800)
    assert word("trip-time-logged", data) == "before-band"
    # Two units on one branch: the other's current is not in this log.
    shared = record(count=2).replace("legs: a-b}", "legs: a-b, circuit: left}")
    found = read_meter_log(io.BytesIO(data), Asked("unit 1.csv", read_site(shared, knowledge())))
    assert "trip-time-logged" not in answers(found)
    # 32 A on a 40 A breaker in 67 °C: heat alone may open it.
    on = steps((100, 0.0), (1800, 32.0), (300, 0.0))
    hot = log(lambda n: Net() if n < 1900 else Net(leg=(1e9, 1e9)), on)
    hot["Panel (°C)"] = [67.0] * len(on)
    assert word("trip-time-logged", text(hot)) is None
    hot["Panel (°C)"] = [35.0] * len(on)
    assert word("trip-time-logged", text(hot)) == "before-band"
    # A cold breaker is worth more than its rating, and no time binds it.
    cold = flat(56, 4200)
    cold["Panel (°C)"] = [5.0] * len(cold["I (A)"])
    assert word("trip-time-logged", text(cold, every=10.0)) is None
    # One sample a minute does not know a first moment.
    slow: Table = {"L1-L2 (V)": [240.0] * 6 + [0.0] * 5, "I (A)": [0.0] * 4 + [60.0] * 2 + [0.0] * 5}
    assert word("trip-time-logged", text(slow, every=60.0)) is None


def test_the_course_of_a_charge_is_normal_only_after_an_hour() -> None:
    assert word("charge-course", text(log(Net(), charging()))) is None
    hour = report(text(log(Net(), steps((60, 0.0), (3300, 32.0), (60, 0.0)))))
    assert (answers(hour)["charge-course"], answers(hour)["trip-time-logged"]) == ("as-set", "no-trip")
    eased = steps((60, 0.0), (3300, 32.0), (300, 20.0), (300, 10.0), (60, 0.0))
    assert word("charge-course", text(log(Net(), eased))) == "as-set"
    assert word("charge-course", text(log(Net(), steps((60, 0.0), (3300, 32.0), (300, 16.0), (300, 32.0), (60, 0.0))))) is None
    low = steps((60, 0.0), (1200, 16.0), (60, 0.0))
    assert word("charge-course", text(log(Net(), low))) == "flat-below"
    assert word("charge-course", text(log(Net(), low)), setting=16) is None  # too short for as set
    assert word("charge-course", text(log(Net(), low[60:]))) is None  # its beginning is not in the log
    assert word("charge-course", text(log(Net(), steps((60, 0.0), (400, 16.0), (60, 0.0))))) is None
    assert word("charge-course", text(log(Net(), steps((60, 0.0), (1200, 4.0), (60, 0.0))))) is None  # no offer is so low
    assert word("charge-course", text(log(Net(), steps((60, 0.0), (600, 32.0), (900, 16.0), (60, 0.0))))) is None


def test_the_legs_are_steady_only_after_steps_enough() -> None:
    assert word("leg-volts-course", text(log(Net(), charging()))) == "steady"
    assert word("leg-volts-course", text(log(Net(), charging(1)))) is None
    assert word("leg-volts-course", text(log(Net(wire=(0.09, 0.09)), charging()))) is None  # between a few percent and too much
    assert word("leg-volts-course", text(log(Net(wire=(0.25, 0.25)), charging()))) == "all-sag"
    assert word("leg-volts-course", text(log(Net(joint=(0.02, 0.0)), charging()))) is None  # 0.6 V: no leg that gives way
    assert word("leg-volts-course", text(log(Net(joint=(0.06, 0.0)), charging()))) == "one-sags"
    assert word("leg-volts-course", text(log(Net(joint=(0.3, 0.0)), charging(), what="across"))) is None


def test_no_leg_is_accused_on_sound_sites_of_any_meter() -> None:
    for seed in range(16):
        draw = random.Random(seed)
        wire = draw.uniform(0.02, 0.15)
        meter = Meter(draw.choice([0.02, 0.15, 0.4]), draw.choice([0.03, 0.1, 0.3]), draw.choice([0.01, 0.1, 1.0]), 0.1, draw.uniform(0.98, 1.02))
        data = text(log(Net(wire=(wire, wire * draw.uniform(0.95, 1.05))), charging(3), seed, meter, drift=draw.choice([0.0, 4.0])))
        assert word("leg-volts-course", data) in (None, "steady", "all-sag"), seed


SEVERAL = """install-record: 1
name: Alder Court
site: {{system: {system}, wiring-rules: north-american, outdoor: yes, ambient: 30 C, journey: 30 min, load-management: {management}}}
panels: [{{breaker: 150 A, inside-temperature: 35 C}}]
units:
  count: 6
  each: {{rating: 48 A, setting: 32 A, breaker: 40 A, wire-size: 8-awg, wire-metal: copper, run-length: 20 m, legs: a-b}}
"""
MANAGED = SEVERAL.format(system="split-120-240", management="local, load-limit: 90 A")
FREE = SEVERAL.format(system="split-120-240", management="none")
WYE = SEVERAL.format(system="wye-120-208", management="none")


def feeder(*lines: list[float], gone: int | None = None) -> bytes:
    """A log of a feeder, a sample every 5 s, volts of each line and its current."""
    draw, table = random.Random(3), {}
    for k, line in enumerate(lines, 1):
        table[f"L{k}-N (V)"] = [round((120.0 if gone is None or n < gone else 0.2) + draw.gauss(0, 0.1), 1) for n in range(len(line))]
    for k, line in enumerate(lines, 1):
        table[f"I{k} (A)"] = [round(abs(x + draw.gauss(0, 0.2)), 2) for x in line]
    return text(table, every=5)  # type: ignore[arg-type]


def of_feeder(data: bytes, text_of_record: str) -> str | None:
    found = read_meter_log(io.BytesIO(data), Asked("panel 1.csv", read_site(text_of_record, knowledge())))
    harmless(found)
    assert found.drawings[0].title == "Current"
    return answers(found).get("feeder-course")


def test_the_course_of_a_feeder_and_what_comes_first() -> None:
    held = steps((600, 32), (600, 64), (2400, 90), (20, 70), (1800, 90), (600, 64), every=5)
    assert of_feeder(feeder(held, held), MANAGED) == "held-at-limit"
    assert ranked(feeder(held, held), MANAGED, "panel 1.csv")[0] == "limit-doing-its-job"
    over = steps((600, 64), (3000, 160), (600, 64), every=5)
    assert of_feeder(feeder(over, over), FREE) == "over-limit"
    assert ranked(feeder(over, over), FREE, "panel 1.csv")[0] == "feeder-overloaded"
    past = steps((600, 64), (3000, 120), (600, 64), every=5)
    assert of_feeder(feeder(past, past), MANAGED) == "over-limit"
    assert ranked(feeder(past, past), MANAGED, "panel 1.csv")[0] == "limit-set-too-high"
    fell = steps((600, 64), (3000, 160), (600, 0), every=5)
    assert of_feeder(feeder(fell, fell, gone=720), FREE) == "falls-to-nothing"
    assert ranked(feeder(fell, fell, gone=720), FREE, "panel 1.csv")[0] == "feeder-overloaded"
    busy = steps((600, 64), (4000, 100), (600, 64), every=5)
    assert of_feeder(feeder(busy, busy, [3.0] * len(busy)), WYE) == "lines-apart"
    assert ranked(feeder(busy, busy, [3.0] * len(busy)), WYE, "panel 1.csv")[0] == "stations-crowd-two-lines"
    assert of_feeder(feeder(busy, busy), FREE) == "keeps-under"


def test_no_course_of_a_feeder_where_the_log_does_not_show_it() -> None:
    busy = steps((600, 64), (4000, 96), (600, 64), every=5)
    assert of_feeder(feeder(busy), FREE) is None  # one line of two
    short = steps((600, 64), (1200, 96), (600, 64), every=5)
    assert of_feeder(feeder(short, short), FREE) is None
    # Three stations at 32 A take 96 A by themselves, limit or not.
    three = MANAGED.replace("load-limit: 90 A", "load-limit: 97 A")
    assert of_feeder(feeder(busy, busy), three) in (None, "keeps-under")
    alone = steps((600, 0), (4000, 32), (600, 0), every=5)
    assert of_feeder(feeder(alone, alone, [0.0] * len(alone)), WYE) is None  # one car on two lines is no crowd
    brief = steps((600, 64), (120, 160), (600, 64), every=5)
    assert of_feeder(feeder(brief, brief), FREE) is None
    unknown = FREE.replace("panels: [{breaker: 150 A, inside-temperature: 35 C}]\n", "")
    assert of_feeder(feeder(busy, busy), unknown) is None


def test_steps_with_others_need_the_others_in_the_log() -> None:
    on = steps((60, 0.0), (600, 32.0), (600, 16.0), (600, 24.0), (300, 32.0), (60, 0.0))
    table = log(Net(), on)
    for column_of_feeder, outcome in (
        (None, None), ([0.0 if n < 60 else 64.0 for n in range(len(on))], "steps-with-others"),
        ([a + 30 for a in on], None),
    ):
        both: Table = {**table, "Feeder I1 (A)": list(column_of_feeder)} if column_of_feeder else table
        found = read_meter_log(io.BytesIO(text(both)), Asked("unit 1.csv", read_site(MANAGED, knowledge())))
        assert answers(found).get("charge-course") == outcome
        # The feeder's current is not taken for the unit's.
        assert found.figures["levels"][1]["amps"] == pytest.approx(32, abs=0.2)
        if outcome:
            assert ranked(text(both), MANAGED, "unit 1.csv")[0] == "limit-doing-its-job"


# ---- drawings


def test_the_current_is_drawn_with_its_steps_trips_and_cuts() -> None:
    current, volts, heat = report(text(heated())).drawings
    assert (current.title, volts.title, heat.title) == ("Current", "L1-L2 (V)", "Station inside (°C)")
    assert (current.trace.unit, volts.trace.unit, heat.trace.unit) == ("A", "V", "°C")
    assert all(len(d.trace.low) == len(d.trace.high) <= 600 for d in (current, volts, heat))
    assert sum("cut back to 16.0 A at 61.9 °C" in m.text for m in current.marks) == 6
    # the first cut, where the column falls: the mark and the curve agree
    at = next(m.at for m in current.marks if "cut back" in m.text)
    column_at = int(at / current.trace.end * len(current.trace.low))
    assert current.trace.low[column_at - 3] > 30
    assert current.trace.high[column_at + 3] < 18
    trip = report(tripping(48, 1800)).drawings
    assert [m.text for m in trip[0].marks] == ["current and volts go together, 30 min after the load came on"]
    assert trip[0].marks[0].at == pytest.approx(1900, abs=1)
    past = report(text(flat(57, 4200), every=10.0)).drawings[0]
    assert past.marks[0].text == "the 40 A breaker has to be open by now"
    assert past.marks[0].at == pytest.approx(3660, abs=20)


def test_legs_are_drawn_where_they_tell_something() -> None:
    assert [d.title for d in report(text(log(Net(), charging()))).drawings] == ["Current", "L1-L2 (V)"]
    joint = report(text(log(Net(joint=(0.3, 0.0)), charging()))).drawings
    assert [d.title for d in joint] == ["Current", "L1-L2 (V)", "L1-G (V)", "L2-G (V)"]
    lost = log(Net(), [a if n < 400 else 0.0 for n, a in enumerate(charging(2))])
    lost["L2-G (V)"] = [v if n < 400 else 3.1 for n, v in enumerate(lost["L2-G (V)"])]
    drawn = report(text(lost)).drawings[3]
    assert [(round(m.at), m.text) for m in drawn.marks] == [(400, "leg B is lost")]
    assert max(drawn.trace.high[-100:]) == pytest.approx(3.1)
    assert [d.title for d in report(text({"Panel (°C)": [30.0 + n / 10 for n in range(200)]})).drawings] == ["Panel (°C)"]


def test_a_gap_is_drawn_as_one_and_a_short_log_too() -> None:
    rows = text(log(Net(), steps((300, 32.0)))).split(b"\n")
    torn = report(b"\n".join(rows[:60] + rows[200:])).drawings[0].trace
    assert sum(v != v for v in torn.low) == pytest.approx(140 / 300 * len(torn.low), abs=6)
    tiny = report(b"Time,L1-L2 (V),I (A)\n10:00:00,240,32\n10:00:01,240,32\n10:00:02,240,32\n").drawings
    assert [len(d.trace.low) for d in tiny] == [3, 3]


# ---- (f) hostile and malformed


def test_recognised_and_not_mixed_up() -> None:
    for shape in ({}, {"separator": ";", "comma": True}, {"time": "elapsed", "separator": "\t"}, {"time": "us"}, {"units": True, "time": "seconds"}):
        found = recognise(text(log(Net(), charging(1)), **shape)[:HEAD], "x.csv")  # type: ignore[arg-type]
        assert [i.kind for _, i in found] == ["meter-log"], shape
    scope = "Time (s),CH1 (V)\n" + "".join(f"{n * 2e-8:.8f},{0.3 + n % 7 / 10:.3f}\n" for n in range(3000))
    assert [i.kind for _, i in recognise(scope.encode(), "x.csv")] == ["waveform"]
    slow = "Time (s),V (V)\n" + "".join(f"{n},{230 + n % 7 / 10:.1f}\n" for n in range(3000))
    assert [i.kind for _, i in recognise(slow.encode(), "x.csv")] == ["meter-log"]
    for other in (
        b"Time,Message\n10:00:00,hello\n10:00:01,there\n", b"install-record: 1\n", bytes(range(256)) * 4,
        b"a,b\n1,2\n3,4\n", b"[2,\"1\",\"Heartbeat\",{}]\n",
    ):
        assert all(i.kind != "meter-log" for _, i in recognise(other, "x.csv"))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"), (b"Time,V\n", "no rows"), (b"hello\nthere\n", "no rows"), ("Time,V (V)\n10:00,1\n".encode("utf-16"), "no rows"),
        (b"Time,x\n10:00:00,1\n10:00:01,2\n10:00:02,2\n", "no column of volts"), (b"V (V),I (A)\n1,2\n2,3\n3,4\n", "no column of times"),
        (b"Time,V (V)\n10:00:00,1\n10:00:01,2\n", "only 2 samples"),
        (b"Time,V (V)\n" + b"".join(b"10:00:%02d,240\n" % (59 - n) for n in range(60)), "oldest row first"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_said_in_a_line(data: bytes, words: str) -> None:
    with pytest.raises(EvidenceError, match=re.escape(words) if words != "only 2 samples" else "only 2"):
        read_meter_log(io.BytesIO(data), Asked("x.csv"))


GOOD = [
    text(log(Net(joint=(0.1, 0.0)), charging(1, on=20, off=15))), text(log(Net(), charging(1, on=20, off=15)), ";", True, time="clock"),
    text(log(Net(), charging(1, on=20, off=15), what="across neutral"), "\t", time="elapsed", units=True),
    text(log(Net(), charging(1, on=20, off=15)), time="us"),
]  # fmt: skip


def test_damaged_logs_do_no_harm() -> None:
    assert torture(read_meter_log, "unit 3 meter.csv", GOOD, 200, 17) > 100


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, 3),
    st.lists(
        st.tuples(
            st.integers(0, 4000), st.integers(0, 60),
            st.one_of(st.binary(max_size=12), st.sampled_from(NASTY)),
        ),
        max_size=6,
    ),
)
def test_no_mutation_ends_in_a_traceback(which: int, cuts: list[tuple[int, int, bytes]]) -> None:
    data = bytearray(GOOD[which])
    for at, gone, put in cuts:
        data[at : at + gone] = put
    said = ""
    try:
        found = read_meter_log(io.BytesIO(bytes(data)), Asked("x.csv", place()))
    except EvidenceError as error:
        said = str(error)
    if said:
        assert said.isprintable()
        return
    harmless(found)
    lines = bytes(data).replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    assert found.understood + found.not_understood <= lines


def test_titles_and_cells_cannot_paint() -> None:
    table = log(Net(), charging(1))
    table["Lug \x1b[31mL1\x07 (°C)"] = [50.0] * 480
    table["\u202ePF[bold]"] = [1.0] * 480
    data = text(table).replace(b"Time,", b"\x1b]0;owned\x07Time,")
    harmless(report(data))
    json.dumps(report(data).figures, allow_nan=False)


def test_no_text_makes_it_search_for_ever() -> None:
    for piece in (*LONG_WINDED, "1,", "1;2,", "10:00:00,", "L1-L2 (V),", '",', "(", "1 "):
        line = (piece * 30_000)[:30_000]
        for body in (line, "\n".join([line[:4000]] * 8), "Time,V (V)\n" + "\n".join([line[:4000]] * 8)):
            with suppress(EvidenceError):
                harmless(read_meter_log(io.BytesIO(body.encode()), Asked("x")))


def test_the_page_tells_the_truth() -> None:
    page = (Path(__file__).parents[2] / "docs/evidence/meter-log.md").read_text(encoding="utf-8")
    sample, table = re.findall(r"```text\n(.*?)```", page, re.S)[:2]
    head, *rest = sample.strip().split("\n")
    # The page shows every tenth second of this log.
    data = text(log(Net(wire=(0.051, 0.051), joint=(0.12, 0.0)), charging(2, on=120, off=60), seed=4, meter=Meter(0.05, 0.05)), time="clock")
    lines = data.decode().strip().split("\n")
    assert [head, *rest] == [lines[0], *lines[1:4], "...", *lines[62:65], "..."]
    found = report(data)
    shown = [f"{t.check:<22}{t.at:<8}{t.answer:<12}{t.lines}".rstrip() for t in found.taken]
    assert table.strip().split("\n") == [*found.says, "", *shown]
    assert set(re.findall(r"^\| `(\w+)`", page, re.M)) == set(found.figures)


def test_a_lower_level_held_for_hours_is_no_course_as_set() -> None:
    """At the setting first and at half of it for four hours: not as set, and whose limit it is cannot be told."""
    rows = ["Time,L1-L2 (V),I1 (A)"]
    for k in range(600):
        amps = 0.0 if k < 60 else 32.0 if k < 350 else 16.0
        rows.append(f"{9 + k // 60:02d}:{k % 60:02d}:00,{240 - 0.2 * amps:.1f},{amps:.2f}")
    report = read_meter_log(io.BytesIO("\n".join(rows).encode()), Asked("unit 1.csv", place()))
    assert "charge-course" not in {t.check for t in report.taken}
