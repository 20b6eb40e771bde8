"""Starting the shell: nothing that its first prompt does without is imported here."""

from __future__ import annotations

import os
import sys
from argparse import Namespace

from diagnose.shell.desk import Desk, Options, instruments_in
from diagnose.shell.first import engine_line
from diagnose.shell.folders import path_of
from diagnose.shell.front import Front
from diagnose.shell.lines import run as run_lines
from diagnose.shell.paint import is_terminal, show, wants_colour, width_of
from diagnose.shell.refusal import Refusal


def run(words: Namespace) -> int:
    """The shell, on a terminal or in a pipe."""
    instruments: tuple[str, ...] = ()
    if words.instruments:
        instruments = instruments_in(words.instruments)
    if words.record and not path_of(words.record).is_file():
        raise Refusal(f"there is no install record '{words.record}'; name a YAML file that is there")
    desk = Desk(words.store, words.rules)
    options = Options(role=words.role or "", record=words.record or "", case=words.case or "", instruments=instruments)
    front = Front(desk, options, width_of(sys.stdout))
    try:
        if words.record:
            from diagnose.shell.records import read_record

            read_record(words.record, desk.knowledge)  # what is wrong with it is told before any question
        if words.case:
            desk.store.resolve(words.case)
        engine_line()
        if words.no_input:
            return _without_input(front)
        colour = wants_colour(sys.stdout, words.no_color)
        if _plain(words) or not (is_terminal(sys.stdin) and is_terminal(sys.stdout)):
            return run_lines(front, colour)
        from diagnose.shell.terminal import run as run_terminal

        try:
            return run_terminal(front, colour)
        except Exception as error:  # this class of prompt-toolkit can be imported on Windows alone
            if type(error).__name__ != "NoConsoleScreenBufferError":
                raise
            raise Refusal("this window cannot edit lines; add --plain, or use the console of Windows") from None
    finally:
        desk.close()


def _plain(words: Namespace) -> bool:
    return bool(words.plain or os.environ.get("ACCESSIBLE") or os.environ.get("TERM") == "dumb")


def _without_input(front: Front) -> int:
    """Where a stored case stands, for scripts."""
    if not front.options.case:
        raise Refusal(
            "without input there is only a stored case to show; add --case ID, or use: diagnose assess FILE"
        )
    show(front.start(), sys.stdout)
    return 0
