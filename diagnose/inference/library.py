"""Loading the engine's C library.

Its storage callbacks name a function that Python 3.13 no longer exports. They are not used here, so it is
enough that the dynamic linker looks for functions only when they are called.
"""

from __future__ import annotations

import importlib
import os
import sys
from functools import cache
from typing import Protocol, cast

REINSTALL = (
    "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject "
    "pip install --force-reinstall --no-cache-dir --no-binary durable-rules durable-rules==2.0.28"
)


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


@cache
def library() -> Library:
    """The C library, loaded once. Raises RuntimeError saying what to install when it cannot be loaded."""
    flags = sys.getdlopenflags() if hasattr(sys, "getdlopenflags") else None
    try:
        if flags is not None:
            sys.setdlopenflags(os.RTLD_LAZY)
        module = importlib.import_module("durable_rules_engine")
    except ModuleNotFoundError as error:
        raise RuntimeError(
            f"the rule engine is not installed ({error}); with a C compiler at hand, run: {REINSTALL}"
        ) from error
    except ImportError as error:
        raise RuntimeError(f"the rule engine does not load ({error}); build it again: {REINSTALL}") from error
    finally:
        if flags is not None:
            sys.setdlopenflags(flags)
    return cast(Library, module)
