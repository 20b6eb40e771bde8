"""Oscilloscope recordings: reading, decoding, levels, echoes placed on the record, readings, drawings, hostile files."""

from __future__ import annotations

import gzip
import io
import json
import math
import re
import shutil
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from diagnose.casework.assess import Assessor, plain
from diagnose.casework.events import Event
from diagnose.casework.state import find_places, read_site, take_answer
from diagnose.evidence.reader import Asked, EvidenceError
from diagnose.evidence.scope.echo import find_echo
from diagnose.evidence.scope.echo_model import WANTED, Response, pair_of, slopes, step_response
from diagnose.evidence.scope.echo_place import locate
from diagnose.evidence.scope.echo_stack import one_sender
from diagnose.evidence.scope.find import find, probe_unit
from diagnose.evidence.scope.read import WaveRows, layout
from diagnose.evidence.scope.reader import read, report
from diagnose.evidence.scope.scan import Envelope, Scan
from diagnose.evidence.scope.uart import decode
from diagnose.knowledge.load import load
from diagnose.physics.reflections import echo_train, gamma
from diagnose.physics.serial import with_crc
from diagnose.site.model import Site
from tests.evidence import chains
from tests.evidence.chains import Drop
from tests.evidence.netlists import make
from tests.evidence.waves import REQUEST, SPEED, csv, edges_of, response, wave

SITES = Path(__file__).parents[1] / "sites"
PAIR = pair_of(24, 120, 0.66)
K = load()


@lru_cache(maxsize=8)
def site_of(**lengths: object) -> Site:
    """Eleven units, 30 m apart: a trunk of 300 m, or as asked."""
    text = (
        "install-record: 1\nname: Larch Lane\nunits: {count: 11}\ntrunks:\n  - units: 1-11\n    controller: 1\n"
        f"    segment-length: {lengths.get('segment', '30 m')}\n    kind: rs485\n    cable: 24-awg\n    impedance: 120 ohm\n"
        f"{'' if lengths.get('no_velocity') else '    velocity-factor: 0.66' + chr(10)}"
        "    bit-rate: 19200\n    parity: even\n    terminators-at: [1, 11]\n    terminator-ohms: 120 ohm\n    terminator-kind: resistor\n"
        "    bias: controller\n    bias-ohms: 560 ohm\n    bias-supply: 5 V\n    unit-load: 0.125\n"
    )
    return read_site(text, K)


def echo_of(name: object, **options: object):  # type: ignore[no-untyped-def]
    t, y = wave(name, **{"pause": 200e-6, **options})  # type: ignore[arg-type]
    scan = Scan()
    scan.feed(t, y)
    scan.finish()
    return find_echo(one_sender(scan.windows(), scan.noise), PAIR)


_SEEN: dict[object, object] = {}


def looked_at(name: str, site: Site | None = None, probe: str | None = None, **options: object):  # type: ignore[no-untyped-def]
    key = (name, id(site), probe, tuple(sorted(options.items())))
    if key not in _SEEN:
        t, y = wave(name, **options)  # type: ignore[arg-type]
        _SEEN[key] = (find(io.BytesIO(csv(t, y)), site, probe), site)  # the site stays alive, so its id stays its own
    return _SEEN[key][0]  # type: ignore[index]


# ---- the model against closed forms


def test_step_response_is_the_echo_train() -> None:
    """A lossless line, seen at its sender: V(1 + (1 + Gs) sum), by the closed form of the train at the load."""
    source, load = gamma(40, 120), gamma(1e9, 120)
    step, tau = 5e-9, 1e-6
    h = step_response(Response(0.2e-6, 20e-9, 1e-12, source, tau, load, 0.0, 0.0), 2048, step)
    at_load = echo_train(1.0, 40, 120, 1e9, 4)
    first = 120 / 160
    for k in range(4):  # between the k-th and the next return at the sender
        when = 0.2e-6 + (2 * k + 1) * tau
        expected = first * (1 + sum((1 + source) * load * (source * load) ** j for j in range(k)))
        assert h[int(when / step)] == pytest.approx(expected, abs=2e-3)
    assert at_load[0] == pytest.approx(1.5)
    assert abs(h[int(0.1e-6 / step)]) < 2e-3


