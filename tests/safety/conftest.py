"""The desk and sessions of the shell's tests, for whole conversations about dangers."""

from __future__ import annotations

import pytest

from diagnose.casework.assess import Assessor
from diagnose.knowledge import model as m
from diagnose.shell.desk import Desk
from tests.shell.conftest import begin, desk, silent, warm

__all__ = ["assessor", "begin", "desk", "k", "silent", "warm"]


@pytest.fixture(scope="session")
def k(warm: Desk) -> m.Knowledge:
    """The shipped rule base."""
    return warm.knowledge


@pytest.fixture(scope="session")
def assessor(warm: Desk) -> Assessor:
    """The assessor over the shipped rule base."""
    return warm.assessor
