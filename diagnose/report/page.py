"""Evidence and cases as one HTML file each: no script, nothing loaded from anywhere, foreign text made harmless."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from diagnose.casework import view as v
from diagnose.casework.events import Event
from diagnose.casework.state import Reading, State, read_entries
from diagnose.evidence.drawing import Drawing, from_json
from diagnose.knowledge import model as m
from diagnose.report import text
from diagnose.report.events import event_text, outcome_text
from diagnose.report.plot import svg
from diagnose.site.places import Place, describe
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.evidence.intake import Original
    from diagnose.evidence.report import Report, TakenReading

LONGEST = 2000  # characters of any one text on a page
MOST_BEGINNING = 16_000
MOST_FIGURES = 130_000
LEVELS = {"danger": "DANGER: ", "violation": "Against the rules: ", "note": "", "no-fault": "Nothing broken: "}
ENDS = {"not-a-fault": " (nothing broken)", "outside": " (not the station)"}


@lru_cache(maxsize=1)
def _pages() -> Environment:
    def harmless(value: object) -> object:
        """Markup is what this module drew itself; any other text loses what does not print."""
        return one_line(value, LONGEST) if isinstance(value, str) and not isinstance(value, Markup) else value

    def block(block_text: str) -> Markup:
        rows = [one_line(row, LONGEST) for row in block_text[:MOST_BEGINNING].split("\n")]
        return Markup("\n").join(rows)

    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "pages"), autoescape=True, undefined=StrictUndefined, finalize=harmless,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["block"] = block
    return made


def _drawn(drawings: Iterable[Drawing]) -> list[dict[str, object]]:
    return [
        {"svg": Markup(svg(d.trace, d.marks, d.title)), "title": d.title, "marks": [one_line(x.text) for x in d.marks]}
        for d in drawings
    ]  # fmt: skip


def evidence_page(report: Report, original: Original, k: m.Knowledge | None) -> str:
    """What one file of evidence shows, in the words of `k`."""
    return _pages().get_template("evidence.html").render(
        title=one_line(original.name, 200), report=report, original=original,
        readings=[_read(k, t) for t in report.taken], drawings=_drawn(report.drawings),
        numbers=_block_of(dict(report.figures)),
    )  # fmt: skip


def _read(k: m.Knowledge | None, t: TakenReading) -> dict[str, str]:
    return {
        "check": _check_title(k, t.check) if k else t.check, "at": t.at, "answer": outcome_text(k, t.check, t.answer) if k else t.answer,
        "because": t.because, "lines": t.lines,
    }  # fmt: skip


def _block_of(value: Any) -> object:
    all_of_it = json.dumps(value, indent=1, ensure_ascii=True, default=str)
    more = len(all_of_it) - MOST_FIGURES
    cut = f"\n({more} more characters; --json writes them all)" if more > 0 else ""
    return Markup("\n").join(one_line(row, LONGEST) for row in (all_of_it[:MOST_FIGURES] + cut).split("\n"))


def case_page(
    k: m.Knowledge, events: Sequence[Event], state: State, a: v.Assessment, head: str, problems: Sequence[str] = ()
) -> str:
    """A whole case: cause, repair, proof, readings as found and as left, evidence, log.

    `head` is the hash that the log ends with, `problems` what is wrong with the log itself.
    """
    titles = {s.id: s.title for s in k.sources.values()}
    live = {e.event.id for e in read_entries(events, k).standing()}
    titled = {c.id: c.title for c in k.checks.values()}
    first = a.suspects[0] if a.suspects else None
    return _pages().get_template("case.html").render(
        title=a.title, site=a.site, case=events[0].case, state=_standing(state, a), opened=_moment(events[0].at), changed=_moment(events[-1].at),
        entries=len(events), head=head, problems=list(problems),
        dangers=[f.says for f in a.findings if f.level == "danger"],
        stop_use=[_stopped(s) for s in a.stop_use], waiting=[x.text for x in text.danger_proof_lines(a, 10_000, titled)],
        keep_out=[x.text for x in text.caring_lines(a, 10_000)], complaint=state.complaint,
        cautions=[f"{title}. {says}" for _, title, says in a.cautions],
        suspects=[_suspect(s) for s in a.told_suspects[:5]],
        no_fault=v.percent(a.no_fault) if a.may_acquit else "", unlisted=v.percent(a.unlisted),
        because={"title": first.title, "lines": _because(k, first, state)} if first else None,
        repairs=[_repair(k, r.remedy, r.place, r.at, r.by) for r in state.mended], proofs=[_proof(k, p) for p in a.proofs],
        closed=str(state.closed.get("reason") or "repair proved") if state.closed is not None else "", rows=_rows(k, state.readings),
        contradictions=[c.says for c in a.contradictions],
        findings=[{"says": LEVELS[f.level] + f.says, "sources": "; ".join(titles.get(s, s) for s in f.sources)} for f in a.findings],
        attached=[_attached(e, e.id in live) for e in events if e.kind == "attached"],
        log=[{"at": _moment(e.at), "text": event_text(k, e), "by": e.by, "gone": e.id not in live} for e in events if e.kind != "withdrawn"],
    )  # fmt: skip


def _stopped(s: v.StopUse) -> dict[str, object]:
    status = text.STATUS_WORDS.get(s.status, "")
    reported = f" Reported safe by {s.reported}, not yet entered by them." if s.reported else ""
    return {
        "title": text.stop_title(s), "status": f"{status}{reported}".strip(), "words": s.words,
        "first": [f"{title}. {says}" for _, title, says in s.first] if not s.made_safe else [],
    }  # fmt: skip


def _moment(at: str) -> str:
    return at[:16].replace("T", " ")


def _standing(state: State, a: v.Assessment) -> str:
    proved = bool(a.proofs) and all(p.done for p in a.proofs)
    return ("closed" if state.closed is not None else "open") + (", repair proved" if proved else ", repair not proved" if state.mended else "")


def _suspect(s: v.SuspectView) -> dict[str, str]:
    likely = [p for p, x in s.places if x >= 0.2 * s.places[0][1]] if s.places else []
    return {
        "percent": v.percent(s.probability), "title": s.title, "kind": ENDS.get(s.nature, ""), "where": describe(likely) if likely else "",
        "remedy": s.remedy_title,
    }  # fmt: skip


def _because(k: m.Knowledge, s: v.SuspectView, state: State) -> list[str]:
    by_event = {r.event: r for r in state.readings}
    lines: list[str] = []
    for w in sorted(s.weights, key=lambda w: -w.weight):
        r = by_event.get(w.event)
        if w.weight > 0.05 and r is not None:
            factor = 2.718281828**w.weight
            times = "over 1000" if factor >= 1000 else f"{factor:.1f}" if factor < 10 else f"{factor:.0f}"
            lines.append(f"{_check_title(k, r.check)}{_at(r.places)}: {outcome_text(k, r.check, r.text)} ({times} times likelier with it)")
    return lines


def _repair(k: m.Knowledge, remedy: str, place: Place, at: str, by: str) -> str:
    title = k.remedies[remedy].title if remedy in k.remedies else remedy
    return f"{title}, {describe((place,))} ({_moment(at)}, {by})"


def _proof(k: m.Knowledge, p: v.ProofView) -> str:
    word = "Proved" if p.done else "FAILED" if p.failed else "Not read yet"
    return f"{word}: {_check_title(k, p.check)}{_at(p.at)}"


def _check_title(k: m.Knowledge, check: str) -> str:
    return k.checks[check].title if check in k.checks else check


def _at(places: tuple[Place, ...]) -> str:
    return f" at {describe(places)}" if places else ""


def _rows(k: m.Knowledge, readings: Sequence[Reading]) -> list[dict[str, str]]:
    """One row a check and place: the first reading before any repair, the last one after it."""
    found: dict[tuple[str, tuple[Place, ...]], list[Reading]] = {}
    for r in readings:
        found.setdefault((r.check, r.places), []).append(r)
    rows = []
    for (check, places), taken in found.items():
        before, after = [r for r in taken if r.after == 0], [r for r in taken if r.after > 0]
        rows.append(
            {
                "check": _check_title(k, check), "place": describe(places) if places else "",
                "found": _answer(k, before[0]) if before else "-", "left": _answer(k, after[-1]) if after else "-",
            }
        )  # fmt: skip
    return rows


def _answer(k: m.Knowledge, r: Reading) -> str:
    says = outcome_text(k, r.check, r.outcome or "")
    return f"{r.text}: {says}" if r.value is not None and says else outcome_text(k, r.check, r.text)


def _attached(event: Event, live: bool) -> dict[str, object]:
    d = event.data
    says, drawings = d.get("says"), d.get("drawings")
    drawn = [x for x in map(from_json, drawings if isinstance(drawings, list) else []) if x is not None]
    return {
        "name": str(d.get("name", "")), "kind": str(d.get("kind", "")), "bytes": str(d.get("bytes", "")), "sha256": str(d.get("sha256", "")),
        "says": [str(x) for x in says] if isinstance(says, list) else [], "drawings": _drawn(drawn), "gone": not live,
        "beginning": str(d.get("beginning", ""))[:MOST_BEGINNING],
    }  # fmt: skip
