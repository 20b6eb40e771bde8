"""The three answers of `parse`."""

from typing import NamedTuple


class Quantity(NamedTuple):
    """A number in the unit that was asked for.

    `value` is in `unit`; infinite only for a resistance that the meter shows as overload. `bound` is `<` or
    `>` when the text gave a limit and not a reading (resistances only), `about` when the text said so (`about
    12`).
    """

    value: float
    unit: str
    text: str
    bound: str = ""
    about: bool = False


class Ambiguous(NamedTuple):
    """The text has several readings. Each of `readings` parses to one quantity; `question` asks in one
    line.
    """

    text: str
    readings: tuple[str, ...]
    question: str


class Wrong(NamedTuple):
    """The text is no quantity of the wanted kind: what is wrong, and what would be right."""

    text: str
    problem: str
    hint: str

    @property
    def line(self) -> str:
        return f"{self.problem}; {self.hint}"
