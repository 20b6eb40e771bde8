"""The site as one value: units, trunks, uplinks, control inputs, panels, and the facts they carry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

from diagnose.site.places import FAR, KINDS, NEAR, SITE, Place, PlaceError, parse_numbers
from diagnose.source.problems import shown

FactValue = float | int | str | bool | tuple[int, ...]

WRITTEN_OUT = ("site", "panel", "unit", "segment", "trunk", "trunk-end")  # kinds that are no groups
END_WORDS = ("near", "far", "end", "the", "of", "at", "trunk", "on")
MOST_UNITS = 247  # MODBUS over Serial Line V1.02, 2.2: addresses 1 to 247


class FactSpec(NamedTuple):
    """One install fact that a record may hold."""

    key: str
    title: str
    kind: str
    unit: str
    choices: Mapping[str, str]
    ask: str
    find: str
    sources: tuple[str, ...]
    spot: tuple[str, int] = ("", 1)  # file and line of its block

    @property
    def section(self) -> str:
        """`unit` of `unit.setting`."""
        return self.key.split(".", 1)[0]


class Trunk(NamedTuple):
    """A trunk: units in cable order, the unit that controls it, segment lengths in metres (None: not recorded)."""

    number: int
    name: str
    units: tuple[int, ...]
    controller: int
    segment_m: tuple[float | None, ...]


class Group(NamedTuple):
    """An uplink or a control input: the unit it is wired to, and the units it serves."""

    number: int
    unit: int
    units: tuple[int, ...]


@dataclass(frozen=True)
class Site:
    """What is known of a site. Facts are keyed by section and number, the site's own under ('site', 0)."""

    name: str
    units: tuple[int, ...]
    trunks: tuple[Trunk, ...] = ()
    uplinks: tuple[Group, ...] = ()
    controls: tuple[Group, ...] = ()
    panels: tuple[int, ...] = (1,)
    facts: Mapping[tuple[str, int], Mapping[str, FactValue]] = field(default_factory=dict)
    more: Mapping[str, tuple[Group, ...]] = field(default_factory=dict)
    """Groups of any other kind, by its name."""

    def groups(self, kind: str) -> tuple[Group, ...]:
        """The groups of a kind; none for kinds that are no groups."""
        return self.uplinks if kind == "uplink" else self.controls if kind == "control" else self.more.get(kind, ())

    def get(self, key: str, place: Place = SITE) -> FactValue | None:
        """The fact `key` as it holds at `place`, None when the record does not say.

        A unit inherits from its trunk, its panel, the groups that serve it and the site. A quantity comes
        as a float in the unit of its fact.
        """
        section, _, name = key.partition(".")
        number = self._number(section, place)
        if number is None:
            return None
        return self.facts.get((section, number), {}).get(name)

    def number(self, key: str, place: Place = SITE) -> float | None:
        """`get` for quantities and counts."""
        value = self.get(key, place)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    def word(self, key: str, place: Place = SITE) -> str | None:
        """`get` for choices and texts; yes and no for a yes-no fact."""
        value = self.get(key, place)
        if isinstance(value, bool):
            return "yes" if value else "no"
        return value if isinstance(value, str) else None

    def _number(self, section: str, place: Place) -> int | None:
        if section == "site":
            return 0
        if place.kind == section:
            return place.number
        if section == "trunk":
            trunk = self.trunk_of(place)
            return trunk.number if trunk else None
        unit = self.host(place)
        if unit is None:
            return None
        if section == "unit":
            return unit
        if section == "panel":
            return self.panel_of(unit)
        group = self._group_of(self.groups(section), unit)
        return group.number if group else None

    @staticmethod
    def _group_of(groups: tuple[Group, ...], unit: int) -> Group | None:
        return next((g for g in groups if unit in g.units or unit == g.unit), None)

    def host(self, place: Place) -> int | None:
        """The one unit that stands for a place: itself, a trunk end's last unit, the unit that a group is wired to."""
        if place.kind == "unit":
            return place.number
        if place.kind == "segment":
            return place.number
        trunk = self.trunk_of(place) if place.kind in ("trunk", "trunk-end") else None
        if trunk:
            if place.kind == "trunk":
                return trunk.controller
            return trunk.units[-1] if place.other == FAR else trunk.units[0]
        return next((g.unit for g in self.groups(place.kind) if g.number == place.number), None)

    def panel_of(self, unit: int) -> int:
        """The panel that feeds a unit; the first one where the record does not say."""
        value = self.facts.get(("unit", unit), {}).get("panel")
        return value if isinstance(value, int) else (self.panels[0] if self.panels else 1)

    def circuit_of(self, unit: int) -> str:
        """The branch circuit's name; a unit without one has a circuit of its own."""
        value = self.facts.get(("unit", unit), {}).get("circuit")
        return value if isinstance(value, str) and value else f"own {unit}"

    @cached_property
    def _trunk_by_unit(self) -> dict[int, Trunk]:
        return {unit: trunk for trunk in self.trunks for unit in trunk.units}

    def trunk_of(self, place: Place) -> Trunk | None:
        """The trunk a unit, segment, trunk end or trunk belongs to."""
        if place.kind in ("trunk", "trunk-end"):
            return next((t for t in self.trunks if t.number == place.number), None)
        if place.kind in ("unit", "segment"):
            return self._trunk_by_unit.get(place.number)
        return None

    def units_of(self, place: Place) -> tuple[int, ...]:
        """The units that belong to a place: all of the site, those of a panel or trunk, those that a group serves."""
        if place.kind == "site":
            return self.units
        if place.kind == "unit":
            return (place.number,)
        if place.kind == "panel":
            return tuple(u for u in self.units if self.panel_of(u) == place.number)
        if place.kind == "segment":
            return (place.number, place.other)
        if place.kind in ("trunk", "trunk-end"):
            trunk = self.trunk_of(place)
            return trunk.units if trunk else ()
        return next((g.units for g in self.groups(place.kind) if g.number == place.number), ())

    def places(self, kind: str) -> tuple[Place, ...]:
        """Every place of a kind, in the site's order."""
        return self._places[kind]

    @cached_property
    def _places(self) -> dict[str, tuple[Place, ...]]:
        return {
            "site": (SITE,),
            "panel": tuple(Place("panel", n) for n in self.panels),
            "unit": tuple(Place("unit", n) for n in self.units),
            "segment": tuple(
                Place("segment", a, b) for t in self.trunks for a, b in zip(t.units, t.units[1:], strict=False)
            ),
            "trunk": tuple(Place("trunk", t.number) for t in self.trunks),
            "trunk-end": tuple(Place("trunk-end", t.number, end) for t in self.trunks for end in (NEAR, FAR)),
        } | {kind: tuple(Place(kind, g.number) for g in self.groups(kind)) for kind in KINDS if kind not in WRITTEN_OUT}

    def has(self, place: Place) -> bool:
        """Whether the place is on this site."""
        return place in self._places.get(place.kind, ())

    def with_fact(self, key: str, place: Place, value: FactValue) -> Site:
        """This site with one fact set at the place's section (at every unit for a place that spans several)."""
        section, _, name = key.partition(".")
        numbers = self.units if section == "unit" and place == SITE else [self._number(section, place)]
        if section != "unit" and place == SITE and section != "site":
            numbers = [p.number for p in self.places(section)]
        facts = {k: dict(v) for k, v in self.facts.items()}
        for number in numbers:
            if number is not None:
                facts.setdefault((section, number), {})[name] = value
        return replace(self, facts=facts)

    def find(self, text: str, kind: str) -> tuple[Place, ...]:
        """The places of `kind` that a person means by `text`; raises PlaceError with what would be right."""
        words = " ".join(text.lower().replace("–", "-").split())
        here = self.places(kind)
        if not here:
            raise PlaceError(f"this site's record has no {kind}")
        if words in ("all", "every", "everywhere", f"all {kind}s", "whole site", "site"):
            return here
        if kind == "site":
            raise PlaceError("write 'site'")
        if kind == "trunk-end":
            return self._find_end(words)
        for prefix in (f"{kind}s", kind, "no.", "number", "#"):
            if words.startswith(prefix):
                words = words[len(prefix) :].strip()
        if not words:
            if len(here) == 1:
                return here
            raise PlaceError(f"which {kind}? write for instance '{here[0]}'")
        if kind == "segment":
            return self._find_segments(words)
        numbers = parse_numbers(words, 1000)
        wanted = {p.number: p for p in here}
        missing = [n for n in numbers if n not in wanted]
        if missing:
            have = f"{here[0].number} to {here[-1].number}" if len(here) > 1 else str(here[0].number)
            raise PlaceError(f"there is no {kind} {missing[0]} here; the record has {have}")
        return tuple(wanted[n] for n in numbers)

    def _find_end(self, words: str) -> tuple[Place, ...]:
        ends = self.places("trunk-end")
        if "," in words or words in ("both", "both ends", "near and far"):
            parts = words.split(",") if "," in words else ["near end", "far end"]
            return tuple(dict.fromkeys(p for part in parts for p in self._find_end(part.strip())))
        which = [p for p in ends if ("far" in words and p.other == FAR) or ("near" in words and p.other == NEAR)]
        said = words.replace("-", " ").split()
        if stray := [w for w in said if w not in END_WORDS and not w.isdecimal()]:
            raise PlaceError(f"{shown(stray[0])} is no end of a trunk; write 'near end' or 'far end'")
        digits = [int(w) for w in said if w.isdecimal() and len(w) < 7]
        if digits:
            which = [p for p in which if p.number == digits[0]]
        elif len(self.trunks) > 1 and which:
            raise PlaceError("there are several trunks; write for instance 'trunk 2 far end'")
        if not which or ("far" in words and "near" in words):
            raise PlaceError("write 'near end' or 'far end'")
        return tuple(which)

    def _find_segments(self, words: str) -> tuple[Place, ...]:
        segments = {(p.number, p.other): p for p in self.places("segment")}
        segments |= {(b, a): p for (a, b), p in segments.items()}
        found: list[Place] = []
        for part in words.split(","):
            if " to " in part:
                begin, _, end = part.partition(" to ")
                if "-" in begin and "-" in end:
                    row = list(self.places("segment"))
                    first, last = self._find_segments(begin)[0], self._find_segments(end)[0]
                    a_at, b_at = sorted((row.index(first), row.index(last)))
                    found += row[a_at : b_at + 1]
                    continue
            a, _, b = part.replace(" to ", "-").strip().partition("-")
            if not (a.strip().isdecimal() and b.strip().isdecimal()) or len(a) > 6 or len(b) > 6:
                raise PlaceError("write a segment as the two units it joins, for instance 4-5")
            pair = (int(a), int(b))
            if pair not in segments:
                raise PlaceError(f"there is no segment {pair[0]}-{pair[1]}; segments join neighbours on the trunk")
            found.append(segments[pair])
        return tuple(dict.fromkeys(found))
