"""What the columns of a meter's log hold: quantity, wires or place, and the factor to volts, amperes, watts, °C."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

VOLTS, AMPS, WATTS, CELSIUS, JOINT = "volts", "amps", "watts", "celsius", "joint-volts"
MISSING = frozenset({
    "", "-", "--", "---", "----", "ol", "0l", "0.l", ".ol", "o.l", "o.l.", "+ol", "-ol", "over", "overload", "overrange", "n/a", "na", "nan", "null",
    "none", "inf", "-inf", "+inf", "err", "error", "open", "disc", "?", "*", "***", "****", "*****", "#n/a",
})  # fmt: skip
"""What meters write where they have no value, in small letters."""


class Column(NamedTuple):
    """Column number `at`, in use. Value in the base unit = cell * `scale` + `offset`; `wires` as `a-b`, `a-n`, `a-g`, `a` or empty.

    `spot` says where it was taken: `unit`, `breaker`, `panel`, `ambient`, `breaker-lug`, `unit-lug`, `breaker-pole`, `contactor` or nothing.
    """

    at: int
    quantity: str
    wires: str
    spot: str
    scale: float
    offset: float
    title: str


_WATT_PREFIX = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3}
_PREFIX = {"": 1.0, "k": 1e3, "K": 1e3, "m": 1e-3, "M": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6}
_UNIT = re.compile(
    r"(?P<volts>(?P<pv>[kKmMuµμ]?)(?:V|v)(?:olts?|OLTS?)?)|(?P<amps>(?P<pa>[kKmMuµμ]?)(?:A|a)(?:mps?|MPS?|mperes?)?)"
    r"|(?P<watts>(?P<pw>[kKmM]?)(?:W|w)(?:atts?|ATTS?)?)|(?P<c>(?:°|º|deg\.?\s?|Deg\.?\s?)?[cC](?:elsius)?)"
    r"|(?P<f>(?:°|º|deg\.?\s?|Deg\.?\s?)?[fF](?:ahrenheit)?)"
)
_SUFFIX = re.compile(r"[\s_.]*(?:ac|dc|rms|trms|ac\s?\+\s?dc)\s*$", re.IGNORECASE)
_BRACKET = re.compile(r"[\[(]\s*([^\[\]()]{1,16}?)\s*[\])]")
_IN = re.compile(
    r"(?:(?:\bin|[/,_])\s*([kKmMuµμ]?[VvAaWw]|[°º]\s?[CcFf]|deg\s?[CFcf])"
    r"|\s(k?[Vv]|[mkuµμ][VvAaWw]|[Ww]|[°º]\s?[CcFf]))(?:ac|rms)?\s*$"
)
_NOT_USED = re.compile(
    (
        r"\b(?:factor|pf|cos|reactive|apparent|var|k?va|energy|k?wh|k?varh|ah|freq|frequency|hz|thd|harmonic"
        r"|angle|phase shift|crest|event|status|flag|note|unbalance|imbalance)\b"
    ),
    re.IGNORECASE,
)
_EXTREME = re.compile(r"\b(?:min|minimum|max|maximum|peak|low|high)\b", re.IGNORECASE)
_PAIR = re.compile(r"(?:^|[^a-z0-9])[uv]?_?(?:l|ph)?\s?([123abc])\s?[-–/_ ]?\s?(?:to\s)?\s?(?:l|ph)?([123abc]|n|g|pe|e)(?![a-z0-9])")
_ONE = re.compile(r"(?:^|[^a-z0-9])(?:(?:[uvip]|a(?=_?(?:l|ph)?[123]))_?)?(?:l|ph)?\s?([123abcn])(?![a-z0-9])")
_WORDS = ((re.compile(r"\b(?:line|leg|phase|pole)\b"), "l"), (re.compile(r"\b(?:ground|gnd|earth|pe)\b"), "g"), (re.compile(r"\bneutral\b"), "n"))
_DULL = re.compile(
    r"\b(?:volts?|voltage|amps?|amperes?|current|watts?|power|active|true|real|avg|average|mean|rms|trms|ac"
    r"|value|reading|channel|ch|input|at|of|the|meter|clamp|unit|breaker|panel|station|load|side|supply|total"
    r"|temp|temperature|lug|terminal|joint)\b"
)
_LEG = {"1": "a", "2": "b", "3": "c", "pe": "g", "e": "g"}
_SPOTS = (
    ("breaker-pole", re.compile(r"\bpole\b|across (?:the )?breaker", re.IGNORECASE)),
    ("contactor", re.compile(r"\bcontactor\b", re.IGNORECASE)),
    ("breaker-lug", re.compile(r"(?=.*\bbreaker\b)(?=.*\b(?:lug|terminal|joint)\b)", re.IGNORECASE)),
    ("unit-lug", re.compile(r"\b(?:lug|terminal|joint)\b", re.IGNORECASE)),
    ("panel", re.compile(r"\b(?:panel|enclosure|cabinet|feeder|switchboard|service|source)\b", re.IGNORECASE)),
    ("breaker", re.compile(r"\bbreaker\b", re.IGNORECASE)),
    ("ambient", re.compile(r"\b(?:ambient|air|outside|outdoor|shade)\b", re.IGNORECASE)),
    ("unit", re.compile(r"\b(?:unit|station|charger|load side|housing)\b", re.IGNORECASE)),
)
_NAMES = (
    (VOLTS, re.compile(r"\bvolt(?:s|age)?\b|^[uv](?:_?(?:l|ph)?[123abc][123abcngpe]{0,2}|[123abc]{1,2}n?)?$|^[uv]\b", re.IGNORECASE)),
    (AMPS, re.compile(r"\bamp(?:s|eres?)?\b|\bcurrent\b|\bclamp\b|^i(?:_?(?:l|ph)?[123abcn])?$|^i\b|^a_?(?:l|ph)?[123]$", re.IGNORECASE)),
    (WATTS, re.compile(r"\bwatts?\b|\bpower\b|^p(?:_?(?:l|ph)?[123abc])?$", re.IGNORECASE)),
    (CELSIUS, re.compile(r"\btemp(?:erature)?\b|\bthermo", re.IGNORECASE)),
)


def unit_of(text: str) -> tuple[str, float, float] | None:
    """Quantity, factor and offset of a unit's text (`mV`, `kW AC`, `°F`); None for another text."""
    found = _UNIT.fullmatch(_SUFFIX.sub("", text.strip()))
    if found is None:
        return None
    if found.group("volts"):
        return VOLTS, _PREFIX[found.group("pv")], 0.0
    if found.group("amps"):
        return AMPS, _PREFIX[found.group("pa")], 0.0
    if found.group("watts"):
        return WATTS, _WATT_PREFIX[found.group("pw")], 0.0
    return (CELSIUS, 1.0, 0.0) if found.group("c") else (CELSIUS, 1 / 1.8, -32 / 1.8)


