"""Screens that are no assessment: a volunteered check, the log, install facts, the rules behind a suspect."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from diagnose.casework import view as v
from diagnose.casework.view import percent
from diagnose.knowledge import model as m
from diagnose.quantities import format_quantity
from diagnose.report.lines import BLANK, Line, labelled, wrap
from diagnose.site.model import FactSpec, Site
from diagnose.site.places import Place, describe, spoken
from diagnose.source.problems import one_line

RELATION_WORDS = {
    "here": "there",
    "beyond": "beyond it",
    "before": "before it",
    "same-trunk": "elsewhere on the trunk",
    "same-circuit": "on the same circuit",
    "same-panel": "on the same panel",
    "elsewhere": "elsewhere",
}


def check_view(
    k: m.Knowledge, check: m.Check, places: tuple[Place, ...], expected: tuple[str, tuple[str, ...]]
) -> v.StepView:
    """A check that somebody chose as a step; nothing says why, so it was asked for."""
    words = spoken(places) if places else "the place in question"
    cautions = tuple((c.id, c.title, c.says) for name in check.cautions if (c := k.cautions.get(name)))
    return v.StepView(
        kind="check",
        id=check.id,
        title=check.title,
        places=places,
        ask=check.ask.replace("{place}", words),
        how=check.how.replace("{place}", words),
        instrument=check.instrument,
        expect=expected[0],
        assumed=expected[1],
        outcomes=tuple(v.OutcomeView(o.id, o.says, 0.0, "") for o in check.outcomes),
        role=check.role,
        state=check.state,
        reach=check.reach,
        minutes=check.minutes,
        cautions=cautions,
        why="You asked for it.",
        gain=0.0,
        probability=0.0,
        parts=(),
        sources=check.sources,
    )


def barred_lines(check: m.Check, needed: str, standing: bool, width: int) -> list[Line]:
    """A check that this role is not offered: its title and whom it needs, nothing of how it is done."""
    lines = wrap("title", check.title, width, "", "  ")
    if standing:
        lines += wrap(
            "danger", "Use is stopped: nothing is measured or tried before it has been made safe.", width
        )
    else:
        lines += labelled("Needs", needed, width, "warn")
    return lines


def more_lines(k: m.Knowledge, s: v.StepView, width: int, reader: str) -> list[Line]:
    """More help on a step: how, what the answers mean, and for the qualified the sources by title."""
    lines = wrap("title", s.title, width, "", "  ")
    lines += labelled("How", s.how, width)
    numbered = s.kind == "check" and not k.checks[s.id].gauge
    for n, o in enumerate(s.outcomes, 1):
        chance = f" ({percent(o.chance)} expected)" if o.chance >= 0.005 else ""
        points = f"; would point to: {o.points_to}" if o.points_to else ""
        text = f"{o.id.replace('-', ' ')}: {o.says}{chance}{points}"
        lines += wrap("text", f"{n}  {text}", width, "", "   ") if numbered else wrap("text", text, width, "- ", "  ")
    for title, says in [(t, x) for _, t, x in s.cautions]:
        lines += wrap("warn", f"! {title}. {says}", width, "", "  ")
    for source in s.sources if m.may(reader, "technician") else ():
        lines += labelled("Source", k.sources[source].title if source in k.sources else source, width, "dim")
    return lines


def chain_lines(k: m.Knowledge, s: v.SuspectView, width: int, reader: str) -> list[Line]:
    """Which lines of the rule base tie a suspect to the answers given, with their sources for the qualified."""
    fault = k.faults[s.fault]
    answered = {(w.check, w.outcome) for w in s.weights}
    lines = wrap("title", "By which rules:", width)
    shown = 0
    for shows, file, cause, sources in _links(k, fault):
        for show in shows:
            if (show.check, show.outcome) not in answered:
                continue
            shown += 1
            where = " or ".join(RELATION_WORDS[w] for w in show.where)
            through = f" It leads to: {cause}." if cause else ""
            check, outcome = k.checks[show.check], k.checks[show.check].outcome(show.outcome)
            often = (
                "as often as computed for this site" if show.how_often.startswith(m.GAUGE) else show.how_often
            )
            says = f"'{check.title}' reads '{outcome.says if outcome else show.outcome}'"
            lines += wrap("text", f"{fault.title}.{through} Then {says} {where}: {often}.", width, "- ", "  ")
            lines += _source_lines(k, sources, width, reader, f"{file}:{show.line}")
    if fault.alters and any(k.checks[w.check].gauge in ("trunk-ohms", "idle-millivolts") for w in s.weights):
        shown += 1
        lines += wrap(
            "text",
            f"{fault.title} changes the resistances of the trunk; what is read is computed from them.",
            width,
            "- ",
            "  ",
        )
        lines += _source_lines(k, fault.sources, width, reader)
    if not shown:
        lines += wrap(
            "text",
            f"No rule ties it to the answers so far; it is {fault.prior.replace('-', ' ')} on such sites.",
            width,
            "- ",
            "  ",
        )
        lines += _source_lines(k, fault.sources, width, reader)
    return lines


def _links(k: m.Knowledge, fault: m.Fault) -> Iterable[tuple[tuple[m.Show, ...], str, str, tuple[str, ...]]]:
    yield fault.shows, fault.spot.file, "", fault.sources
    for cause in fault.causes:
        mechanism = k.mechanisms[cause.mechanism]
        yield (
            mechanism.shows,
            mechanism.spot.file,
            mechanism.title.lower(),
            (*fault.sources, *mechanism.sources),
        )


def _source_lines(k: m.Knowledge, sources: Sequence[str], width: int, reader: str, rule: str = "") -> list[Line]:
    if not m.may(reader, "technician"):
        return []
    rule_lines = wrap("dim", f"rule: {rule}", width, "  ", "    ") if rule else []
    titles = "; ".join(dict.fromkeys(k.sources[s].title if s in k.sources else s for s in sources))
    return [*rule_lines, *wrap("dim", f"source: {titles}", width, "  ", "    ")]


def fact_text(spec: FactSpec, value: object) -> str:
    """The value of an install fact as people read it."""
    if spec.kind == "quantity" and isinstance(value, (int, float)):
        return format_quantity(float(value), spec.unit)
    if spec.kind == "choice":
        return spec.choices.get(str(value), str(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return str(value)


def fact_lines(k: m.Knowledge, site: Site, words: str, width: int) -> list[Line]:
    """What the install record says, places with the same value together. `words` narrow it down."""
    wanted = words.lower().split()
    lines: list[Line] = []
    missing: list[str] = []
    for spec in k.facts.values():
        if not all(w in f"{spec.key} {spec.title}".lower() for w in wanted):
            continue
        by_value: dict[str, list[Place]] = {}
        for place in site.places(spec.section):
            value = site.facts.get((spec.section, place.number), {}).get(spec.key.split(".", 1)[1])
            if value is not None:
                by_value.setdefault(fact_text(spec, value), []).append(place)
        if not by_value:
            missing.append(spec.key)
            continue
        single = len(site.places(spec.section)) == 1
        parts = [value if single else f"{value} ({describe(places)})" for value, places in by_value.items()]
        lines += labelled(spec.key, "; ".join(parts), width)
    if missing and wanted:
        for key in missing:
            lines += labelled(key, f"not recorded. {k.facts[key].ask}", width, "dim")
    elif missing:
        lines += [BLANK, *labelled("Not recorded", ", ".join(missing), width, "dim")]
    return lines or wrap("warn", f"No install fact has '{one_line(words)}' in its name.", width)


def moved_lines(before: v.Assessment, after: v.Assessment, width: int) -> list[Line]:
    """How the suspects move from one assessment to the other."""
    acquit = before.may_acquit and after.may_acquit  # beside a danger, also one that the answer would raise, nothing is called sound
    named = [s for s in (*before.suspects, *after.suspects) if acquit or s.nature == "fault"]
    old = {s.fault: s.probability for s in before.suspects}
    new = {s.fault: s.probability for s in after.suspects}
    titles = {s.fault: s.title for s in named}
    rows = sorted(titles, key=lambda f: -max(old.get(f, 0), new.get(f, 0)))
    lines: list[Line] = []
    for fault in rows[:6]:
        a, b = old.get(fault, 0.0), new.get(fault, 0.0)
        if max(a, b) >= 0.02:
            lines += wrap(
                "good" if b > a else "text",
                f"{percent(a)} to {percent(b)}  {titles[fault]}",
                width,
                "- ",
                "  ",
            )
    if acquit:
        lines += wrap("text", f"{percent(before.no_fault)} to {percent(after.no_fault)}  no fault present", width, "- ", "  ")
    lines += wrap(
        "text",
        f"{percent(before.unlisted)} to {percent(after.unlisted)}  something that is not in this book",
        width,
        "- ",
        "  ",
    )
    return lines
