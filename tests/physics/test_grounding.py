"""Grounding against NEC Table 250.122 and IEC 60364-4-41."""

import pytest

from diagnose.physics import circuit, grounding, protection

ROWS = "15 14 12|20 12 10|60 10 8|100 8 6|200 6 4|300 4 2|400 3 1|500 2 1-0|600 1 2-0|800 1-0 3-0"


@pytest.mark.parametrize("row", ROWS.split("|"))
def test_equipment_ground(row: str) -> None:  # NEC Table 250.122
    breaker, copper, aluminum = row.split()
    assert grounding.equipment_ground(float(breaker)) == f"{copper}-awg"
    assert grounding.equipment_ground(float(breaker) - 1, "aluminum") == f"{aluminum}-awg"


def test_sizes_between_rows() -> None:
    assert grounding.equipment_ground(50) == "10-awg"
    with pytest.raises(ValueError, match="800 A"):
        grounding.equipment_ground(801)
    with pytest.raises(ValueError, match="800 A"):
        grounding.equipment_ground(0)


def test_loop() -> None:  # NEC chapter 9 Table 8: 8 AWG out, 10 AWG back, 150 ft: 0.303 ohm, 396 A at 120 V
    ohms = grounding.loop_ohms(150 * circuit.FOOT, circuit.ohms_per_km("8-awg"), circuit.ohms_per_km("10-awg"))
    assert ohms == pytest.approx(0.303, abs=0.0005)
    amps = 120 / ohms
    assert amps == pytest.approx(396, abs=1)
    assert amps / 50 == pytest.approx(7.9, abs=0.05)
    assert protection.plausible(50, amps).verdict == "must-trip-within"


def test_cold_ground_reads_less() -> None:  # NEC chapter 9 Table 8 note 2: 82 % of the table at 20 deg C
    cold = grounding.ground_path_ohms(60, "10-awg")
    assert cold == pytest.approx(0.822 * 1.24 / circuit.FOOT * 60 / 1000, rel=0.001)
