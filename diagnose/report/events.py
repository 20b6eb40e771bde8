"""What the events of a case say, in a line each, and the whole log. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diagnose.casework.events import Event
from diagnose.casework.renamed import today
from diagnose.casework.state import read_entries
from diagnose.knowledge import model as m
from diagnose.report.lines import Line, wrap
from diagnose.source.problems import one_line


def outcome_text(k: m.Knowledge, check: str, answer: str) -> str:
    """An answer as people read it: the text of the outcome it names, else as it was typed."""
    known = k.checks.get(check)
    outcome = known.outcome(answer) if known else None
    if outcome is not None:
        return outcome.says
    return answer.replace("-", " ") if answer[:1].isalpha() else answer  # a minus sign is not a hyphen


def reading_text(k: m.Knowledge | None, check: str, at: str, answer: str) -> str:
    """A reading in one line, in the words of the rule base where there is one."""
    known = k.checks.get(check) if k else None
    where = f" at {at}" if at else ""
    return f"{known.title if known else check}{where}: {outcome_text(k, check, answer) if k else answer}"


def event_text(k: m.Knowledge, event: Event) -> str:
    """An event of a case in one line."""
    d = today(event, k).data
    at = f" at {d['at']}" if d.get("at") else ""
    if event.kind == "opened":
        return f"opened: {d.get('title')}"
    if event.kind == "reading":
        check = k.checks.get(str(d.get("check")))
        told = f", reported by {d['reported-by']}" if d.get("reported-by") else ""
        complaint = "complaint: " if d.get("complaint") else ""
        what = check.title if check else d.get("check")
        return f"{complaint}{what}{at}: {outcome_text(k, str(d.get('check')), str(d.get('answer')))}{told}"
    if event.kind == "fact":
        if d.get("key") == "made-safe":
            return "reported as made safe"
        return f"fact {d.get('key')}{at}: {d.get('text')}"
    if event.kind == "remedy":
        remedy = k.remedies.get(str(d.get("remedy")))
        return f"repair done{at}: {remedy.title if remedy else d.get('remedy')}"
    if event.kind == "danger":
        return danger_text(k, d)
    if event.kind == "record":
        return "install record given"
    if event.kind == "role":
        return "; ".join(f"{key}: {_plain(d[key])}" for key in ("role", "on-site", "instruments") if key in d)
    if event.kind == "note":
        return f"note: {d.get('text')}"
    if event.kind == "attached":
        return f"attached: {d.get('name')} ({d.get('kind')}, {d.get('bytes')} bytes)"
    if event.kind == "closed":
        return f"closed: {d.get('reason') or 'repair proved'}"
    return event.kind


def danger_text(k: m.Knowledge, d: Mapping[str, object]) -> str:
    """An entry about a danger in one line."""
    what, at = str(d.get("what")), f" at {d['at']}" if d.get("at") else ""
    if what == "asked":
        return f'danger heard{at}: "{d.get("words")}"'
    if what == "denied":
        return "answered: that was no danger"
    if what == "confirmed":
        return "answered: that is a danger"
    if what == "placed":
        return f"the danger is{at}"
    if what == "made-safe":
        where = f"; isolated at {d['isolated']}, lock {d.get('lock')}" if d.get("isolated") else ""
        return f"made safe{at}: proved dead{where}"
    if what == "reported-safe":
        return f'reported safe{at} by {d.get("role")} {d.get("name")}: "{d.get("words")}"'
    if what == "energized":
        return f"energized for the proofs{at}"
    if what == "vouched":
        events = d.get("events")
        many = len(events) if isinstance(events, list) else 0
        return f"vouched for {many} {'entry' if many == 1 else 'entries'} passed on before"
    if what == "raised":
        titles = (str(d.get("danger", ""))).split(", ")
        return "STOP USE: " + "; ".join(k.dangers[t].title if t in k.dangers else t.replace("-", " ") for t in titles)
    return "STOP USE lifted" if what == "lifted" else f"danger: {what}"


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def log_lines(k: m.Knowledge, events: Sequence[Event], width: int) -> list[Line]:
    """The log of a case, what was taken back marked as such."""
    standing = {e.event.id for e in read_entries(events, k).standing()}
    reasons = {str(e.data.get("event")): str(e.data.get("reason") or "") for e in events if e.kind == "withdrawn"}
    lines: list[Line] = []
    shown = [e for e in events if e.kind != "withdrawn"]
    day = ""
    for n, event in enumerate(shown, 1):
        if event.at[:10] != day:
            day = event.at[:10]
            lines += wrap("dim", f"{day} (times in UTC)", width)
        why = reasons.get(event.id)
        gone = "" if event.id in standing else f" (taken back: {one_line(why)})" if why else " (taken back)"
        text = one_line(event_text(k, event))
        lines += wrap(
            "text" if not gone else "dim", f"{n}  {event.at[11:16]}  {text}{gone}", width, "", "   "
        )
    return lines