def test_branch_gives_the_textbook_dip() -> None:
    """An open branch on a matched trunk cuts a third of the wave for its own round trip."""
    step = 5e-9
    h = step_response(Response(0.2e-6, 20e-9, 1e-12, 0.0, 1e-6, 0.0, 0.0, 0.0, stub=0.25e-6), 2048, step)
    assert h[int(2.45e-6 / step)] / 0.5 == pytest.approx(2 / 3, abs=2e-3)
    assert h[int(2.95e-6 / step)] / 0.5 == pytest.approx(1.1111, abs=2e-3)


# ---- echoes against the circuit simulator

CASES = [
    ("branch", 600, "lossless"), ("short", 150, "lossless"), ("extra", 300, "lossy"), ("lower", 20, "lossy"), ("joint", 600, "lossy"),
    ("open", 20, "lossless"), ("missing", 600, "lossy"), ("short", 60, "lossless"), ("doubled", 150, "lossy"),
    ("extra", 60, "lossless"), ("higher", 300, "lossy"), ("lower", 150, "lossless"), ("branch", 20, "lossy"),
]  # fmt: skip
FACTOR = {
    "open": 1.0, "missing": 0.98, "short": -0.99, "doubled": -1 / 3, "extra": -1 / 3, "joint": 0.2,
    "higher": 0.2, "lower": -1 / 7, "branch": -1 / 3,
}


@pytest.mark.parametrize(("kind", "metres", "loss"), CASES)
def test_simulated_faults_are_found(kind: str, metres: int, loss: str) -> None:
    echo = echo_of(f"{kind}-{metres}-{loss}")
    assert echo.shape == ("branch" if kind == "branch" else "step")
    found = echo.delay * SPEED / 2
    assert abs(found - metres) <= max(2.0, 0.03 * metres)
    assert echo.delay_bar * SPEED / 2 < max(2.0, 0.03 * metres)
    assert echo.factor == pytest.approx(FACTOR[kind], abs=0.06)
    if kind == "branch":
        assert echo.branch * SPEED == pytest.approx(30.0, abs=2.0)


@pytest.mark.parametrize("metres", [60, 600])
def test_a_sound_trunk_has_no_echo(metres: int) -> None:
    assert echo_of(f"sound-{metres}-lossy").shape == "none"


def test_a_slow_edge_hides_what_is_near() -> None:
    a = looked_at("open-20-lossless", site_of(), ramp=600e-9, step=50e-9)
    assert a.echo is not None
    limit = a.echo.nearest * SPEED / 2
    assert limit > 20
    words = " ".join(report(a).says)
    assert re.search(r"the edge takes \d+ ns: nothing nearer than \d+ m can be told", words)
    if a.echo.shape != "none":
        assert a.echo.delay >= a.echo.nearest or "where and what cannot be told" in words
    assert "echo" not in report(a).figures or abs(a.spot.metres - 20) <= a.spot.bar + 2  # type: ignore[union-attr]


def test_coarse_samples_set_the_limit() -> None:
    """Two samples to an edge: the limit is stated, and a place, if one is told at all, is the right one."""
    a = looked_at("open-600-lossless", site_of(), step=400e-9)
    assert "samples stand 400 ns apart: nothing nearer than 79 m can be told" in report(a).says
    if a.spot is not None:
        assert abs(a.spot.metres - 600) < 18
    else:
        assert any("no distance can be told" in line for line in report(a).says)


def test_echoes_that_outlast_a_bit_are_found_all_the_same() -> None:
    """At 115200 bit/s a bit lasts one and a half round trips of 600 m."""
    echo = echo_of("missing-600-lossy", rate=115_200, pause=100e-6)
    assert abs(echo.delay * SPEED / 2 - 600) < 18


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the circuit simulator is not installed")
@pytest.mark.parametrize(("kind", "metres", "lossy"), [("doubled", 150, False), ("open", 60, True)])
def test_stored_responses_are_the_simulators(kind: str, metres: int, lossy: bool) -> None:
    stored = gzip.decompress((make.DATA / f"{make.name(kind, metres, lossy)}.csv.gz").read_bytes()).decode()
    fresh = make.compute((make.HERE / f"{make.name(kind, metres, lossy)}.cir").read_text())
    old, new = (np.loadtxt(text.splitlines(), delimiter=",") for text in (stored, fresh))
    grid = np.linspace(0, old[-1, 0], 500)
    assert np.abs(np.interp(grid, *old.T) - np.interp(grid, *new.T)).max() < 2e-3


