"""The command line: `main(argv)` returns the exit code.

0 done, 1 ran and the answer is no, 2 the input is wrong, 130 interrupted. Errors are lines on stderr, one for each mistake of a file.
"""

from __future__ import annotations

import errno
import os
import sys
from argparse import Namespace
from importlib import import_module

from diagnose.commandline.parser import parser
from diagnose.commandline.table import COMMANDS, COMPLETION, SHELL


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    _fill_streams()
    try:
        code = _run(words)
        sys.stdout.flush()
        return code
    except SystemExit as end:  # argparse, after --help
        return int(end.code or 0) if isinstance(end.code, int) or end.code is None else 2
    except KeyboardInterrupt:
        from diagnose.commandline.errors import complain

        complain("interrupted; what was saved stays saved")
        return 130
    except BrokenPipeError:
        _abandon_output()
        return 0
    except Exception as error:
        if isinstance(error, OSError) and _nobody_reads(error):
            _abandon_output()
            return 0
        from diagnose.commandline.errors import failed

        return failed(error)


def _fill_streams() -> None:
    """A standard stream that was closed before the start is None in Python: take the null device, so that output
    goes nowhere and no file of ours gets its number.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - for the whole run


def _run(words: list[str]) -> int:
    if words[:1] == ["help"]:
        words = [*words[1:], "--help"]
    if words and not words[0].startswith("-") and words[0] not in [c.name for c in COMMANDS if " " not in c.name]:
        from diagnose.commandline.errors import unknown

        raise unknown(words[0])
    found = parser().parse_args(words)
    for name in ("role", "record", "case", "instruments"):
        setattr(found, name, getattr(found, name, None))
    module, _, function = found.does.partition(":")
    if found.rules is None and not getattr(found, "folder", None) and found.does != COMPLETION:
        _rules_of_checkout(found)
    if found.does == SHELL and not found.no_input:
        from diagnose.shell.first import first_line

        first_line()
    code: int = getattr(import_module(module), function)(found)
    return code


def _rules_of_checkout(found: Namespace) -> None:
    """Inside a checkout its rules are read, also by a program that was installed with others; that is said."""
    from diagnose.knowledge.checkout import rules_here

    folder = rules_here()
    if folder is not None:
        found.rules = str(folder)
        from diagnose.commandline.errors import complain

        complain(f"reading the rules of this checkout, {folder.absolute().resolve()}, not those that came with the program; --rules says otherwise")


def _nobody_reads(error: OSError) -> bool:
    """Windows tells a reader that has gone, as of `| more`, as an invalid argument without a file."""
    return os.name == "nt" and error.errno == errno.EINVAL and not error.filename


def _abandon_output() -> None:
    """Nobody reads any more: keep the interpreter from complaining when it flushes at its end."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return
