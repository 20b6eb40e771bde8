"""One grammar for what people type as a reading.

    typed   = [ about | bound ] [ sign ] number [ unit ]  |  overload
    number  = digits with point or comma, groups of three, exponent; or a letter in place of the point (`4k7`)

Whatever has two readings is asked back, whatever is no single number is refused: a wrong number that looks
right is worse than a question. Pure functions, no state, no dependencies.
"""

from diagnose.quantities.numbers import DIGITS, Decimal, Run, scan
from diagnose.quantities.results import Ambiguous, Quantity, Wrong
from diagnose.quantities.text import clean, clip, is_overload, lead, letter_slip
from diagnose.quantities.units import DIMENSIONS, UNITS, Dimension, Unit, index, key, wanted_unit

_LONGEST_TEXT = 60
_LARGEST = 10**18  # in the base unit; larger is a slip of the keyboard


class _Refused(Exception):
    def __init__(self, problem: str, hint: str = "") -> None:
        super().__init__(problem)
        self.problem, self.hint = problem, hint


_COMPOUND = {"time": ("d", "h", "min", "s", "ms"), "length": ("yd", "ft", "in")}


def _unit_readings(typed: str, wanted: Unit, dimension: Dimension) -> tuple[Unit, ...]:
    """The units that `typed` (the text after the number) may mean where `wanted` is asked for."""
    if not typed:
        return (wanted,)
    if typed in dimension.asks:
        if wanted.name == "mohm":
            return (wanted,)
        return tuple(UNITS[name] for name in dimension.asks[typed])
    if typed == "mΩ" and wanted.name in ("kohm", "Mohm", "Gohm"):
        return (UNITS["mohm"], UNITS["Mohm"])  # a phone keyboard starts small
    names = key(typed)
    exact, folded = index()
    found = exact[wanted.dimension].get(names)
    if found is not None:
        return (found,)
    if typed in dimension.prefixes:
        return (UNITS[dimension.prefixes[typed]],)
    if wanted.dimension == "plain number":
        if typed == "%":
            raise _Refused("`%` is a percentage, a plain number is wanted", "type 66 % as 0.66")
        raise _Refused(
            f"`{clip(typed)}` follows the number, a plain number is wanted", "type the number alone"
        )
    elsewhere = _elsewhere(names, exact, wanted)
    if elsewhere is None:
        found = folded[wanted.dimension].get(names.lower())
        if found is not None and names.lower() not in _folded_asks(dimension):
            return (found,)
        elsewhere = _elsewhere(names.lower(), folded, wanted)
    if elsewhere is not None:
        raise _Refused(
            f"`{clip(typed)}` is a unit of {elsewhere.dimension}, {wanted.name} is a unit of "
            f"{wanted.dimension}",
            f"type it in {wanted.name}, for example {dimension.example}",
        )
    known = ", ".join(u.name for u in UNITS.values() if u.dimension == wanted.dimension)
    raise _Refused(
        f"`{clip(typed)}` is no unit of {wanted.dimension} that is known here", f"use one of {known}"
    )


def _folded_asks(dimension: Dimension) -> frozenset[str]:
    return frozenset(word.lower() for word in dimension.asks)


def _elsewhere(name: str, table: dict[str, dict[str, Unit]], wanted: Unit) -> Unit | None:
    for other, names in table.items():
        if other != wanted.dimension and name in names:
            return names[name]
    return None


def _exact(number: Decimal, negative: bool, typed: Unit, wanted: Unit) -> tuple[int, int]:
    """The value in `wanted` as a ratio of whole numbers."""
    top, bottom = number.digits, 1
    if number.places > 0:
        bottom = 10**number.places
    else:
        top *= 10**-number.places
    if negative:
        top = -top
    top, bottom = (top + typed.offset * bottom) * typed.num, bottom * typed.den
    if abs(top) > _LARGEST * bottom:
        raise _Refused(
            "the number is larger than anything that is measured", "type what the instrument shows"
        )
    if wanted.dimension == "temperature" and 100 * top < -27315 * bottom:
        raise _Refused("the temperature is below absolute zero", "check the sign and the unit")
    return top * wanted.den - wanted.offset * bottom * wanted.num, bottom * wanted.num


