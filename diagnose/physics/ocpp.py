"""What the back-office link says when it fails: handshake, boot, close codes, connector states, error codes.

Sources: OCPP-J 1.6 and OCPP 2.0.1 Part 4 (handshake), OCPP 1.6 edition 2 (messages), Improved security for
OCPP 1.6-J (passwords, TLS), RFC 6455 (close codes), RFC 9110 (HTTP). Whose fault it is: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Meaning(NamedTuple):
    """A code's name, what it means on site, and where to look: station, network, back-office, vehicle, none."""

    name: str
    says: str
    look: str


HANDSHAKE: Mapping[int, Meaning] = {
    101: Meaning("switching protocols", "accepted; the chosen version comes back in the reply", "none"),
    301: Meaning("moved permanently", "the address in the station is old; many stations do not follow", "station"),
    302: Meaning("found", "redirected; many stations do not follow", "station"),
    400: Meaning("bad request", "the upgrade was not understood; a proxy or a wrong port", "network"),
    401: Meaning("unauthorized", "user or password missing or wrong", "station"),
    403: Meaning("forbidden", "understood and refused: identity blocked, firewall, or wrong path", "back-office"),
    404: Meaning("not found", "the server does not know this station identity", "back-office"),
    426: Meaning("upgrade required", "plain HTTP reached a server that wants a WebSocket", "station"),
    500: Meaning("server error", "the server itself failed", "back-office"),
    502: Meaning("bad gateway", "a proxy could not reach the server", "back-office"),
    503: Meaning("service unavailable", "the server is down or overloaded", "back-office"),
    504: Meaning("gateway time-out", "a proxy waited in vain for the server", "back-office"),
}
"""HTTP statuses at the handshake (101, 404: OCPP-J 1.6, 3.2; 401: Improved security; others RFC 9110)."""

BOOT: Mapping[str, Meaning] = {
    "Accepted": Meaning("accepted", "in service; the interval is the heartbeat, the clock is set from the reply", "none"),
    "Pending": Meaning("pending", "the back office wants to set it up first; no remote start until then", "back-office"),
    "Rejected": Meaning("rejected", "not enrolled or blocked; asks again after the interval", "back-office"),
}
"""Boot notification statuses (OCPP 1.6 edition 2, 4.2)."""

CLOSE: Mapping[int, Meaning] = {
    1000: Meaning("normal", "closed on purpose", "none"),
    1001: Meaning("going away", "the server restarts or the station does", "back-office"),
    1002: Meaning("protocol error", "one side broke the WebSocket rules", "station"),
    1003: Meaning("unsupported data", "a kind of data the other does not take", "station"),
    1005: Meaning("no status", "closed without a reason", "back-office"),
    1006: Meaning("abnormal", "no close frame: time-out in the network, radio, cable or power", "network"),
    1007: Meaning("bad text", "text was not valid UTF-8", "station"),
    1008: Meaning("policy", "refused by policy, often the password", "back-office"),
    1009: Meaning("too big", "a message was too large", "station"),
    1010: Meaning("extension missing", "the client wanted an extension that the server lacks", "station"),
    1011: Meaning("server error", "the server failed", "back-office"),
    1015: Meaning("TLS failure", "no secure connection: certificate, clock or version", "station"),
}
"""WebSocket close codes (RFC 6455, 7.4.1)."""

CONNECTOR: Mapping[str, Meaning] = {
    "Available": Meaning("available", "free", "none"),
    "Preparing": Meaning("preparing", "plugged or authorized, the other still missing", "vehicle"),
    "Charging": Meaning("charging", "energy flows", "none"),
    "SuspendedEVSE": Meaning(
        "held by the station", "station offers no energy: limit, authorization, load sharing or enable input", "station"
    ),
    "SuspendedEV": Meaning("held by the vehicle", "station offers energy, the vehicle takes none", "vehicle"),
    "Finishing": Meaning("finishing", "session over, still plugged", "vehicle"),
    "Reserved": Meaning("reserved", "kept for someone", "back-office"),
    "Unavailable": Meaning("unavailable", "taken out of service, locally or by the back office", "back-office"),
    "Faulted": Meaning("faulted", "the station has found a fault; see its error code", "station"),
    "Occupied": Meaning("occupied", "in use (OCPP 2.0.1 has one word for all uses)", "none"),
}
"""Connector states (OCPP 1.6 edition 2, 7.7; Occupied: OCPP 2.0.1 Part 2)."""

