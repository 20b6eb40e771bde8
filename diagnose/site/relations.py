"""How a check's place lies to a fault's place: the only geometry that rules speak of.

A relation is one of ten codes: HERE, or the pair (trunk relation, supply relation). Each code is
looked up under a list of words, the most telling one first.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.site.model import Site
from diagnose.site.places import FAR, KINDS, SITE, Place

WORDS = ("here", "beyond", "before", "same-trunk", "same-circuit", "same-panel", "elsewhere")
HERE = 0
CODES = 10
NONE = -1  # the number of a place that has no trunk, panel, circuit or unit of its own

_TRUNK = ((), ("before", "same-trunk"), ("beyond", "same-trunk"))
_SUPPLY = ((), ("same-panel",), ("same-circuit", "same-panel"))


def lookup_words(code: int) -> tuple[str, ...]:
    """The words under which a relation code is looked up, in order."""
    if code == HERE:
        return ("here",)
    trunk, supply = divmod(code - 1, 3)
    return (*_TRUNK[trunk], *_SUPPLY[supply], "elsewhere")


class PlaceIndex(NamedTuple):
    """All places of a site in one row, and the relation code from each (fault) to each (check)."""

    places: tuple[Place, ...]
    number: dict[Place, int]
    by_text: dict[str, Place]
    by_kind: dict[str, npt.NDArray[np.intp]]
    relation: npt.NDArray[np.int8]


def index_places(site: Site) -> PlaceIndex:
    """Number every place of the site and relate all pairs; time and memory grow with their square."""
    places = tuple(p for kind in KINDS for p in site.places(kind))
    number = {place: i for i, place in enumerate(places)}
    by_kind = {kind: np.array([number[p] for p in site.places(kind)], dtype=np.intp) for kind in KINDS}
    return PlaceIndex(places, number, {str(p): p for p in places}, by_kind, _relate(site, places))


def _relate(site: Site, places: tuple[Place, ...]) -> npt.NDArray[np.int8]:
    n = len(places)
    kind = np.array([p.kind for p in places])
    trunk_no = np.full(n, NONE, dtype=np.int32)
    where = np.zeros(n, dtype=np.int32)  # distance along the trunk from its controller, signed
    panel = np.full(n, NONE, dtype=np.int32)
    circuit = np.full(n, NONE, dtype=np.int32)
    host = np.full(n, NONE, dtype=np.int32)
    circuits: dict[str, int] = {}
    for i, place in enumerate(places):
        trunk = site.trunk_of(place)
        if trunk:
            origin = 2 * trunk.units.index(trunk.controller)
            trunk_no[i] = trunk.number
            if place.kind == "unit":
                where[i] = 2 * trunk.units.index(place.number) - origin
            elif place.kind == "segment":
                where[i] = 2 * trunk.units.index(place.number) + 1 - origin
            else:
                where[i] = (2 * len(trunk.units) if place.other == FAR else -1) - origin
        if place.kind == "unit":
            panel[i] = site.panel_of(place.number)
            circuit[i] = circuits.setdefault(site.circuit_of(place.number), len(circuits))
        if KINDS[place.kind].at_unit:
            unit = site.host(place)
            if unit is not None:
                host[i] = unit
    same_trunk = _same(trunk_no)
    fault_at, check_at = where[:, None], where[None, :]
    beyond = same_trunk & (abs(check_at) > abs(fault_at)) & (check_at * fault_at >= 0)  # further out, on the same side
    trunk_code = np.where(beyond, 2, np.where(same_trunk, 1, 0))
    supply_code = np.where(_same(circuit), 2, np.where(_same(panel), 1, 0))
    code = (1 + 3 * trunk_code + supply_code).astype(np.int8)
    # Serving and containing count as the same place.
    here = np.eye(n, dtype=bool)
    here |= (kind == "site")[:, None] | (kind == "site")[None, :]
    here |= _same(host)
    unit_numbers = np.array([p.number if p.kind == "unit" else NONE for p in places])
    for i, place in enumerate(places):
        if KINDS[place.kind].consists and place != SITE:
            members = trunk_no == place.number if place.kind == "trunk" else np.isin(unit_numbers, site.units_of(place))
            here[i] |= members
            if KINDS[place.kind].back:  # for one, a unit other than the uplink's own says nothing about the uplink
                here[:, i] |= members
    code[here] = HERE
    return code


def _same(number: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    """Which pairs of places have one number, and have one at all."""
    found: npt.NDArray[np.bool_] = (number[:, None] == number[None, :]) & (number[:, None] > NONE)
    return found
