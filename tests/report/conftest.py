"""The desk and sessions of the shell's tests."""

from tests.shell.conftest import begin, desk, silent, warm

__all__ = ["begin", "desk", "silent", "warm"]
