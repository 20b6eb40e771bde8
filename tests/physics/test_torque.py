"""Torque against NEC Annex I and, for the units, against pint."""

import pint
import pytest

from diagnose.physics import torque

UNITS = {"N·m": "newton * meter", "lbf·in": "force_pound * inch", "lbf·ft": "force_pound * foot",
         "kgf·cm": "force_kilogram * centimeter"}
ureg = pint.UnitRegistry()


@pytest.mark.parametrize(("applied", "wanted", "verdict"), [
    (4, 4, "right"), (4.4, 4, "right"), (3.6, 4, "right"), (3.5, 4, "low"), (5, 4, "high"),
    (48, 4, "wrong-unit"), (4 / 12, 4, "wrong-unit"),  # lbf·ft set for lbf·in, and the reverse
    (35.4, 4, "wrong-unit"), (0.452, 4, "wrong-unit"),  # N·m set for lbf·in, and the reverse
    (0, 4, "low"), (4 * 10.3, 4, "high"), (400, 4, "high")])
def test_judge(applied: float, wanted: float, verdict: str) -> None:
    assert torque.judge(applied, wanted) == verdict


def test_mistaken_units_are_named() -> None:
    assert torque.mistaken_units(48, 4) == "lbf·in and lbf·ft"
    assert torque.mistaken_units(4, 35.4) == "N·m and lbf·in"
    assert torque.mistaken_units(4, 5) is None
    with pytest.raises(ValueError, match="above 0"):
        torque.mistaken_units(4, 0)


# NEC Annex I, column B, lbf·in and the printed N·m: narrow slot, wide slot, split-bolt, other connector
ROWS = [("10-awg", 20, 2.3, 35, 4.0, 80, 9.0, 75, 8.5), ("8-awg", 25, 2.8, 40, 4.5, 80, 9.0, 75, 8.5),
        ("6-awg", 35, 4.0, 45, 5.1, 165, 18.6, 110, 12.4), ("4-awg", 35, 4.0, 45, 5.1, 165, 18.6, 110, 12.4),
        ("3-awg", 35, 4.0, 50, 5.6, 275, 31.1, 150, 16.9), ("2-awg", 40, 4.5, 50, 5.6, 275, 31.1, 150, 16.9),
        ("1-awg", None, None, 50, 5.6, 275, 31.1, 150, 16.9), ("1-0-awg", None, None, 50, 5.6, 385, 43.5, 180, 20.3),
        ("4-0-awg", None, None, 50, 5.6, 500, 56.5, 250, 28.2)]


