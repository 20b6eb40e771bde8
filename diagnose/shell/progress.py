"""What moves on standard error while a live probe runs. The only use of rich: it redraws a line whatever the terminal is.

It is imported when something moves and not before: the first prompt would wait for it (docs/terminal.md).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from diagnose.report.lines import Line
from diagnose.shell.paint import is_terminal, plain_text, show
from diagnose.source.problems import one_line

Tell = Callable[[int, int, str], None]
"""Told how much is done, of how much, and what is being done."""


def _tenths(say: Callable[[str], None]) -> Tell:
    """A line for each tenth of the work."""
    said = [-1]

    def tell(done: int, of: int, what: str) -> None:
        tenth = 10 * done // max(of, 1)
        if tenth != said[0]:
            said[0] = tenth
            say(f"{10 * tenth} %: {what}")

    return tell


@contextmanager
def bar(say: Callable[[str], None] | None) -> Iterator[Tell]:
    """Lines where somebody takes them; else on standard error a bar, or lines for a screen reader; in a pipe nothing."""
    if say is not None:
        yield _tenths(say)
        return
    if not is_terminal(sys.stderr):
        yield lambda done, of, what: None
        return
    if os.environ.get("ACCESSIBLE") or os.environ.get("TERM") == "dumb":
        yield _tenths(lambda text: show([Line("text", text)], sys.stderr))
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
    from rich.table import Column

    text = TextColumn("{task.description}", markup=False, table_column=Column(no_wrap=True, overflow="ellipsis", ratio=1))
    moving = Progress(text, BarColumn(bar_width=8), TaskProgressColumn(), console=Console(stderr=True), transient=True, expand=True)
    with moving:
        task = moving.add_task("", total=1)
        yield lambda done, of, what: moving.update(task, completed=done, total=max(of, 1), description=what)


@contextmanager
def status(plain: bool) -> Iterator[Callable[[str], None]]:
    """A step as it begins, on standard error: a moving line on a terminal that can, lines on one that cannot, else nothing."""
    if not is_terminal(sys.stderr):
        yield lambda text: None
        return
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    if plain or os.environ.get("ACCESSIBLE") or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":

        def line(text: str) -> None:
            sys.stderr.write(plain_text(f"{one_line(text, 60)} ...", encoding) + "\n")
            sys.stderr.flush()

        yield line
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, highlight=False)
    with console.status(Text("begins"), spinner="line") as moving:
        yield lambda text: moving.update(Text(plain_text(one_line(text, 60), encoding)))
