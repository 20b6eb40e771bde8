"""Where on the trunk an echo comes from, and what it points to.

Source: transmission-line theory (textbook); tolerances common practice, no source, where named.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from diagnose.evidence.scope.echo_judge import Echo
from diagnose.gauges.trunk import segment_lengths
from diagnose.physics.cable import LIGHT, NOMINAL_IMPEDANCE
from diagnose.physics.reflections import echo_distance_m, load_from_gamma
from diagnose.site.model import Site, Trunk
from diagnose.site.places import Place

UNKNOWN_VELOCITY = (0.70, 0.08)
"""Velocity factor, and half its 95 % range, where the record holds none (common practice: 0.62 to 0.78)."""
RECORDED_VELOCITY = 0.01
"""How far a data sheet's velocity factor may be off, as a share, at 95 % (two digits are printed; common practice)."""
LENGTH_SHARE = 0.05
"""How far recorded lengths may be off, as a share (cable is pulled with slack; common practice, no source)."""
PER_UNIT_M = (0.55, 0.4)
"""Cable that a unit passed on the way seems to add, m, and half its 95 % range: receiver and drop of some 15 to 80 pF slow
the edge by half their time constant with the cable (textbook; capacitances common practice, no source)."""
OPEN_ABOVE, SHORT_BELOW = 0.7, -0.7
LIKE_TERMINATOR = 0.09  # an echo within this of -1/3 is that of a second terminator


class EchoPlace(NamedTuple):
    """An echo's place. Metres from the probe; `bar` half of the 95 % interval, of which `velocity_bar` is the cable's.

    `kind` is one of `missing terminator`, `doubled terminator`, `extra terminator`, `open`, `short`, `higher impedance`,
    `lower impedance`, `branch`; `places` the place texts it may be at, likeliest first; `unit` a unit within the bar.
    """

    kind: str
    metres: float
    bar: float
    velocity_bar: float
    velocity_factor: float
    velocity_known: bool
    ohms: float
    places: tuple[str, ...]
    unit: int | None
    notes: tuple[str, ...]
    factor: float = 0.0
    factor_bar: float = 0.0


class Reach(NamedTuple):
    """One way along the trunk from the probe: units passed with their distances in m, and the end's name."""

    units: tuple[int, ...]
    metres: tuple[float, ...]
    end: str


def velocity(site: Site | None, trunk: Trunk | None) -> tuple[float, float, bool]:
    """Velocity factor, half its 95 % range as a share, and whether the record holds it."""
    recorded = site.number("trunk.velocity-factor", _at(trunk)) if site and trunk else None
    if recorded and 0.3 < recorded <= 1:
        return recorded, RECORDED_VELOCITY, True
    return UNKNOWN_VELOCITY[0], UNKNOWN_VELOCITY[1] / UNKNOWN_VELOCITY[0], False


def _at(trunk: Trunk | None) -> Place:
    return Place("trunk", trunk.number if trunk else 1)


def reaches(trunk: Trunk, probe: int) -> tuple[Reach, ...]:
    """Both ways from the probe's unit, the one away from the controller first; a way without cable is left out."""
    lengths, _ = segment_lengths(trunk)
    at = trunk.units.index(probe)
    controller = trunk.units.index(trunk.controller) if trunk.controller in trunk.units else 0
    prefix = "" if trunk.number == 1 else f"trunk {trunk.number} "
    ahead = Reach(trunk.units[at:], _sums(lengths[at:]), f"{prefix}far end")
    back = Reach(trunk.units[: at + 1][::-1], _sums(lengths[:at][::-1]), f"{prefix}near end")
    ordered = (ahead, back) if at >= controller and len(ahead.units) > 1 else (back, ahead)
    return tuple(r for r in ordered if len(r.units) > 1)


def _sums(lengths: tuple[float, ...]) -> tuple[float, ...]:
    total, out = 0.0, [0.0]
    for length in lengths:
        total += length
        out.append(total)
    return tuple(out)


def _segment(trunk: Trunk, a: int, b: int) -> str:
    first, second = sorted((a, b), key=trunk.units.index)
    return f"segment {first}-{second}"


