"""Reading gauges of joints, insulation, ground fault, ground path, control pilot and proximity."""

from __future__ import annotations

import math

from diagnose.gauges.bands import ladder
from diagnose.gauges.base import Expectation, reading_gauge
from diagnose.gauges.branch import Branch, upto
from diagnose.physics import circuit, groundfault, grounding, heat, insulation, pilot
from diagnose.physics.groundfault import Window
from diagnose.site.model import Site
from diagnose.site.places import Place

INF = math.inf
# Milliohm of a sound and of a bad screw joint, and of a contactor pole; common practice, no source.
# 100 mV across one joint means a contact spot far over 100 °C whatever the current.
JOINT = (0.3, 1.0)
POLE = (2.0, 4.0)
DAMAGE_MILLIVOLTS = 100.0
ORDINARY_LEAKAGE = (
    3.5  # mA, one station: limit of class I equipment with a plug; common practice for hard-wired
)
SOIL_OHMS = 10.0  # more than any grounding conductor and joint: what is left is the soil; common practice
DUTY_SLACK = 2 * pilot.DUTY_TOLERANCE  # %, generator and meter
_DEVICES = {
    "ground-fault-5ma": "5 mA breaker",
    "ground-fault-30ma": "30 mA device",
    "ccid5": "unit's 5 mA device",
    "ccid20": "unit's 20 mA device",
    "dc-6ma": "unit's 6 mA dc detection",
}


def _millivolts(site: Site, place: Place, sound: float, bad: float, what: str) -> Expectation:
    branch = Branch(site, place)
    load = branch.load()
    branch.note("measured at the full setting; at less current expect less in proportion")
    suspect, damage = (heat.joint_millivolts(load, milliohm / 1e3) for milliohm in (sound, bad))
    return Expectation(
        suspect / 2,
        0.0,
        suspect,
        "mV",
        f"under {suspect:.0f} mV across {what} at {load:g} A; over {damage:.0f} mV it is bad",
        ladder("sound", (upto(suspect), "suspect"), (damage, "bad")),
        tuple(branch.assumed),
    )


@reading_gauge("joint-millivolts", "unit", "mV", ("sound", "suspect", "bad"))
def joint_millivolts(site: Site, place: Place) -> Expectation:
    """Millivolts across one screw joint under load (0.3 and 1 milliohm; ANSI/NETA: compare like joints)."""
    load = Branch(site, place).load()
    worst = min(JOINT[1], DAMAGE_MILLIVOLTS / load)
    return _millivolts(site, place, min(JOINT[0], worst), worst, "a sound joint")


@reading_gauge("pole-millivolts", "unit", "mV", ("sound", "suspect", "bad"))
def pole_millivolts(site: Site, place: Place) -> Expectation:
    """Millivolts across one closed contactor pole under load (2 and 4 milliohm, common practice)."""
    return _millivolts(site, place, *POLE, "a sound contactor pole")


@reading_gauge("joint-rise", "unit", "K", ("alike", "warm", "hot"))
def joint_rise(site: Site, place: Place) -> Expectation:
    """Rise over a similar joint at similar load (ANSI/NETA Table 100.18)."""
    return Expectation(
        0.0,
        -INF,
        3.0,
        "K",
        "within 3 K of a like joint; over 15 K repair at once",
        ladder("alike", (upto(3.0), "warm"), (upto(15.0), "hot")),
        ("full load; at half load a rise counts three to four times",),
    )


@reading_gauge("insulation-megohms", "unit", "Mohm", ("good", "poor", "bad"))
def insulation_megohms(site: Site, place: Place) -> Expectation:
    """Field wiring at 500 V dc, station disconnected (ANSI/NETA MTS Table 100.1; IEC 60364-6: 1 megohm)."""
    branch = Branch(site, place)
    floor = insulation.iec_minimum(branch.nominal()).megohms
    # BS 7671 guidance, from memory: below 2 megohm look into it although 1 megohm passes.
    good = insulation.neta_minimum(250).megohms if branch.north_american() else 2.0
    branch.note("wiring at about 20 °C; the reading halves for every 10 K warmer")
    return Expectation(
        None,
        good,
        INF,
        "Mohm",
        f"{good:g} Mohm or more at 500 V dc; under {floor:g} Mohm it has failed",
        ladder("bad", (floor, "poor"), (good, "good")),
        tuple(branch.assumed),
    )


