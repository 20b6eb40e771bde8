"""What a gauge is, and the table of all gauges.

A gauge is where a number becomes a word. Rules never see numbers: an audit gauge turns the install
record into a symbol, a reading gauge turns a measured number into an outcome with the help of what
this site makes the expected value, a strength gauge tells how likely a mechanism is at this site.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, TypeVar

from diagnose.site.model import Site
from diagnose.site.places import Place


class Band(NamedTuple):
    """Numbers from `low` up to, not including, `high` (in the gauge's unit) mean `outcome`."""

    outcome: str
    low: float
    high: float


class Expectation(NamedTuple):
    """What a check should read at this site.

    `value` is the best single figure (None where there is none), `low` to `high` the normal range,
    all in `unit`; `text` says in one line what to expect and why; `bands` cover every number that
    can be typed; `assumed` lists what the install record lacks and was assumed instead.
    """

    value: float | None
    low: float
    high: float
    unit: str
    text: str
    bands: tuple[Band, ...]
    assumed: tuple[str, ...] = ()

    def outcome(self, number: float) -> str | None:
        """The outcome for a number in `unit`; None when it lies in no band (a gauge's mistake)."""
        for band in self.bands:
            if band.low <= number < band.high or number == band.low == band.high:
                return band.outcome
        last = self.bands[-1] if self.bands else None
        return last.outcome if last and number == last.high else None


class Audit(NamedTuple):
    """An outcome computed from the install record, with the figures behind it in one line."""

    outcome: str
    text: str


Alterations = tuple[tuple[str, Place], ...]
AuditFunction = Callable[[Site, Place], "Audit | None"]
ReadingFunction = Callable[[Site, Place], Expectation]
StrengthFunction = Callable[[Site, Place], float]
Predictor = Callable[[Site, Place, Alterations], tuple[float, float]]


class AuditGauge(NamedTuple):
    """A registered audit gauge; `function` returns None when the record lacks the facts."""

    name: str
    at: str
    outcomes: tuple[str, ...]
    function: AuditFunction


class ReadingGauge(NamedTuple):
    """A registered reading gauge, the normal outcome first."""

    name: str
    at: str
    unit: str
    outcomes: tuple[str, ...]
    function: ReadingFunction


class StrengthGauge(NamedTuple):
    """A registered strength gauge: probability 0 to 1 that a cause shows itself at this site."""

    name: str
    at: str
    function: StrengthFunction


AUDITS: dict[str, AuditGauge] = {}
READINGS: dict[str, ReadingGauge] = {}
STRENGTHS: dict[str, StrengthGauge] = {}
PREDICTORS: dict[str, Predictor] = {}

A = TypeVar("A", bound=AuditFunction)
R = TypeVar("R", bound=ReadingFunction)
S = TypeVar("S", bound=StrengthFunction)
P = TypeVar("P", bound=Predictor)


def _once(table: dict[str, object], name: str) -> None:
    if name in table:
        raise ValueError(f"two gauges are called {name}")


def audit_gauge(name: str, at: str, outcomes: tuple[str, ...]) -> Callable[[A], A]:
    """Register a function of the install record under `name`; `at` is the kind of place it looks at."""

    def register(function: A) -> A:
        _once(AUDITS, name)  # type: ignore[arg-type]
        AUDITS[name] = AuditGauge(name, at, outcomes, function)
        return function

    return register


def reading_gauge(name: str, at: str, unit: str, outcomes: tuple[str, ...]) -> Callable[[R], R]:
    """Register a reading gauge under `name`; numbers come in `unit`."""

    def register(function: R) -> R:
        _once(READINGS, name)  # type: ignore[arg-type]
        READINGS[name] = ReadingGauge(name, at, unit, outcomes, function)
        return function

    return register


def strength_gauge(name: str, at: str) -> Callable[[S], S]:
    """Register a strength gauge under `name`; `at` is the kind of place it is asked about."""

    def register(function: S) -> S:
        _once(STRENGTHS, name)  # type: ignore[arg-type]
        STRENGTHS[name] = StrengthGauge(name, at, function)
        return function

    return register


def predictor(name: str) -> Callable[[P], P]:
    """Register, for the reading gauge `name`, what it would read with alterations made to the site.

    The function returns (value in the gauge's unit, relative spread of a careful measurement).
    """

    def register(function: P) -> P:
        _once(PREDICTORS, name)  # type: ignore[arg-type]
        PREDICTORS[name] = function
        return function

    return register
