"""The conversation: every line goes to the alarm first, then to the question that is open, then to the commands.

`handle(line)` gives lines. It neither reads nor prints; front ends do.
"""

from __future__ import annotations

from collections.abc import Callable

from diagnose.report.lines import Line, wrap
from diagnose.shell import alarm, ending, opening
from diagnose.shell.commands import act
from diagnose.shell.completing import ASKING
from diagnose.shell.desk import Desk, Options
from diagnose.shell.dialog import BACK, Dialog, fitting, prompt_of
from diagnose.shell.folders import log_error
from diagnose.shell.open_case import OpenCase
from diagnose.shell.paste import talk_paste
from diagnose.shell.refusal import refused
from diagnose.shell.registry import NAMES
from diagnose.site.places import describe
from diagnose.source.problems import InputError, PlainError, one_line

LEAVING = ("quit", "exit", "bye")
OF_DANGER = ("made-safe", "energized", "reported-safe")
ALSO_REASONS = ("done", "repaired", "skip", "other")  # commands that one types as a reason as well
SAVED = "What was saved stays saved."


class Router:
    """Takes lines to what answers them. `prompt` and `prefill` are what a front end shows for the next line."""

    def __init__(self, desk: Desk, options: Options | None = None, width: int = 80) -> None:
        self.case = OpenCase(desk, options, width)
        self.prefill = ""

    # ---- what a front end uses

    def start(self) -> list[Line]:
        """The first lines."""
        if self.case.options.case:
            return self._guarded(lambda: self._resume(self.case.options.case), "")
        return opening.begin(self.case)

    @property
    def prompt(self) -> str:
        """What stands before the line to be typed."""
        s = self.case
        if alarm.current(s) is not None and not s.choosing:
            return "danger (y/n)> "
        if s.dialog is not None:
            return s.dialog.ask.prompt
        if s.seen is None:
            return "> "
        if any(not x.made_safe for x in s.seen.stop_use):
            return "STOP USE> "
        step = s.step
        if step is None:
            return "closed> " if s.state_now and s.state_now.closed is not None else "case> "
        text = f"{step.title}, {describe(step.places)}"
        return prompt_of(text, s.width)

    def handle(self, text: str) -> list[Line]:
        """The answer to one line, or to a pasted block of several."""
        self.prefill = ""
        return self._guarded(lambda: self._handle(text), text)

    def leave(self) -> list[Line]:
        """The last lines, when there is no more input. Saves what an unfinished opening has brought."""
        return self._guarded(lambda: ending.leave(self.case), "")

    def interrupted(self) -> list[Line]:
        """After Ctrl-C during work: the log as it stands on the disk counts."""
        s = self.case
        s.desk.forget_assessor()
        if s.book is not None:
            s.book.events = s.book.store.events(s.book.case)
            s.seen = None
        return wrap("warn", f"Stopped. {SAVED}", s.width)

    def completions(self, text: str) -> tuple[int, list[str]]:
        """How many characters before the cursor are replaced, and the words that may stand there."""
        s = self.case
        if s.dialog is not None:
            return fitting(text, s.dialog.ask.words)
        if s.book is None:
            return 0, []
        first, space, rest = text.lstrip().partition(" ")
        if not space:
            step = s.step
            check = s.desk.knowledge.checks.get(step.id) if step and step.kind == "check" else None
            return fitting(first, (*(check.outcome_ids if check else ()), *(ASKING if check else ()), *NAMES))
        command = NAMES.get(first.lower())
        return command.words(s, rest) if command is not None else fitting(rest, ())

    # ---- errors

    def _guarded(self, work: Callable[[], list[Line]], text: str) -> list[Line]:
        s = self.case
        try:
            return s.flushed(work())
        except InputError as error:
            line = str(refused(error))
        except (PlainError, OSError) as error:
            line = str(error)
        except Exception as error:
            return s.flushed(wrap("warn", f"{_sentence(log_error(error))} {SAVED}", s.width, "", "  "))
        self.prefill = text if "\n" not in text else ""
        return s.flushed(wrap("warn", _sentence(line), s.width, "", "  "))

    # ---- where a line goes

    def _handle(self, text: str) -> list[Line]:
        s, typed = self.case, text.strip()
        if s.book is not None and s.seen is None:
            s.refresh()
        if told := alarm.reset_lines(s, typed):
            s.tell_now(told)
        if alarm.current(s) is not None and not s.choosing:
            return self._in_alarm(typed)
        heard = alarm.hear(s, typed)
        if heard is not None:
            s.alarm_dialog = None
            return alarm.sound(s, heard, text)
        return self._proceed(typed)

    def _in_alarm(self, typed: str) -> list[Line]:
        """One line while words wait to be confirmed or denied."""
        s, word = self.case, typed.lower()
        if word in LEAVING:
            return ending.leave(s)
        if word == "help":
            words = "Type y or n. 'quit' leaves; the question is kept and comes again."
            return [*wrap("text", words, s.width), *alarm.question_lines(s)]
        asked = alarm.current(s)
        assert asked is not None
        lines = alarm.answer(s, typed)
        if lines is not None:
            return lines
        s.ready += [s.held.pop(asked.event)] if asked.event in s.held else []
        if alarm.current(s) is not None:
            return alarm.question_lines(s)
        ready, s.ready = s.ready, []
        if not ready:
            return [*wrap("good", "Noted: that was no danger sign.", s.width), *s.after()]
        return [line for text in ready for line in self._proceed(text.strip())]

    def _proceed(self, typed: str) -> list[Line]:
        """A line in which no danger was heard, or one that was denied."""
        s = self.case
        if s.dialog is not None and not s.opening and "\n" in typed:
            s.dialog = None  # a pasted block answers no single question
        if s.dialog is not None:
            return self._in_dialog(s.dialog, " ".join(typed.split("\n")))
        if s.book is None:
            return opening.begin(s)
        if "\n" in typed:
            return s.talk(lambda: talk_paste(s, typed))
        return act(s, typed)

    def _in_dialog(self, dialog: Dialog, typed: str) -> list[Line]:
        s, word = self.case, typed.lower()
        if word in LEAVING:
            s.dialog = None
            return ending.leave(s)
        if word in BACK:
            return list(dialog.ask.lines) if dialog.back() else self._cancel(dialog)
        if word == "cancel":
            return self._cancel(dialog)
        if word in ("help", "?") and not (word == "?" and dialog.ask.raw):
            words = "'back' goes one question back, 'cancel' drops it, 'quit' leaves."
            return [*(dialog.ask.help or dialog.ask.lines), *wrap("dim", words, s.width)]
        if dialog.ask.free and (word.split(" ")[0] in OF_DANGER or (word in NAMES and word not in ALSO_REASONS)):
            return self._leave_for(typed)
        dialog.send(typed)
        if dialog.result is not None:
            if s.dialog is dialog:
                s.dialog = None
            return dialog.result
        if dialog.ask.again:
            if not s.opening and dialog is not s.alarm_dialog and word.split(" ")[0] in NAMES:
                return self._leave_for(typed)
            self.prefill = typed
        return list(dialog.ask.lines)

    def _leave_for(self, typed: str) -> list[Line]:
        """A command is no slip of the finger and no reason: the question is left for it."""
        s = self.case
        s.dialog = None
        s.tell_now(wrap("text", "The question is dropped.", s.width))
        return act(s, typed)

    def _cancel(self, dialog: Dialog) -> list[Line]:
        s = self.case
        if s.opening:
            return [*wrap("text", "This is the first question. Type quit to leave.", s.width), *dialog.ask.lines]
        s.dialog = None
        return [*wrap("text", "Dropped, nothing recorded.", s.width), *s.here()]

    def _resume(self, typed: str) -> list[Line]:
        """Go on with a stored case: what is open about a danger first."""
        s = self.case
        s.resume(typed)
        if alarm.current(s) is not None:
            return alarm.question_lines(s)
        if (sign := alarm.unplaced(s)) and s.danger == "standing":
            return s.talk(lambda: alarm.talk_where(s, sign), alarm=True)
        return s.after()


def _sentence(text: str) -> str:
    text = one_line(text).strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"
