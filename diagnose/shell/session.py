"""The conversation over one case: `handle(line)` gives lines. It neither reads nor prints; front ends do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.knowledge import model as m
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell.desk import DANGER, Desk
from diagnose.shell.dialog import BACK, Dialog, Talk
from diagnose.shell.opening import Draft, Opened, talk_opening
from diagnose.shell.refusal import Refusal, refused
from diagnose.source.problems import InputError, one_line

if TYPE_CHECKING:
    from diagnose.casework.state import State
    from diagnose.casework.view import Assessment, StepView
    from diagnose.shell.casebook import Casebook, Row
    from diagnose.site.model import Site
    from diagnose.site.places import Place

LEAVING = ("quit", "exit", "bye")
LATE = ("note", "role")  # what a closed case still takes


class Options(NamedTuple):
    """What the command line said."""

    role: str = ""
    record: str = ""
    case: str = ""
    instruments: tuple[str, ...] = ()


class Session:
    """One run of the shell.

    `prompt` and `prefill` are what the front end shows for the next line, `finished` that it is the last.
    `say` takes lines that should not wait for the end of the work, such as that something was saved.
    """

    def __init__(self, desk: Desk, options: Options | None = None, width: int = 80) -> None:
        self.desk = desk
        self.options = options or Options()
        self.width = width
        self.finished = False
        self.prefill = ""
        self.say: Callable[[list[Line]], None] | None = None
        self.draft = Draft()
        self.book: Casebook | None = None
        self.dialog: Dialog | None = None
        self.state_now: State | None = None
        self.seen: Assessment | None = None
        self.chosen: StepView | None = None
        self._kept: list[Line] = []

    # ---- what a front end uses

    def start(self) -> list[Line]:
        """The first lines."""
        if self.options.case:
            return self._guarded(lambda: self.resume(self.options.case), "")
        return self.begin()

    def begin(self) -> list[Line]:
        """The opening questions of a new case."""
        self.book = self.state_now = self.seen = self.chosen = None
        self.draft = Draft()
        return self.talk(lambda: talk_opening(self))

    @property
    def prompt(self) -> str:
        """What stands before the line to be typed."""
        if self.dialog is not None:
            return self.dialog.ask.prompt
        if self.seen is None:
            return "> "
        if any(not s.made_safe for s in self.seen.stop_use):
            return "STOP USE> "
        step = self.step
        if step is None:
            return "closed> " if self.state_now and self.state_now.closed is not None else "case> "
        text = f"{step.title}, {_where(step)}"
        return f"{text}> " if len(text) <= max(self.width // 2, 24) else f"{text}\n> "

    @property
    def step(self) -> StepView | None:
        """The step on the screen."""
        if self.chosen is not None:
            return self.chosen
        return self.seen.steps[0] if self.seen and self.seen.steps else None

    def handle(self, text: str) -> list[Line]:
        """The answer to one line, or to a pasted block of several."""
        self.prefill = ""
        return self._guarded(lambda: self._handle(text), text)

    def leave(self) -> list[Line]:
        """The last lines, when there is no more input. Saves what an unfinished opening has brought."""
        self.finished = True
        return self._guarded(self._leave, "")

    def interrupted(self) -> list[Line]:
        """After Ctrl-C during work: the log as it stands on the disk counts."""
        self.desk.forget_assessor()
        if self.book is not None:
            self.book.events = self.book.store.events(self.book.case)
            self.seen = None
        return wrap("warn", "Stopped. What was saved stays saved.", self.width)

    # ---- inside

    def _guarded(self, work: Callable[[], list[Line]], text: str) -> list[Line]:
        from diagnose.casework.store import StoreError
        from diagnose.casework.transfer import TransferError

        try:
            return self.flushed(work())
        except InputError as error:
            line = str(refused(error))
        except (Refusal, ValueError, StoreError, TransferError, OSError) as error:
            if isinstance(error, ValueError) and not _ours(error):
                return self._failed(error)
            line = str(error)
        except Exception as error:
            return self._failed(error)
        self.prefill = text if "\n" not in text else ""
        return self.flushed(wrap("warn", f"{_sentence(line)}", self.width, "", "  "))

    def _failed(self, error: BaseException) -> list[Line]:
        from diagnose.shell.folders import log_error

        return self.flushed(
            wrap("warn", f"{_sentence(log_error(error))} What was saved stays saved.", self.width, "", "  ")
        )

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

    def talk(self, make: Callable[[], Talk]) -> list[Line]:
        """Begin a dialog; its first question, or its result when there is nothing to ask."""
        dialog = Dialog(make)
        if dialog.result is not None:
            return dialog.result
        self.dialog = dialog
        return list(dialog.ask.lines)

    def _handle(self, text: str) -> list[Line]:
        typed = text.strip()
        if self.dialog is not None and self.book is not None and "\n" in typed:
            self.dialog = None  # a pasted block answers no single question
        if self.dialog is not None:
            return self._in_dialog(" ".join(typed.split("\n")))
        if self.book is None:
            return self.begin()
        if "\n" in typed:
            from diagnose.shell.paste import talk_paste

            return self.talk(lambda: talk_paste(self, typed))
        if self.seen is None:
            self.refresh()
        from diagnose.shell.commands import act

        return act(self, typed)

    def _in_dialog(self, typed: str) -> list[Line]:
        dialog = self.dialog
        assert dialog is not None
        word = typed.lower()
        if word in LEAVING:
            self.dialog = None
            return self.leave()
        if word in BACK:
            if dialog.back():
                return list(dialog.ask.lines)
            return self._cancel()
        if word == "cancel":
            return self._cancel()
        if word in ("help", "?") and not (word == "?" and dialog.ask.raw):
            shown = dialog.ask.help or dialog.ask.lines
            return [
                *shown,
                *wrap("dim", "'back' goes one question back, 'cancel' drops it, 'quit' leaves.", self.width),
            ]
        dialog.send(typed)
        if dialog.result is not None:
            if self.dialog is dialog:
                self.dialog = None
            return dialog.result
        if dialog.ask.again:
            from diagnose.shell.commands import NAMES, act

            if self.book is not None and word.split(" ")[0] in NAMES:
                self.dialog = None  # a command is no slip of the finger: the question is left
                self.tell_now(wrap("text", "The question is dropped.", self.width))
                return act(self, typed)
            self.prefill = typed
        return list(dialog.ask.lines)

    def _cancel(self) -> list[Line]:
        if self.book is None:
            assert self.dialog is not None
            return [
                *wrap("text", "This is the first question. Type quit to leave.", self.width),
                *self.dialog.ask.lines,
            ]
        self.dialog = None
        return [*wrap("text", "Dropped, nothing recorded.", self.width), *self.here()]

    def _leave(self) -> list[Line]:
        self.dialog = None
        if self.book is None:
            if not self.draft.complaint:
                return wrap("text", "Nothing was recorded.", self.width)
            sign = self.draft.danger or "do-not-know"
            row: Row = ("reading", {"check": DANGER, "at": "", "answer": sign})
            self._create(
                Opened(self.draft.complaint, self.draft.complaint, "", self.options.role or "contact", (row,))
            )
        assert self.book is not None
        return wrap(
            "text",
            f"Case {self.book.case} is saved. Go on with: diagnose resume {self.book.case}",
            self.width,
        )

    # ---- the case

    def record_given(self) -> tuple[str, Site]:
        """The install record of the command line."""
        from diagnose.shell.records import read_record

        return read_record(self.options.record, self.desk.knowledge)

    def read_site(self, record: str) -> Site:
        """The site of a record."""
        from diagnose.casework.state import read_site

        return read_site(record, self.desk.knowledge)

    def open_case(self, opened: Opened) -> list[Line]:
        """Create the case and show where it stands."""
        self._create(opened)
        assert self.book is not None
        self.tell_now(wrap("good", f"Case {self.book.case} opened and saved.", self.width))
        return self.after()

    def _create(self, opened: Opened) -> None:
        from diagnose.shell.casebook import Casebook

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
        self.dialog = None
        for row in opened.rows:
            self.book.add([row], opened.role)

    def resume(self, typed: str) -> list[Line]:
        """Go on with a stored case."""
        from diagnose.shell.casebook import Casebook

        self.book = Casebook(self.desk.store, self.desk.store.resolve(typed))
        who: dict[str, object] = {}
        if self.options.role:
            who["role"] = self.options.role
        if self.options.instruments:
            who["instruments"] = list(self.options.instruments)
        if who:
            self.book.add([("role", who)], self.options.role or "contact")
        head = wrap("title", f"Case {self.book.case}: {one_line(self.book.title)}", self.width, "", "  ")
        self.tell_now(head)
        return self.after()

    @property
    def role(self) -> str:
        return self.state_now.role if self.state_now else self.options.role or "contact"

    @property
    def danger(self) -> str:
        """none, standing or made-safe, as the gate wants it."""
        stops = self.seen.stop_use if self.seen else ()
        return "none" if not stops else "made-safe" if all(s.made_safe for s in stops) else "standing"

    def refresh(self) -> None:
        """State and assessment of the case as it stands."""
        assert self.book is not None
        self.state_now = self.desk.assessor.state(self.book.events)
        self.seen = self.desk.assessor.assess_state(self.state_now)
        self.chosen = None

    def save(self, rows: Sequence[Row], by: str = "") -> list[Line]:
        """Record, say so after the commit, and show what follows."""
        assert self.book is not None
        self.dialog = None  # whatever fails from here on, its question is answered
        if self.state_now and self.state_now.closed is not None and any(kind not in LATE for kind, _ in rows):
            raise Refusal("the case is closed; undo opens it again, new begins another")
        added = self.book.add(rows, by or self.role)
        from diagnose.report.events import event_text

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
        return self.after()

    def after(self) -> list[Line]:
        """What is new since the last screen, then the next step."""
        from diagnose.report import text as t

        before = self.seen
        self.refresh()
        a = self.seen
        assert a is not None
        assert self.state_now is not None
        known = {(f.id, f.places) for f in before.findings} if before else set()
        lines = list(t.stop_lines(a, self.width)) if a.stop_use != (before.stop_use if before else ()) else []
        if a.stop_use and not lines and self.danger == "standing":
            lines = t.stop_lines(a, self.width)[:1]
        old_notices = before.notices if before else ()
        lines += [
            line
            for n in a.notices
            if n not in old_notices
            for line in wrap("warn", f"! {n}", self.width, "", "  ")
        ]
        lines += t.finding_lines([f for f in a.findings if (f.id, f.places) not in known], self.width)
        if a.contradictions != (before.contradictions if before else ()):
            lines += t.contradiction_lines(a, self.width)
        if self.danger != "standing" and (before is not None or len(self.state_now.readings) > 1):
            leading = leading_lines(a, self.width)
            if before is None or leading != leading_lines(before, self.width):
                lines += leading
        step = self.step
        if before and before.steps and step and (step.kind, step.id, step.places) == _key(before.steps[0]):
            return [
                *lines,
                *wrap("dim", f"Still next: {step.title}, {_where(step)}. Enter shows it again.", self.width),
            ]
        here = self.here()
        return [*lines, BLANK, *here] if lines else here

    def here(self) -> list[Line]:
        """The step on the screen, or what there is to do instead."""
        from diagnose.report import text as t

        a, state = self.seen, self.state_now
        if a is None or state is None:
            return []
        step = self.step
        if step is not None:
            check = self.desk.knowledge.checks.get(step.id) if step.kind == "check" else None
            if check is not None and len(step.places) > 1:
                step = step._replace(
                    ask=f"For each of {_where(step)}: {check.ask.replace('{place}', 'the ' + check.at)}"
                )
            lines = [*t.step_lines(step, self.width, self.unit(step)), *self._hint(step)]
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
            lines = t.handover_lines(a, self.width)
            words = (
                "Type made-safe when it has been isolated, locked out and proved dead."
                if m.may(state.role, "technician")
                else "A qualified person has to make it safe. Type handover for what to pass on."
            )
            return [
                *lines,
                *wrap(
                    "danger",
                    f"{words} Notes and readings that are reported can still be recorded.",
                    self.width,
                ),
            ]
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

    def _hint(self, step: StepView) -> list[Line]:
        if step.kind == "remedy":
            words = "Type done when it is done, skip for other steps, ? for more."
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
        from diagnose.shell.answers import unit_of

        return unit_of(check)

    def titles(self) -> dict[str, str]:
        """The titles of all checks."""
        return {c.id: c.title for c in self.desk.knowledge.checks.values()}


def _key(step: StepView) -> tuple[str, str, tuple[Place, ...]]:
    return step.kind, step.id, step.places


def _where(step: StepView) -> str:
    from diagnose.site.places import describe

    return describe(step.places)


def leading_lines(a: Assessment, width: int) -> list[Line]:
    """The foremost suspects in one line."""
    from diagnose.casework.view import percent

    named = [s for s in a.suspects if s.probability >= 0.05][:3]
    if not named:
        lines = wrap("text", f"No fault stands out ({percent(a.no_fault)} that there is none).", width)
        return lines + _unlisted(a, width)
    first = named[0].places
    at = f" at {first[0][0]}" if first and first[0][1] >= 0.5 * named[0].probability else ""
    texts = [f"{s.title}{at if n == 0 else ''} {percent(s.probability)}" for n, s in enumerate(named)]
    lines = wrap("text", "Suspects: " + "; ".join(texts), width, "", "  ")
    return lines + _unlisted(a, width)


def _unlisted(a: Assessment, width: int) -> list[Line]:
    from diagnose.casework.view import percent

    return (
        wrap("warn", f"{percent(a.unlisted)}: something that is not in this book.", width)
        if a.unlisted >= 0.25
        else []
    )


def _ours(error: ValueError) -> bool:
    from diagnose.casework.state import AnswerError
    from diagnose.site.places import PlaceError

    return isinstance(error, (AnswerError, PlaceError))


def _sentence(text: str) -> str:
    text = one_line(text).strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"
