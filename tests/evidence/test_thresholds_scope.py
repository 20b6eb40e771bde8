"""Every threshold of the readings of a recording, just below and just above, from small values."""

from __future__ import annotations

from array import array
from types import SimpleNamespace
from typing import Any

import pytest

from diagnose.evidence.scope.echo_judge import Echo
from diagnose.evidence.scope.echo_place import EchoPlace, kind_of, velocity
from diagnose.evidence.scope.find import driven_levels, idle_volts, shape_of
from diagnose.evidence.scope.scan import Idle, Scan
from diagnose.evidence.scope.take import echo_readings, take
from diagnose.evidence.scope.uart import BitClock, Decoded, UartFrame, clock, rate_words
from diagnose.site.places import Place
from tests.evidence.test_waveform import site_of

BIT = 1e-4


def echo(**changes: Any) -> Echo:
    """An echo of a resistive end, or as asked."""
    whole: dict[str, Any] = {
        "shape": "step", "delay": 1e-6, "delay_bar": 1e-8, "factor": 0.5, "factor_bar": 0.05, "branch": 0.0, "branch_bar": 0.0, "source": 0.0,
        "rise": 1e-7, "step_v": 2.0, "overshoot": 0.0, "ring_s": 0.0, "settles": True, "nearest": 2e-7, "farthest": 2e-5, "least": 0.05, "edges": 20,
        "fit": 1.0, "second_delay": 0.0, "second_factor": 0.0,
    }  # fmt: skip
    return Echo(**{**whole, **changes})


def scan(runs: int = 20, bit: float = BIT, short: int = 0, level: float = 2.0, half: int = 0, **idle: Any) -> Scan:
    """A signal of so many changes, `short` of them of a third of a bit, `half` of them at half the level."""
    made = Scan()
    at = 0.0
    for n in range(runs + 1):
        made.times.append(at)
        made.signs.append(1 if n % 2 else -1)
        high = level * (0.5 if 0 < n <= half else 1.0)
        made.before.append(high if n % 2 == 0 else -high)
        at += bit / 3 if n < short else bit
    made.threshold, made.start, made.end = 0.0, 0.0, at
    made.idle = Idle(count=100, **{"mean": 0.4, "low": 0.3, "high": 0.5, **idle})
    return made


def decoded(bad: int = 0, inverted: bool = False) -> Decoded:
    """Characters of one frame."""
    return Decoded(BitClock(1 / BIT, 9600, 0.01, 0.0, 20), 8, "even", 1, (UartFrame(0.0, 1.0, b"\1", bad),), 1, bad, inverted, True)


# ---- scope-look


@pytest.mark.parametrize(
    ("driven", "idle_v", "word"),
    [
        (0.19, 0.4, "held"),  # THRESHOLD_V
        (0.2, 0.4, "low-swing"),
        (0.99, 0.4, "low-swing"),  # LOW_SWING_V
        (1.0, 0.4, "clean"),
        (2.0, 0.199, "idle-floats"),
        (2.0, -0.199, "idle-floats"),
        (2.0, 0.2, "clean"),
        (2.0, None, "clean"),
    ],
)
def test_levels(driven: float, idle_v: float | None, word: str) -> None:
    assert shape_of(scan(), decoded(), None, driven, idle_v)[0] == word


@pytest.mark.parametrize(("mean", "lasts", "bursts", "word"), [
    (-0.21, 0.031, 0, "held"), (-0.19, 0.031, 0, ""), (-0.21, 0.029, 0, ""), (-0.21, 0.031, 1, ""), (0.21, 0.031, 0, ""),
])  # fmt: skip
def test_a_line_that_is_held(mean: float, lasts: float, bursts: int, word: str) -> None:
    """THRESHOLD_V and HELD_S."""
    quiet = Scan()
    quiet.start, quiet.end, quiet.idle = 0.0, lasts, Idle(count=100, mean=mean, bursts=bursts)
    assert shape_of(quiet, None, None, 0.0, None)[0] == word