def _device(branch: Branch, sensitive: bool) -> tuple[str, Window]:
    """The ground-fault device that counts: the most sensitive one, or the breaker's before the unit's."""
    names = [branch.choice("unit.breaker-kind"), branch.choice("unit.own-ground-fault")]
    known = [(name, groundfault.WINDOWS[name]) for name in names if name in groundfault.WINDOWS]
    if known:
        return min(known, key=lambda pair: pair[1].hold) if sensitive else known[0]
    name = "ccid20" if branch.north_american() else "ground-fault-30ma"
    branch.note(f"ground-fault device: {_DEVICES[name]}")
    return name, groundfault.WINDOWS[name]


@reading_gauge("leakage-milliamps", "unit", "mA", ("normal", "high", "at-trip"))
def leakage_milliamps(site: Site, place: Place) -> Expectation:
    """Leakage of one branch against the most sensitive device on it (UL 943, UL 2231-2, EN 61008-1)."""
    branch = Branch(site, place)
    name, window = _device(branch, sensitive=True)
    normal = min(ORDINARY_LEAKAGE, window.hold / 2)
    return Expectation(
        None,
        0.0,
        normal,
        "mA",
        f"up to {normal:g} mA; from {window.hold:g} mA the {_DEVICES[name]} may trip",
        ladder("normal", (upto(normal), "high"), (window.hold, "at-trip")),
        tuple(branch.assumed),
    )


@reading_gauge("ground-fault-trip-ma", "unit", "mA", ("in-window", "too-sensitive", "too-late"))
def ground_fault_trip_ma(site: Site, place: Place) -> Expectation:
    """Trip current of the ground-fault device that protects people on a ramp, against its window.

    Where North American rules apply, a breaker of about 30 mA protects equipment and no people: there the unit's own
    device counts, or without one the window of Class A, so that no equipment breaker passes for a protection of people.
    """
    branch = Branch(site, place)
    only_dc = (
        branch.choice("unit.own-ground-fault") == "dc-6ma"
        and branch.choice("unit.breaker-kind") not in groundfault.WINDOWS
    )
    name, window = ("dc-6ma", groundfault.DC_WINDOW) if only_dc else _device(branch, sensitive=False)
    what = _DEVICES[name]
    own = branch.choice("unit.own-ground-fault")
    if name == "ground-fault-30ma" and own in ("none", *groundfault.WINDOWS) and branch.north_american():
        name = "ground-fault-5ma" if own == "none" else own
        window = groundfault.WINDOWS[name]
        what = f"{_DEVICES[name]}; the 30 mA breaker protects equipment, not people"
    return Expectation(
        None,
        window.hold,
        window.trip,
        "mA",
        f"between {window.hold:g} and {window.trip:g} mA: {what}",
        ladder("too-sensitive", (window.hold, "in-window"), (upto(window.trip), "too-late")),
        tuple(branch.assumed),
    )


@reading_gauge("ground-path-ohms", "unit", "ohm", ("low", "high", "open"))
def ground_path_ohms(site: Site, place: Place) -> Expectation:
    """Grounding conductor from unit to panel, cold, by size (NEC 250.122) and length; 0.5 ohm will do."""
    branch = Branch(site, place)
    size, run = _ground_size(branch), branch.quantity("unit.run-length")
    if run is None:
        run = 30.0
        branch.note("run: 30 m")
    ohms = grounding.ground_path_ohms(run, size)
    low = max(grounding.INVESTIGATE_OHMS, 1.5 * ohms + 0.1)
    return Expectation(
        ohms,
        0.0,
        low,
        "ohm",
        f"about {ohms:.2f} ohm along {run:g} m of {circuit.wire_name(size)}; up to {low:.1f} ohm will do",
        ladder("low", (upto(low), "high"), (max(SOIL_OHMS, 2 * low), "open")),
        tuple(branch.assumed),
    )


