"""Loading the engine's C library.

Everything that it names is looked for at once: a library in which something is missing is refused here, where
the plain matcher can still take over, instead of ending the program at the first call.
"""

from __future__ import annotations

import importlib
import os
import shlex
import sys
from functools import cache
from typing import Protocol, cast

from diagnose.source.problems import PlainError, one_line

RELEASE = "2.0.28"
# Python 3.13 no longer has the function on the left, and new compilers refuse what they do not know.
FLAG = "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject"


class EngineError(PlainError, RuntimeError):
    """The rule engine cannot be used. One line: what is wrong, and what would be right."""


class Library(Protocol):
    """The part of `durable_rules_engine` that is used."""

    def create_ruleset(self, name: str, definition: str, /) -> int: ...

    def delete_ruleset(self, ruleset: int, /) -> None: ...

    def assert_fact(self, ruleset: int, fact: str, /) -> tuple[int, int]:
        """Returns a code (0 stored, 1 no rule looks at it, 2 its id was seen before) and the state."""

    def start_action_for_state(self, ruleset: int, state: int, /) -> tuple[str, str] | None:
        """Returns the state and the next firing, `{rule: {alias: fact}}`, as JSON."""

    def complete_and_start_action(self, ruleset: int, state: int, /) -> str | None:
        """Ends a firing; returns the next one."""

    def delete_state(self, ruleset: int, sid: str, /) -> None:
        """Crashes the interpreter when nothing ever fired in the state."""


USED = tuple(name for name in vars(Library) if not name.startswith("_"))


@cache
def library() -> Library:
    """The C library, loaded once. Raises EngineError saying how to build it when it cannot be loaded."""
    flags = sys.getdlopenflags() if hasattr(sys, "getdlopenflags") else None
    try:
        if flags is not None:
            sys.setdlopenflags(os.RTLD_NOW)
        module = importlib.import_module("durable_rules_engine")
    except ModuleNotFoundError as error:
        if error.name not in (None, "durable_rules_engine"):
            raise EngineError(f"the rule engine does not load ({_short(error)}); {how_to_build()}") from error
        raise EngineError(f"the rule engine durable-rules is not installed; {how_to_build()}") from error
    except Exception as error:  # whatever a broken library raises
        raise EngineError(f"the rule engine does not load ({_short(error)}); {how_to_build()}") from error
    finally:
        if flags is not None:
            sys.setdlopenflags(flags)
    missing = [name for name in USED if not callable(getattr(module, name, None))]
    if missing:
        raise EngineError(f"the rule engine does not load (it has no {', '.join(missing)}); {how_to_build()}")
    return cast(Library, module)


def how_to_build() -> str:
    """What brings the engine, in a few words."""
    if sys.platform == "win32":
        return "it is not built for Windows"
    python = shlex.quote(sys.executable or "python3")
    command = f"{FLAG} {python} -m pip install --force-reinstall --no-cache-dir durable-rules=={RELEASE}"
    return f"with a C compiler this builds it: {command}"


def _short(error: Exception) -> str:
    text = str(error) or type(error).__name__
    path = getattr(error, "path", None)
    if path:  # the folder is long, and what is missing stands at the end
        text = text.replace(os.path.join(os.path.dirname(path), ""), "")
    return one_line(text, 160)
