"""The resistor network against an independent nodal solution with numpy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.physics.network import Network
from diagnose.physics.trunk import ALTERATIONS, SHORT_OHMS, UNIT_LOAD_OHMS, Bias, Pair, alter


def nodal_voltages(links, fixed, injected):
    """Node voltages by the conductance matrix; `links` is a list of (a, b, ohm)."""
    names = sorted({n for a, b, _ in links for n in (a, b)} | set(fixed), key=str)
    index = {n: i for i, n in enumerate(names)}
    matrix, right = np.zeros((len(names), len(names))), np.zeros(len(names))
    for a, b, ohms in links:
        i, j = index[a], index[b]
        matrix[i, i] += 1 / ohms
        matrix[j, j] += 1 / ohms
        matrix[i, j] -= 1 / ohms
        matrix[j, i] -= 1 / ohms
    for name, amps in injected.items():
        right[index[name]] += amps
    for name, volts in fixed.items():
        matrix[index[name]] = 0
        matrix[index[name], index[name]] = 1
        right[index[name]] = volts
    return dict(zip(names, np.linalg.solve(matrix, right), strict=True))


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6), st.floats(0.5, 5000)), max_size=14),
    st.lists(st.floats(0.5, 5000), min_size=6, max_size=6),
)
def test_any_network_against_nodal(extra, chain):
    links = [(n, n + 1, ohms) for n, ohms in enumerate(chain)] + [(a, b, r) for a, b, r in extra if a != b]
    net = Network()
    for link in links:
        net.join(*link)
    reference = nodal_voltages(links, {0: 0.0}, {6: 1.0})
    assert net.resistance(0, 6) == pytest.approx(reference[6], rel=1e-9)
    held = nodal_voltages(links, {0: 0.0, 6: 5.0}, {})
    assert net.voltage(3, {0: 0.0, 6: 5.0}) == pytest.approx(held[3], rel=1e-9)


def test_floating_and_unknown_points():
    net = Network()
    net.join("a", "b", math.inf)
    net.join("c", "d", 5.0)
    assert net.resistance("a", "b") == math.inf
    assert net.resistance("a", "nowhere") == math.inf
    assert net.resistance("a", "a") == 0.0
    assert net.voltage("c", {"a": 3.0}) is None
    assert net.voltage("a", {"a": 3.0}) == 3.0
    with pytest.raises(ValueError, match="zero or above"):
        net.join("a", "b", -1)


def ladder_links(segments, terminators, biases, receivers, opens, shorts, swaps):
    """The same trunk written a second time, independently: nodes are (wire, place in halves of a segment)."""
    links = []
    for n, loop in enumerate(segments):
        for half in range(2):
            a, b = 2 * n + half, 2 * n + half + 1
            for wire in "+-":
                if half == 1 and wire in opens.get(n, ""):
                    continue
                to = wire if not (half == 1 and n in swaps) else {"+": "-", "-": "+"}[wire]
                links.append(((wire, a), (to, b), loop / 4))
    links += [(("+", 2 * at), ("-", 2 * at), ohms) for at, ohms in terminators]
    links += [(("+", 2 * n + 1), ("-", 2 * n + 1), SHORT_OHMS) for n in shorts]
    links += [((w, 2 * at), "common", UNIT_LOAD_OHMS / load) for at, load in receivers.items() for w in "+-"]
    for at, ohms, rail in biases:
        links += [(("+", 2 * at), rail, ohms), (("-", 2 * at), "common", ohms)]
    return links


wirings = st.fixed_dictionaries(
    {
        "segments": st.lists(st.floats(0.5, 40), min_size=3, max_size=3),
        "terminators": st.lists(st.tuples(st.integers(0, 3), st.sampled_from([100.0, 120.0, 150.0])), max_size=4),
        "bias_at": st.lists(st.integers(0, 3), min_size=1, max_size=3),
        "receivers": st.just(dict.fromkeys(range(4), 1.0)),
        "opens": st.dictionaries(st.integers(0, 2), st.sampled_from(["+", "-", "+-"]), max_size=2),
        "shorts": st.lists(st.integers(0, 2), max_size=1),
        "swaps": st.lists(st.integers(0, 2), max_size=2, unique=True),
        "at": st.integers(0, 3),
    }
)


@settings(max_examples=80)
@given(wirings)
def test_trunk_against_nodal(w):
    """Opens, shorts, swaps, terminators and bias pairs in any combination (receivers tie all to common)."""
    pair = Pair(
        segments=tuple(w["segments"]),
        terminators=tuple((float(a), r) for a, r in w["terminators"]),
        biases=tuple(Bias(float(a), 560.0) for a in w["bias_at"]),
        receivers={float(k): v for k, v in w["receivers"].items()},
        opens={n + 0.5: wires for n, wires in w["opens"].items()},
        shorts=tuple(n + 0.5 for n in w["shorts"]),
        swaps=tuple(n + 0.5 for n in w["swaps"]),
    )
    common = (w["segments"], w["terminators"])
    faults = (w["receivers"], w["opens"], w["shorts"], w["swaps"])
    plus, minus = ("+", 2 * w["at"]), ("-", 2 * w["at"])
    # Off: the dead rail is joined to common.
    links = ladder_links(*common, [(a, 560.0, "common") for a in w["bias_at"]], *faults)
    volts = nodal_voltages(links, {"common": 0.0}, {plus: 1.0, minus: -1.0})
    assert pair.ohms(w["at"]) == pytest.approx(volts[plus] - volts[minus], rel=1e-6)
    # On, with the voltmeter across.
    links = [*ladder_links(*common, [(a, 560.0, "rail") for a in w["bias_at"]], *faults), (plus, minus, 10e6)]
    volts = nodal_voltages(links, {"common": 0.0, "rail": 5.0}, {})
    assert pair.idle_volts(w["at"]) == pytest.approx(volts[plus] - volts[minus], rel=1e-6, abs=1e-9)


@settings(max_examples=40)
@given(st.sampled_from(sorted(ALTERATIONS)), st.sampled_from(sorted(ALTERATIONS)), st.integers(0, 10))
def test_pairs_of_alterations_commute_and_compute(first, second, where):
    pair = Pair((2.0,) * 11, ((0.0, 120.0), (11.0, 120.0)), (Bias(0.0, 560.0),), {float(n): 1.0 for n in range(12)})
    at = where + 0.5
    one, other = alter(alter(pair, first, at), second, at), alter(alter(pair, second, at), first, at)
    for end in (0.0, pair.far):
        assert one.ohms(end) >= 0
        if "rc-terminators" not in (first, second) and "bias-off" not in (first, second):
            assert one.ohms(end) == pytest.approx(other.ohms(end), rel=1e-9)


def test_a_trunk_of_247_units_is_quick():
    import time

    pair = Pair((2.0,) * 246, ((0.0, 120.0), (246.0, 120.0)), (Bias(0.0, 560.0),), {float(n): 0.125 for n in range(247)})
    start = time.perf_counter()
    pair.ohms(0), pair.idle_volts(246)
    assert time.perf_counter() - start < 1.0
