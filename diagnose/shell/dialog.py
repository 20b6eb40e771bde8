"""Questions that belong together, as generators: each `yield Ask(...)` gets the next line typed.

A dialog records nothing before its last question, so going one question back is running it again with
one answer less. What reads a file or asks a live peer on the way is an effect: `yield from once(key, work)`. Its
result is kept by the dialog, so running again does not do it again.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from typing import Any, Generic, NamedTuple, TypeVar

from diagnose.report.lines import Line, numbered, wrap


class Ask(NamedTuple):
    """A question: lines, prompt, words that complete, more help, and whether the last answer was no use."""

    lines: tuple[Line, ...]
    prompt: str
    words: tuple[str, ...] = ()
    help: tuple[Line, ...] = ()
    again: bool = False
    raw: bool = False  # `?` is an answer here
    free: bool = False  # any words are an answer, but for a command that stands alone or belongs to a danger


T = TypeVar("T")


class Effect(Generic[T]):
    """Work between two questions, known by its key."""

    def __init__(self, key: str, work: Callable[[], T]) -> None:
        self.key = key
        self.work = work
        self.result: T


def once(key: str, work: Callable[[], T]) -> Generator[Effect[T], str, T]:
    """The result of `work`, which a dialog does once for each key. What it raises is raised here, and nothing is kept."""
    effect = Effect(key, work)
    yield effect
    return effect.result


Talk = Generator[Ask | Effect[Any], str, list[Line]]
BACK = ("back", "undo")


class Dialog:
    """A running dialog. `result` holds its lines once it has ended."""

    def __init__(self, make: Callable[[], Talk]) -> None:
        self._make = make
        self._given: list[str] = []
        self._kept: dict[str, Any] = {}
        self.result: list[Line] | None = None
        self.ask = Ask((), "> ")
        self._start()

    def _start(self) -> None:
        self._talk = self._make()
        try:
            self.ask = self._asked(next(self._talk))
            for text in self._given:
                self.ask = self._asked(self._talk.send(text))
        except StopIteration as end:  # there was nothing to ask
            self.result = list(end.value or [])

    def _asked(self, got: Ask | Effect[Any]) -> Ask:
        """The next question, after the effects that come before it."""
        while isinstance(got, Effect):
            try:
                if got.key not in self._kept:
                    self._kept[got.key] = got.work()
                got.result = self._kept[got.key]
            except Exception as error:
                got = self._talk.throw(error)
            else:
                got = self._talk.send("")
        return got

    def send(self, text: str) -> None:
        """Answer the question; `ask` is the next one, or `result` is there."""
        try:
            ask = self._asked(self._talk.send(text))
        except StopIteration as end:
            self.result = list(end.value or [])
            return
        except BaseException:
            self._start()  # the question stands again
            raise
        if not ask.again:
            self._given.append(text)
        self.ask = ask

    def back(self) -> bool:
        """Go one question back; False at the first one."""
        if not self._given:
            return False
        self._given.pop()
        self._start()
        return True


def fitting(typed: str, words: Iterable[str]) -> tuple[int, list[str]]:
    """How many characters were typed, and the words that begin with them."""
    wanted = typed.lower()
    return len(typed), [w for w in dict.fromkeys(words) if w.lower().startswith(wanted)]


def prompt_of(text: str, width: int) -> str:
    """`text> `; what is long stands above the line that is typed, broken to the width, as a terminal cuts it off there."""
    if len(text) <= max(width // 2, 24):
        return f"{text}> "
    return "\n".join([*(line.text for line in wrap("text", text, width)), "> "])


def pick(
    title: str,
    options: Sequence[tuple[str, str]],
    width: int,
    prompt: str,
    empty: str | None = None,
    words: Sequence[str] = (),
    before: Sequence[Line] = (),
) -> Generator[Ask, str, str]:
    """Choose one of `options` (id, text) by number, id or the beginning of its text.

    `empty` is what Enter alone means; None: nothing.
    """
    lines = [*wrap("title", title, width), *numbered([text for _, text in options], width)]
    ids = tuple(i for i, _ in options)
    ask = Ask((*before, *lines), prompt, (*ids, *words))
    while True:
        typed = (yield ask).strip()
        word = " ".join(typed.lower().split())
        if not word and empty is not None:
            return empty
        if word.isdecimal() and len(word) < 5 and 1 <= int(word) <= len(options):
            return ids[int(word) - 1]
        if word:
            exact = [i for i, text in options if word in (i, i.replace("-", " "), text.lower())]
            near = exact or [i for i, text in options if text.lower().startswith(word) or i.startswith(word)]
            if len(near) == 1:
                return near[0]
        more = " or press Enter" if empty is not None else ""
        ask = Ask(
            tuple(wrap("warn", f"Type a number from 1 to {len(options)}{more}.", width)),
            prompt,
            ask.words,
            tuple(lines),
            True,
        )


def yes_or_no(question: str, width: int, prompt: str = "y/n> ", before: Sequence[Line] = ()) -> Generator[Ask, str, bool]:
    """A plain question, `before` above it."""
    lines = (*before, *wrap("title", question, width))
    ask = Ask(lines, prompt, ("yes", "no"))
    while True:
        word = (yield ask).strip().lower()
        if word in ("y", "yes"):
            return True
        if word in ("n", "no"):
            return False
        ask = Ask(tuple(wrap("warn", "Type y or n.", width)), prompt, ask.words, lines, True)
