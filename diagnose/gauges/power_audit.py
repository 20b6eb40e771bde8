"""Audit gauges of the supply side: what the install record alone says about breaker, conductor and load.

North American sites go by the National Electrical Code (continuous load, 125 %), others by IEC 60364
(the breaker's rating at least the load, at most the conductor's).
"""

from __future__ import annotations

from diagnose.gauges.base import Audit, audit_gauge
from diagnose.gauges.branch import Branch, counted, feeder_load, usable
from diagnose.physics import circuit, groundfault, protection, service, torque
from diagnose.site.model import Site
from diagnose.site.places import Place

NEAR = 1e-6  # currents that differ by less are equal
# mA standing, one station: typical electronics leak 1 to 3.5 mA; common practice, no source
UNIT_LEAKAGE = 2.5


def _needed(branch: Branch, load: float) -> tuple[float, str]:
    """Amperes that breaker and conductor must carry for a load, and the words for it."""
    if branch.north_american():
        return load * circuit.CONTINUOUS, f"{load:g} A x 1.25 = {load * circuit.CONTINUOUS:g} A"
    return load, f"load {load:g} A"


@audit_gauge("breaker-against-setting", "unit", ("adequate", "too-small"))
def breaker_against_setting(site: Site, place: Place) -> Audit | None:
    """Breaker against 125 % of the setting (NEC 625.41); IEC 60364-4-43: against the setting."""
    branch = Branch(site, place)
    breaker, load = branch.quantity("unit.breaker"), branch.circuit_load()
    if breaker is None or load is None:
        return None
    needed, words = _needed(branch, load)
    return Audit("adequate" if breaker >= needed - NEAR else "too-small", f"{words}; breaker {breaker:g} A")


@audit_gauge("setting-against-rating", "unit", ("within", "above"))
def setting_against_rating(site: Site, place: Place) -> Audit | None:
    """Setting against the unit's rating plate."""
    branch = Branch(site, place)
    setting, rating = branch.quantity("unit.setting"), branch.quantity("unit.rating")
    if setting is None or rating is None:
        return None
    return Audit(
        "within" if setting <= rating + NEAR else "above", f"set to {setting:g} A; rated {rating:g} A"
    )


@audit_gauge("setting-against-breaker-80", "unit", ("within", "above"))
def setting_against_breaker_80(site: Site, place: Place) -> Audit | None:
    """The unit's own setting against 80 % of the breaker (NEC 210.20); IEC: against all of it."""
    branch = Branch(site, place)
    setting, breaker = branch.quantity("unit.setting"), branch.quantity("unit.breaker")
    if setting is None or breaker is None:
        return None
    allowed = breaker * branch.allowed_share()
    return Audit(
        "within" if setting <= allowed + NEAR else "above",
        f"set to {setting:g} A; the {breaker:g} A breaker allows {allowed:g} A for hours",
    )


@audit_gauge("conductor-against-load", "unit", ("adequate", "too-small"))
def conductor_against_load(site: Site, place: Place) -> Audit | None:
    """Usable ampacity against what the load needs (NEC 310.16, 310.15, 110.14(C), 625.41; IEC 60364-5-52).

    None as well when the outcome hangs on an insulation or terminal rating that is not recorded.
    """
    branch = Branch(site, place)
    ends, load = branch.ampacities(), branch.circuit_load()
    if ends is None or load is None:
        return None
    needed, words = _needed(branch, load)
    outcomes = ["adequate" if amps >= needed - NEAR else "too-small" for amps in ends]
    if outcomes[0] != outcomes[1]:
        return None
    return Audit(outcomes[0], _noted(f"{words}; {_wire(branch)} carries {_span(ends)} A here", branch))


@audit_gauge("breaker-against-conductor", "unit", ("protected", "too-large"))
def breaker_against_conductor(site: Site, place: Place) -> Audit | None:
    """Breaker against the conductor it protects (NEC 240.4(B), (D); IEC 60364-4-43: its ampacity)."""
    branch = Branch(site, place)
    breaker, ends = branch.quantity("unit.breaker"), branch.ampacities()
    if breaker is None or ends is None or ends[0] <= 0:
        return None
    size, metal = branch.choice("unit.wire-size") or "", branch.metal()
    allowed = (
        [float(circuit.largest_breaker(size, metal, amps)) for amps in ends]
        if branch.north_american()
        else list(ends)
    )
    outcomes = ["protected" if breaker <= amps + NEAR else "too-large" for amps in allowed]
    if outcomes[0] != outcomes[1]:
        return None
    most = _span((allowed[0], allowed[1]))
    return Audit(outcomes[0], _noted(f"breaker {breaker:g} A; {_wire(branch)} may have {most} A", branch))


@audit_gauge("branch-voltage-drop", "unit", ("within", "over"))
def branch_voltage_drop(site: Site, place: Place) -> Audit | None:
    """Drop at the setting against 3 % (NEC 210.19 note); IEC 60364-5-52 Annex G: 5 % from the origin."""
    branch = Branch(site, place)
    load = branch.setting()
    drop = branch.drop(load) if load is not None else None
    if load is None or drop is None or branch.choice("site.system") is None:
        return None
    nominal, limit = branch.nominal(), 3.0 if branch.north_american() else 5.0
    percent = 100 * drop / nominal
    return Audit(
        "within" if percent <= limit + NEAR else "over",
        _noted(
            f"{drop:.1f} V of {nominal:g} V ({percent:.1f} %, limit {limit:g} %) "
            f"along {branch.run_words()} at {load:g} A",
            branch,
        ),
    )