def test_netlists_are_those_of_the_script() -> None:
    for kind in make.KINDS:
        for metres in make.LENGTHS:
            for lossy in (False, True):
                assert (make.HERE / f"{make.name(kind, metres, lossy)}.cir").read_text() == make.netlist(kind, metres, lossy)


@pytest.mark.parametrize(
    ("name", "metres", "options"),
    [
        ("doubled-150-lossy", 150.0, {"end": 60.0}), ("missing-300-lossless", 300.0, {"end": 12_000.0, "lossy": False}),
        ("extra-60-lossy", 102.0, {"across": [(60.0, 120.0)]}),
        ("branch-150-lossless", 255.0, {"branches": [Drop(150.0, 30.0, 1e6, 0.0)], "lossy": False}),
    ],
)  # fmt: skip
def test_two_references_agree(name: str, metres: float, options: dict[str, object]) -> None:
    """The circuit simulator in time and the network library in frequency, neither of them the project's model."""
    pytest.importorskip("skrf")
    t, v = chains.response(metres, skin=False, **options)  # type: ignore[arg-type]
    rt, rv = response(name)
    grid = np.linspace(-0.2e-6, min(rt[-1], 20e-6), 3000)
    off = np.interp(grid, t, v) - np.interp(grid, rt, rv)
    assert np.sqrt(np.mean(off**2)) < 1e-3
    assert np.abs(off).max() < 0.012  # at the ramp's corners, which 30 MHz round off


@pytest.mark.parametrize(
    ("form", "kind", "metres", "options"),
    [
        ("gauss", "end", 400.0, {"end": 60.0}), ("cosine", "end", 90.0, {"end": None}),
        ("exponential", "pass", 350.0, {"across": [(200.0, 120.0)]}), ("cosine", "branch", 350.0, {"branches": [Drop(200.0, 25.0, 12_000, 20e-12)]}),
    ],
)  # fmt: skip
def test_skin_effect_and_other_edges_are_borne(form: str, kind: str, metres: float, options: dict[str, object]) -> None:
    """Faults by the network library, with skin effect by Bessel functions and edges that the model does not have."""
    pytest.importorskip("skrf")
    echo = echo_of(chains.response(metres, form=form, **options))  # type: ignore[arg-type]
    true = metres if kind == "end" else 200.0
    assert echo.shape == ("branch" if kind == "branch" else "step")
    found, bar = echo.delay * SPEED / 2, echo.delay_bar * SPEED / 2
    assert abs(found - true) <= max(2.0, 0.03 * true)
    assert abs(found - true) <= bar + 0.6  # the far station's own capacitance delays as some cable would
    assert bar < max(2.0, 0.03 * true)


def test_a_sound_chain_of_stations_is_left_alone_and_a_fault_in_it_found() -> None:
    """Ten stations on drops over 300 m: nothing but a word on unevenness; with an extra terminator, that one at its place."""
    pytest.importorskip("skrf")
    stations = [Drop(15.0 * n, 0.4, 12_000, 25e-12) for n in range(1, 21, 2)]
    assert echo_of(chains.response(300.0, branches=stations), pause=200e-6).shape == "none"
    site = site_of(segment="30 m")
    t, y = wave(chains.response(300.0, branches=stations, across=[(165.0, 120.0)]))
    a = find(io.BytesIO(csv(t, y)), site)
    assert a.spot is not None
    assert a.spot.kind == "extra terminator"
    assert abs(a.spot.metres - 165) <= min(a.spot.bar, 5.0)


