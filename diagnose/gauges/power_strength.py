"""Strength gauges of the supply side: how likely a cause shows itself at this site (0.01 to 0.98)."""

from __future__ import annotations

from diagnose.gauges.base import strength_gauge
from diagnose.gauges.branch import Branch
from diagnose.gauges.power_audit import leakage_groups
from diagnose.physics import groundfault, protection, service
from diagnose.site.model import Site
from diagnose.site.places import Place

LEAST, MOST = 0.01, 0.98  # never and always of the likelihood words
NOT_RECORDED = 0.4  # "sometimes", where the record lacks what the figure is computed from


def _within(likelihood: float) -> float:
    return min(MOST, max(LEAST, likelihood))


@strength_gauge("small-overload-trips", "unit")
def small_overload_trips(site: Site, place: Place) -> float:
    """A steady charge at the setting trips the branch breaker in the panel's heat (UL 489; IEC 60898-1)."""
    branch = Branch(site, place)
    breaker, load = branch.quantity("unit.breaker"), branch.circuit_load()
    if breaker is None or load is None:
        return NOT_RECORDED
    return _within(protection.trip_likelihood(breaker, load, branch.inside_celsius(), branch.family()))


@strength_gauge("leakage-trips", "panel")
def leakage_trips(site: Site, place: Place) -> float:
    """Standing leakage trips the worst ground-fault breaker of the panel now and then (BS 7671 531.3.2)."""
    groups = leakage_groups(site, place)
    if not groups:
        return NOT_RECORDED
    return _within(max(groundfault.nuisance_likelihood(ma, window) for window, ma, _, _ in groups))


@strength_gauge("sag-disturbs", "unit")
def sag_disturbs(site: Site, place: Place) -> float:
    """Share of the service range (ANSI C84.1 range A) that the drop pulls under the least load voltage."""
    branch = Branch(site, place)
    drop = branch.drop(branch.load())
    if drop is None:
        return NOT_RECORDED
    band = service.limits(branch.nominal())
    return _within((band.load_low - (band.a_low - drop)) / (band.a_high - band.a_low))
