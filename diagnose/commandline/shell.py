"""Starting the shell: nothing that its first prompt does without is imported here."""

from __future__ import annotations

import os
import sys
from argparse import Namespace

from diagnose.shell.desk import Desk
from diagnose.shell.first import engine_line
from diagnose.shell.folders import path_of
from diagnose.shell.paint import is_terminal, wants_colour
from diagnose.shell.refusal import Refusal
from diagnose.shell.session import Options, Session


def run(words: Namespace) -> int:
    """The shell, on a terminal or in a pipe."""
    instruments: tuple[str, ...] = ()
    if words.instruments:
        from diagnose.shell.facts import instruments_in

        instruments = instruments_in(words.instruments)
    if words.record and not path_of(words.record).is_file():
        raise Refusal(f"there is no install record '{words.record}'; name a YAML file that is there")
    desk = Desk(words.store, words.rules)
    session = Session(desk, Options(words.role or "", words.record or "", words.case or "", instruments))
    try:
        if words.record:
            session.record_given()  # what is wrong with it is told before any question
        if words.case:
            desk.store.resolve(words.case)
        engine_line()
        if words.no_input:
            return _without_input(session)
        colour = wants_colour(sys.stdout, words.no_color)
        if _plain(words) or not (is_terminal(sys.stdin) and is_terminal(sys.stdout)):
            from diagnose.shell.lines import run as run_lines

            return run_lines(session, colour)
        from diagnose.shell.terminal import run as run_terminal

        try:
            return run_terminal(session, colour)
        except Exception as error:  # this class of prompt-toolkit can be imported on Windows alone
            if type(error).__name__ != "NoConsoleScreenBufferError":
                raise
            raise Refusal("this window cannot edit lines; add --plain, or use the console of Windows") from None
    finally:
        desk.close()


def _plain(words: Namespace) -> bool:
    return bool(words.plain or os.environ.get("ACCESSIBLE") or os.environ.get("TERM") == "dumb")


def _without_input(session: Session) -> int:
    """Where a stored case stands, for scripts."""
    from diagnose.shell.paint import show, width_of

    if not session.options.case:
        raise Refusal(
            "without input there is only a stored case to show; add --case ID, or use: diagnose assess FILE"
        )
    session.width = width_of(sys.stdout)
    show(session.start(), sys.stdout)
    return 0
