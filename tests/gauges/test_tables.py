"""No gauge goes untried: each stands in a table of the tests that try every record and every number."""

from __future__ import annotations

from diagnose.gauges import base, load_all
from tests.gauges import test_comms as comms
from tests.gauges import test_power as power


def test_every_gauge_stands_in_a_table() -> None:
    load_all()
    assert set(base.AUDITS) == {*power.AUDIT_TABLE, *comms.AUDITS}
    assert set(base.READINGS) == {*power.READING_TABLE, *comms.READINGS}
    assert set(base.STRENGTHS) == {*power.STRENGTH_TABLE, *comms.STRENGTHS}