ERROR: Mapping[str, Meaning] = {
    "ConnectorLockFailure": Meaning("connector lock", "the plug's lock does not close or open", "station"),
    "EVCommunicationError": Meaning("vehicle signal", "pilot signal to the vehicle wrong; never a fault state", "vehicle"),
    "GroundFailure": Meaning("ground fault", "the residual-current device has operated", "station"),
    "HighTemperature": Meaning("too hot", "temperature inside too high", "station"),
    "InternalError": Meaning("internal", "hardware or software error in the station", "station"),
    "LocalListConflict": Meaning("list conflict", "local list and back office disagree about a card", "back-office"),
    "NoError": Meaning("no error", "nothing to report", "none"),
    "OtherError": Meaning("other", "see the maker's own error code", "station"),
    "OverCurrentFailure": Meaning("over-current", "the over-current protection has tripped", "station"),
    "OverVoltage": Meaning("voltage too high", "supply above the limit", "station"),
    "PowerMeterFailure": Meaning("meter not readable", "often the link to the meter rather than the meter", "station"),
    "PowerSwitchFailure": Meaning("contactor", "the contactor does not follow its command", "station"),
    "ReaderFailure": Meaning("card reader", "the reader does not answer", "station"),
    "ResetFailure": Meaning("reset failed", "the station could not restart", "station"),
    "UnderVoltage": Meaning("voltage too low", "supply below the limit", "station"),
    "WeakSignal": Meaning("weak radio signal", "the modem's signal is poor", "network"),
}
"""Error codes of status notifications (OCPP 1.6 edition 2, 7.6)."""

CALL_ERRORS_16 = (
    "NotImplemented",
    "NotSupported",
    "InternalError",
    "ProtocolError",
    "SecurityError",
    "FormationViolation",
    "PropertyConstraintViolation",
    "OccurenceConstraintViolation",
    "TypeConstraintViolation",
    "GenericError",
)
"""Error replies, spelt as printed (OCPP-J 1.6, table 7)."""
CALL_ERRORS_201 = (
    "FormatViolation",
    "GenericError",
    "InternalError",
    "MessageTypeNotSupported",
    "NotImplemented",
    "NotSupported",
    "OccurrenceConstraintViolation",
    "PropertyConstraintViolation",
    "ProtocolError",
    "RpcFrameworkError",
    "SecurityError",
    "TypeConstraintViolation",
)
"""Error replies (OCPP 2.0.1 Part 4, table 8)."""

BOOT_REASONS: Mapping[str, str] = {
    "ApplicationReset": "the software restarted itself",
    "FirmwareUpdate": "new firmware",
    "LocalReset": "reset on site",
    "PowerUp": "power came back; if it repeats, look at the supply",
    "RemoteReset": "reset by the back office",
    "ScheduledReset": "planned reset",
    "Triggered": "asked for by the back office",
    "Unknown": "unknown",
    "Watchdog": "the station hung; if it repeats, firmware or supply",
}
"""Boot reasons (OCPP 2.0.1 Part 2); the hints are common practice, no source."""


def handshake(status: int) -> Meaning:
    """What an HTTP status at the handshake means, also for one that is not in the table.

    Errors: ValueError for what is no HTTP status. Source: as `HANDSHAKE`.
    """
    if status in HANDSHAKE:
        return HANDSHAKE[status]
    if not 100 <= status <= 599:
        raise ValueError(f"{status} is no HTTP status; it must be 100 to 599")
    look, says = {
        1: ("network", "a proxy answers instead of the server"),
        2: ("station", "an ordinary web page answered: wrong path or port"),
        3: ("station", "redirected; many stations do not follow"),
        4: ("station", "the server refuses the request"),
        5: ("back-office", "the server or a proxy failed"),
    }[status // 100]
    return Meaning(f"status {status}", says, look)


