"""The conversation over one case: `handle(line)` gives lines. It neither reads nor prints; front ends do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.knowledge import model as m
from diagnose.report.lines import BLANK, Line, wrap
from diagnose.shell import alarm
from diagnose.shell.desk import DANGER, Desk
from diagnose.shell.dialog import BACK, Dialog, Talk
from diagnose.shell.opening import Draft, Opened, talk_opening
from diagnose.shell.refusal import Refusal, refused
from diagnose.source.problems import InputError, one_line

if TYPE_CHECKING:
    from diagnose.casework.events import Event
    from diagnose.casework.gate import Bars
    from diagnose.casework.state import State
    from diagnose.casework.view import Assessment, StepView
    from diagnose.shell.casebook import Casebook, Row
    from diagnose.site.model import Site
    from diagnose.site.places import Place
    from diagnose.words.hearing import Heard

BARE = "install-record: 1\nname: no install record\n"
LEAVING = ("quit", "exit", "bye")
SAID_ALREADY = "danger-at-hand"  # the finding that says what STOP USE has said
LATE = ("note", "role", "danger", "withdrawn")  # what a closed case still takes


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
        self.opening = False
        self._kept: list[Line] = []
        self._held: dict[str, str] = {}  # open question of a danger -> the line that raised it
        self._ready: list[str] = []  # lines whose words were denied, to go on with when no question is open
        self._alarm: Dialog | None = None  # the dialog that asks which danger, and where
        self.shown: Assessment | None = None  # what the last screen told
        self.told: set[str] = set()  # cautions of dangers that were shown in full
        self.asked_again: set[str] = set()  # questions of dangers that were answered by something else once

    # ---- what a front end uses

    def start(self) -> list[Line]:
        """The first lines."""
        if self.options.case:
            return self._guarded(lambda: self.resume(self.options.case), "")
        return self.begin()

    def begin(self) -> list[Line]:
        """The opening questions of a new case."""
        self.book = self.state_now = self.seen = self.chosen = self.shown = None
        self.draft = Draft()
        self.told = set()
        self.opening = True
        self._held, self._ready = {}, []
        return self.talk(lambda: talk_opening(self))

    @property
    def prompt(self) -> str:
        """What stands before the line to be typed."""
        if alarm.current(self) is not None and not self._choosing:
            return "danger (y/n)> "
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

    def talk(self, make: Callable[[], Talk], alarm: bool = False) -> list[Line]:
        """Begin a dialog; its first question, or its result when there is nothing to ask. `alarm`: it is about a danger."""
        dialog = Dialog(make)
        self._alarm = dialog if alarm else None
        if dialog.result is not None:
            return dialog.result
        self.dialog = dialog
        return list(dialog.ask.lines)

    @property
    def _choosing(self) -> bool:
        """Whether the open dialog belongs to the danger itself: which sign, and where."""
        return self.dialog is not None and self.dialog is self._alarm

    def _handle(self, text: str) -> list[Line]:
        typed = text.strip()
        if self.book is not None and self.seen is None:
            self.refresh()
        if told := alarm.reset_lines(self, typed):
            self.tell_now(told)
        if alarm.current(self) is not None and not self._choosing:
            return self._in_alarm(typed)
        heard = alarm.hear(self, typed)
        if heard is not None:
            self._alarm = None
            return self.sound(heard, text)
        return self._proceed(typed)

    def sound(self, heard: Heard, text: str) -> list[Line]:
        """Save and ask what was heard; the line itself goes on when it was no danger."""
        alarm.sound(self, heard, text)
        if (asked := alarm.current(self)) is not None:
            self._held[asked.event] = text
        return alarm.question_lines(self)

    def _in_alarm(self, typed: str) -> list[Line]:
        """One line while words wait to be confirmed or denied."""
        word = typed.lower()
        if word in LEAVING:
            return self.leave()
        if word == "help":
            return [*wrap("text", "Type y or n. 'quit' leaves; the question is kept and comes again.", self.width), *alarm.question_lines(self)]
        asked = alarm.current(self)
        assert asked is not None
        lines = alarm.answer(self, typed)
        if lines is not None:
            return lines
        self._ready += [self._held.pop(asked.event)] if asked.event in self._held else []
        if alarm.current(self) is not None:
            return alarm.question_lines(self)
        ready, self._ready = self._ready, []
        if not ready:
            return [*wrap("good", "Noted: no danger.", self.width), *self.after()]
        return [line for text in ready for line in self._proceed(text.strip())]

    def _proceed(self, typed: str) -> list[Line]:
        """A line in which no danger was heard, or one that was denied."""
        if self.dialog is not None and not self.opening and "\n" in typed:
            self.dialog = None  # a pasted block answers no single question
        if self.dialog is not None:
            return self._in_dialog(" ".join(typed.split("\n")))
        if self.book is None:
            return self.begin()
        if "\n" in typed:
            from diagnose.shell.paste import talk_paste

            return self.talk(lambda: talk_paste(self, typed))
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

            if not self.opening and dialog is not self._alarm and word.split(" ")[0] in NAMES:
                self.dialog = None  # a command is no slip of the finger: the question is left
                self.tell_now(wrap("text", "The question is dropped.", self.width))
                return act(self, typed)
            self.prefill = typed
        return list(dialog.ask.lines)

    def _cancel(self) -> list[Line]:
        if self.opening:
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
        elif self.opening and self.draft.complaint:
            self.book.add([("record", {"record": self._early_record(), "complaint": self.draft.complaint})], self.role)
        assert self.book is not None
        lines: list[Line] = []
        if alarm.current(self) is not None:
            lines = wrap("danger", "The danger is not settled: until somebody answers, use stays stopped.", self.width)
        return [*lines, *wrap(
            "text",
            f"Case {self.book.case} is saved. Go on with: diagnose resume {self.book.case}",
            self.width,
        )]  # fmt: skip

    # ---- the case

    def record_given(self) -> tuple[str, Site]:
        """The install record of the command line."""
        from diagnose.shell.records import read_record

        return read_record(self.options.record, self.desk.knowledge)

    def read_site(self, record: str) -> Site:
        """The site of a record."""
        from diagnose.casework.state import read_site

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

    def _early_record(self) -> str:
        from diagnose.shell.records import bare_record

        if self.state_now is not None:
            return self.state_now.record
        return self.record_given()[0] if self.options.record else bare_record(1, False)

    def create_early(self, words: str, rows: Sequence[Row]) -> None:
        """Open a case in the middle of the opening questions, because a danger was heard; they go on if it was none."""
        dialog = self.dialog
        record = next((str(data["record"]) for kind, data in rows if kind == "record"), self._early_record())
        self._create(Opened(words, words, record, self.options.role or "contact", ()))
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
        from diagnose.casework.events import dangers_open
        from diagnose.casework.state import dangerous_in

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
        self.dialog, self.opening = None, False
        for row in opened.rows:
            self.book.add([row], opened.role)

    def resume(self, typed: str) -> list[Line]:
        """Go on with a stored case."""
        from diagnose.shell.casebook import Casebook

        self.book = Casebook(self.desk.store, self.desk.store.resolve(typed))
        self.shown = None
        who: dict[str, object] = {}
        if self.options.role:
            who["role"] = self.options.role
        if self.options.instruments:
            who["instruments"] = list(self.options.instruments)
        if who:
            self.book.add([("role", who)], self.options.role or "contact")
        head = wrap("title", f"Case {self.book.case}: {one_line(self.book.title)}", self.width, "", "  ")
        self.tell_now(head)
        self.opening = False
        self.refresh()
        if alarm.current(self) is not None:
            return alarm.question_lines(self)
        if (sign := alarm.unplaced(self)) and self.danger == "standing":
            return self.talk(lambda: alarm.talk_where(self, sign), alarm=True)
        return self.after()

    @property
    def role(self) -> str:
        return self.state_now.role if self.state_now else self.options.role or "contact"

    @property
    def danger(self) -> str:
        """none, standing or made-safe."""
        return self.seen.danger if self.seen else "none"

    @property
    def bars(self) -> Bars:
        """What bars steps now, as the gate wants it."""
        from diagnose.casework.gate import FREE

        if self.seen is None or self.state_now is None:
            return FREE
        return self.desk.assessor.bars(self.state_now, self.seen)

    def refresh(self) -> None:
        """State and assessment of the case as it stands."""
        assert self.book is not None
        self.state_now = self.desk.assessor.state(self.book.events)
        self.seen = self.desk.assessor.assess_state(self.state_now)
        self.chosen = None
        self._mark()

    def _mark(self) -> None:
        """Say in the log when use is stopped or free again by what follows from readings, so that every list shows it."""
        from diagnose.casework.events import dangers_open

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

    def after(self) -> list[Line]:
        """What is new since the last screen, then the next step."""
        from diagnose.report import text as t

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
        if self.role == "agent":
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


def _ours(error: ValueError) -> bool:
    from diagnose.casework.state import AnswerError
    from diagnose.site.places import PlaceError

    return isinstance(error, (AnswerError, PlaceError))


def _sentence(text: str) -> str:
    text = one_line(text).strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"
