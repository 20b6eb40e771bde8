"""What a meter's log is a log of: the unit or panel, which column is which wire, the current, and what the record says of the circuit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from diagnose.evidence.arrays import Floats
from diagnose.evidence.meter.columns import AMPS, CELSIUS, JOINT, VOLTS, WATTS
from diagnose.evidence.meter.reduce import MeterLog
from diagnose.evidence.reader import Asked
from diagnose.gauges.branch import Branch
from diagnose.physics import service
from diagnose.site.model import FactValue, Site
from diagnose.site.places import Place

LEAST_LOAD = 3.0  # A; IEC 61851-1 lets no car be offered less than 6 A, a standing load is far below
_UNIT = re.compile(r"\bunits?\s?(?:no\.?|number)?\s?[#:=,;\t_. -]{0,4}0{0,3}(\d{1,4})(?!\d)(?!\s?[aAvVwW%]\b)", re.IGNORECASE)
_PANEL = re.compile(r"\b(?:feeder|panel)\b(?:\s?[#:=_. -]{0,3}0{0,3}(\d{1,3})(?!\d))?", re.IGNORECASE)
_BREAKER = re.compile(r"\bbreaker\b", re.IGNORECASE)


class MeterPoint(NamedTuple):
    """Where the log was made: `unit`, `breaker` or `panel`, the place (None where it is not known), and what to say of that."""

    point: str
    place: Place | None
    note: str


def spot(asked: Asked, header: str) -> MeterPoint:
    """Unit or panel and the point on it: as was given, else by the file's name, else by its header, else the only unit of the record."""
    texts = (re.sub(r"[_.]+", " ", asked.name), header)
    point = _point(asked, texts)
    kind = "panel" if point == "panel" else "unit"
    place = asked.at if asked.at is not None and asked.at.number else None
    numbers = [place.number] if place is not None else _numbers(kind, texts)
    return _spot(asked.site, point, kind, numbers)


def _point(asked: Asked, texts: Sequence[str]) -> str:
    """`unit`, `breaker` or `panel`: what was given, else what the first text says that speaks of one of them."""
    if asked.at is not None:
        return "panel" if asked.at.kind == "panel" else asked.point or "unit"
    if asked.point:
        return asked.point
    about = next((t for t in texts if _UNIT.search(t) or _PANEL.search(t) or _BREAKER.search(t)), "")
    return "panel" if _PANEL.search(about) and not _UNIT.search(about) else "breaker" if _BREAKER.search(about) else "unit"


def _numbers(kind: str, texts: Sequence[str]) -> list[int]:
    pattern = _PANEL if kind == "panel" else _UNIT
    return [int(found.group(1)) for text in texts if (found := pattern.search(text)) and found.group(1)]


def _spot(site: Site | None, point: str, kind: str, numbers: Sequence[int]) -> MeterPoint:
    """The first of `numbers` that the record has, else its only unit or panel."""
    if site is None:
        return MeterPoint(point, Place(kind, numbers[0]) if numbers else None, "")
    here = site.panels if kind == "panel" else site.units
    number = next((n for n in numbers if n in here), None)
    if number is not None:
        return MeterPoint(point, Place(kind, number), "")
    if numbers:
        return MeterPoint(point, None, f"the record has no {kind} {numbers[0]}; no readings are taken from this log")
    if len(here) == 1:
        return MeterPoint(point, Place(kind, here[0]), "")
    why = "the record has several panels" if kind == "panel" else "the log does not say which unit it is of"
    return MeterPoint(point, None, f"{why}; put '{kind} N' into the file's name, so that its readings can be taken")


@dataclass
class View:
    """A log with its columns named. `load` is the highest line current of each row in A, NaN where it is not known.

    `across` is the column of the unit's own supply wires, `legs_g` and `legs_n` those of each leg to ground and to neutral.
    `upstream` is a column of volts at the breaker or panel beside one at the unit, `feeder` columns of the feeder's amperes beside the unit's.
    """

    log: MeterLog
    site: Site
    recorded: bool
    where: MeterPoint
    branch: Branch
    nominal: float
    to_ground: float
    load: Floats
    low_load: Floats
    high_load: Floats
    load_name: str
    across: int | None = None
    upstream: int | None = None
    legs_g: dict[str, int] = field(default_factory=dict)
    legs_n: dict[str, int] = field(default_factory=dict)
    amps: dict[str, int] = field(default_factory=dict)
    feeder: dict[str, int] = field(default_factory=dict)
    watts: int | None = None
    heat: list[int] = field(default_factory=list)
    joints: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def legs(self) -> dict[str, int]:
        """Each leg's column: to ground where there is one, else to neutral."""
        return self.legs_g if len(self.legs_g) >= len(self.legs_n) else self.legs_n

    def volts(self, at: int) -> Floats:
        """A column's means."""
        return self.log.values[:, at]

    def title(self, at: int) -> str:
        """A column's title."""
        return self.log.columns[at].title