def test_derivatives_are_those_of_the_response() -> None:
    names = [n for n in WANTED if n != "load"]
    r = Response(0.3e-6, 100e-9, 15e-9, -0.6, 0.75e-6, 0.0, PAIR.loss, PAIR.skin, stub=0.15e-6, beyond=1e-6, last=0.2, second=40e-9)
    h, d = slopes(r, 1500, 10e-9, names, PAIR)
    assert np.abs(h - step_response(r, 1500, 10e-9)).max() < 1e-12
    for row, name in zip(d, names, strict=True):
        value = getattr(r, name)
        if name in ("loss", "skin"):
            moved, e = [r._replace(**{name: value + 0.1 * getattr(PAIR, name)}), r], 0.1
        elif name == "centre":
            moved, e = [r._replace(centre=value + s * 1e-12) for s in (1, -1)], 2e-12
        elif name in ("source", "last"):
            moved, e = [r._replace(**{name: math.tanh(math.atanh(value) + s * 1e-5)}) for s in (1, -1)], 2e-5
        else:
            moved, e = [r._replace(**{name: value * math.exp(s * 1e-5)}) for s in (1, -1)], 2e-5
        high, low = (step_response(m, 1500, 10e-9) for m in moved)
        assert np.abs((high - low) / e - row).max() < 1e-5 * np.abs(row).max(), name


# ---- place and kind on the record


def test_kinds_and_places() -> None:
    site = site_of()
    for name, kind, place in (
        ("missing-300-lossy", "missing terminator", "far end"), ("doubled-300-lossy", "doubled terminator", "far end"),
        ("open-150-lossy", "open", "segment 5-6"), ("extra-60-lossless", "extra terminator", "segment 2-3"),
    ):  # fmt: skip
        a = looked_at(name, site, step=40e-9)
        assert a.spot is not None, name
        assert a.spot.kind == kind, name
        assert place in a.spot.places, (name, a.spot.places)


def test_a_point_within_a_segment_names_that_segment_alone() -> None:
    a = looked_at("open-150-lossy", site_of(segment="40 m"), step=40e-9)
    assert a.spot is not None
    assert a.spot.places == ("segment 4-5",)
    assert a.spot.unit is None


def test_an_unknown_velocity_widens_the_bar_and_says_so() -> None:
    known, unknown = (looked_at("missing-300-lossy", s, step=40e-9) for s in (site_of(), site_of(no_velocity=True)))
    assert known.spot is not None
    assert unknown.spot is not None
    assert unknown.spot.bar > 5 * known.spot.bar
    assert abs(unknown.spot.metres - 300) <= unknown.spot.bar
    assert any("no velocity factor" in line for line in report(unknown).says)


def test_a_probe_in_the_middle_names_both_ways() -> None:
    site = site_of()
    a = looked_at("open-60-lossless", site, "unit 6")
    assert a.spot is not None
    assert {"segment 7-8", "segment 8-9"} & set(a.spot.places)
    assert {"segment 3-4", "segment 4-5"} & set(a.spot.places)
    assert any("both ways" in note for note in a.spot.notes)


def test_the_probes_place_comes_from_a_comment_or_the_caller() -> None:
    t, y = wave("sound-60-lossy", step=40e-9)
    data = csv(t, y, head="# probe: unit 4\nTime (s),CH1 (V)\n")
    assert find(io.BytesIO(data), site_of()).probe == 4
    assert find(io.BytesIO(data), site_of(), "far end").probe == 11
    with pytest.raises(EvidenceError, match="unit 5"):
        probe_unit(site_of(), "unit 40")
    with pytest.raises(EvidenceError, match="unit 5"):
        probe_unit(site_of(), "roof")


# ---- characters


@pytest.mark.parametrize("rate", [1200, 9600, 19_200, 38_400, 115_200])
@pytest.mark.parametrize(("parity", "stops", "form"), [("even", 1, "8E1"), ("odd", 1, "8O1"), ("none", 2, "8N2"), ("none", 1, "8N1")])
def test_bit_rate_form_and_bytes(rate: int, parity: str, stops: int, form: str) -> None:
    rng = np.random.default_rng(rate + stops)
    frames = [(0.01, REQUEST), (0.01 + 400 / rate, with_crc(bytes([1, 3, 6, 2, 9, 0, 17, 255, 3])))]
    edges = edges_of(frames, rate * 1.004, parity, stops)
    times = [t + rng.normal(0, 0.01 / rate) for t, _ in edges]
    d = decode(times, [s for _, s in edges])
    assert d is not None
    assert d.clock.standard == rate
    assert d.clock.rate == pytest.approx(rate * 1.004, rel=2e-3)
    assert d.form() == form
    assert [f.data for f in d.frames] == [f for _, f in frames]
    assert all(f.crc_good for f in d.frames)
    assert d.frames[0].is_request
    assert not d.frames[1].is_request


