"""The command line: `main(argv)` returns the exit code.

0 done, 1 ran and the answer is no, 2 the input is wrong, 130 interrupted. Errors are lines on stderr, one for each mistake of a file.
"""

from __future__ import annotations

import errno
import os
import sys
from argparse import Namespace
from importlib import import_module

from diagnose.commandline.parser import Wrong, parser
from diagnose.commandline.table import COMMANDS, COMPLETION, SHELL

MOST_TOLD = 20  # mistakes of a file that are told, a line each


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
        _complain("interrupted; what was saved stays saved")
        return 130
    except BrokenPipeError:
        _abandon_output()
        return 0
    except Exception as error:
        if isinstance(error, OSError) and _nobody_reads(error):
            _abandon_output()
            return 0
        return _failed(error)


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
    if words and not words[0].startswith("-") and words[0] not in [c.name for c in COMMANDS]:
        import difflib

        close = difflib.get_close_matches(words[0], [c.name for c in COMMANDS], n=1)
        hint = f"did you mean {close[0]}?" if close else "see: diagnose --help"
        raise Wrong(f"there is no command '{words[0]}'; {hint}")
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
        _complain(f"reading the rules of this checkout, {folder.absolute().resolve()}, not those that came with the program; --rules says otherwise")


def _complain(line: str) -> None:
    from diagnose.source.problems import one_line

    text = one_line(line)
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    try:
        sys.stderr.write("diagnose: " + text.encode(encoding, "replace").decode(encoding) + "\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        return


def _nobody_reads(error: OSError) -> bool:
    """Windows tells a reader that has gone, as of `| more`, as an invalid argument without a file."""
    return os.name == "nt" and error.errno == errno.EINVAL and not error.filename


def _abandon_output() -> None:
    """Nobody reads any more: keep the interpreter from complaining when it flushes at its end."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _failed(error: Exception) -> int:
    if isinstance(error, Wrong):
        _complain(str(error))
        return 2
    from diagnose.casework.store import StoreError
    from diagnose.casework.transfer import TransferError
    from diagnose.inference.library import EngineError
    from diagnose.shell.refusal import Refusal
    from diagnose.source.problems import InputError

    if isinstance(error, InputError):
        for problem in error.problems[:MOST_TOLD]:
            _complain(problem.line())
        if len(error.problems) > MOST_TOLD:
            _complain(f"and {len(error.problems) - MOST_TOLD} more")
    elif isinstance(error, Refusal):
        _complain(str(error))
        return error.code
    elif isinstance(error, (StoreError, TransferError, EngineError)):
        _complain(str(error))
    elif isinstance(error, OSError):
        name = f" ({error.filename})" if error.filename else ""
        _complain(f"{error.strerror or error}{name}; check the name and what may be written there")
    else:
        from diagnose.shell.folders import log_error

        _complain(log_error(error))
    return 2
