"""Reading gauges of the supply: volts, amperes, panel heat. Each says what to expect at this site."""

from __future__ import annotations

import math

from diagnose.gauges.bands import ladder
from diagnose.gauges.base import Band, Expectation, reading_gauge
from diagnose.gauges.branch import INTERNATIONAL, Branch, counted, feeder_load, upto, usable
from diagnose.physics import circuit, protection, service
from diagnose.site.model import Site
from diagnose.site.places import Place

INF = math.inf
ABSENT_SHARE = 0.10  # of nominal: less is induced voltage, not a supply; common practice, no source
SAG_SHARE = 0.95  # NEC 210.19 and 215.2 notes, IEC 60364-5-52 Annex G: feeder and branch lose 5 % at most
STOP_SHARE = 0.80  # stations and contactors drop out about here; common practice, no source
HOTTEST_PANEL = 60.0  # °C, whatever the breakers are worth; common practice, no source


@reading_gauge("supply-volts", "unit", "V", ("as-expected", "low", "high", "other-system", "absent"))
def supply_volts(site: Site, place: Place) -> Expectation:
    """Volts between the unit's supply wires without load (ANSI C84.1 range B; IEC 60038).

    Another system is told by its usual range (range A); 120 V, a lost line, is `low`.
    """
    branch = Branch(site, place)
    nominal = branch.nominal()
    normal = service.limits(nominal)
    family = (230.0, 400.0) if branch.system() in INTERNATIONAL else (208.0, 240.0, 277.0, 480.0)
    steps: list[tuple[float, str]] = []
    # A 230/400 V unit of unrecorded legs may be on one line or on three.
    either = branch.system() == "wye-230-400" and branch.choice("unit.legs") is None
    for volts in sorted({*family, nominal}):
        band = service.limits(volts)
        if volts == nominal or either:
            steps += [(band.b_low, "as-expected"), (upto(band.b_high), "low" if volts < nominal else "high")]
        else:
            steps += [(band.a_low, "other-system"), (upto(band.a_high), "low" if volts < nominal else "high")]
    text = f"about {nominal:g} V between {_wires(branch.legs())}, {normal.b_low:g} to {normal.b_high:g} V"
    bands = ladder("absent", (ABSENT_SHARE * nominal, "low"), *steps)
    return Expectation(nominal, normal.b_low, normal.b_high, "V", text, bands, tuple(branch.assumed))


def _wires(legs: str) -> str:
    first, *others = legs.upper().split("-")
    if others == ["N"]:
        return f"line {first} and neutral"
    return "any two lines" if len(others) == 2 else f"lines {first} and {others[0]}"


@reading_gauge("line-to-ground-volts", "unit", "V", ("as-expected", "off", "absent"))
def line_to_ground_volts(site: Site, place: Place) -> Expectation:
    """Volts from one leg to ground (ANSI C84.1 range B; IEC 60038)."""
    branch = Branch(site, place)
    nominal = service.system(branch.system()).to_ground
    normal = service.limits(nominal)
    return Expectation(
        nominal,
        normal.b_low,
        normal.b_high,
        "V",
        f"about {nominal:g} V from each leg to ground, {normal.b_low:g} to {normal.b_high:g} V",
        ladder(
            "absent",
            (ABSENT_SHARE * nominal, "off"),
            (normal.b_low, "as-expected"),
            (upto(normal.b_high), "off"),
        ),
        tuple(branch.assumed),
    )


@reading_gauge("volts-under-load", "unit", "V", ("as-expected", "sags", "collapses"))
def volts_under_load(site: Site, place: Place) -> Expectation:
    """Volts at the unit while a car takes its full current; normal down to 5 % under nominal."""
    branch = Branch(site, place)
    nominal, load = branch.nominal(), branch.load()
    drop, low = branch.drop(load), SAG_SHARE * nominal
    if drop is None:
        branch.note("run length or wire size not recorded: 3 % lost along the branch")
        drop = 0.03 * nominal
        why = f"{nominal:g} V less up to {drop:.1f} V along the branch at {load:g} A"
    else:
        why = f"{nominal:g} V less {drop:.1f} V along {branch.run_words()} at {load:g} A"
    expected = max(0.0, nominal - drop)
    high = service.limits(nominal).b_high
    return Expectation(
        expected,
        low,
        high,
        "V",
        f"about {expected:.0f} V: {why}; under {low:.0f} V it sags",
        ladder("collapses", (STOP_SHARE * nominal, "sags"), (low, "as-expected")),
        tuple(branch.assumed),
    )