def _convert(number: Decimal, negative: bool, typed: Unit, wanted: Unit) -> float:
    """Exact up to the one division at the end, which Python rounds correctly."""
    top, bottom = _exact(number, negative, typed, wanted)
    return top / bottom


def _numbers_after(rest: str, dimension: Dimension, example: str) -> _Refused:
    """Why a text with a second number in it is refused."""
    squeezed = rest.replace(" ", "")
    one = f"type one number, for example {example}"
    if "+/-" in squeezed or "+-" in squeezed or "±" in squeezed:
        return _Refused("a tolerance is not part of a reading", one)
    if "/" in squeezed.replace("bit/s", "").replace("bits/s", ""):
        return _Refused("two numbers with a slash between them", one)
    if "-" in squeezed or ".." in squeezed or " to " in f" {rest} " or " and " in f" {rest} ":
        return _Refused("this is a range, one reading is wanted", one)
    if ":" in squeezed:
        return _Refused("two numbers with a colon between them", one)
    if "x" in squeezed or "*" in squeezed or "^" in squeezed:
        return _Refused("this is a calculation, one number is wanted", one)
    return _Refused("more than one number", one)


def _infix(run: Run, rest: str, dimension: Dimension) -> tuple[tuple[Decimal, ...], tuple[Unit, ...]] | None:
    """`4k7`, `0R1`, `3V3`: the letter stands for the decimal point (IEC 60062). A unit may follow."""
    letter = rest[:1]
    if letter not in dimension.infix or rest[1:2] not in DIGITS or len(run.readings) != 1:
        return None
    stop = 1
    while stop < len(rest) and rest[stop] in DIGITS:
        stop += 1
    tail = rest[stop:].strip()
    if run.readings[0].places or stop > 4 or (tail and key(tail) not in ("Ω", "ohm", "ohms", "F", "V")):
        return None
    part = rest[1:stop]
    number = Decimal(run.readings[0].digits * 10 ** len(part) + int(part), len(part))
    return (number,), tuple(UNITS[name] for name in dimension.infix[letter])


def _compound(run: Run, rest: str, wanted: Unit) -> float | None:
    """`1 h 30 min`, `1h30`, `5 ft 6 in`: falling units, each part smaller than one of the unit before it."""
    order = _COMPOUND.get(wanted.dimension)
    if order is None or len(run.readings) != 1:
        return None
    names = index()[0][wanted.dimension]
    (top, bottom), last, number = (0, 1), -1, run.readings[0]
    before: Unit | None = None
    while True:
        at = next((i for i, c in enumerate(rest) if c in DIGITS), len(rest))
        typed = rest[:at].strip(" .,")
        if wanted.dimension == "length" and at < len(rest):
            typed = typed.rstrip("- ")  # drawings write 5'-6"
        unit = names.get(key(typed))
        if typed == "m" and wanted.dimension == "time" and (before is None or before.name == "h"):
            unit = UNITS["min"]
        if not typed and at == len(rest) and before is not None and before.name == "h":
            unit = UNITS["min"]
        if unit is None or unit.name not in order or order.index(unit.name) <= last:
            return None
        more, over = _exact(number, False, unit, wanted)
        if before is not None:
            limit, under = _exact(Decimal(1, 0), False, before, wanted)
            if more * under >= limit * over:
                return None
        top, bottom = top * over + more * bottom, bottom * over
        last, before = order.index(unit.name), unit
        if at == len(rest):
            return top / bottom
        following = scan(rest[at:])
        if following is None or following.problem or len(following.readings) != 1 or number.places > 0:
            return None
        number, rest = following.readings[0], following.rest.strip()


