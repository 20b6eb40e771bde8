"""Readings of a recording: the look of the pair, its idle volts, the port settings, and an echo at its place where that is
clear, else for the pair as a whole.

Source: transmission-line theory (textbook).
"""

from __future__ import annotations

from diagnose.evidence.report import TakenReading
from diagnose.evidence.scope.echo_judge import UNCLEAR, Echo
from diagnose.evidence.scope.echo_place import (
    LENGTH_SHARE,
    EchoPlace,
    Reach,
    metres_of,
    reaches,
    velocity,
)
from diagnose.evidence.scope.find import LOW_SWING_V, NO_VOLTS, WaveFindings
from diagnose.evidence.scope.uart import rate_words
from diagnose.gauges.trunk import segment_lengths
from diagnose.site.model import Site, Trunk
from diagnose.site.places import FAR, NEAR, Place, describe

LEAST_PAIR_V = 0.1
"""Idle volts from which their sign says which way round the pair is (common practice, no source)."""


def take(a: WaveFindings) -> tuple[TakenReading, ...]:
    """The answers to checks that the recording gives."""
    if a.site is None or a.trunk is None or a.probe is None:
        return ()
    unit, lines = f"unit {a.probe}", f"rows 1-{a.tally.understood}"
    found: list[TakenReading] = []
    if a.shape:
        found.append(TakenReading("scope-look", unit, a.shape, a.shape_why, lines))
    if a.idle_v is not None:
        at_end = {a.trunk.units[0]: NEAR, a.trunk.units[-1]: FAR}.get(a.probe)
        because = f"mean of {a.scan.idle.count} samples between frames"
        if at_end is not None:
            found.append(TakenReading("idle-volts", str(Place("trunk-end", a.trunk.number, at_end)), f"{1000 * a.idle_v:.0f} mV", because, lines))
        elif abs(a.idle_v) < NO_VOLTS:
            found.append(TakenReading("pair-volts-at-unit", unit, "none", because, lines))
        elif LEAST_PAIR_V < abs(a.idle_v) < LOW_SWING_V:
            found.append(TakenReading("pair-volts-at-unit", unit, "right-way" if a.idle_v > 0 else "reversed", because, lines))
    if a.echo is not None:
        found += echo_readings(a.echo, a.spot, a.site, a.trunk, a.probe, lines)
    found += _settings(a, lines)
    return tuple(found)


def _settings(a: WaveFindings, lines: str) -> list[TakenReading]:
    """The controller's port settings, as its own requests show them."""
    d, site, trunk = a.decoded, a.site, a.trunk
    if d is None or site is None or trunk is None or not d.clock.standard:
        return []
    here = Place("trunk", trunk.number)
    rate, parity = site.number("trunk.bit-rate", here), site.word("trunk.parity", here)
    asked = [f for f in d.frames if f.is_request]
    if not asked or rate is None:
        return []
    wrong = d.clock.standard != rate or (d.sure and parity is not None and parity != d.parity)
    because = f"requests on the wire at {rate_words(d.clock)}, {d.form()}"
    return [TakenReading("controller-port-shown", str(here), "wrong-serial" if wrong else "as-planned", because, lines)]

AT_UNIT = {"extra terminator": "extra-terminator", "branch": "branch"}
"""What only sits at a unit; the rest may as well be in the cable beside it."""
WITHIN = {"open": "open", "short": "short", "higher impedance": "higher", "lower impedance": "lower"}
AT_END = {
    "missing terminator": "open", "doubled terminator": "lower", "extra terminator": "lower", **WITHIN,
}  # fmt: skip
ON_PAIR = {**WITHIN, **AT_UNIT}
TELLING = 0.15
"""A recording in which an echo of this factor would drown proves no place sound (common practice, no source)."""