@pytest.mark.parametrize(("half", "bad", "word"), [(8, 1, "clean"), (9, 1, "collisions"), (9, 0, "clean")])
def test_bits_at_half_height(half: int, bad: int, word: str) -> None:
    """HALF_BITS: more than 8 of 100."""
    assert shape_of(scan(100, half=half), decoded(bad), None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(("share", "word"), [(0.26, "collisions"), (0.24, "clean"), (0.69, "collisions"), (0.71, "clean")])
def test_what_half_height_is(share: float, word: str) -> None:
    """HALF_HEIGHT."""
    signal = scan(20)
    for n in range(1, 4):
        signal.before[n] = 2.0 * share * (1 if n % 2 == 0 else -1)
    assert shape_of(signal, decoded(1), None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(("runs", "short", "word"), [(20, 3, "clean"), (20, 4, "noise-bursts"), (250, 5, "clean"), (250, 6, "noise-bursts")])
def test_short_changes(runs: int, short: int, word: str) -> None:
    """MOST_SHORT and SHORT_SHARE."""
    assert shape_of(scan(runs, short=short), decoded(), None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(("bit", "word"), [(0.39 * BIT, "noise-bursts"), (0.41 * BIT, "clean")])
def test_how_short_a_change_may_be(bit: float, word: str) -> None:
    """SHORT_BIT."""
    assert shape_of(scan(bit=bit), decoded(), None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(("runs", "word"), [(30, "clean"), (31, "noise-bursts")])
def test_changes_that_fit_no_rate(runs: int, word: str) -> None:
    assert shape_of(scan(runs), None, None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(("bursts", "word"), [(2, "clean"), (3, "noise-bursts")])
def test_bursts(bursts: int, word: str) -> None:
    assert shape_of(scan(bursts=bursts), decoded(), None, 2.0, 0.4)[0] == word


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"factor": 0.1}, "ringing"),  # RINGS
        ({"factor": 0.099}, "clean"),
        ({"factor": -0.1}, "dips"),
        ({"factor": -0.099}, "clean"),
        ({"factor": 0.19, "source": -0.45}, "ringing"),
        ({"factor": 0.19, "source": -0.5}, "clean"),
        ({"shape": "branch", "factor": -1 / 3, "branch": 0.151e-7}, "dips"),
        ({"shape": "branch", "factor": -0.05, "branch": 0.149e-7}, "clean"),
        ({"shape": "none", "factor": 0.9}, "clean"),
    ],
)
def test_what_an_echo_does_to_the_edges(changes: dict[str, Any], word: str) -> None:
    assert shape_of(scan(), decoded(), echo(**changes), 2.0, 0.4)[0] == word


# ---- idle volts


@pytest.mark.parametrize(
    ("count", "mean", "mark", "frames", "leads", "taken"),
    [
        (29, 0.4, 2.0, True, False, False),  # LEAST_IDLE
        (30, 0.4, 2.0, True, False, True),
        (30, 1.19, 2.0, True, False, True),  # DRIVEN_SHARE
        (30, 1.21, 2.0, True, False, False),
        (30, 0.09, 0.1, True, False, True),  # LEAST_MARK_V
        (30, 0.09, 0.11, True, False, False),
        (30, -0.021, 2.0, False, False, False),  # NO_VOLTS
        (30, -0.019, 2.0, False, False, True),
        (30, -0.021, 2.0, False, True, True),
    ],
)
def test_idle_volts(count: int, mean: float, mark: float, frames: bool, leads: bool, taken: bool) -> None:
    signal = scan(mean=mean)
    signal.idle.count = count
    assert (idle_volts(signal, decoded() if frames else None, mark, leads)[0] is not None) is taken


@pytest.mark.parametrize(("mean", "taken"), [(1.5, True), (1.51, False)])
def test_a_level_without_frames(mean: float, taken: bool) -> None:
    """BIAS_MOST_V."""
    quiet = Scan()
    quiet.idle = Idle(count=100, mean=mean)
    assert (idle_volts(quiet, None, 0.0)[0] is not None) is taken


@pytest.mark.parametrize(("pause", "driven"), [(13.9, 1.5), (14.1, 2.0)])
def test_levels_before_a_pause_are_not_those_of_a_driver(pause: float, driven: float) -> None:
    """IDLE_BITS: behind a longer one the driver has let go."""
    signal = scan(2)
    times, before = (0.0, BIT, 2 * BIT, (2 + pause) * BIT), (2.0, -2.0, 2.0, 0.0)
    signal.times, signal.before = array("d", times), array("f", before)
    signal.signs = array("b", (-1, 1, -1, 1))
    assert driven_levels(signal, decoded())[0] == pytest.approx(driven)


@pytest.mark.parametrize(
    ("idle_v", "answer"),
    [(0.0199, "none"), (0.0201, None), (0.1, None), (0.101, "right-way"), (0.99, "right-way"), (1.0, None), (-0.101, "reversed")],
)
def test_volts_of_the_pair_at_a_unit(idle_v: float, answer: str | None) -> None:
    """NO_VOLTS, LEAST_PAIR_V and LOW_SWING_V."""
    site = site_of()
    a: Any = SimpleNamespace(
        site=site, trunk=site.trunks[0], probe=5, shape="", idle_v=idle_v, echo=None, decoded=None,
        tally=SimpleNamespace(understood=100), scan=SimpleNamespace(idle=SimpleNamespace(count=50)),
    )  # fmt: skip
    assert [t.answer for t in take(a)] == ([answer] if answer else [])


# ---- what an echo is


@pytest.mark.parametrize(
    ("factor", "bar", "at_end", "kind"),
    [
        (0.7, 0.05, True, "missing terminator"),  # OPEN_ABOVE
        (0.699, 0.05, True, "higher impedance"),
        (0.7, 0.05, False, "open"),
        (-0.7, 0.05, False, "short"),  # SHORT_BELOW
        (-0.699, 0.05, False, "lower impedance"),
        (-1 / 3 + 0.089, 0.0, True, "doubled terminator"),  # LIKE_TERMINATOR
        (-1 / 3 + 0.091, 0.0, True, "lower impedance"),
        (-1 / 3 + 0.119, 0.12, False, "extra terminator"),
        (-1 / 3 + 0.121, 0.12, False, "lower impedance"),
        (-1 / 3 + 0.149, 0.5, False, "extra terminator"),
        (-1 / 3 + 0.151, 0.5, False, "lower impedance"),
    ],
)
def test_kinds_of_echo(factor: float, bar: float, at_end: bool, kind: str) -> None:
    assert kind_of(echo(factor=factor, factor_bar=bar), at_end) == kind


@pytest.mark.parametrize(("recorded", "known"), [(0.3, False), (0.31, True), (1.0, True), (1.01, False)])
def test_a_velocity_factor_that_can_be_one(recorded: float, known: bool) -> None:
    site = site_of(no_velocity=True).with_fact("trunk.velocity-factor", Place("trunk", 1), recorded)
    assert velocity(site, site.trunks[0])[2] is known


@pytest.mark.parametrize(
    ("least", "fit", "sound"), [(0.15, 1.0, True), (0.151, 1.0, False), (0.1, 20.0, True), (0.1, 20.1, False)]
)
def test_a_recording_that_proves_the_line_sound(least: float, fit: float, sound: bool) -> None:
    """TELLING and UNCLEAR."""
    site = site_of()
    taken = echo_readings(echo(shape="none", least=least, fit=fit), None, site, site.trunks[0], 1, "rows 1-9")
    assert bool(taken) is sound
    assert all(t.answer == "none" for t in taken)


@pytest.mark.parametrize(("metres", "told"), [(315.9, True), (321.1, False)])
def test_an_echo_past_the_recorded_end(metres: float, told: bool) -> None:
    """LENGTH_SHARE of 300 m, the bar and a metre."""
    site = site_of()
    spot = EchoPlace("missing terminator", metres, 5.0, 1.0, 0.66, True, 1e9, ("far end",), None, ())
    taken = echo_readings(echo(delay=3.2e-6, factor=0.9), spot, site, site.trunks[0], 1, "rows 1-9")
    assert bool(taken) is told


# ---- bit rate


def edges(rate: float) -> tuple[list[float], list[int]]:
    """Changes of 1, 2, 3 ... bits at a rate."""
    times, at = [], 0.0
    for n in range(60):
        times.append(at)
        at += (1 + n * 7 % 4) / rate
    return times, [1 if n % 2 else -1 for n in range(60)]


@pytest.mark.parametrize(("off", "standard"), [(1.029, 9600), (1.031, 0), (0.971, 9600), (0.969, 0)])
def test_a_rate_within_three_per_cent_is_the_standard_one(off: float, standard: int) -> None:
    found = clock(*edges(9600 * off))
    assert found is not None
    assert found.standard == standard


@pytest.mark.parametrize(("off", "said"), [(1.009, False), (1.011, True)])
def test_a_sender_that_is_off(off: float, said: bool) -> None:
    """SEND_TOLERANCE: 1 % (MODBUS over Serial Line V1.02, 2.5.1)."""
    assert ("% off" in rate_words(BitClock(9600 * off, 9600, 0.0, 0.0, 10))) is said