def _clock(run: Run, rest: str, wanted: Unit) -> tuple[str, ...]:
    """`1:30` where a time is wanted: hours and minutes, or minutes and seconds."""
    if wanted.dimension != "time" or len(run.readings) != 1 or run.readings[0].places:
        return ()
    tail = rest[1:]
    if rest[:1] != ":" or len(tail) != 2 or not all(c in DIGITS for c in tail) or int(tail) > 59:
        return ()
    first = run.readings[0].text
    return f"{first} h {int(tail)} min", f"{first} min {int(tail)} s"


def _ask(text: str, readings: tuple[str, ...]) -> Ambiguous:
    return Ambiguous(text, readings, f"`{clip(text)}`: {' or '.join(readings)}?")


def _group_of_spaces(run: Run, rest: str) -> tuple[Decimal, str] | None:
    """`19 200`: one number written in groups, or two; (the joined number, what follows)."""
    joined = run.readings[0].digits if len(run.readings) == 1 and not run.readings[0].places else 0
    if not 0 < joined < 1000:
        return None
    groups = 0
    while (
        rest[:1] == " " and len(rest) >= 4 and all(c in DIGITS for c in rest[1:4]) and rest[4:5] not in DIGITS
    ):
        joined, rest, groups = joined * 1000 + int(rest[1:4]), rest[4:], groups + 1
    if not groups or any(c in DIGITS for c in rest) or rest[:1] in (".", ","):
        return None
    return Decimal(joined, 0), rest


def _wording(number: Decimal, negative: bool, unit: Unit) -> str:
    name = {"mohm": "milliohm", "Mohm": "megohm"}.get(unit.name, unit.name.removesuffix(" rise"))
    sign = "-" if negative else ""
    return f"{sign}{number.text}" if name == "1" else f"{sign}{number.text} {name}"


def _parse(text: str, wanted: Unit) -> Quantity | Ambiguous:
    dimension = DIMENSIONS[wanted.dimension]
    example = dimension.example
    typed = clean(text)
    if not typed:
        raise _Refused("nothing was typed", f"type a number, for example {example}")
    if len(typed) > _LONGEST_TEXT:
        raise _Refused("the text is too long for one reading", f"type one number, for example {example}")
    body, bound, about = lead(typed)
    if is_overload(body):
        if wanted.dimension != "resistance" or bound == "<":
            raise _Refused(
                f"`{clip(text)}` means more than the meter's range, which says something for a resistance "
                "only",
                f"choose the next range and type the number, for example {example}",
            )
        return Quantity(float("inf"), wanted.name, text)
    if bound and not dimension.bounds:
        raise _Refused(
            f"`{bound}` gives a limit, a reading is wanted",
            f"type the number that the instrument shows, for example {example}",
        )
    negative = body[:1] == "-"
    if body[:1] in ("-", "+"):
        body = body[1:].lstrip()
    if body[:1] == "R" and body[1:2] in DIGITS and wanted.dimension == "resistance":
        body = "0" + body
    run = scan(body)
    if run is None:
        raise _no_number(text, body, example)
    if run.problem:
        raise _Refused(run.problem, f"type one number, for example {example}")
    rest = run.rest
    infix = _infix(run, rest, dimension)
    dotted: Decimal | None = None
    if infix is not None:
        numbers, units = infix
    elif any(c in DIGITS for c in rest):
        total = _compound(run, rest.strip(), wanted)
        if total is not None:
            return Quantity(-total if negative else total, wanted.name, text, bound, about)
        times = _clock(run, rest, wanted)
        if times:
            return _ask(text, times)
        grouped = _group_of_spaces(run, rest)
        if grouped is not None:
            number, tail = grouped
            units = _unit_readings(_tail(tail), wanted, dimension)
            raise _Refused(
                "one number with a space in it, or two numbers",
                f"type {_wording(number, negative, units[0])} without the space if it is one",
            )
        slip = letter_slip(body)
        if slip:
            raise _Refused(f"`{clip(text)}` has a letter among its digits", f"type {slip} if that is meant")
        raise _numbers_after(rest, dimension, example)
    else:
        numbers, dotted = run.readings, run.dotted
        slip = letter_slip(body)
        if slip:
            raise _Refused(f"`{clip(text)}` has a letter among its digits", f"type {slip} if that is meant")
        if rest.lstrip()[:2] == "..":
            raise _numbers_after(rest, dimension, example)
        units = _unit_readings(_tail(rest), wanted, dimension)
    if dotted is not None and wanted.dimension == "bit rate" and units[0].name == "bit/s":
        numbers = (dotted, *numbers)
    return _decide(text, wanted, dimension, numbers, units, negative, bound, about)


