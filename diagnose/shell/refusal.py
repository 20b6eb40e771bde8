"""Input that cannot be used, in one line: what is wrong, and what would be right."""

from __future__ import annotations

from diagnose.source.problems import InputError, PlainError


class Refusal(PlainError):
    """One line for the person. `code` is the exit code of a command that ends with it."""

    def __init__(self, line: str, code: int = 2) -> None:
        super().__init__(line)
        self.code = code


def refused(error: InputError) -> Refusal:
    """The first problem of a file in one line, and how many more there are."""
    first, *others = error.problems
    more = f" (and {len(others)} more)" if others else ""
    return Refusal(f"{first.line()}{more}")