def wires_of(title: str) -> str:
    """`a-b` of `L1-L2`, `V12` or `line 1 to line 2`; `a` of `I1`; empty where the title names no wire."""
    if unit_of(title):
        return ""  # a title that is nothing but a unit: `A` is no leg
    text = _BRACKET.sub(" ", _IN.sub(" ", title).lower())
    for word, short in _WORDS:
        text = word.sub(short, text)
    text = " ".join(_DULL.sub(" ", text).split()).replace("l ", "l")
    pair = _PAIR.search(text)
    if pair:
        first, second = (_LEG.get(x, x) for x in pair.groups())
        if first != second:
            return f"{first}-{second}"
    one = _ONE.search(text)
    return _LEG.get(one.group(1), one.group(1)) if one else ""


def spot_of(title: str) -> str:
    """Where a title says that it was measured; empty where it does not."""
    return next((name for name, pattern in _SPOTS if pattern.search(title)), "")


def column(at: int, title: str, unit: str) -> Column | None:
    """The column that a title and the cell of a unit row mean; None when it is of no use here."""
    name = title.strip()
    if _NOT_USED.search(name.replace("_", " ")) or _EXTREME.search(name.replace("_", " ")):
        return None
    known = unit_of(unit) if unit else None
    for text in [*_BRACKET.findall(name), *(u for pair in _IN.findall(name) for u in pair if u), name] if known is None else []:
        known = known or unit_of(text)
    if known is None:
        bare = _BRACKET.sub(" ", name).strip()
        # A unit that stands in brackets and is none of these belongs to something else.
        if _BRACKET.search(name) and any(re.search(r"[A-Za-z%]", b) and not wires_of(b) for b in _BRACKET.findall(name)):
            return None
        quantity = next((q for q, pattern in _NAMES if pattern.search(bare)), None)
        if quantity is None:
            return None
        known = quantity, 1.0, 0.0
    quantity, scale, offset = known
    spot = spot_of(name)
    if quantity == VOLTS and spot in ("breaker-lug", "unit-lug", "breaker-pole", "contactor") and scale < 1.0:
        quantity = JOINT
    return Column(at, quantity, wires_of(name), spot, scale, offset, name)


def columns(titles: Sequence[str], units: Sequence[str], skip: Sequence[int]) -> tuple[list[Column], list[str]]:
    """The columns in use, and the titles of those that are not; two alike: the first is used."""
    used: list[Column] = []
    left: list[str] = []
    seen: set[tuple[str, str, str]] = set()
    for n, title in enumerate(titles):
        if n in skip:
            continue
        found = column(n, title, units[n] if n < len(units) else "")
        key = (found.quantity, found.wires, found.spot) if found else None
        if found is None or (key in seen and found.quantity != CELSIUS):
            if title.strip():
                left.append(title.strip())
            continue
        seen.add(key)  # type: ignore[arg-type]
        used.append(found)
    return used, left


__all__ = ["AMPS", "CELSIUS", "JOINT", "MISSING", "VOLTS", "WATTS", "Column", "column", "columns", "spot_of", "unit_of", "wires_of"]
