"""Commands that end something: made safe, hand over, close, export."""

from __future__ import annotations

from diagnose.casework.looked import gaps
from diagnose.casework.state import AnswerError
from diagnose.casework.transfer import export_case
from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.lines import BLANK, Line, labelled, numbered, wrap
from diagnose.shell import alarm
from diagnose.shell.answers import Taken, at_text, understand
from diagnose.shell.casebook import Row
from diagnose.shell.dialog import Ask, Talk
from diagnose.shell.folders import path_of
from diagnose.shell.open_case import OpenCase, Opened
from diagnose.shell.pages import page_of, write_page
from diagnose.shell.registry import command
from diagnose.site.places import Place, describe
from diagnose.source.problems import one_line


@command("handover", "", "what to pass on, and whom to send")
def handover(s: OpenCase, rest: str) -> list[Line]:
    """All there is to pass on."""
    a, state = s.seen, s.state_now
    assert a is not None
    assert state is not None
    assert s.book is not None
    width = s.width
    lines = wrap("title", f"Case {s.book.case}: {one_line(state.title)}", width, "", "  ")
    lines += labelled("Site", one_line(state.site.name), width)
    if state.complaint:
        lines += labelled("Complaint", f'"{one_line(state.complaint)}"', width)
    lines = [*t.stop_lines(a, width), *t.caring_lines(a, width), *lines, *t.danger_proof_lines(a, width, s.titles())]
    lines += gap_lines(s)
    lines += [
        BLANK,
        *(t.handover_lines(a, width) or wrap("text", "Nothing is out of this role's reach so far.", width)),
    ]
    if a.handover and a.handover.checks:
        lines += labelled("To be checked", "; ".join(s.titles()[c] for c in a.handover.checks), width)
    lines += [BLANK, *wrap("title", "Suspects:", width), *t.suspect_lines(a, width, 4)]
    known = [r for r in state.readings if r.outcome is not None]
    lines += [BLANK, *wrap("title", "Read so far:", width)]
    for r in known:
        lines += wrap("text", one_line(s.desk.assessor.tell(r)), width, "- ", "  ")
    for done in state.mended:
        lines += wrap(
            "text",
            f"repaired at {done.place}: {s.desk.knowledge.remedies[done.remedy].title}",
            width,
            "- ",
            "  ",
        )
    lines += t.proof_state_lines(a, width, s.titles())
    lines += [
        line for _, text in state.notes for line in wrap("text", f"note: {one_line(text)}", width, "- ", "  ")
    ]
    return lines


def gap_lines(s: OpenCase) -> list[Line]:
    """Units that the case is about and that nobody has said show no danger."""
    assert s.state_now is not None
    never, unanswered = gaps(s.desk.knowledge, s.state_now)
    lines = wrap("danger", f"Danger signs were NEVER ASKED at {describe(never)}. Ask first.", s.width, "", "  ") if never else []
    if unanswered:
        lines += wrap("danger", f"Danger signs: nobody could say at {describe(unanswered)}. Look first.", s.width, "", "  ")
    return lines


@command("close", "", "close the case", alone=True)
def close(s: OpenCase, rest: str) -> list[Line]:
    """Close with the proofs, or with a reason; what nobody was asked about is asked first."""
    a, state = s.seen, s.state_now
    assert a is not None
    assert state is not None
    if state.closed is not None:
        return wrap("text", "The case is closed already. undo opens it again.", s.width)
    never, unanswered = gaps(s.desk.knowledge, state)
    if (never or unanswered) and s.danger != "standing":
        return s.talk(lambda: _talk_unasked(s, (*never, *unanswered)))
    if a.proofs and all(p.done for p in a.proofs) and s.danger != "standing":
        proofs = list(dict.fromkeys(p.done for p in a.proofs))
        return s.save([("closed", {"proofs": proofs, "reason": "repair proved"})])
    return s.talk(lambda: _talk_close(s))