@reading_gauge("charging-amps", "unit", "A", ("as-expected", "below-setting", "above-setting", "none"))
def charging_amps(site: Site, place: Place) -> Expectation:
    """Current of a car that takes all it can get: the setting, from 10 % under to 5 % and 0.5 A over."""
    branch = Branch(site, place)
    load = branch.load()
    low, high = 0.9 * load, 1.05 * load + 0.5
    if branch.managed():
        branch.note("load management leaves the unit its full setting now")
    return Expectation(
        load,
        low,
        high,
        "A",
        f"about {load:g} A, the setting, from a car that can take it; a smaller car takes less",
        ladder("none", (min(1.0, low), "below-setting"), (low, "as-expected"), (upto(high), "above-setting")),
        tuple(branch.assumed),
    )


def _against_breaker(
    amps: float, breaker: float, branch: Branch, what: str, assumed: list[str]
) -> Expectation:
    """Bands of a current against a breaker: 80 % and the rating; IEC 60898-1: the rating and 1.13 of it."""
    if branch.north_american():
        allowed, most, words = breaker / circuit.CONTINUOUS, breaker, "80 %"
    else:
        allowed, most, words = breaker, protection.FAMILIES["iec60898"].hold * breaker, "all"
    return Expectation(
        amps,
        0.0,
        allowed,
        "A",
        f"about {amps:.0f} A {what}; {allowed:g} A is {words} of the {breaker:g} A breaker",
        ladder("within-80", (upto(allowed), "over-80"), (upto(most), "over-rating")),
        tuple(assumed),
    )


@reading_gauge("breaker-amps", "unit", "A", ("within-80", "over-80", "over-rating"))
def breaker_amps(site: Site, place: Place) -> Expectation:
    """Current through the branch breaker with everything on it at full current."""
    branch = Branch(site, place)
    amps = branch.circuit_load() or branch.load()
    breaker = branch.quantity("unit.breaker")
    if breaker is None:
        breaker = _fitting_breaker(amps, branch)
        branch.note(f"breaker: {breaker:g} A")
    return _against_breaker(
        amps, breaker, branch, "with everything on the branch at full current", branch.assumed
    )


@reading_gauge("feeder-amps", "panel", "A", ("within-80", "over-80", "over-rating"))
def feeder_amps(site: Site, place: Place) -> Expectation:
    """Current in the worst line of a panel's feeder, all units at their settings, summed as phasors."""
    units = site.units_of(place)
    branch = Branch(site, Place("unit", units[0] if units else 0))
    found = feeder_load(site, place)
    if found is None:
        amps, how = 32.0 * max(1, len(units)), f"{counted(len(units))} at 32 A, added up"
        branch.note("settings not all recorded: 32 A a unit")
    else:
        amps, how, notes = found
        for text in notes:
            branch.note(text)
    breaker = usable(site.number("panel.breaker", place))
    if breaker is None:
        breaker = _fitting_breaker(amps, branch)
        branch.note(f"feeder breaker: {breaker:g} A")
    return _against_breaker(amps, breaker, branch, f"at most ({how})", branch.assumed)


def _fitting_breaker(amps: float, branch: Branch) -> float:
    """The standard breaker for a load; the largest there is for loads beyond the table."""
    wanted = amps * circuit.CONTINUOUS if branch.north_american() else amps
    return float(circuit.next_rating(min(wanted, circuit.STANDARD_RATINGS[-1])))


@reading_gauge("panel-celsius", "panel", "°C", ("normal", "hot"))
def panel_celsius(site: Site, place: Place) -> Expectation:
    """Temperature in the panel up to which its breakers hold their loads (derating fit), 60 °C at most."""
    limit, why, assumed = HOTTEST_PANEL, "the most a panel should reach", ["loads or breakers not recorded"]
    for unit in site.units_of(place):
        branch = Branch(site, Place("unit", unit))
        breaker, load = branch.quantity("unit.breaker"), branch.circuit_load()
        if breaker is None or load is None:
            continue
        assumed = []
        reference = protection.FAMILIES[branch.family()].reference_celsius
        holds = max(reference, protection.celsius_for_load(breaker, load, branch.family()))
        if holds < limit:
            limit, why = holds, f"where a {breaker:g} A breaker just holds the {load:g} A of unit {unit}"
    return Expectation(
        None,
        -INF,
        limit,
        "°C",
        f"up to about {limit:.0f} °C, {why}",
        (Band("normal", -INF, upto(limit)), Band("hot", upto(limit), INF)),
        tuple(assumed),
    )
