"""Thermal-magnetic breakers: what the standards bind them to, and what heat does to their rating.

No trip time is computed where no standard gives one; between its points a breaker may hold or trip.
"""

import math
from typing import Final, Literal, NamedTuple

Verdict = Literal["must-hold", "may-trip", "must-trip-within"]


class Family(NamedTuple):
    """One breaker standard: reference ambient (deg C), holding multiple and its time, title."""

    reference_celsius: float
    hold: float
    title: str


class TripPoint(NamedTuple):
    """At `multiple` of the rating a breaker up to `up_to` amperes must trip within `seconds`."""

    multiple: float
    up_to: float
    seconds: float
    source: str


class Plausible(NamedTuple):
    """Verdict, its bound in seconds (None: no bound), and the sentence of the standard behind it."""

    verdict: Verdict
    seconds: float | None
    source: str


FAMILIES: Final = {
    "ul489": Family(40.0, 1.00, "UL 489 calibration"),
    "iec60898": Family(30.0, 1.13, "IEC 60898-1 time-current zone"),
}
_MEMORY = "UL 489 calibration table, from memory"
TRIP_POINTS: Final[dict[str, tuple[TripPoint, ...]]] = {
    "ul489": (
        TripPoint(1.35, 50, 3600, "UL 489 calibration, 135 %"),
        TripPoint(1.35, math.inf, 7200, _MEMORY),
        TripPoint(2.0, 30, 120, "UL 489 calibration, 200 %"),
        *(TripPoint(2.0, most, seconds, _MEMORY)
          for most, seconds in ((50, 240), (100, 360), (150, 480), (225, 600), (400, 720)))),
    "iec60898": (
        TripPoint(1.45, 63, 3600, "IEC 60898-1, 1.45 In"), TripPoint(1.45, 125, 7200, "IEC 60898-1, 1.45 In"),
        TripPoint(2.55, 32, 60, "IEC 60898-1, 2.55 In"), TripPoint(2.55, 125, 120, "IEC 60898-1, 2.55 In")),
}
# times the rating: holds 0.1 s at the first, trips within 0.1 s at the second
MAGNETIC: Final = {"B": (3.0, 5.0), "C": (5.0, 10.0), "D": (10.0, 20.0)}

# Element temperatures (deg C) of the fit below: earliest, typical, latest. Together they enclose published
# derating tables of 20 to 100 A breakers within 1 A up to 60 deg C.
_ELEMENT_CELSIUS: Final = (92.0, 128.0, 145.0)


class Derated(NamedTuple):
    """Rating (A) that a breaker is worth at a temperature: least, typical, most."""

    least: float
    typical: float
    most: float


def _factor(element: float, celsius: float, reference: float) -> float:
    return math.sqrt(max(0.0, (element - celsius) / (element - reference)))


def derated(rating: float, celsius: float, family: str = "ul489") -> Derated:
    """Return what a thermal-magnetic breaker (A) is worth at the air temperature around it (deg C).

    Fit I(Ta)/In = sqrt((Tt - Ta)/(Tt - reference)); above 1 when colder than the reference.
    ValueError for an unknown family or a rating that is not positive.
    Source: computed fit to published derating tables (not a clause of a standard).
    """
    reference = _family(family).reference_celsius
    if not rating > 0:
        raise ValueError(f"breaker rating {rating:g} A; it must be above 0 A")
    least, typical, most = sorted(rating * _factor(t, celsius, reference) for t in _ELEMENT_CELSIUS)
    return Derated(least, typical, most)


def celsius_for_load(rating: float, load: float, family: str = "ul489") -> float:
    """Return the air temperature (deg C) up to which a typical breaker (A) holds a steady `load` (A).

    ValueError unless both are positive. Source: inverse of `derated`, times the multiple that must hold.
    """
    chosen = _family(family)
    if not (rating > 0 and load > 0):
        raise ValueError("breaker rating and load must be above 0 A")
    typical = _ELEMENT_CELSIUS[1]
    return typical - (typical - chosen.reference_celsius) * (load / rating / chosen.hold) ** 2


def _family(name: str) -> Family:
    if name not in FAMILIES:
        raise ValueError(f"breaker family {name!r}; right would be one of {', '.join(FAMILIES)}")
    return FAMILIES[name]


def plausible(rating: float, amps: float, celsius: float = 25.0, family: str = "ul489",
              curve: str | None = None) -> Plausible:
    """Return what the standard says of a breaker (A) carrying `amps` (A) in air of `celsius` (deg C).

    must-hold (UL 489: for ever; IEC 60898-1: for the bound), may-trip (no requirement: no time can be given),
    must-trip-within (its bound in s). Heat only shortens times, so bounds stay valid when hot; colder than
    the test room none is given. Magnetic curve B, C or D (IEC): 0.1 s at its upper figure.
    ValueError for an unknown family or curve, a rating not above 0 A, a negative current.
    Source: UL 489 calibration points (200 % above 30 A and 2 h at 135 % from memory); IEC 60898-1.
    """
    chosen = _family(family)
    worth = derated(rating, celsius, family)
    if not amps >= 0:
        raise ValueError(f"current {amps:g} A; it must not be negative")
    if curve is not None:
        if curve not in MAGNETIC:
            raise ValueError(f"magnetic curve {curve!r}; right would be B, C or D")
        if amps >= MAGNETIC[curve][1] * rating:
            return Plausible("must-trip-within", 0.1, f"IEC 60898-1 magnetic curve {curve}")
    multiple = amps / rating
    test_room = min(25.0, chosen.reference_celsius) if family == "ul489" else chosen.reference_celsius
    if celsius >= test_room:
        bounds = [p for p in TRIP_POINTS[family] if multiple >= p.multiple - 1e-12 and rating <= p.up_to]
        if bounds:
            first = min(bounds, key=lambda p: p.seconds)
            return Plausible("must-trip-within", first.seconds, first.source)
    if amps <= chosen.hold * min(rating, worth.least) + 1e-9:
        hour = None if family == "ul489" else (3600.0 if rating <= 63 else 7200.0)
        return Plausible("must-hold", hour, chosen.title)
    return Plausible("may-trip", None, f"{chosen.title}: no requirement between its points")


def trip_likelihood(rating: float, amps: float, celsius: float, family: str = "ul489") -> float:
    """Return how likely (0..1) a steady load (A) trips the breaker (A) within a charge of some hours.

    The breaker's own trip point lies somewhere between the multiple that must hold and the one that must
    trip; each place between counts as equally likely, at each of the three ratings that heat (deg C) leaves.
    ValueError as `derated`. Source: UL 489 and IEC 60898-1 points; the even spread is an assumption.
    """
    chosen = _family(family)
    sure = min(p.multiple for p in TRIP_POINTS[family])
    shares = [1.0 if worth <= 0 else min(1.0, max(0.0, (amps / worth - chosen.hold) / (sure - chosen.hold)))
              for worth in derated(rating, celsius, family)]
    return sum(shares) / len(shares)
