"""Which source belongs to which tests, in one table."""

from __future__ import annotations

from typing import NamedTuple


class Room(NamedTuple):
    """A room: its sources, and the tests that are to notice a change of them (files, or folders of files)."""

    name: str
    sources: tuple[str, ...]
    tests: tuple[str, ...]


_ROWS = [
    ("relations", "diagnose/site/relations.py", "tests/belief/test_relations.py"),
    (
        "belief", "diagnose/belief/posterior.py diagnose/belief/steps.py diagnose/belief/tables.py",
        "tests/belief tests/docs/test_figures.py",
    ),
    (
        "gate", "diagnose/casework/gate.py",
        "tests/casework/test_gate.py tests/drill/test_gating.py",
    ),
    (
        "proof", "diagnose/casework/proof.py diagnose/casework/suspects.py diagnose/casework/concluded.py",
        "tests/casework/test_proof.py tests/casework/test_suspects.py tests/casework/test_concluded.py tests/docs/test_figures.py",
    ),
    ("serial", "diagnose/evidence/serial", "tests/evidence/test_serial_capture.py tests/evidence/test_thresholds_serial.py"),
    ("meter", "diagnose/evidence/meter", "tests/evidence/test_meter_log.py tests/evidence/test_thresholds_meter.py"),
]  # fmt: skip
ROOMS = {name: Room(name, tuple(sources.split()), tuple(tests.split())) for name, sources, tests in _ROWS}
