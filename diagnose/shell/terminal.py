"""The front end for a terminal: editing, history, completion. Only here is prompt-toolkit imported."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import NoReturn

from prompt_toolkit import PromptSession
from prompt_toolkit.completion import CompleteEvent, Completer, Completion
from prompt_toolkit.document import Document
from prompt_toolkit.filters import completion_is_selected, has_completions
from prompt_toolkit.history import FileHistory, History, InMemoryHistory
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent

from diagnose.report.lines import Line
from diagnose.shell.folders import history_file
from diagnose.shell.front import Front
from diagnose.shell.paint import prompt_text, show, width_of


class Words(Completer):
    """What fits at the cursor."""

    def __init__(self, front: Front) -> None:
        self.front = front

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Completion]:
        start, words = self.front.completions(document.text_before_cursor)
        for word in words:
            yield Completion(word, start_position=-start)


def _keys() -> KeyBindings:
    keys = KeyBindings()

    @keys.add("enter", filter=has_completions & completion_is_selected)
    def _accept(event: KeyPressEvent) -> None:
        event.current_buffer.complete_state = None  # a second Enter sends the line

    return keys


def _history() -> History:
    file = history_file()
    if file is None:
        return InMemoryHistory()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch(mode=0o600)
        return FileHistory(str(file))
    except OSError:
        return InMemoryHistory()


@contextmanager
def _ended_in_order() -> Iterator[None]:
    """A request to end (SIGTERM, a closed window) leaves by the way of every end, which gives the terminal back its
    echo. What was answered is saved already.
    """
    numbers = [n for name in ("SIGTERM", "SIGHUP") if (n := getattr(signal, name, None)) is not None]
    if threading.current_thread() is not threading.main_thread():
        numbers = []

    def end(number: int, frame: object) -> NoReturn:
        raise SystemExit(128 + number)

    before = {number: signal.signal(number, end) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run(front: Front, colour: bool) -> int:
    """Converse until Ctrl-D on an empty line, or quit."""
    with _ended_in_order():
        return _converse(front, colour)


def _converse(front: Front, colour: bool) -> int:
    os.environ.setdefault(
        "PROMPT_TOOLKIT_NO_CPR", "1"
    )  # a terminal that does not tell its cursor stays quiet
    if os.name == "nt":
        os.system("")  # lets the console understand colours
    out = sys.stdout

    def say(lines: list[Line]) -> None:
        show(lines, out, colour)

    front.width = width_of(out)
    front.say = say
    say(front.start())
    prompts: PromptSession[str] = PromptSession(
        history=_history(),
        completer=Words(front),
        complete_while_typing=False,
        key_bindings=_keys(),
        enable_history_search=False,
        mouse_support=False,
    )
    prompts.app.after_render += lambda _: front.desk.warm()  # once the first prompt is there
    encoding = getattr(out, "encoding", None) or "utf-8"
    while not front.finished:
        try:
            line = prompts.prompt(prompt_text(front.prompt, encoding), default=front.prefill)
        except KeyboardInterrupt:
            front.prefill = ""
            continue
        except EOFError:
            say(front.leave())
            break
        try:
            front.width = width_of(out)
            say(front.handle(line))
        except KeyboardInterrupt:
            say(front.interrupted())
    return 0
