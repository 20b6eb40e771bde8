"""Every factor of the unit table against an independent library, and thousands of generated texts."""

import math
import random

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.quantities import Quantity, Wrong, format_quantity, parse, units

PINT = pint.UnitRegistry()

# Our names in the library's words. Percent, dBm and plain numbers have one unit each: nothing to convert.
WORDS = {
    "V": "volt", "mV": "millivolt", "µV": "microvolt", "kV": "kilovolt",
    "A": "ampere", "mA": "milliampere", "µA": "microampere", "kA": "kiloampere",
    "ohm": "ohm", "mohm": "milliohm", "kohm": "kiloohm", "Mohm": "megaohm", "Gohm": "gigaohm",
    "°C": "degC", "°F": "degF", "K": "delta_degC", "°F rise": "delta_degF",
    "s": "second", "ms": "millisecond", "µs": "microsecond", "ns": "nanosecond", "min": "minute", "h": "hour",
    "d": "day",
    "m": "meter", "cm": "centimeter", "mm": "millimeter", "km": "kilometer", "ft": "foot", "in": "inch",
    "yd": "yard",
    "N·m": "newton * meter", "cN·m": "centinewton * meter", "mN·m": "millinewton * meter",
    "lbf·in": "force_pound * inch", "lbf·ft": "force_pound * foot",
    "bit/s": "bit / second", "kbit/s": "kilobit / second", "Mbit/s": "megabit / second",
    "Gbit/s": "gigabit / second",
    "F": "farad", "µF": "microfarad", "nF": "nanofarad", "pF": "picofarad",
    "Hz": "hertz", "kHz": "kilohertz", "MHz": "megahertz", "GHz": "gigahertz",
    "W": "watt", "kW": "kilowatt", "VA": "volt * ampere", "kVA": "kilovolt * ampere",
    "Wh": "watt * hour", "kWh": "kilowatt * hour",
}  # fmt: skip
SINGLE = {"%", "dBm", "1"}
BY_NAME = {unit.name: unit for unit in units()}
PAIRS = [(a, b) for a in WORDS for b in WORDS if BY_NAME[a].dimension == BY_NAME[b].dimension]


def oracle(value: float, from_unit: str, to_unit: str) -> float:
    return float(PINT.Quantity(value, WORDS[from_unit]).to(WORDS[to_unit]).magnitude)


def close(ours: float, theirs: float, scale: float = 0.0) -> bool:
    return math.isclose(ours, theirs, rel_tol=1e-12, abs_tol=1e-12 * scale)


def test_every_unit_has_an_oracle() -> None:
    assert set(WORDS) | SINGLE == set(BY_NAME)


@pytest.mark.parametrize(("typed", "wanted"), PAIRS)
def test_factor(typed: str, wanted: str) -> None:
    for number in ("1", "37.5", "0.004"):
        answer = parse(f"{number} {typed}", wanted)
        if typed == "mohm" and wanted != "mohm":
            answer = parse(f"{number} milliohm", wanted)
        assert isinstance(answer, Quantity), answer
        assert close(answer.value, oracle(float(number), typed, wanted), 500)


def test_every_spelling_means_its_unit() -> None:
    """All spellings of the table, with every separator, give the factor of their unit, or a question."""
    checked = 0
    for unit in units():
        if unit.name in SINGLE:
            continue
        for spelling in (unit.name, unit.ascii, *unit.spellings):
            for separator in "· -.":
                answer = parse(f"12 {spelling.replace('·', separator)}", unit.name)
                assert isinstance(answer, Quantity), (unit.name, spelling, answer)
                assert answer.value == 12.0
                checked += 1
    assert checked > 800


def typed_quantity(draw: random.Random, typed: str, wanted: str) -> tuple[str, float]:
    """A text that means a number of one unit, and the number."""
    unit = BY_NAME[typed]
    spelling = draw.choice((unit.name, unit.ascii, *unit.spellings))
    places = draw.randint(0, 4)
    text = f"{draw.randint(0, 10 ** draw.randint(0, 6)) / 10**places:.{places}f}"
    if places == 3 and unit.name == "bit/s":
        text += "0"  # three decimals of a bit rate are asked back
    value = float(text)
    if draw.random() < 0.5 and places not in (0, 3):
        text = text.replace(".", ",")
    if text.startswith("0.") and draw.random() < 0.5:
        text = text[1:]
    if draw.random() < 0.5 and unit.dimension in ("voltage", "current", "torque", "temperature difference"):
        text, value = draw.choice("-\u2212\u2013") + text, -value
    space = draw.choice(("", " ", "\u00a0", "\u202f", "  "))
    return f"{text}{space}{spelling.replace('·', draw.choice('· -.'))}", value


def test_generated_texts() -> None:
    """Every unit where every unit of its kind is wanted, a score of texts for each."""
    checked = 0
    for typed, wanted in PAIRS:
        draw = random.Random(f"{typed} {wanted}")
        for _ in range(20 if typed != "mohm" else 0):
            text, value = typed_quantity(draw, typed, wanted)
            answer = parse(text, wanted)
            assert isinstance(answer, Quantity), (text, answer)
            assert close(answer.value, oracle(value, typed, wanted), 500 if "°" in wanted else 0.0), (text, wanted)
            checked += 1
    assert checked > 3000


@settings(max_examples=2000, deadline=None)
@given(st.sampled_from(PAIRS + [(u, u) for u in SINGLE]), st.floats(-1e9, 1e9, allow_nan=False))
def test_what_is_shown_reads_back(pair: tuple[str, str], value: float) -> None:
    unit = BY_NAME[pair[1]]
    if unit.dimension in ("resistance", "length", "bit rate", "capacitance", "frequency"):
        value = abs(value)
    if unit.dimension == "temperature":
        value = abs(value)
    if unit.name == "dBm":
        value = -abs(value)
    for only_ascii in (False, True):
        shown = format_quantity(value, unit.name, only_ascii=only_ascii)
        if only_ascii:
            assert shown.isascii()
        if shown.endswith("mΩ") and unit.name != "ohm":
            continue  # that sign is asked back where a larger unit is wanted
        answer = parse(shown, unit.name)
        if isinstance(answer, Wrong) and abs(value) > 1e15:
            continue
        assert isinstance(answer, Quantity), (shown, answer)
        assert math.isclose(
            answer.value, value, rel_tol=6e-4, abs_tol=6e-3 if unit.name == "bit/s" else 1e-14
        )
