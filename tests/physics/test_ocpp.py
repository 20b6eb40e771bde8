"""Back-office link. Section 11 of the fact sheet on communication wiring (OCPP 1.6, 2.0.1, RFC 6455)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import ocpp


def test_identity_is_encoded():  # O2 (OCPP-J 1.6, 3.1.1)
    assert ocpp.address_for("ws://depot.example/ocpp", "RDAM 123") == "ws://depot.example/ocpp/RDAM%20123"
    assert ocpp.address_for("ws://depot.example/", "a/b").endswith("/a%2Fb")
    with pytest.raises(ValueError, match="identity is empty"):
        ocpp.address_for("ws://depot.example", "")


@pytest.mark.parametrize(("identity", "bad"), [("AL1000", False), ("a:b", True), ("x" * 48, False), ("x" * 49, True), ("", True), (" A", True)])
def test_identity_limits(identity, bad):  # O3 (OCPP 2.0.1 Part 4, 3.1.1)
    assert (ocpp.identity_fault(identity) is not None) is bad


def test_basic_example():  # O11 (OCPP-J 1.6, 6.2.2)
    key = bytes(range(8)) + b"\xff" * 12
    assert ocpp.PASSWORD_BYTES[0] <= len(key) <= ocpp.PASSWORD_BYTES[1]
    assert ocpp.basic_credentials("AL1000", key) == "Basic QUwxMDAwOgABAgMEBQYH////////////////"


def test_back_off_example():  # O24 (OCPP 2.0.1 Part 4, 5.3)
    assert ocpp.back_off_s(10, 5, 7) == [10, 20, 40, 80, 160, 320, 320]


@given(st.floats(0, 100), st.integers(0, 8), st.integers(0, 30), st.floats(0, 60))
def test_back_off_never_shrinks(minimum, repeat, attempts, extra):
    waits = ocpp.back_off_s(minimum, repeat, attempts, extra)
    assert waits == sorted(waits)
    assert len(waits) == attempts
    assert all(w <= (minimum + extra) * 2**repeat for w in waits)


@pytest.mark.parametrize(("status", "look"), [(101, "none"), (401, "station"), (404, "back-office"), (403, "back-office"),
                                          (418, "station"), (599, "back-office"), (200, "station"), (426, "station")])  # fmt: skip
def test_handshake(status, look):  # O5-O10
    assert ocpp.handshake(status).look == look
    with pytest.raises(ValueError, match="no HTTP status"):
        ocpp.handshake(42)


def test_code_tables():
    assert set(ocpp.CLOSE) == {1000, 1001, 1002, 1003, 1005, 1006, 1007, 1008, 1009, 1010, 1011, 1015}  # RFC 6455, 7.4.1
    assert set(ocpp.CLOSE) > ocpp.NEVER_ON_THE_WIRE
    assert ocpp.CLOSE[1006].look == "network"
    assert set(ocpp.BOOT) == {"Accepted", "Pending", "Rejected"}  # O16, O25
    sixteen = {"Available", "Preparing", "Charging", "SuspendedEVSE", "SuspendedEV", "Finishing", "Reserved", "Unavailable", "Faulted"}
    assert set(ocpp.CONNECTOR) == sixteen | ocpp.CONNECTOR_201  # O26, O27
    assert sixteen > ocpp.INOPERATIVE
    assert sixteen > ocpp.CONNECTOR_ZERO
    assert len(ocpp.ERROR) == 16
    assert "link" in ocpp.ERROR["PowerMeterFailure"].says
    assert "FormationViolation" in ocpp.CALL_ERRORS_16
    assert "FormatViolation" in ocpp.CALL_ERRORS_201
    assert "OccurenceConstraintViolation" in ocpp.CALL_ERRORS_16
    assert len(ocpp.CALL_ERRORS_201) == 12
    assert len(ocpp.BOOT_REASONS) == 9  # O28
    assert ocpp.SUBPROTOCOLS == ("ocpp1.2", "ocpp1.5", "ocpp1.6", "ocpp2.0", "ocpp2.0.1")  # O4
    assert ocpp.CONNECTOR["SuspendedEV"].look == "vehicle"
    assert ocpp.CONNECTOR["SuspendedEVSE"].look == "station"


def test_every_look_is_known():
    known = {"station", "network", "back-office", "vehicle", "none"}
    tables = (ocpp.HANDSHAKE, ocpp.BOOT, ocpp.CLOSE, ocpp.CONNECTOR, ocpp.ERROR)
    assert {m.look for table in tables for m in table.values()} <= known
    with pytest.raises(ValueError, match="zero or above"):
        ocpp.back_off_s(-1, 1, 1)
