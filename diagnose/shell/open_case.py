"""The open case: its log, its state, what was assessed, and what the screen shows of it. Commands work on it.

It neither reads nor prints: `width` and `say` are the front end's, a line typed comes through the router.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.casework.events import Event, dangers_open
from diagnose.casework.gate import FREE, Bars
from diagnose.casework.state import State, dangerous_in, read_site
from diagnose.casework.view import SAID_ALREADY, Assessment, StepView
from diagnose.knowledge import model as m
from diagnose.report import text as t
from diagnose.report.events import event_text
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell.answers import unit_of
from diagnose.shell.casebook import Casebook, Row
from diagnose.shell.desk import Desk, Options
from diagnose.shell.dialog import Dialog, Talk
from diagnose.shell.records import bare_record, read_record
from diagnose.shell.refusal import Refusal
from diagnose.site.places import Place, describe
from diagnose.source.problems import one_line

if TYPE_CHECKING:
    from diagnose.site.model import Site

BARE = "install-record: 1\nname: no install record\n"
LATE = ("note", "role", "danger", "withdrawn")  # what a closed case still takes


class Opened(NamedTuple):
    """What the opening questions brought."""

    title: str
    complaint: str
    record: str
    role: str
    rows: tuple[Row, ...]


class Draft:
    """What is known while the opening questions are still being asked, for a case that is left in between."""

    def __init__(self) -> None:
        self.danger = ""
        self.complaint = ""


class OpenCase:
    """One case being worked on; before its opening questions are answered, one without a log.

    `finished` says that no line comes after this one. `say` takes lines that should not wait for the end of the
    work, such as that something was saved. `dialog` is the question that is open.
    """

    def __init__(self, desk: Desk, options: Options | None = None, width: int = 80) -> None:
        self.desk = desk
        self.options = options or Options()
        self.width = width
        self.finished = False
        self.say: Callable[[list[Line]], None] | None = None
        self.draft = Draft()
        self.book: Casebook | None = None
        self.dialog: Dialog | None = None
        self.state_now: State | None = None
        self.seen: Assessment | None = None
        self.chosen: StepView | None = None
        self.opening = False
        self._kept: list[Line] = []
        self.held: dict[str, str] = {}  # open question of a danger -> the line that raised it
        self.ready: list[str] = []  # lines whose words were denied, to go on with when no question is open
        self.alarm_dialog: Dialog | None = None  # the dialog that asks which danger, and where
        self.shown: Assessment | None = None  # what the last screen told
        self.asked: tuple[str, str, tuple[Place, ...]] | None = None  # the step that was last shown in full
        self.told: set[str] = set()  # cautions of dangers that were shown in full
        self.asked_again: set[str] = set()  # questions of dangers that were answered by something else once

    def clear(self) -> None:
        """Forget the case on the screen: another one begins."""
        self.book = self.state_now = self.seen = self.chosen = self.shown = self.asked = None
        self.draft = Draft()
        self.told = set()
        self.opening = True
        self.held, self.ready = {}, []

    @property
    def step(self) -> StepView | None:
        """The step on the screen."""
        if self.chosen is not None:
            return self.chosen
        return self.seen.steps[0] if self.seen and self.seen.steps else None

    def tell_now(self, lines: list[Line]) -> None:
        """Show lines before the work that follows."""
        if self.say is not None:
            self.say(lines)
        else:
            self._kept += lines

    def flushed(self, lines: list[Line]) -> list[Line]:
        """Lines, after those that no front end took."""
        kept, self._kept = self._kept, []
        return [*kept, *lines]

    def talk(self, make: Callable[[], Talk], alarm: bool = False) -> list[Line]:
        """Begin a dialog; its first question, or its result when there is nothing to ask. `alarm`: it is about a danger."""
        dialog = Dialog(make)
        self.alarm_dialog = dialog if alarm else None
        if dialog.result is not None:
            return dialog.result
        self.dialog = dialog
        return list(dialog.ask.lines)

    @property
    def choosing(self) -> bool:
        """Whether the open dialog belongs to the danger itself: which sign, and where."""
        return self.dialog is not None and self.dialog is self.alarm_dialog

    # ---- the case

    def record_given(self) -> tuple[str, Site]:
        """The install record of the command line."""
        return read_record(self.options.record, self.desk.knowledge)

    def read_site(self, record: str) -> Site:
        """The site of a record."""
        return read_site(record, self.desk.knowledge)

    @property
    def site(self) -> Site | None:
        """The site of the open case; before there is one, that of the record on the command line."""
        if self.state_now is not None:
            return self.state_now.site
        return self.record_given()[1] if self.options.record else None

    @property
    def is_bare(self) -> bool:
        """Whether nothing is known of the site but a number of units."""
        if self.state_now is not None:
            return self.state_now.record.startswith(BARE)
        return not self.options.record

    def early_record(self) -> str:
        if self.state_now is not None:
            return self.state_now.record
        return self.record_given()[0] if self.options.record else bare_record(1, False)

    def create_early(self, words: str, rows: Sequence[Row]) -> None:
        """Open a case in the middle of the opening questions, because a danger was heard; they go on if it was none."""
        dialog = self.dialog
        record = next((str(data["record"]) for kind, data in rows if kind == "record"), self.early_record())
        self.create(Opened(words, words, record, self.options.role or "caller", ()))
        self.dialog, self.opening = dialog, True
        self.refresh()

    def leave_opening(self) -> None:
        """The opening questions end here: a danger comes first, and the rest is asked when it is settled."""
        if self.book is None:
            words = self.draft.complaint or "danger"
            self.create_early(words, ())
        self.opening = False
        self.dialog = None

    def record(self, rows: Sequence[Row], by: str = "") -> list[Event]:
        """Save rows and say so, without showing what follows."""
        assert self.book is not None
        added = [e for e in self.book.add(self._forewarned(rows), by or self.role) if e.data.get("what") != "raised"]
        self._tell_saved(added)
        self.refresh()
        return added

    def _forewarned(self, rows: Sequence[Row]) -> list[Row]:
        """Rows, after the mark of a danger that one of them raises: nobody sees the reading in the store without it."""
        assert self.book is not None
        if self.state_now is None or dangers_open(self.book.events):
            return list(rows)
        site = self.state_now.site
        names = [n for kind, data in rows if kind == "reading" for n in dangerous_in(self.desk.knowledge, site, data)]
        mark: list[Row] = [("danger", {"what": "raised", "danger": ", ".join(dict.fromkeys(names))})] if names else []
        return [*mark, *rows]

    def open_case(self, opened: Opened) -> list[Line]:
        """Create the case and show where it stands."""
        if self.book is not None:  # a danger was heard on the way, and denied
            rows: list[Row] = [("record", {"record": opened.record, "complaint": opened.complaint})]
            if opened.role != self.role:
                rows.append(("role", {"role": opened.role}))
            for row in (*rows, *opened.rows):
                self.book.add([row], opened.role)
            self.dialog, self.opening = None, False
            return self.after()
        self.create(opened)
        assert self.book is not None
        self.tell_now(wrap("good", f"Case {self.book.case} opened and saved.", self.width))
        return self.after()

    def create(self, opened: Opened) -> None:
        title = one_line(opened.title, 200).strip() or "no complaint"
        data: dict[str, bool | int | float | str | list[object] | dict[str, object] | None] = {
            "record": opened.record,
            "complaint": opened.complaint,
            "role": opened.role,
        }
        if self.options.instruments:
            data["instruments"] = list(self.options.instruments)
        case = self.desk.store.create_case(title, opened.role, data)  # type: ignore[arg-type]
        self.book = Casebook(self.desk.store, case)
        self.dialog, self.opening = None, False
        for row in opened.rows:
            self.book.add([row], opened.role)

    def resume(self, typed: str) -> None:
        """Go on with a stored case."""
        self.book = Casebook(self.desk.store, self.desk.store.resolve(typed))
        self.shown = None
        who: dict[str, object] = {}
        if self.options.role:
            who["role"] = self.options.role
        if self.options.instruments:
            who["instruments"] = list(self.options.instruments)
        if who:
            self.book.add([("role", who)], self.options.role or "caller")
        head = wrap("title", f"Case {self.book.case}: {one_line(self.book.title)}", self.width, "", "  ")
        self.tell_now(head)
        self.opening = False
        self.refresh()

    @property
    def role(self) -> str:
        return self.state_now.role if self.state_now else self.options.role or "caller"

    @property
    def danger(self) -> str:
        """none, standing or made-safe."""
        return self.seen.danger if self.seen else "none"

    @property
    def bars(self) -> Bars:
        """What bars steps now, as the gate wants it."""
        if self.seen is None or self.state_now is None:
            return FREE
        return self.desk.assessor.bars(self.state_now, self.seen)

    def refresh(self) -> None:
        """State and assessment of the case as it stands."""
        assert self.book is not None
        before, picked = self.state_now, self.chosen
        now = self.state_now = self.desk.assessor.state(self.book.events)
        self.seen = self.desk.assessor.assess_state(now)
        self.chosen = None
        if picked and before and (now.readings, now.mended) == (before.readings, before.mended):  # a note answers nothing
            self.chosen = next((step for step in self.seen.steps if _key(step) == _key(picked)), None)
        self._mark()

    def _mark(self) -> None:
        """Say in the log when use is stopped or free again by what follows from readings, so that every list shows it."""
        assert self.book is not None
        assert self.seen is not None
        standing = bool(self.seen.stop_use)
        if standing == dangers_open(self.book.events):
            return
        names = ", ".join(dict.fromkeys(x.danger for x in self.seen.stop_use))
        self.book.add([("danger", {"what": "raised", "danger": names} if standing else {"what": "lifted"})], "rules")

    def save(self, rows: Sequence[Row], by: str = "") -> list[Line]:
        """Record, say so after the commit, and show what follows."""
        assert self.book is not None
        self.dialog = None  # whatever fails from here on, its question is answered
        late = [kind not in LATE and data.get("check") not in m.SIGNS for kind, data in rows]
        if self.state_now and self.state_now.closed is not None and any(late):
            raise Refusal("the case is closed; undo opens it again, new begins another")
        self._tell_saved([e for e in self.book.add(self._forewarned(rows), by or self.role) if e.data.get("what") != "raised"])
        return self.after()

    def _tell_saved(self, added: Sequence[Event]) -> None:
        lines: list[Line] = []
        for event in added:
            if event.kind != "withdrawn":
                lines += wrap(
                    "good",
                    f"Saved: {one_line(event_text(self.desk.knowledge, event))}.",
                    self.width,
                    "",
                    "  ",
                )
        self.tell_now(lines)

    def after(self) -> list[Line]:
        """What is new since the last screen, then the next step."""
        before = self.shown
        self.refresh()
        a = self.shown = self.seen
        assert a is not None
        assert self.state_now is not None
        known = {(f.id, f.places) for f in before.findings} if before else set()
        lines = list(t.stop_lines(a, self.width, self.told)) if a.stop_use != (before.stop_use if before else ()) else []
        if lines:
            self.told |= {row[0] for x in a.stop_use if not x.made_safe for row in (*x.first, *x.make_safe)}
        if a.stop_use and not lines and self.danger == "standing":
            lines = [line for x in a.stop_use if not x.made_safe for line in wrap("danger", t.stop_title(x), self.width, "", "  ")]
        old_notices = before.notices if before else ()
        lines += [
            line
            for n in a.notices
            if n not in old_notices
            for line in wrap("warn", f"! {n}", self.width, "", "  ")
        ]
        lines += t.finding_lines([f for f in a.findings if (f.id, f.places) not in known and f.id != SAID_ALREADY], self.width, self.role)
        if (a.kept_out, a.holds) != ((before.kept_out, before.holds) if before else ((), ())):
            lines += t.caring_lines(a, self.width)
        if a.contradictions != (before.contradictions if before else ()):
            lines += t.contradiction_lines(a, self.width)
        if self.danger != "standing" and (before is not None or len(self.state_now.readings) > 1):
            leading = t.leading_lines(a, self.width)
            if before is None or leading != t.leading_lines(before, self.width):
                lines += leading
        step = self.step
        if before and step and _key(step) == self.asked:
            return [
                *lines,
                *wrap("dim", f"Still next: {step.title}, {describe(step.places)}. Enter shows it again.", self.width),
            ]
        here = self.here()
        return [*lines, BLANK, *here] if lines else here

    def here(self) -> list[Line]:
        """The step on the screen, or what there is to do instead."""
        a, state = self.seen, self.state_now
        if a is None or state is None:
            return []
        step = self.step
        self.asked = _key(step) if step else None
        if step is not None:
            check = self.desk.knowledge.checks.get(step.id) if step.kind == "check" else None
            if check is not None and len(step.places) > 1:
                step = step._replace(
                    ask=f"For each of {describe(step.places)}: {check.ask.replace('{place}', 'the ' + check.at)}"
                )
            lines = [*t.step_lines(step, self.width, self.unit(step), self.role, state.on_site), *self._hint(step)]
            if a.handover and a.handover.due:
                who = t.ROLE_WORDS[a.handover.role]
                lines += wrap("warn", f"It is time to send a {who}; type handover.", self.width)
            return lines
        if state.closed is not None:
            return wrap(
                "good",
                "The case is closed. Type export to write it to a file, new for another case, or quit.",
                self.width,
            )
        if self.danger == "standing":
            return [*t.handover_lines(a, self.width), *wrap("danger", self._way_out(), self.width)]
        if a.stop_use:
            lines = t.danger_proof_lines(a, self.width, self.titles())
            return [*lines, *t.handover_lines(a, self.width), *wrap("text", self._way_on(), self.width)]
        lines = t.proof_state_lines(a, self.width, self.titles())
        if a.proofs and all(p.done for p in a.proofs):
            return [*lines, *wrap("good", "The repair is proved. Type close.", self.width)]
        if a.handover:
            lines += wrap("text", "From here it needs somebody else.", self.width)
            return [
                *lines,
                *t.handover_lines(a, self.width),
                *wrap("dim", "Type handover for all there is to pass on.", self.width),
            ]
        words = (
            "No further check tells anything here. Type suspects, check with the name of a check, or close."
        )
        return [*lines, *wrap("text", words, self.width)]

    def _way_out(self) -> str:
        """What this role does while use is stopped and nothing is safe yet."""
        assert self.seen is not None
        standing = [x for x in self.seen.stop_use if not x.made_safe]
        if any(m.may(self.role, x.by) for x in standing):
            return "Type made-safe when it has been isolated, locked out and proved dead."
        words = "A qualified person has to make it safe. Type handover for what to pass on."
        if self.role == "help-desk":
            words += " What they tell you on the phone goes in with: reported-safe."
        return words

    def _way_on(self) -> str:
        """What is left to do about a danger that was made safe."""
        assert self.seen is not None
        if any(x.status == "repaired" and m.may(self.role, x.by) for x in self.seen.stop_use):
            return "Proofs that need power: type energized when the place was closed up and switched on for them, with everybody kept off."
        return "Type repaired when the repair is done, or handover for whom to send."

    def _hint(self, step: StepView) -> list[Line]:
        if step.kind == "remedy":
            words = "Type done when it is done, skip for other steps, ? for more."
        elif step.id in m.SIGNS:
            words = "n: none of these. Else say what it is, or ? for the list with its numbers."
        elif self.unit(step) is not None:
            words = f"Type the value ({self.unit(step)}). Or: can't, do not know, other, ?"
        elif len(step.places) > 1:
            few = str(step.places[-1].number) if step.places[0].kind == "unit" else str(step.places[-1])
            last = step.outcomes[-1].id
            words = f"A number for all of them, or for instance: {few} {last}, others 1. Or: ?, other"
        else:
            words = "Type the number. Or: can't, do not know, other, ? for more."
        return wrap("dim", words, self.width)

    def unit(self, step: StepView) -> str | None:
        """The unit of a measured check, None for others."""
        check = self.desk.knowledge.checks.get(step.id) if step.kind == "check" else None
        if check is None or not check.gauge:
            return None
        return unit_of(check)

    def titles(self) -> dict[str, str]:
        """The titles of all checks."""
        return {c.id: c.title for c in self.desk.knowledge.checks.values()}


def _key(step: StepView) -> tuple[str, str, tuple[Place, ...]]:
    return step.kind, step.id, step.places
