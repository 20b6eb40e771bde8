"""Where things are, for the oracle: places that a log names, and which of them belong together."""

from __future__ import annotations

from diagnose.casework.events import Event
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place, PlaceError


def places_at(site: Site, kind: str, event: Event) -> tuple[Place, ...]:
    at = str(event.data.get("at") or "")
    if not at:
        return ()
    try:
        return site.find(at, kind)
    except PlaceError:
        return ()


def place_of(site: Site, text: str) -> tuple[Place, ...]:
    """The places that an entry about a danger names; the whole site where it names none."""
    if text in ("", "site"):
        return (SITE,)
    for kind in ("unit", "panel", "segment", "uplink", "control", "trunk-end", "trunk"):
        if text.startswith(kind) or (kind == "trunk-end" and text.endswith(" end")):
            try:
                return site.find(text, kind)
            except PlaceError:
                continue
    return (SITE,)


def units(site: Site, place: Place) -> frozenset[int]:
    """The units that a place is, feeds or serves."""
    return frozenset(site.units_of(place))


def targets(site: Site, place: Place) -> tuple[Place, ...]:
    """Where a danger has to be over: its own place, for a panel all that it feeds, for the site all there is."""
    if place == SITE:
        return (*site.places("panel"), *site.places("unit"))
    if place.kind == "unit":
        return (place,)
    return (place, *(Place("unit", n) for n in site.units_of(place)))


def related(site: Site, place: Place, kind: str) -> tuple[Place, ...]:
    """The places of a kind that belong to a place."""
    if place == SITE or kind == "site":
        return site.places(kind)
    if place.kind == kind:
        return (place,)
    here = units(site, place)
    return tuple(p for p in site.places(kind) if here & units(site, p))


def isolates(site: Site, safe: Place, place: Place) -> bool:
    """Whether what is isolated there isolates this as well: itself, all, or the panel that feeds it."""
    return safe in (SITE, place) or (safe.kind == "panel" and bool(units(site, place)) and units(site, place) <= units(site, safe))


def mends(site: Site, repaired: Place, place: Place) -> bool:
    """Whether a repair is at the place of a danger: there, at its panel, or at a part of it."""
    if place == SITE or repaired == place:
        return True
    if place.kind == "unit":
        return repaired.kind == "panel" and place.number in units(site, repaired)
    return bool(units(site, repaired)) and units(site, repaired) <= units(site, place)