@audit_gauge("torque-against-wanted", "unit", ("right", "low", "high", "wrong-unit"))
def torque_against_wanted(site: Site, place: Place) -> Audit | None:
    """Recorded torque against the label's (NEC 110.14(D)), and whether two units were mixed up."""
    branch = Branch(site, place)
    applied, wanted = site.number("unit.torque", place), branch.quantity("unit.torque-wanted")
    if applied is None or wanted is None:
        return None
    mixed = torque.mistaken_units(applied, wanted)
    return Audit(
        torque.judge(applied, wanted),
        f"{applied:g} N·m applied, {wanted:g} N·m wanted" + (f"; {mixed} mixed up?" if mixed else ""),
    )


@audit_gauge("ground-fault-in-series", "unit", ("selective", "upstream-first"))
def ground_fault_in_series(site: Site, place: Place) -> Audit | None:
    """Whether the breaker may open on a ground fault ahead of the unit's own device (UL 943, UL 2231-2)."""
    kind, own = site.word("unit.breaker-kind", place), site.word("unit.own-ground-fault", place)
    if kind is None or own is None:
        return None
    upstream, downstream = groundfault.WINDOWS.get(kind), groundfault.WINDOWS.get(own)
    if upstream is None or downstream is None:
        return Audit("selective", "only one of the two watches for alternating fault current")
    windows = f"{upstream.hold:g} to {upstream.trip:g} mA", f"{downstream.hold:g} to {downstream.trip:g} mA"
    words = f"breaker {windows[0]}, unit {windows[1]}"
    first = groundfault.order(upstream, downstream)
    if first == "either":  # windows overlap: the unit is ahead only where its window ends lower
        first = "upstream" if upstream.trip <= downstream.trip else "downstream"
    return Audit("upstream-first" if first == "upstream" else "selective", words)


@audit_gauge("feeder-against-load", "panel", ("adequate", "too-small"))
def feeder_against_load(site: Site, place: Place) -> Audit | None:
    """The panel's settings, summed as phasors, against 80 % of its feeder breaker (NEC 215.3); IEC: all."""
    breaker, found = usable(site.number("panel.breaker", place)), feeder_load(site, place)
    if breaker is None or found is None:
        return None
    amps, how, assumed = found
    share = Branch(site, Place("unit", site.units_of(place)[0])).allowed_share()
    text = f"{amps:.0f} A ({how}); the {breaker:g} A feeder breaker allows {breaker * share:g} A"
    return Audit("adequate" if amps <= breaker * share + NEAR else "too-small", "; ".join((text, *assumed)))


def leakage_groups(site: Site, panel: Place) -> list[tuple[groundfault.Window, float, str, int]]:
    """For each branch circuit with a ground-fault breaker: window, standing leakage (mA), circuit, units."""
    groups: dict[str, tuple[str, float, int]] = {}
    for unit in site.units_of(panel):
        branch = Branch(site, Place("unit", unit))
        kind = branch.choice("unit.breaker-kind")
        if kind not in groundfault.WINDOWS:
            continue
        volts = service.SYSTEMS[branch.system()].to_ground
        hertz = service.SYSTEMS[branch.system()].hertz
        cable = groundfault.capacitive_leakage(
            0.1 * (branch.quantity("unit.run-length") or 0), volts, hertz
        )  # 100 pF/m
        name = site.circuit_of(unit)
        _, so_far, count = groups.get(name, (kind, 0.0, 0))
        groups[name] = (kind, so_far + UNIT_LEAKAGE + cable, count + 1)
    return [(groundfault.WINDOWS[kind], ma, name, count) for name, (kind, ma, count) in groups.items()]


@audit_gauge("leakage-budget", "panel", ("within", "over"))
def leakage_budget(site: Site, place: Place) -> Audit | None:
    """Standing leakage behind a 30 mA device against 30 % of it (BS 7671 531.3.2); the worst circuit."""
    groups = [g for g in leakage_groups(site, place) if g[0] == groundfault.WINDOWS["ground-fault-30ma"]]
    if not groups:
        return None
    window, ma, _, count = max(groups, key=lambda g: g[1])
    allowed = groundfault.standing_budget(window.trip)
    return Audit(
        "within" if ma <= allowed + NEAR else "over",
        f"{ma:.1f} mA from {counted(count)} on one 30 mA device; {allowed:g} mA is the budget; "
        f"{UNIT_LEAKAGE:g} mA a unit assumed",
    )


@audit_gauge("panel-heat", "panel", ("normal", "hot"))
def panel_heat(site: Site, place: Place) -> Audit | None:
    """Whether the heat inside the panel leaves a branch breaker worth less than its load (derating fit)."""
    inside = site.number("panel.inside-temperature", place)
    if inside is None:
        return None
    worst: tuple[float, str] | None = None
    for unit in site.units_of(place):
        branch = Branch(site, Place("unit", unit))
        breaker, load = branch.quantity("unit.breaker"), branch.circuit_load()
        if breaker is None or load is None:
            continue
        worth = protection.derated(breaker, inside, branch.family()).typical
        margin = worth * protection.FAMILIES[branch.family()].hold - load
        if worst is None or margin < worst[0]:
            worth_words = f"a {breaker:g} A breaker is worth about {worth:.0f} A"
            worst = margin, f"at {inside:g} °C {worth_words}; unit {unit} takes {load:g} A"
    if worst is None:
        return None
    return Audit("normal" if worst[0] >= -NEAR else "hot", worst[1])


def _wire(branch: Branch) -> str:
    return f"{circuit.wire_name(branch.choice('unit.wire-size') or '')} {branch.metal()}"


def _span(ends: tuple[float, float]) -> str:
    low, high = (f"{round(amps, 1):g}" for amps in ends)
    return low if low == high else f"{low} to {high}"


def _noted(text: str, branch: Branch) -> str:
    return f"{text} (assumed: {', '.join(branch.assumed)})" if branch.assumed else text
