"""The uplink and the unit that evidence without places of its own speaks of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from diagnose.site.model import Site
from diagnose.site.places import Place

_UNIT = re.compile(r"\bunit[\s_.-]{0,2}0{0,3}(\d{1,4})(?!\d)", re.IGNORECASE)
_UPLINK = re.compile(r"\buplink[\s_.-]{0,2}0{0,3}(\d{1,4})(?!\d)", re.IGNORECASE)


class Standpoint(NamedTuple):
    """The uplink and the unit that evidence speaks of, and what has to be said about that choice."""

    uplink: str
    unit: str
    uplink_place: Place
    note: str


def standpoint(site: Site | None, name: str, identities: Sequence[str] = (), at: Place | None = None) -> Standpoint:
    """The place evidence is about: the unit or uplink that was given, else what the file's name says (`unit 5`, `uplink 2`),
    else by a recorded station identity.

    Without any of them it is the only uplink of the record, else the first one, and `note` says so.
    """
    if at is not None:
        unit, uplink = (at.number if at.kind == kind else None for kind in ("unit", "uplink"))
    else:
        unit, uplink = _number(_UNIT, name), _number(_UPLINK, name)
    if site is None:
        return _standing(uplink or 1, unit or 1, "")
    own = unit if unit in site.units else None
    named = next((g for g in site.uplinks if g.number == uplink), None)
    if named is None and own is not None:
        named = next((g for g in site.uplinks if own == g.unit or own in g.units), None)
    if named is None:
        wanted = set(identities)
        named = next(
            (g for g in site.uplinks if site.word("uplink.identity", Place("uplink", g.number)) in wanted), None
        )
    note = ""
    if named is None and site.uplinks:
        named = site.uplinks[0]
        if len(site.uplinks) > 1:
            note = (
                f"the record has {len(site.uplinks)} uplinks; taken to be uplink {named.number}. Put 'unit "
                "N' into the file's name to say otherwise"
            )
    number = named.number if named else 1
    return _standing(number, own or (named.unit if named else site.units[0] if site.units else 1), note)


def _number(pattern: re.Pattern[str], name: str) -> int | None:
    found = pattern.search(name.replace("_", " "))
    return int(found.group(1)) if found else None


def _standing(uplink: int, unit: int, note: str) -> Standpoint:
    return Standpoint(f"uplink {uplink}", f"unit {unit}", Place("uplink", uplink), note)
