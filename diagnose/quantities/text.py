"""One spelling for what was typed, the words that may stand before a number, and the overload display."""

from diagnose.quantities.numbers import DIGITS
from diagnose.quantities.units import DIMENSIONS, index, key

_SPACES = (
    "\t\n\r\u00a0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"
)
_INVISIBLE = "\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u202a\u202b\u202c\u202d\u202e\u00ad"
_HYPHENS = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe63"
# Signs that look or mean the same, one pair a word. Not NFKC: it turns `10²` into 102 and `½` into 1/2.
_SAME = """
    μ=µ \u2126=Ω ω=Ω º=° ˚=° \u212a=K ℃=°C ℉=°F ′=' ’=' ‘=' ″=" ”=" “=" ≈=~ ∼=~ ≤=<= ≥=>=
    ⁄=/ ∕=/ ÷=/ …=... ٪=% ×=x
"""


def _characters() -> dict[int, str | None]:
    table: dict[int, str | None] = dict.fromkeys(map(ord, _SPACES), " ")
    table.update(dict.fromkeys(map(ord, _INVISIBLE), None))
    table.update(dict.fromkeys(map(ord, _HYPHENS), "-"))
    table.update({c: chr(c - 0xFEE0) for c in range(0xFF01, 0xFF5F)})  # full-width forms
    table.update({ord(pair[0]): pair[2:] for pair in _SAME.split()})
    return table


_CHARACTERS = _characters()
_ABOUT = ("about", "approximately", "approx", "around", "roughly", "circa", "ca", "~")
_BOUNDS = (
    ("<=", "<"),
    (">=", ">"),
    ("<", "<"),
    (">", ">"),
    ("less than", "<"),
    ("below", "<"),
    ("under", "<"),
    ("at most", "<"),
    ("more than", ">"),
    ("greater than", ">"),
    ("above", ">"),
    ("over", ">"),
    ("at least", ">"),
)
_OVERLOAD = frozenset(
    (
        "ol",
        "0l",
        "ofl",
        "open",
        "opencircuit",
        "openline",
        "infinity",
        "infinite",
        "inf",
        "∞",
        "overload",
        "overrange",
        "overlimit",
        "+ol",
        "+inf",
    )
)


def clean(text: str) -> str:
    """The text with one kind of space, minus, micro, ohm, degree and quotation mark, and no invisible
    characters.
    """
    return " ".join(text.translate(_CHARACTERS).split())


def clip(text: str) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text.strip())
    return shown if len(shown) <= 24 else shown[:21] + "..."


def _strip_word(text: str, word: str) -> str | None:
    """`text` without a leading `word`, or None. A word of letters must end where it stands."""
    if not text.lower().startswith(word):
        return None
    rest = text[len(word) :]
    if word[-1].isalpha() and rest and (rest[0].isalnum() or rest[0] == "-"):
        return None
    return rest.lstrip(". ") if word in ("ca", "approx") else rest.lstrip()


def lead(text: str) -> tuple[str, str, bool]:
    """(rest, bound, about) after words such as `about`, `~`, `<`, `more than`."""
    for word in _ABOUT:
        rest = _strip_word(text, word)
        if rest is not None:
            return rest, "", True
    if is_overload(text):
        return text, "", False  # `over limit` is a display, not a bound
    for word, bound in _BOUNDS:
        rest = _strip_word(text, word)
        if rest is not None and rest:
            return rest, bound, False
    return text, "", False


def is_overload(text: str) -> bool:
    """`OL`, `0.L`, `open circuit`, `OL MΩ`: the meter shows more than its range."""

    def bare(part: str) -> str:
        return "".join(c for c in part.lower() if c not in " .-")

    if text.startswith("-"):
        return False
    if bare(text) in _OVERLOAD:
        return True
    head, _, tail = text.rpartition(" ")
    known = index()[0]["resistance"]
    return (
        bool(head)
        and bare(head) in _OVERLOAD
        and (key(tail) in known or tail in DIMENSIONS["resistance"].prefixes)
    )


def letter_slip(text: str) -> str:
    """The number meant by a letter O or l typed for a digit, or nothing."""
    fixed = text.replace("O", "0").replace("o", "0").replace("l", "1").replace("I", "1")
    return fixed if fixed != text and all(c in DIGITS or c in ".,-+" for c in fixed) else ""
