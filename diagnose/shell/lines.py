"""The plain front end: lines in, lines out. For pipes, for `--plain`, for terminals that can do no more."""

from __future__ import annotations

import io
import sys

from diagnose.report.lines import Line
from diagnose.shell.front import Front
from diagnose.shell.paint import is_terminal, plain_text, prompt_text, show, width_of

LONGEST = 100_000  # characters of one line


def run(front: Front, colour: bool) -> int:
    """Converse until the input ends. What was typed is repeated where no terminal shows it."""
    typing = is_terminal(sys.stdin)
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(
            errors="replace"
        )  # a byte that is no text is shown as such, not a reason to stop
    out = sys.stdout

    def say(lines: list[Line]) -> None:
        show(lines, out, colour)

    front.width = width_of(out)
    front.say = say
    say(front.start())
    while not front.finished:
        try:
            line = _next(front, typing)
            if line is None:
                say(front.leave())
                break
            if not typing:
                encoding = getattr(out, "encoding", None) or "utf-8"
                out.write(f"> {plain_text(line, encoding)}\n")
            front.width = width_of(out)
            say(front.handle(line))
        except KeyboardInterrupt:
            if not typing:
                raise
            out.write("\n")
            say(front.interrupted() if front.between else [])
    return 0


def _next(front: Front, typing: bool) -> str | None:
    """The next line, None at the end of the input."""
    if typing:
        stream = sys.stdout if is_terminal(sys.stdout) else sys.stderr
        stream.write(prompt_text(front.prompt, getattr(stream, "encoding", None) or "utf-8"))
        stream.flush()
        front.desk.warm()
    line = sys.stdin.readline(LONGEST)
    if not line:
        return None
    return line.rstrip("\r\n")
