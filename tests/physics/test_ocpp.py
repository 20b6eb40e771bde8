"""Back-office link. Section 11 of the fact sheet on communication wiring (OCPP 1.6, 2.0.1, RFC 6455)."""

import pytest

from diagnose.physics import ocpp


@pytest.mark.parametrize(("status", "look"), [(101, "none"), (401, "station"), (404, "back-office"), (403, "back-office"),
                                          (418, "station"), (599, "back-office"), (200, "station"), (426, "station")])  # fmt: skip
def test_handshake(status, look):  # O5-O10
    assert ocpp.handshake(status).look == look
    with pytest.raises(ValueError, match="no HTTP status"):
        ocpp.handshake(42)


def test_code_tables():
    assert set(ocpp.CLOSE) == {1000, 1001, 1002, 1003, 1005, 1006, 1007, 1008, 1009, 1010, 1011, 1015}  # RFC 6455, 7.4.1
    assert ocpp.CLOSE[1006].look == "network"
    assert set(ocpp.BOOT) == {"Accepted", "Pending", "Rejected"}  # O16, O25
    sixteen = {"Available", "Preparing", "Charging", "SuspendedEVSE", "SuspendedEV", "Finishing", "Reserved", "Unavailable", "Faulted"}
    assert set(ocpp.CONNECTOR) == sixteen | {"Occupied"}  # O26, O27
    assert len(ocpp.ERROR) == 16
    assert "link" in ocpp.ERROR["PowerMeterFailure"].says
    assert "FormationViolation" in ocpp.CALL_ERRORS_16
    assert "FormatViolation" in ocpp.CALL_ERRORS_201
    assert "OccurenceConstraintViolation" in ocpp.CALL_ERRORS_16
    assert len(ocpp.CALL_ERRORS_201) == 12
    assert len(ocpp.BOOT_REASONS) == 9  # O28
    assert ocpp.CONNECTOR["SuspendedEV"].look == "vehicle"
    assert ocpp.CONNECTOR["SuspendedEVSE"].look == "station"


def test_every_look_is_known():
    known = {"station", "network", "back-office", "vehicle", "none"}
    tables = (ocpp.HANDSHAKE, ocpp.BOOT, ocpp.CLOSE, ocpp.CONNECTOR, ocpp.ERROR)
    assert {m.look for table in tables for m in table.values()} <= known