def _without_units(reach: Reach, metres: float, bar: float) -> tuple[float, float]:
    """Distance and bar, with what the units on the way add taken off."""
    passed = sum(1 for m in reach.metres[1:] if m < metres - 0.5)
    return max(metres - PER_UNIT_M[0] * passed, 0.3 * metres), math.hypot(bar, PER_UNIT_M[1] * passed)


def _spots(trunk: Trunk, reach: Reach, metres: float, bar: float) -> tuple[list[str], bool, int | None]:
    """Segments within the bar, likeliest first, whether it is the end, and a unit within the bar."""
    total = reach.metres[-1]
    at_end = metres >= total - max(bar, LENGTH_SHARE * total + 1.0)
    near = min(range(1, len(reach.units)), key=lambda k: abs(reach.metres[k] - metres))
    unit = reach.units[near] if abs(reach.metres[near] - metres) <= max(bar, 1.0) else None
    pieces = []
    for k in range(len(reach.units) - 1):
        low, high = reach.metres[k], reach.metres[k + 1]
        if low <= metres + bar and high >= metres - bar:
            outside = max(low - metres, metres - high, 0.0)
            pieces.append((outside, abs((low + high) / 2 - metres), _segment(trunk, reach.units[k], reach.units[k + 1])))
    return [name for _, _, name in sorted(pieces)], at_end, unit


def kind_of(echo: Echo, at_end: bool | None) -> str:
    """What sends such an echo back; `at_end` None where the trunk's length is not known."""
    if echo.shape == "branch":
        return "branch"
    g = echo.factor
    if g >= OPEN_ABOVE:
        return "missing terminator" if at_end else "open"
    if g <= SHORT_BELOW:
        return "short"
    if abs(g + 1 / 3) <= max(LIKE_TERMINATOR, min(echo.factor_bar, 0.15)):
        return "doubled terminator" if at_end else "extra terminator"
    return "higher impedance" if g > 0 else "lower impedance"


def locate(echo: Echo, site: Site | None, trunk: Trunk | None, probe: int | None) -> EchoPlace | None:
    """The place of an echo seen from a unit; None without an echo."""
    if echo.shape == "none":
        return None
    factor, share, known = velocity(site, trunk)
    metres = echo_distance_m(echo.delay, factor)
    velocity_bar = metres * share
    bar = math.hypot(echo_distance_m(echo.delay_bar, factor), velocity_bar)
    impedance = (site.number("trunk.impedance", _at(trunk)) if site and trunk else None) or NOMINAL_IMPEDANCE["rs485"]
    notes: list[str] = []
    places: list[str] = []
    unit: int | None = None
    at_end: bool | None = None
    if trunk is not None and probe in trunk.units:
        ways = reaches(trunk, probe)
        fits = [r for r in ways if metres <= r.metres[-1] * (1 + LENGTH_SHARE) + bar + 1.0]
        if not fits and ways:
            longest = max(ways, key=lambda r: r.metres[-1])
            notes.append(
                f"that is {metres - longest.metres[-1]:.0f} m beyond the recorded end: a length or the "
                "velocity factor in the record is wrong"
            )
            fits = [longest]
        if fits:
            metres, bar = _without_units(fits[0], metres, bar)
        for n, reach in enumerate(fits):
            segments, end, near = _spots(trunk, reach, metres, bar)
            if n == 0:
                at_end, unit = end, near
            if end:
                places.append(reach.end)
            places += segments
        if len(fits) > 1:
            notes.append("from a probe within the chain the distance holds both ways; the way away from the controller is named first")
        _, lengths_known = segment_lengths(trunk)
        if not lengths_known:
            notes.append("not every segment's length is recorded; the segment is a guess")
    echo = echo.seen_as(None if at_end is None else not at_end)
    ohms = load_from_gamma(min(max(echo.factor, -1.0), 1.0), impedance)
    return EchoPlace(
        kind=kind_of(echo, at_end), metres=metres, bar=bar, velocity_bar=velocity_bar,
        velocity_factor=factor, velocity_known=known, ohms=ohms, places=tuple(dict.fromkeys(places)),
        unit=unit, notes=tuple(notes), factor=echo.factor, factor_bar=echo.factor_bar,
    )  # fmt: skip


def metres_of(seconds: float, factor: float) -> float:
    """One-way metres for a round trip in s."""
    return max(seconds, 0.0) * factor * LIGHT / 2
