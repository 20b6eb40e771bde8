"""Dry-contact input. Section 12 of the fact sheet on communication wiring (IEC 61131-2)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import controlinput as control


@pytest.mark.parametrize(
    ("kind", "volts", "ohms"),
    [("type-1-24v", 24, 2880), ("type-1-24v", 20.4, 1728), ("type-3-24v", 24, 5200), ("type-3-24v", 20.4, 3760),
     ("opto-24v", 24, 9200), ("pull-up-3v3", 3.3, 3200), ("pull-down-3v3", 3.3, 100_000)],
)  # fmt: skip
def test_worked_maximum_loop(kind, volts, ohms):  # section 12, worked table, and section 14, dry_loop_max_ohm
    assert control.largest_loop_ohms(kind, volts) == pytest.approx(ohms, rel=1e-3)


def test_type_3_at_three_milliamps():  # section 12: 3 mA gives 3.13 kohm
    assert pytest.approx(3130, abs=4) == (20.4 - 11) / 0.003


def test_stuck_on_leaks():  # section 12, "stuck on"
    assert control.leak_keeps_on_ohms("type-3-24v") == pytest.approx(12_700, rel=3e-3)
    assert control.leak_keeps_on_ohms("pull-up-3v3") == pytest.approx(15_000, rel=0.03)


@pytest.mark.parametrize(("metres", "milliamps"), [(100, 0.72), (300, 2.17)])
def test_mains_coupling(metres, milliamps):  # section 12: 100 pF/m, 230 V, 50 Hz
    assert 1000 * control.coupled_current_a(metres, 230, 50) == pytest.approx(milliamps, abs=6e-3)


def test_filters_and_currents():  # section 12
    assert control.contact_current_a("opto-24v") == pytest.approx(10.4e-3, rel=5e-3)
    assert control.contact_current_a("type-1-24v") == pytest.approx(5e-3)
    assert control.contact_current_a("type-3-24v") == 2.5e-3
    assert pytest.approx(20.4) == 24 * control.SUPPLY_LOW
    assert pytest.approx(28.8) == 24 * control.SUPPLY_HIGH


@given(st.sampled_from(sorted(control.INPUTS)), st.floats(2.5, 30))
def test_loop_stays_below_leak(kind, volts):
    """A loop that still counts as closed is never a leak that counts as open."""
    loop, leak = control.largest_loop_ohms(kind, volts), control.leak_keeps_on_ohms(kind, volts)
    assert loop >= 0
    assert leak >= 0
    assert (loop <= leak or math.isclose(loop, leak))


@given(st.sampled_from(["type-1-24v", "type-3-24v", "opto-24v"]), st.floats(16, 28))
def test_more_supply_bears_more_loop(kind, volts):
    assert control.largest_loop_ohms(kind, volts + 1) > control.largest_loop_ohms(kind, volts)


@pytest.mark.parametrize(
    "call",
    [
        lambda: control.largest_loop_ohms("type-9"),
        lambda: control.leak_keeps_on_ohms("type-9"),
        lambda: control.coupled_current_a(-1, 230, 50),
    ],
)
def test_one_line_errors(call):
    with pytest.raises(ValueError, match=r"^[^\n]{10,110}$"):
        call()
