"""The plain front end: lines in, lines out. For pipes, for `--plain`, for terminals that can do no more."""

from __future__ import annotations

import io
import sys

from diagnose.report.lines import Line
from diagnose.shell.paint import is_terminal, plain_text, prompt_text, show, width_of
from diagnose.shell.session import Session

LONGEST = 100_000  # characters of one line


def run(session: Session, colour: bool) -> int:
    """Converse until the input ends. What was typed is repeated where no terminal shows it."""
    typing = is_terminal(sys.stdin)
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(
            errors="replace"
        )  # a byte that is no text is shown as such, not a reason to stop
    out = sys.stdout

    def say(lines: list[Line]) -> None:
        show(lines, out, colour)

    session.width = width_of(out)
    session.say = say
    say(session.start())
    while not session.finished:
        try:
            line = _next(session, typing)
            if line is None:
                say(session.leave())
                break
            if not typing:
                encoding = getattr(out, "encoding", None) or "utf-8"
                out.write(f"> {plain_text(line, encoding)}\n")
            session.width = width_of(out)
            say(session.handle(line))
        except KeyboardInterrupt:
            if not typing:
                raise
            out.write("\n")
            say(session.interrupted() if session.dialog is None and session.book is not None else [])
    return 0


def _next(session: Session, typing: bool) -> str | None:
    """The next line, None at the end of the input."""
    if typing:
        stream = sys.stdout if is_terminal(sys.stdout) else sys.stderr
        stream.write(prompt_text(session.prompt, getattr(stream, "encoding", None) or "utf-8"))
        stream.flush()
        session.desk.warm()
    line = sys.stdin.readline(LONGEST)
    if not line:
        return None
    return line.rstrip("\r\n")
