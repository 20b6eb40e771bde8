"""Who may do what, where, now. The only place that decides whether a step is offered."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place

MAKING_SAFE = ("any", "dead-verified")  # states in which work goes on after a danger has been made safe


class Bars(NamedTuple):
    """What bars steps in a case.

    danger    none, standing (nothing is offered), or made-safe (looking, remembering and dead work only)
    stopped   places where a danger stands, made safe or not: nothing there is used, or needs power
    kept_out  places with a fault likely that can hurt somebody: nothing there is used
    held      places where a protective device has acted: nothing there is used by anybody below technician
    proving   checks that prove a danger gone, at places that were energized again for them
    """

    danger: str = "none"
    stopped: frozenset[Place] = frozenset()
    kept_out: frozenset[Place] = frozenset()
    held: frozenset[Place] = frozenset()
    proving: frozenset[tuple[str, Place]] = frozenset()
    unseen: bool = False  # nobody has answered the danger question yet: looking from afar and records only


FREE = Bars()


def may_take(step: m.Check | m.Remedy, role: str, bars: Bars = FREE) -> bool:
    """Whether `role` may be offered a check or remedy anywhere; `barred` says where it may not."""
    if bars.danger == "standing":
        return False
    if not m.may(role, step.role):
        return False
    if step.reach == "on-site" and not m.may(role, "technician"):
        return False
    if bars.unseen and (step.needs == "in-use" or step.state in ("live", "dead-verified")):
        return False
    if bars.danger != "made-safe" or step.state in MAKING_SAFE:
        return True
    return any(check == step.id for check, _ in bars.proving)


def barred(step: m.Check | m.Remedy, place: Place, role: str, bars: Bars, site: Site) -> bool:
    """Whether a danger bars `step` at `place`: use of a stopped place or of a group that holds it, power at one that is off."""
    if (step.id, place) in bars.proving:
        return False
    if bars.danger == "made-safe" and step.state not in MAKING_SAFE:
        return True
    if step.needs == "in-use":
        used = bars.stopped | bars.kept_out | (bars.held if not m.may(role, "technician") else frozenset())
        return touches(site, place, used)
    if step.needs == "energized":
        if isinstance(step, m.Remedy) and step.state == "dead-verified":
            return False  # the work itself is dead; power comes after it, on record, for the proofs
        units = set(site.units_of(place))
        off = {n for p in bars.stopped for n in site.units_of(p)}
        return place in bars.stopped or (bool(units) and units <= off)
    return False


def barred_anywhere(step: m.Check | m.Remedy, places: Iterable[Place], role: str, bars: Bars, site: Site) -> bool:
    """Whether a danger bars `step` at one of `places`; a step without a place is one of the whole site."""
    return any(barred(step, place, role, bars, site) for place in tuple(places) or (SITE,))


def touches(site: Site, place: Place, places: frozenset[Place]) -> bool:
    """Whether a place has a unit in common with any of `places`, or is one of them."""
    if place in places:
        return True
    units = set(site.units_of(place))
    return any(units & set(site.units_of(p)) for p in places)


def has_instrument(check: m.Check, instruments: Iterable[str]) -> bool:
    """Whether the instrument a check needs is at hand; a multimeter also reads millivolts."""
    at_hand = set(instruments)
    if check.instrument in ("none", "phone"):
        return True
    return check.instrument in at_hand or (check.instrument == "millivolt-meter" and "multimeter" in at_hand)