def _ground_size(branch: Branch) -> str:
    """Grounding conductor: Table 250.122 by the breaker; IEC 60364-5-54: as the line up to 16 mm²."""
    size = branch.choice("unit.wire-size")
    if size is not None and not branch.north_american():
        return size
    breaker = branch.quantity("unit.breaker")
    branch.note("copper ground sized by the breaker")
    if breaker is None or breaker > 800:
        breaker = 60.0
        branch.note("breaker: 60 A")
    return grounding.equipment_ground(breaker)


@reading_gauge(
    "pilot-volts",
    "unit",
    "V",
    ("connected", "unplugged", "charging", "ventilation", "weak", "none", "negative-only"),
)
def pilot_volts(site: Site, place: Place) -> Expectation:
    """High peak of the pilot, load in the "connected" state (IEC 61851-1 Annex A, ±1 V at each level)."""
    names = {"E": "none", "D": "ventilation", "C": "charging", "B": "connected", "A": "unplugged"}
    steps: list[tuple[float, str]] = []
    for state, name in names.items():
        level = pilot.LEVELS[state]
        steps += [(level - pilot.ACCEPT_VOLTS, name), (upto(level + pilot.ACCEPT_VOLTS), "weak")]
    steps.pop()  # nothing lies above the unplugged level
    level = pilot.LEVELS["B"]
    return Expectation(
        round(pilot.levels(pilot.VEHICLE_OHMS["B"]).high, 2),
        level - 1,
        level + 1,
        "V",
        "about 9 V high peak, 8 to 10 V; scope or peak hold, a dc range shows only the average",
        ladder("negative-only", *steps),
    )


@reading_gauge("pilot-duty", "unit", "%", ("matches-setting", "lower", "higher", "no-signal"))
def pilot_duty(site: Site, place: Place) -> Expectation:
    """Duty cycle against the one that stands for the setting (IEC 61851-1 Annex A; SAE J1772)."""
    branch = Branch(site, place)
    load = branch.load()
    offered = min(80.0, max(6.0, load))
    if offered != load:
        branch.note(f"pilot offers {offered:g} A, its nearest value")
    if branch.managed():
        branch.note("load management leaves the unit its full setting now")
    duty = pilot.duty_for(offered)
    low, high = duty - DUTY_SLACK, duty + DUTY_SLACK
    return Expectation(
        duty,
        low,
        high,
        "%",
        f"about {duty:.1f} %, which offers {offered:g} A",
        ladder(
            "no-signal", (3.0, "lower"), (low, "matches-setting"), (upto(high), "higher"), (98.0, "no-signal")
        ),
        tuple(branch.assumed),
    )


@reading_gauge("proximity-ohms", "unit", "ohm", ("as-expected", "open", "short", "other"))
def proximity_ohms(site: Site, place: Place) -> Expectation:
    """Proximity to ground in the handle, button released (SAE J1772), or the cable's code (IEC 61851-1)."""
    branch = Branch(site, place)
    short, none = pilot.CABLE_CODES[0][1], pilot.CABLE_CODES[-1][2]
    if branch.north_american():
        ohms, low, high = pilot.LATCHED_OHMS, 0.9 * pilot.LATCHED_OHMS, 1.1 * pilot.LATCHED_OHMS
        text = f"about {ohms:g} ohm, button released; {pilot.PRESSED_OHMS:g} ohm with it pressed"
    else:
        amps = min(63.0, branch.load())
        ohms, _, high, code = pilot.cable_code(amps)
        low = short  # a cable for more current than the setting is right as well
        text = f"{ohms:g} ohm or less: a cable for {code:g} A or more"
    return Expectation(
        ohms,
        low,
        high,
        "ohm",
        text,
        ladder("short", (short, "other"), (low, "as-expected"), (high, "other"), (none, "open")),
        tuple(branch.assumed),
    )