def echo_readings(echo: Echo, spot: EchoPlace | None, site: Site, trunk: Trunk, probe: int, lines: str) -> tuple[TakenReading, ...]:
    """Answers to `echo-from-end`, `echo-from-segment`, `echo-from-unit` or, with the place not clear, `echo-on-pair`.

    Places from which the echo would have taken another time are then answered `none`, and so is all of a sound trunk
    that the recording shows.
    `probe` is the unit at which the recording was made, `lines` where in the file it stands.
    """
    if echo.shape == "none" or spot is None:
        return _sound(echo, site, trunk, probe, lines) if echo.fit <= UNCLEAR else ()
    if echo.delay < echo.nearest or _past_the_end(spot, trunk, probe):
        return ()
    because = f"{spot.kind}, factor {echo.factor:+.2f}, {spot.metres:.0f} m from unit {probe}, give or take {spot.bar:.0f} m"
    ends = [p for p in spot.places if p.endswith("end")]
    segments = [p for p in spot.places if not p.endswith("end")]
    lengths_known = segment_lengths(trunk)[1]
    one_way = _one_way(spot, trunk, probe)
    if lengths_known and one_way:
        if len(ends) == 1 and len(segments) <= 1 and spot.kind in AT_END:
            return (TakenReading("echo-from-end", ends[0], AT_END[spot.kind], because, lines),)
        if not ends and spot.unit is not None and spot.unit != probe and len(segments) <= 2 and spot.kind in AT_UNIT:
            return (TakenReading("echo-from-unit", f"unit {spot.unit}", AT_UNIT[spot.kind], because, lines),)
        if not ends and spot.unit is None and len(segments) == 1 and spot.kind in WITHIN:
            return (TakenReading("echo-from-segment", segments[0], WITHIN[spot.kind], because, lines),)
    if ends or spot.kind not in ON_PAIR:
        return ()
    found = [TakenReading("echo-on-pair", str(Place("trunk", trunk.number)), ON_PAIR[spot.kind], because, lines)]
    if lengths_known and one_way:
        way = next(r for r in reaches(trunk, probe) if set(spot.places) & set(_segments_along(r, trunk)))
        elsewhere = "the echo comes after another time than it would from there"
        found += _clear(way, trunk, 0.0, spot.metres - spot.bar, elsewhere, lines)
        found += _clear(way, trunk, spot.metres + spot.bar, way.metres[-1], elsewhere, lines)
    return tuple(found)


def _sound(echo: Echo, site: Site, trunk: Trunk, probe: int, lines: str) -> tuple[TakenReading, ...]:
    """No echo: what lies between the limits of the recording is sound, seen from the probe."""
    if echo.least > TELLING or not segment_lengths(trunk)[1]:
        return ()
    factor, share, _ = velocity(site, trunk)
    nearest, farthest = metres_of(echo.nearest, factor), metres_of(echo.farthest, factor) * (1 - share - LENGTH_SHARE)
    found: list[TakenReading] = []
    because = f"no echo above {100 * echo.least:.0f} % between {nearest:.0f} and {farthest:.0f} m"
    for way in reaches(trunk, probe):
        found += _clear(way, trunk, nearest, farthest, because, lines)
        if nearest < way.metres[-1] <= farthest:
            found.append(TakenReading("echo-from-end", way.end, "none", because, lines))
    return tuple(found)


def _clear(way: Reach, trunk: Trunk, low: float, high: float, because: str, lines: str) -> list[TakenReading]:
    """`none` for segments and units that lie between two distances from the probe, m."""
    steps = list(zip(way.units, way.units[1:], way.metres, way.metres[1:], strict=False))
    segments = [_segment(trunk, a, b) for a, b, near, far in steps if near >= low and far <= high]
    units = [Place("unit", u) for u, m in zip(way.units, way.metres, strict=True) if low <= m <= high and u not in (way.units[0], way.units[-1])]
    return [
        TakenReading(check, describe(places), "none", because, lines)
        for check, places in (("echo-from-segment", segments), ("echo-from-unit", units))
        if places
    ]


def _segment(trunk: Trunk, a: int, b: int) -> Place:
    first, second = sorted((a, b), key=trunk.units.index)
    return Place("segment", first, second)


def _segments_along(way: Reach, trunk: Trunk) -> list[str]:
    return [way.end, *(str(_segment(trunk, a, b)) for a, b in zip(way.units, way.units[1:], strict=False))]


def _one_way(spot: EchoPlace, trunk: Trunk, probe: int) -> bool:
    """Whether all places that the echo may come from lie on one side of the probe."""
    return sum(1 for way in reaches(trunk, probe) if set(spot.places) & set(_segments_along(way, trunk))) == 1


def _past_the_end(spot: EchoPlace, trunk: Trunk, probe: int) -> bool:
    """Whether the echo is farther than the recorded trunk is long: then the record is wrong, and no place can be named."""
    longest = max((way.metres[-1] for way in reaches(trunk, probe)), default=0.0)
    return spot.metres > longest * (1 + LENGTH_SHARE) + spot.bar + 1.0