def _talk_unasked(s: OpenCase, places: tuple[Place, ...]) -> Talk:
    """The danger question for units that nobody was asked about: a case is not called solved over them."""
    state, check = s.state_now, s.desk.knowledge.checks[m.DANGER]
    assert state is not None
    lines = wrap("warn", f"Before it is closed: nobody has said yet whether {describe(places)} shows a danger sign.", s.width)
    lines += wrap("title", check.ask.replace("{place}", describe(places)), s.width)
    lines += wrap("dim", "n for none. Else say what it is, or 'do not know'. ? for the list.", s.width)
    listed = tuple(numbered([o.says for o in check.outcomes], s.width))
    ask = Ask(tuple(lines), "danger signs> ", (*check.outcome_ids, "do not know", "can't"), listed)
    while True:
        typed = yield ask
        try:
            taken = understand(s.desk.knowledge, state.site, check, places, typed)
            break
        except AnswerError as error:
            text = str(error)
            ask = Ask(tuple(wrap("warn", f"{text[:1].upper()}{text[1:]}.", s.width)), ask.prompt, ask.words, listed, True)
    sign = taken.text if isinstance(taken, Taken) else m.NO_ANSWER[0]
    if sign not in (check.normal, *m.NO_ANSWER):
        return alarm.stop(s, sign, at_text(places))
    row: Row = ("reading", {"check": m.DANGER, "at": at_text(places), "answer": sign})
    a = s.seen
    if sign == check.normal and a is not None and a.proofs and all(p.done for p in a.proofs):
        proofs = list(dict.fromkeys(p.done for p in a.proofs))
        return s.save([row, ("closed", {"proofs": proofs, "reason": "repair proved"})])
    return (yield from _talk_close(s, row, sign != check.normal))


def _talk_close(s: OpenCase, first: Row | None = None, unsolved: bool = False) -> Talk:
    """Ask for the reason. `first` is recorded with it; `unsolved`: nobody could say whether there is danger, so nothing is proved."""
    a = s.seen
    assert a is not None
    lines: list[Line] = []
    if unsolved:
        lines += wrap("danger", "Then it is not closed as solved: handover says that nobody has looked.", s.width)
    if s.danger == "standing":
        lines += wrap("danger", "STOP USE stands. Closing the case does not make it safe.", s.width)
    if a.proofs and all(p.done for p in a.proofs):
        lines += wrap("title", "Type why the case is closed, or press Enter to leave it open.", s.width)
    elif a.proofs:
        lines += wrap("warn", "The repair is not proved:", s.width)
        lines += t.proof_state_lines(a, s.width, s.titles())
        lines += wrap(
            "title",
            "Take these readings first (press Enter), or type why the case is closed without them.",
            s.width,
        )
    else:
        lines += wrap(
            "title",
            f"Nothing was repaired. Type why the case is closed, for instance: handed over{'; no fault found' if a.may_acquit else ''}. "
            "Enter: leave it open.",
            s.width,
        )
    typed = one_line((yield Ask(tuple(lines), "reason> ", free=True)).strip(), 500)
    while typed and len(typed) < 4:
        typed = one_line(
            (
                yield Ask(
                    tuple(wrap("warn", "A few words, please, or Enter to leave it open.", s.width)),
                    "reason> ",
                    (),
                    (),
                    True,
                )
            ).strip(),
            500,
        )
    if not typed:
        s.record([first] if first else [])
        return [*wrap("text", "The case stays open.", s.width), *s.here()]
    return s.save([*([first] if first else []), ("closed", {"proofs": [p.done for p in a.proofs if p.done], "reason": typed})])


@command("export", "[FILE]", "write the case to a file")
def export(s: OpenCase, rest: str) -> list[Line]:
    """The case as JSON Lines."""
    assert s.book is not None
    target = path_of(rest.strip("'\"") or f"{s.book.case}.jsonl")
    count = export_case(s.book.store, s.book.case, target)
    return wrap("good", f"{count} entries written to {target}.", s.width)


@command("report", "[FILE]", "write the case as a page (HTML)")
def report(s: OpenCase, rest: str) -> list[Line]:
    """The case as a page."""
    assert s.book is not None
    target = path_of(rest.strip("'\"") or f"{s.book.case}.html")
    write_page(target, page_of(s.desk, s.book.case))
    return wrap("good", f"Page written to {target}.", s.width)


@command("quit", "", "leave; the case is saved", also=("exit", "bye"), alone=True)
def quit_(s: OpenCase, rest: str) -> list[Line]:
    return leave(s)


def leave(s: OpenCase) -> list[Line]:
    """The last lines. Saves what unfinished opening questions have brought."""
    s.finished = True
    s.dialog = None
    if s.book is None:
        if not s.draft.complaint:
            return wrap("text", "Nothing was recorded.", s.width)
        sign: Row = ("reading", {"check": m.DANGER, "at": "", "answer": s.draft.danger or "do-not-know"})
        words = s.draft.complaint
        s.create(Opened(title=words, complaint=words, record="", role=s.options.role or "caller", rows=(sign,)))
    elif s.opening and s.draft.complaint:
        s.book.add([("record", {"record": s.early_record(), "complaint": s.draft.complaint})], s.role)
    assert s.book is not None
    lines: list[Line] = []
    if alarm.current(s) is not None:
        lines = wrap("danger", "The danger is not settled: until somebody answers, use stays stopped.", s.width)
    return [*lines, *wrap("text", f"Case {s.book.case} is saved. Go on with: diagnose resume {s.book.case}", s.width)]
