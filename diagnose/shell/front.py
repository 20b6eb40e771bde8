"""What a front end holds. The first question comes from here; the router, and all that it needs, with the first line typed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from diagnose.knowledge import model as m
from diagnose.report.lines import Line
from diagnose.shell.desk import Desk, Options
from diagnose.shell.dialog import Ask, fitting
from diagnose.shell.first import first_ask

if TYPE_CHECKING:
    from diagnose.shell.router import Router


class Front:
    """One run of the shell. `say` takes lines that should not wait for the end of the work."""

    def __init__(self, desk: Desk, options: Options, width: int, say: Callable[[list[Line]], None] | None = None) -> None:
        self.desk = desk
        self.options = options
        self.width = width
        self.say = say
        self._first: Ask | None = None
        self._router: Router | None = None

    def start(self) -> list[Line]:
        """The first lines."""
        if self.options.case:
            return self._awake().start()
        self._first = first_ask(self.desk.knowledge.checks[m.DANGER], self.width)
        return list(self._first.lines)

    def _awake(self) -> Router:
        """The router, which asks the first question as well; it has been shown already."""
        if self._router is None:
            from diagnose.shell.router import Router

            self._router = Router(self.desk, self.options, self.width)
            self._router.case.say = self.say
            if self._first is not None:
                self._router.start()
                self._first = None
        self._router.case.width = self.width
        return self._router

    @property
    def prompt(self) -> str:
        """What stands before the line to be typed."""
        return self._first.prompt if self._first is not None else self._awake().prompt

    @property
    def prefill(self) -> str:
        """What stands in the line already."""
        return self._router.prefill if self._router is not None else ""

    @prefill.setter
    def prefill(self, text: str) -> None:
        if self._router is not None:
            self._router.prefill = text

    @property
    def finished(self) -> bool:
        """Whether no line comes after this one."""
        return self._router is not None and self._router.case.finished

    @property
    def between(self) -> bool:
        """Whether a case is open and no question is."""
        return self._router is not None and self._router.case.dialog is None and self._router.case.book is not None

    def handle(self, text: str) -> list[Line]:
        """The answer to one line, or to a pasted block of several."""
        return self._awake().handle(text)

    def leave(self) -> list[Line]:
        """The last lines, when there is no more input."""
        return self._awake().leave()

    def interrupted(self) -> list[Line]:
        """After Ctrl-C during work."""
        return self._awake().interrupted()

    def completions(self, text: str) -> tuple[int, list[str]]:
        """How many characters before the cursor are replaced, and the words that may stand there."""
        return fitting(text, self._first.words) if self._first is not None else self._awake().completions(text)