def test_an_inverted_probe_is_noticed_and_no_idle_is_taken() -> None:
    t, y = wave("sound-60-lossy", idle=0.25, step=40e-9)
    a = find(io.BytesIO(csv(t, -y)), site_of())
    assert a.decoded is not None
    assert a.decoded.inverted
    assert a.decoded.frames[0].data == REQUEST
    assert a.idle_v is None
    assert "exchanged" in a.idle_why
    assert not any(x.check == "idle-volts" for x in report(a).taken)


def test_exchanged_wires_are_taken_where_the_leads_are_sure() -> None:
    """Beyond an exchanged pair the frames stand on their head; titles with + and -, or a comment, rule out the leads."""
    t, y = wave("sound-60-lossy", idle=0.25, step=40e-9)
    site = site_of()
    whole = csv(t, -y, "# probe: unit 7\n# leads: checked\nTime (s),CH1 (V)\n")
    taken = {x.check: x.answer for x in report(find(io.BytesIO(whole), site)).taken}
    assert taken["pair-volts-at-unit"] == "reversed"
    rows = "\n".join(f"{a:.9g},{2.5 - b / 2:.4f},{2.5 + b / 2:.4f}" for a, b in zip(t, -y, strict=True))
    a = find(io.BytesIO(f"Time,D0 (-),D1 (+)\ns,V,V\n{rows}\n".encode()), site, "far end")
    (volts,) = [x for x in report(a).taken if x.check == "idle-volts"]
    outcome, _, _ = take_answer(K, site, K.checks["idle-volts"], find_places(site, "trunk-end", volts.at), volts.answer)
    assert outcome == "reversed"


def test_noise_is_no_frame() -> None:
    rng = np.random.default_rng(3)
    assert decode(list(np.cumsum(rng.exponential(1e-4, 300))), [1, -1] * 150) is None


# ---- readings


def test_readings_are_valid_answers_and_name_the_true_fault() -> None:
    """What the recording says, taken as answers, brings the true fault to the top."""
    site_text = (SITES / "harbour-12.yaml").read_text().replace("segment-length: 12 m", "segment-length: 13.7 m")
    site = read_site(site_text, K)
    a = looked_at("missing-150-lossy", site, idle=0.484, step=40e-9)
    taken = report(a).taken
    assert {t.check for t in taken} == {"scope-look", "idle-volts", "echo-from-end", "controller-port-shown"}
    for t in taken:
        check = K.checks[t.check]
        outcome, _, _ = take_answer(K, site, check, find_places(site, check.at, t.at), t.answer)
        assert outcome in check.outcome_ids
    rows: list[tuple[str, dict[str, object]]] = [
        (
            "opened",
            {"title": "polls are lost", "record": site_text.replace("bit-rate: 19200", "bit-rate: 115200")},
        )
    ]
    rows += [("reading", {"check": t.check, "at": t.at, "answer": t.answer}) for t in taken if t.check != "controller-port-shown"]
    events = [
        Event(f"e{n}", "C-7K3Q4", n, "2031-04-05T06:07:08.123Z", kind, data, "t")  # type: ignore[arg-type]
        for n, (kind, data) in enumerate(rows, 1)
    ]
    suspects = Assessor(K, plain).assess(events).suspects
    assert suspects[0].fault == "far-terminator-missing"


def test_levels_and_shapes() -> None:
    site = site_of()
    shapes = {
        "clean": looked_at("sound-150-lossy", site, idle=0.25, step=40e-9), "ringing": looked_at("missing-300-lossy", site, idle=0.48, step=40e-9),
        "idle-floats": looked_at("extra-150-lossy", site, idle=0.15, step=40e-9),
        "low-swing": looked_at("sound-150-lossy", site, idle=0.25, swing=1.2, step=40e-9),
        "held": looked_at("short-20-lossless", site, idle=0.0, step=80e-9),
    }  # fmt: skip
    assert {k: a.shape for k, a in shapes.items()} == {k: k for k in shapes}
    assert shapes["clean"].idle_v == pytest.approx(0.25, abs=0.005)
    assert shapes["clean"].driven == pytest.approx(3 * 0.6, rel=0.12)


