"""What reading evidence gives back: sentences, readings, figures, and what was not understood."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from diagnose.evidence.drawing import Drawing


class TakenReading(NamedTuple):
    """A reading taken from evidence: an answer to a check, as a person would have typed it.

    `at` is a place text such as `unit 5` or `units 5-9`, `answer` an outcome or a quantity with its unit,
    `because` one line saying what in the evidence shows it, `lines` where (`lines 12-40`, `frames 3-9`).
    """

    check: str
    at: str
    answer: str
    because: str
    lines: str


class Report(NamedTuple):
    """What a reader made of a file. `figures` are JSON values, documented in the page of the kind."""

    kind: str
    title: str
    says: tuple[str, ...]
    taken: tuple[TakenReading, ...]
    figures: Mapping[str, Any]
    understood: int
    not_understood: int
    samples: tuple[str, ...]  # a few of the pieces that were not understood, made safe to print
    drawings: tuple[Drawing, ...] = ()
