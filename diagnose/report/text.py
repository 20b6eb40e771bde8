"""Assessments as lines of text for a given width: pure, no printing, no colour codes.

A line is a style word and a text. Styles are title, text, dim, good, warn, danger; what they look
like, and whether they look like anything, is decided where lines are printed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from diagnose.casework import view as v
from diagnose.casework.view import percent
from diagnose.knowledge import model as m
from diagnose.report.jsonview import proof_lines
from diagnose.report.lines import BLANK, Line, labelled, wrap
from diagnose.site.places import SITE, Place, describe

__all__ = [
    "BLANK", "ROLE_WORDS", "Line", "assessment_lines", "because_lines", "caring_lines", "caution_lines",
    "contradiction_lines", "danger_proof_lines",
    "evidence_lines", "finding_lines", "first_lines", "handover_lines", "labelled", "leading_lines", "minutes", "outcome_lines", "percent",
    "proof_state_lines", "step_lines", "stop_lines", "stop_title", "suspect_lines",
    "whole_lines", "wrap",
]  # fmt: skip

ROLE_WORDS = {
    "caller": "caller (touches nothing)",
    "help-desk": "help desk",
    "technician": "qualified service technician",
    "electrician": "licensed electrician",
}
STATE_WORDS = {
    "any": "hands off: nothing is opened or touched inside",
    "covers-closed": "covers stay closed",
    "dead-verified": "dead: locked out and proved dead",
    "live": "ENERGISED, covers open",
}
REACH_WORDS = {"remote": "remotely", "phone": "by phone", "on-site": "on site"}


def minutes(x: float) -> str:
    """Minutes, in whole ones."""
    return f"{max(1, round(x))} min"


def caution_lines(rows: Iterable[tuple[str, str, str]], width: int, style: str = "warn") -> list[Line]:
    """Cautions, each with its sentence."""
    return [line for _, title, says in rows for line in wrap(style, f"! {title}. {says}", width, "", "  ")]


def step_lines(s: v.StepView, width: int, unit: str | None = None, reader: str = "", on_site: bool = False) -> list[Line]:
    """One step on one screen: caution first, then what, where, with what, expecting what, why.

    `unit` is that of a measured value; its outcomes carry no numbers, as a number typed is the reading.
    `reader` is the role of whoever reads it: who does a step is said only where that is somebody else. Without a reader it is said.
    Danger signs are named by their question; the list of them comes with `?`.
    """
    lines = wrap("title", f"{'REPAIR' if s.kind == 'remedy' else 'NEXT'}: {s.title}", width, "", "  ")
    lines += caution_lines(s.cautions, width)
    lines += labelled("Where", describe(s.places), width)
    lines += labelled("Do", s.how, width)
    if s.parts:
        lines += labelled("Parts", ", ".join(s.parts), width)
    if s.instrument not in ("none", "phone"):
        lines += labelled("With", s.instrument.replace("-", " "), width)
    if s.expect:
        lines += labelled("Expect", s.expect, width, "good")
    if s.assumed:
        lines += labelled("Assumed", "; ".join(s.assumed), width, "dim")
    lines += labelled("Why", s.why, width)
    own = s.role == reader or (on_site and m.may(reader, s.role))
    time = f"about {minutes(s.minutes)}"
    if own:
        lines += labelled("Time", f"{time}; {STATE_WORDS[s.state]}", width)
    else:
        lines += labelled("Who", f"{ROLE_WORDS[s.role]}, {REACH_WORDS[s.reach]}; {STATE_WORDS[s.state]}; {time}", width)
    if s.kind == "check":
        lines.append(BLANK)
        lines += wrap("title", s.ask, width)
        if s.id not in m.SIGNS:
            lines += outcome_lines(s.outcomes, width, unit is None)
    return lines


def outcome_lines(outcomes: tuple[v.OutcomeView, ...], width: int, numbered: bool = True) -> list[Line]:
    """The answers, numbered where a number chooses one, and what each would point to."""
    lines: list[Line] = []
    for n, o in enumerate(outcomes, 1):
        mark = str(n) if numbered else "-"
        word = o.id.replace("-", " ")
        text = o.says if numbered or o.says.startswith(word) else f"{word}: {o.says}"
        points = f" (points to: {o.points_to})" if o.points_to and n > 1 else ""
        lines += wrap("text", f"{mark}  {text}{points}", width, " ", "    ")
    return lines


def suspect_lines(a: v.Assessment, width: int, most: int = 6) -> list[Line]:
    """Who is suspected, where, how strongly."""
    suspected = a.told_suspects
    if not suspected:
        return wrap("text", "No suspects yet.", width)
    lines: list[Line] = []
    for n, s in enumerate(suspected[:most], 1):
        kind = {"not-a-fault": " (nothing broken)", "outside": " (not the station)"}.get(s.nature, "")
        chance = "" if a.stop_use else f"{percent(s.probability)}  "  # no figures beside a danger
        lines += wrap("title" if n == 1 else "text", f"{n}  {chance}{s.title}{kind}", width, "", "   ")
        where = [p for p, x in s.places if x >= 0.2 * s.places[0][1]] if s.places else []
        if where:
            one_of = "one of " if len(where) > 1 and s.probability < 1.2 else ""
            lines += wrap("dim", f"at {one_of}{describe(where)}", width, "   ", "   ")
    if a.no_fault >= 0.01 and a.may_acquit:
        lines += wrap("text", f"-  {percent(a.no_fault)}  no fault present", width, "", "   ")
    if a.unlisted >= 0.01 and not a.stop_use:
        style = "warn" if a.unlisted >= 0.25 else "text"
        lines += wrap(style, f"-  {percent(a.unlisted)}  something that is not in this book", width, "", "   ")
    return lines


def evidence_lines(a: v.Assessment, s: v.SuspectView, tell: dict[str, str], width: int) -> list[Line]:
    """Why one suspect: each answer and how it speaks."""
    lines = wrap("title", f"{s.title}: {percent(s.probability)}", width, "", "  ")
    lines += wrap("text", s.says, width)
    for w in s.weights:
        factor = 2.718281828**w.weight
        if factor >= 1.05:
            how = f"speaks for it: {_times(factor)} times likelier with it than without"
            style = "good"
        elif factor <= 0.95:
            how = f"speaks against it: {_times(1 / factor)} times likelier without it"
            style = "warn"
        else:
            how, style = "says nothing about it", "dim"
        lines += wrap(style, f"{tell.get(w.event, w.check)}: {how}", width, "- ", "  ")
    if not s.weights:
        lines += wrap("dim", "No answers yet; this is how common it is.", width)
    return lines


def _times(factor: float) -> str:
    if factor >= 1000:
        return "over 1000"
    return f"{factor:.1f}" if factor < 10 else f"{factor:.0f}"


def finding_lines(findings: Iterable[v.FindingView], width: int, reader: str = "electrician") -> list[Line]:
    """Findings of the rules, the dangerous first; their sources for a `reader` who knows the documents."""
    words = {"danger": "DANGER", "violation": "Record", "note": "Note", "no-fault": "Nothing broken"}
    styles = {"danger": "danger", "violation": "warn", "note": "text", "no-fault": "good"}
    lines: list[Line] = []
    for f in findings:
        lines += wrap(styles[f.level], f"{words[f.level]}: {f.says}", width, "", "  ")
        if m.may(reader, "technician"):
            lines += wrap("dim", f"source: {', '.join(f.sources)}", width, "  ", "  ")
    return lines


STATUS_WORDS = {
    "asked": "Not settled: it counts as dangerous until somebody answers.",
    "made-safe": "Reported as made safe: looking and work on dead equipment only. It stays off.",
    "repaired": "Made safe and repaired. It stays off until its proofs read good.",
    "proving": "Energized for its proofs only. Nobody uses it until they read good.",
}
PROOF_WORDS = {"open": "to be read", "good": "good", "failed": "FAILED"}


def where(places: tuple[Place, ...]) -> str:
    """Places as people say them: `the whole site`, not `site`."""
    return "the whole site" if not places or places[0] == SITE else describe(places)


def stop_title(s: v.StopUse) -> str:
    """`STOP USE at unit 5: ...`."""
    return f"STOP USE{_at(s.places)}: {s.reason}."


def _at(places: tuple[Place, ...]) -> str:
    if not places or places[0] == SITE:
        return ", the whole site until the place is known"
    return f" at {describe(places)}"


def first_lines(stops: Iterable[v.StopUse], width: int, told: Collection[str] = ()) -> list[Line]:
    """The first words for everybody, each once: the number to call, that use is stopped, and what to leave alone.

    `told` are cautions that this reader has had in full already: of those the title alone.
    """
    standing = [s for s in stops if not s.made_safe]
    rows = list(dict.fromkeys(row for s in standing for row in s.first))
    urgent = [row for row in rows if any(s.emergency and row == s.first[0] for s in standing if s.first)]
    lines = _told_lines(urgent, width, told)
    lines += [line for s in standing for line in wrap("danger", stop_title(s), width, "", "  ")]
    return lines + _told_lines([row for row in rows if row not in urgent], width, told)


def _told_lines(rows: Iterable[tuple[str, str, str]], width: int, told: Collection[str]) -> list[Line]:
    return [
        line for i, title, says in rows
        for line in wrap("danger", f"! {title}." if i in told else f"! {title}. {says}", width, "", "  ")
    ]  # fmt: skip


def stop_lines(a: v.Assessment, width: int, told: Collection[str] = ()) -> list[Line]:
    """What stands before everything when there is danger: the first words, then what each place waits for."""
    if not a.stop_use:
        return []
    standing = [s for s in a.stop_use if not s.made_safe]
    lines = first_lines(standing, width, told)
    for says in dict.fromkeys(s.says for s in standing):
        lines += wrap("danger", says, width)
    for s in a.stop_use:
        lines += _status_lines(s, s not in standing, width)
    rows = dict.fromkeys(row for s in standing for row in s.make_safe if row[0] not in told)
    return lines + caution_lines(rows, width)


def _status_lines(s: v.StopUse, titled: bool, width: int) -> list[Line]:
    lines = wrap("danger", stop_title(s), width, "", "  ") if titled else []
    if s.words and s.status in ("asked", "standing"):
        lines += wrap("text", f'In the caller\'s words: "{s.words}"', width, "", "  ")
    if s.status in STATUS_WORDS:
        lines += wrap("warn", STATUS_WORDS[s.status], width)
    if s.reported:
        lines += wrap("warn", f"Reported safe by {s.reported}: it counts when they enter it themselves (vouch).", width)
    return lines


def danger_proof_lines(a: v.Assessment, width: int, titles: Mapping[str, str]) -> list[Line]:
    """What has to read good before use may begin again, with where it stands."""
    lines: list[Line] = []
    for s in (x for x in a.stop_use if x.made_safe):
        lines += wrap("title", f"Before{_at(s.places)} is used again ({s.reason}), by a {ROLE_WORDS[s.by]}:", width)
        if s.status == "made-safe":
            lines += wrap("warn", "to be done: the repair", width, "- ", "  ")
        for p in s.proofs:
            words = " or ".join(titles.get(c, c) for c in p.checks)
            style = "good" if p.state == "good" else "warn"
            lines += wrap(style, f"{PROOF_WORDS[p.state]}: {words} at {where(p.places)}", width, "- ", "  ")
    return lines


def caring_lines(a: v.Assessment, width: int) -> list[Line]:
    """Places that are no stopped ones, but not to be used for now: a dangerous fault is likely, or a protection has acted."""
    lines: list[Line] = []
    for x in a.kept_out:
        lines += wrap("danger", f"Keep {x.place} out of use until this is read: {x.measure}. ({x.title} is likely there.)", width, "", "  ")
    for h in a.holds:
        lines += wrap("danger", h.says, width, "", "  ")
    return lines


def contradiction_lines(a: v.Assessment, width: int) -> list[Line]:
    """Answers that cannot both be right."""
    return [line for c in a.contradictions for line in wrap("warn", f"! {c.says}.", width, "", "  ")]


def proof_state_lines(a: v.Assessment, width: int, titles: Mapping[str, str] | None = None) -> list[Line]:
    """Which proof readings are there and which are missing. `titles` are those of the checks."""
    lines: list[Line] = []
    for p in a.proofs:
        word = "proved" if p.done else "FAILED" if p.failed else "to be read"
        style = "good" if p.done else "warn"
        lines += wrap(style, f"{word}: {(titles or {}).get(p.check, p.check)} at {describe(p.at)}", width, "- ", "  ")
    return lines


def handover_lines(a: v.Assessment, width: int) -> list[Line]:
    """Whom to send."""
    h = a.handover
    if h is None:
        return []
    lines = wrap("title", f"Send: {ROLE_WORDS[h.role]}", width)
    if h.kit:
        lines += labelled("Take along", ", ".join(h.kit), width)
    if h.instruments:
        lines += labelled("Instruments", ", ".join(i.replace("-", " ") for i in h.instruments), width)
    if h.parts:
        lines += labelled("Parts", ", ".join(h.parts), width)
    return lines


def assessment_lines(
    a: v.Assessment, width: int, titles: Mapping[str, str] | None = None, measured: Collection[str] = ()
) -> list[Line]:
    """The whole assessment, top to bottom. `measured` are the checks answered with a value."""
    lines = wrap("title", f"{a.title} - {a.site}", width)
    for part in (
        stop_lines(a, width), danger_proof_lines(a, width, titles or {}), caring_lines(a, width),
        contradiction_lines(a, width), finding_lines(a.findings, width, a.role), suspect_lines(a, width), proof_state_lines(a, width, titles),
        handover_lines(a, width) if a.handover and a.handover.due else [],
    ):  # fmt: skip
        if part:
            lines += [BLANK, *part]
    for s in a.steps[:1]:
        lines += [BLANK, *step_lines(s, width, "" if s.id in measured else None)]
    others = a.steps[1:]
    if others:
        lines.append(BLANK)
        lines += wrap("dim", "Or: " + "; ".join(f"{s.title} at {describe(s.places)} ({minutes(s.minutes)})" for s in others), width, "", "    ")
    for notice in a.notices:
        lines += wrap("warn", f"! {notice}", width, "", "  ")
    return lines


def whole_lines(k: m.Knowledge, a: v.Assessment, width: int) -> list[Line]:
    """A whole assessment, its checks named as the rule base names them."""
    return assessment_lines(a, width, {c.id: c.title for c in k.checks.values()}, {c.id for c in k.checks.values() if c.gauge})


def leading_lines(a: v.Assessment, width: int) -> list[Line]:
    """The foremost suspects in one line."""
    named = [s for s in a.told_suspects if s.probability >= 0.05][:3]
    if not named:
        if not a.may_acquit:
            return _unlisted_lines(a, width)
        lines = wrap("text", f"No fault stands out ({percent(a.no_fault)} that there is none).", width)
        return lines + _unlisted_lines(a, width)
    first = named[0].places
    at = f" at {first[0][0]}" if first and first[0][1] >= 0.5 * named[0].probability else ""
    texts = [f"{s.title}{at if n == 0 else ''} {percent(s.probability)}" for n, s in enumerate(named)]
    lines = wrap("text", "Suspects: " + "; ".join(texts), width, "", "  ")
    return lines + _unlisted_lines(a, width)


def _unlisted_lines(a: v.Assessment, width: int) -> list[Line]:
    return (
        wrap("warn", f"{percent(a.unlisted)}: something that is not in this book.", width)
        if a.unlisted >= 0.25
        else []
    )


def because_lines(proof_of: v.FindingView, width: int) -> list[Line]:
    """The chain of rules that led to a finding."""
    return [line for text in proof_lines(proof_of.proof) for line in wrap("dim", text, width, "", "    ")]