def _upper(values: Floats) -> float:
    """What a column reads when it is alive: the middle of its upper half."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.75)) if len(known) else float("nan")


def _guessed(log: MeterLog) -> Site:
    """A site of one unit whose supply system is told from the volts, for a log without an install record."""
    alive = {c.wires: _upper(log.values[:, n]) for n, c in enumerate(log.columns) if c.quantity == VOLTS}
    values = [v for v in alive.values() if v == v]
    between = [v for w, v in alive.items() if re.fullmatch(r"[abc]-[abc]", w) and v == v]
    top = max(between or values, default=240.0)
    small = min(values, default=top)
    if between and top > 320:
        system = "wye-230-400"
    elif 215 < top < 265 and (not between and small > 215 and top < 236):
        system = "single-230"
    elif top < 218 and (between or top > 150):
        system = "wye-120-208"
    else:
        system = "split-120-240"
    facts: dict[tuple[str, int], dict[str, FactValue]] = {("site", 0): {"system": system}}
    return Site("no install record", (1,), facts=facts)


def look(log: MeterLog, site: Site | None, where: MeterPoint) -> View:
    """The log with its columns named."""
    known = site if site is not None else _guessed(log)
    place = where.place or Place("unit", known.units[0] if known.units else 1)
    unit = place if place.kind == "unit" else Place("unit", next(iter(known.units_of(place)), known.units[0] if known.units else 1))
    branch = Branch(known, unit)
    nominal, to_ground = branch.nominal(), service.system(branch.system()).to_ground
    none = np.full(len(log.times), np.nan)
    view = View(
        log=log, site=known, recorded=site is not None, where=where, branch=branch, nominal=nominal,
        to_ground=to_ground, load=none, low_load=none, high_load=none, load_name="",
    )  # fmt: skip
    _name_volts(view)
    own = any(c.quantity == AMPS and c.spot != "panel" and c.wires != "n" for c in log.columns)
    for n, c in enumerate(log.columns):
        if c.quantity == AMPS and c.spot == "panel" and c.wires != "n" and own and where.point != "panel":
            view.feeder.setdefault(c.wires[:1] or "", n)
        elif c.quantity == AMPS and c.wires != "n":
            view.amps.setdefault(c.wires[:1] or "", n)
        elif c.quantity == WATTS and view.watts is None:
            view.watts = n
        elif c.quantity == CELSIUS:
            view.heat.append(n)
        elif c.quantity == JOINT:
            view.joints.append(n)
    if view.amps:
        lines = list(view.amps.values())
        with np.errstate(all="ignore"):
            # A clamp put on the other way round shows a minus on a meter that knows directions.
            view.load = np.fmax.reduce([np.abs(log.values[:, n]) for n in lines])
            view.high_load = np.fmax.reduce([np.maximum(np.abs(log.high[:, n]), np.abs(log.low[:, n])) for n in lines])
            crossing = [np.where(log.low[:, n] * log.high[:, n] < 0, 0.0, np.minimum(np.abs(log.high[:, n]), np.abs(log.low[:, n]))) for n in lines]
            view.low_load = np.fmax.reduce(crossing)
        view.load_name = "current"
    elif view.watts is not None:
        volts = log.values[:, view.across] if view.across is not None else np.full(len(log.times), nominal)
        with np.errstate(all="ignore"):
            good = np.where(volts > 0.5 * nominal, volts, nominal)
            view.load = np.abs(log.values[:, view.watts]) / good
        view.low_load = view.high_load = view.load
        view.load_name = "watts"
        view.notes.append(
            "no column of amperes: current worked out from watts and "
            f"{'volts' if view.across is not None else f'{nominal:g} V'}, power factor 1"
        )
    return view


def _name_volts(view: View) -> None:
    """Which column is across the unit's supply wires, and which is one leg to ground or neutral."""
    log, single = view.log, view.nominal == view.to_ground
    bare: list[int] = []
    for n, c in enumerate(log.columns):
        if c.quantity != VOLTS:
            continue
        first, _, second = c.wires.partition("-")
        if c.spot in ("panel", "breaker") and any(
            o.quantity == VOLTS and o.spot in ("unit", "") and o.wires == c.wires and o is not c
            for o in log.columns
        ):
            view.upstream = n if view.upstream is None else view.upstream
        elif second == "g":
            view.legs_g.setdefault(first, n)
        elif second == "n":
            if single and view.across is None:
                view.across = n
            view.legs_n.setdefault(first, n)
        elif second:
            view.across = n if view.across is None else view.across
        else:
            bare.append(n)
    for n in bare:
        wires, alive = log.columns[n].wires, _upper(view.volts(n))
        # A title without wires: what it reads tells whether it is across both wires or on one leg.
        nearer_leg = not single and abs(alive - view.to_ground) < abs(alive - view.nominal)
        if nearer_leg:
            letter = wires or next((x for x in "abc" if x not in view.legs_n), "a")
            view.legs_n.setdefault(letter, n)
        elif view.across is None:
            view.across = n
    if single and view.across is None and view.legs_g:
        view.across = next(iter(view.legs_g.values()))


__all__ = ["LEAST_LOAD", "MeterPoint", "View", "look", "spot"]