def test_a_wrong_rate_on_the_wire_is_taken() -> None:
    a = looked_at("sound-60-lossy", site_of(), rate=9600, step=80e-9)
    assert [t.answer for t in report(a).taken if t.check == "controller-port-shown"] == ["wrong-serial"]


def test_a_quiet_line_gives_its_idle_voltage_alone() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(20_000) * 1e-6
    a = find(io.BytesIO(csv(t, 0.254 + rng.normal(0, 0.01, len(t)))), site_of())
    taken = report(a).taken
    assert [x.check for x in taken] == ["idle-volts"]
    assert taken[0].answer == "254 mV"
    assert a.shape == ""


def test_a_driver_that_stays_on_hides_the_bias() -> None:
    a = looked_at("sound-60-lossy", site_of(), step=40e-9)
    assert a.idle_v is None
    assert "driver holds" in a.idle_why


def test_the_name_may_say_where_the_probe_sat() -> None:
    t, y = wave("open-60-lossy", step=100e-9)
    site = site_of()
    for name, unit in (("unit 3 scope.csv", 3), ("scope_unit-3.csv", 3), ("scope.csv", 1), ("far end x.csv", site.trunks[0].units[-1])):
        assert read(io.BytesIO(csv(t, y)), Asked(name, site)).figures["probe_unit"] == unit


# ---- drawings


def test_the_echo_is_marked_where_it_is() -> None:
    a = looked_at("missing-300-lossy", site_of(), step=40e-9)
    edge, whole = report(a).drawings
    assert a.echo is not None
    assert [m.at for m in edge.marks] == [0.0, a.echo.delay]
    assert edge.marks[1].text.startswith("echo: missing terminator, 29")  # ten units on the record, none on the cable
    assert whole.trace.start == a.scan.start
    assert max(whole.trace.high) == pytest.approx(a.driven, rel=1.0)


def test_envelope_keeps_extremes_and_mean() -> None:
    rng = np.random.default_rng(2)
    y = rng.normal(0, 1, 300_000)
    env = Envelope()
    for at in range(0, len(y), 7919):
        env.feed(y[at : at + 7919])
    assert len(env.low) <= 4096
    assert min(env.low) == y.min()
    assert max(env.high) == y.max()
    assert sum(env.total) == pytest.approx(y.sum())


def test_figures_are_json() -> None:
    a = looked_at("open-150-lossy", site_of(), step=40e-9)
    assert json.loads(json.dumps(report(a).figures))["echo"]["kind"] == "open"
    assert layout(b"t,v\n1,2\n2,3\n3,4\n").columns == 2
    assert WaveRows(io.BytesIO(b"t,v\n1,2\n2,3\n3,4\n")).layout.header_lines == 1
    assert locate(a.echo, None, None, None).kind == "open"  # type: ignore[union-attr, arg-type]


def test_the_pages_example() -> None:
    """The sentences of the page are the ones that come out: a chain of ten stations 15 m apart, no terminator at its end."""
    pytest.importorskip("skrf")
    page = (Path(__file__).parents[2] / "docs" / "evidence" / "waveform.md").read_text()
    wanted = page.split("```text\n")[2].split("```")[0].strip().splitlines()
    stations = [Drop(15.0 * n, 0.4, 96_000, 20e-12) for n in range(1, 11)]
    curve = chains.response(150.0, end=None, branches=stations)
    t, y = wave(curve, idle=0.35, noise=0.02)
    a = find(io.BytesIO(csv(t, y)), site_of(segment="15 m"))
    said = report(a).says
    numbers = re.compile(r"[\d.]+")
    # A digit in the last place may differ from one machine's arithmetic to another's.
    assert [numbers.sub("#", w) for w in wanted if numbers.sub("#", w) not in {numbers.sub("#", s) for s in said}] == []
    assert a.spot is not None
    assert abs(a.spot.metres - 150) < 3
    assert "19200 bit/s, 8E1, 1 frames" in said
