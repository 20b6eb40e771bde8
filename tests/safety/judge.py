"""Holds what the program shows against the picture that the oracle draws. Each broken rule has a name.

Takes values only: the picture before and after a line, the assessment on the screen, the lines, the prompt, the new events.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from diagnose.casework.events import Event
from diagnose.casework.view import Assessment, StepView, StopUse
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import SITE, Place
from tests.safety.oracle import SIGNS, Danger, Picture, at_least
from tests.safety.where import place_of, related, units

RULES = {
    "missed": "a danger in the log is not shown",
    "lifted": "a danger is gone that was not lifted as it must be",
    "safe": "a danger counts as made safe that is not",
    "question": "words that wait for an answer are forgotten, or another question is asked first",
    "unheard": "danger words were typed and nothing came of them",
    "step": "a step is offered or shown while a danger is open or standing",
    "role": "a step above the role, or at the equipment for somebody who may not",
    "use": "a step uses or energizes a place that is stopped",
    "own": "an answer counts as one's own that one may not give",
    "mark": "the list of cases does not say that use is stopped",
    "failure": "the program failed",
}
QUESTIONS = ("danger (y/n)> ", "number> ", "where> ")


class Broken(NamedTuple):
    """A rule that was broken, and how."""

    rule: str
    how: str


class Shown(NamedTuple):
    """What one line brought to the screen."""

    seen: Assessment | None
    steps: tuple[StepView, ...]
    text: str
    prompt: str
    finished: bool


class Stop(NamedTuple):
    """A place out of use. `proving`: power was reported for its proofs; `proofs` are those, with their places."""

    place: Place
    proving: bool
    proofs: frozenset[tuple[str, Place]]


def judge(k: m.Knowledge, picture: Picture, shown: Shown, before: Picture | None) -> Iterator[Broken]:
    """What is wrong with a screen."""
    seen = shown.seen
    if seen is None:
        return
    had = {(d.block, d.place) for d in before.dangers if d.open} if before else set()
    for danger in picture.dangers:
        if danger.open:
            yield from _danger_shown(picture.site, danger, seen.stop_use, (danger.block, danger.place) in had)
    if lost := set(picture.asked) - {a.event for a in seen.asked}:
        yield Broken("question", f"{len(lost)} questions are not in the assessment")
    if picture.asked and not shown.finished and shown.prompt not in QUESTIONS:
        yield Broken("question", f"the prompt is {shown.prompt!r}")
    if picture.unsafe or any(x.status in ("asked", "standing") for x in seen.stop_use):
        yield from _silent(seen, shown)
    stops = stopped(k, picture, seen.stop_use)
    for step in shown.steps:
        spec = k.checks[step.id] if step.kind == "check" else k.remedies[step.id]
        yield from _may(spec, picture.role)
        for place in step.places or (SITE,):
            if why := bars(picture.site, stops, spec, place):
                yield Broken("use", f"{step.kind} {step.id} at {place}: {why}")


def _danger_shown(site: Site, danger: Danger, stops: Sequence[StopUse], had: bool) -> Iterator[Broken]:
    found = [x for x in stops if x.danger == danger.block and _within(site, danger.place, x.places)]
    name = f"{danger.block} at {danger.place} ({danger.status})"
    if not found:
        yield Broken("lifted" if had else "missed", name)
    elif danger.status == "standing" and all(x.made_safe for x in found):
        yield Broken("safe", f"{name} is shown as {found[0].status}")


def _within(site: Site, place: Place, places: Sequence[Place]) -> bool:
    if place in places or SITE in places:
        return True
    here = units(site, place)
    return bool(here) and here <= frozenset(n for p in places for n in units(site, p))


def _silent(seen: Assessment, shown: Shown) -> Iterator[Broken]:
    if seen.steps or shown.steps:
        yield Broken("step", f"{(seen.steps or shown.steps)[0].id} is offered")
    for line in shown.text.splitlines():
        if line.startswith(("NEXT: ", "REPAIR: ")):
            yield Broken("step", f"the screen says {line!r}")


def stopped(k: m.Knowledge, picture: Picture, stops: Sequence[StopUse]) -> list[Stop]:
    """The places out of use: by the oracle, and what the program itself adds by its rules."""
    site = picture.site
    found = []
    for d in picture.dangers:
        if d.open:
            checks = {c for row in k.dangers[d.block].proofs for c in row if c in k.checks} | (d.checks - set(SIGNS))
            proofs = {(c, p) for c in checks for p in related(site, d.place, k.checks[c].at)} if d.status == "proving" else ()
            found.append(Stop(d.place, d.status == "proving", frozenset(proofs)))
    known = {(d.block, d.place) for d in picture.dangers if d.open}
    for x in stops:
        own = {(c, p) for row in x.proofs for c in row.checks for p in row.places} if x.status == "proving" else ()
        found += [Stop(p, x.status == "proving", frozenset(own)) for p in x.places if (x.danger, p) not in known]
    return found


def bars(site: Site, stops: Sequence[Stop], spec: m.Check | m.Remedy, place: Place) -> str:
    """Why a check or repair is not for a place now; empty when nothing bars it."""
    if spec.needs == "none":
        return ""
    if isinstance(spec, m.Remedy) and spec.state == "dead-verified" and spec.needs == "energized":
        return ""  # the work itself is dead; power comes after it, reported for the proofs
    proves = any((spec.id, place) in stop.proofs for stop in stops)
    for stop in stops:
        if (proves and stop.proving) or not _touches(site, stop.place, place, spec.needs == "in-use"):
            continue
        return f"needs {spec.needs}, {stop.place} is stopped"
    return ""


def _touches(site: Site, stop: Place, place: Place, group: bool) -> bool:
    """Whether a place is the stopped one or fed by it; with `group` also whether it contains it."""
    if SITE in (stop,) or stop == place:
        return True
    here, off = units(site, place), units(site, stop)
    return bool(here & off) if group else bool(here) and here <= off


def _may(spec: m.Check | m.Remedy, role: str) -> Iterator[Broken]:
    if not at_least(role, spec.role):
        yield Broken("role", f"{spec.id} takes a {spec.role}, the role is {role}")
    if not at_least(role, "technician") and (spec.reach == "on-site" or spec.state in ("dead-verified", "live")):
        yield Broken("role", f"{spec.id} is {spec.reach}, {spec.state}, the role is {role}")


def own_entries(k: m.Knowledge, before: Picture, stops: Sequence[StopUse], after: Picture, new: Sequence[Event]) -> Iterator[Broken]:
    """What is wrong with answers and repairs that somebody gave as their own."""
    names = {e.id for e in new}
    told = {e.id for e in new if e.data.get("complaint")}
    off = stopped(k, before, stops)
    for entry in after.entries:
        event = entry.event
        if event.id not in names or "reported-by" in event.data or event.kind not in ("reading", "remedy"):
            continue
        if event.id in told or event.data.get("with") in told:
            continue  # a complaint is hearsay of the world outside, not a step that was taken
        name = str(event.data["check" if event.kind == "reading" else "remedy"])
        if name in SIGNS:
            continue
        spec = k.checks[name] if event.kind == "reading" else k.remedies[name]
        if before.unsafe:
            yield Broken("own", f"{name} was answered while a danger is open or standing")
        for wrong in _may(spec, entry.role):
            yield Broken("own", wrong.how)
        kind = k.checks[name].at if event.kind == "reading" else ""
        for place in _where(before.site, kind, event):
            if why := bars(before.site, off, spec, place):
                yield Broken("own", f"{name} at {place}: {why}")


def _where(site: Site, kind: str, event: Event) -> tuple[Place, ...]:
    at = str(event.data.get("at") or "")
    if kind and at:
        return site.find(at, kind)
    return place_of(site, at)