def _tail(rest: str) -> str:
    """The unit after a number: without the hyphen of `24-V` and the full stop of a sentence."""
    tail = rest.strip()
    if tail[:1] == "-" and tail[1:2].isalpha():
        tail = tail[1:]
    return tail[:-1].rstrip() if tail.endswith(".") and len(tail) > 1 else tail


def _no_number(text: str, body: str, example: str) -> _Refused:
    if body.lower() in ("nan", "na", "n/a"):
        return _Refused(
            f"`{clip(text)}` is no number", f"type what the instrument shows, for example {example}"
        )
    slip = letter_slip(body)
    if slip:
        return _Refused(f"`{clip(text)}` has a letter among its digits", f"type {slip} if that is meant")
    if any(c in DIGITS for c in body):
        if " and " in body or " to " in body:
            return _Refused(
                "this is a range, one reading is wanted", f"type one number, for example {example}"
            )
        return _Refused(
            f"something stands before the number in `{clip(text)}`",
            f"begin with the number, for example {example}",
        )
    if any(c.isnumeric() for c in body):
        return _Refused(
            f"`{clip(text)}` has digits or fractions other than 0 to 9", f"type it as in {example}"
        )
    return _Refused(f"no number in `{clip(text)}`", f"type a number, for example {example}")


def _decide(
    text: str,
    wanted: Unit,
    dimension: Dimension,
    numbers: tuple[Decimal, ...],
    units: tuple[Unit, ...],
    negative: bool,
    bound: str,
    about: bool,
) -> Quantity | Ambiguous:
    if negative and not dimension.negative and any(n.digits for n in numbers):
        hint = (
            "prove the circuit dead: a voltage on it makes a meter show this"
            if wanted.dimension == "resistance"
            else "type it without the minus"
        )
        raise _Refused(f"a {wanted.dimension} cannot be negative", hint)
    before = {"<": "< ", ">": "> "}.get(bound, "about " if about else "")
    readings = [(n, u) for n in numbers for u in units]
    values = [_convert(n, negative, u, wanted) for n, u in readings]
    if len(set(values)) > 1:
        return _ask(text, tuple(before + _wording(n, negative, u) for n, u in readings))
    number, unit = readings[0]
    if unit.name == "dBm" and not negative and number.digits > 30 * 10 ** max(number.places, 0):
        meant = before + _wording(number, True, unit)  # 30 dBm is one watt: no receiver reads that
        return Ambiguous(text, (meant,), f"`{clip(text)}`: was a minus left out, {meant}?")
    return Quantity(values[0] + 0.0, wanted.name, text, bound, about)


def parse(text: str, unit: str) -> Quantity | Ambiguous | Wrong:
    """What `text` says as a number in `unit` (a canonical unit name, see `units()`).

    A number without a unit is in `unit`. Raises ValueError only for a `unit` that is not in the table.
    """
    wanted = wanted_unit(unit)
    try:
        return _parse(text, wanted)
    except _Refused as refused:
        return Wrong(text, refused.problem, refused.hint)
