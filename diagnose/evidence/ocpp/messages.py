"""Back-office messages in the lines of a log: found, dated, given to a station, matched by number.

The messages are JSON arrays after OCPP-J 1.6 and OCPP 2.0.1 Part 4: [2, id, action, {...}], [3, id, {...}],
[4, id, code, text, {...}]. Around them a log may have dates, levels, direction marks and station identities, and a
line may be a JSON object that holds the message as an array or as text.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, NamedTuple

from diagnose.source.problems import one_line

V16, V201 = "1.6", "2.0.1"
CALL, RESULT, ERROR = 2, 3, 4

_BOTH = (
    "Authorize BootNotification CancelReservation ChangeAvailability ClearCache ClearChargingProfile DataTransfer "
    "FirmwareStatusNotification GetCompositeSchedule GetLocalListVersion Heartbeat MeterValues ReserveNow Reset SendLocalList "
    "SetChargingProfile StatusNotification TriggerMessage UnlockConnector UpdateFirmware CertificateSigned DeleteCertificate "
    "GetInstalledCertificateIds GetLog InstallCertificate LogStatusNotification SecurityEventNotification SignCertificate"
)
ACTIONS: Mapping[str, frozenset[str]] = {
    V16: frozenset((
        _BOTH + " ChangeConfiguration DiagnosticsStatusNotification GetConfiguration GetDiagnostics RemoteStartTransaction "
        "RemoteStopTransaction StartTransaction StopTransaction ExtendedTriggerMessage SignedFirmwareStatusNotification "
        "SignedUpdateFirmware"
    ).split()),
    V201: frozenset((
        _BOTH + " ClearDisplayMessage ClearedChargingLimit ClearVariableMonitoring CostUpdated CustomerInformation "
        "Get15118EVCertificate GetBaseReport GetCertificateStatus GetChargingProfiles GetDisplayMessages GetMonitoringReport "
        "GetReport GetTransactionStatus GetVariables NotifyChargingLimit NotifyCustomerInformation NotifyDisplayMessages "
        "NotifyEVChargingNeeds NotifyEVChargingSchedule NotifyEvent NotifyMonitoringReport NotifyReport PublishFirmware "
        "PublishFirmwareStatusNotification ReportChargingProfiles RequestStartTransaction RequestStopTransaction "
        "ReservationStatusUpdate SetDisplayMessage SetMonitoringBase SetMonitoringLevel SetNetworkProfile SetVariableMonitoring "
        "SetVariables TransactionEvent UnpublishFirmware"
    ).split()),
}  # fmt: skip
"""Requests of each version (OCPP 1.6 edition 2, 4 and 5; Improved security for OCPP 1.6-J; OCPP 2.0.1 Part 2)."""
FROM_STATION = frozenset(
    [
        "Authorize", "BootNotification", "DiagnosticsStatusNotification", "FirmwareStatusNotification",
        "Heartbeat", "MeterValues", "StartTransaction", "StatusNotification", "StopTransaction",
        "LogStatusNotification", "SecurityEventNotification", "SignCertificate",
        "SignedFirmwareStatusNotification", "ClearedChargingLimit", "Get15118EVCertificate",
        "GetCertificateStatus", "NotifyChargingLimit", "NotifyCustomerInformation", "NotifyDisplayMessages",
        "NotifyEVChargingNeeds", "NotifyEVChargingSchedule", "NotifyEvent", "NotifyMonitoringReport",
        "NotifyReport", "PublishFirmwareStatusNotification", "ReportChargingProfiles",
        "ReservationStatusUpdate", "TransactionEvent",
    ]
)  # fmt: skip
"""Requests that a station sends; the others come from the back office."""

START = re.compile(r'\[\s*([2-6])\s*,\s*(\\?)"')
_ISO = re.compile(r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?\s?(Z|[+-]\d\d:?\d\d)?")
_EPOCH = re.compile(r'(?:^\W{0,3}|"(?:ts|time|timestamp|t)"\s*:\s*"?)(\d{10})(?:\.(\d{1,6})|(\d{3}))?(?!\d)')
_SENT = re.compile(r"\b(?:send|sent|sending|tx|out|outgoing|outbound)\b|->|>>|→|^\s*>", re.IGNORECASE)
_GOT = re.compile(r"\b(?:receive|received|receiving|recv|rx|in|incoming|inbound)\b|<-|<<|←|^\s*<", re.IGNORECASE)
_WHO = r"\b(?:charge[ _-]?point|charger|charging[ _-]?station|station|client|identity|cp|cs|cbid)"
_IDENTITY = (
    re.compile(r"wss?://[^\s\"'<>]{1,300}/([\w.\-*%]{1,80})(?=[\s\"'?<>,;)\]]|$)"),
    re.compile(r"GET /[^\s\"']{0,300}?([\w.\-*%]{1,80}) HTTP/1"),
    re.compile(_WHO + r"(?:[ _-]?id(?:entity)?)?\"?\s*(?:=\s*\"?|:\s*\")([\w.\-*]{1,48})", re.IGNORECASE),
    re.compile(_WHO + r"[ _-]?id(?:entity)?\s*:\s*([\w.\-*]{1,48})", re.IGNORECASE),
    re.compile(r"(?:^|[\s\[])([A-Za-z][\w.\-*]{1,47})\]? ?(?:<<|>>|<-|->|→|←)"),
    re.compile(r"(?:^|[\s:])([\w.\-*]{1,48}): (?:send|receive)\b"),
)  # fmt: skip
_NO_IDENTITY = frozenset(
    {
        "info", "debug", "warning", "warn", "trace", "error", "message", "msg", "server", "in", "out", "tx",
        "rx", "ws", "ocpp", "true", "false", "null", "none", "websocket",
    }
)
_DECODER = json.JSONDecoder(parse_constant=lambda text: None)


class Message(NamedTuple):
    """One message as found. `payload` is the request's, the reply's, or an error's details."""

    kind: int
    id: str
    action: str  # of a request; the error code of an error
    payload: Mapping[str, Any]
    text: str  # description of an error


class LineContext(NamedTuple):
    """What stands around the messages of a line. `zoned`: the time has a zone, so that it is UTC for sure."""

    time: float | None
    zoned: bool
    sent: bool | None
    identity: str


def moment(text: str) -> tuple[float, bool] | None:
    """Seconds since 1970 of the first date in a text (taken as UTC without a zone), and whether it has a zone."""
    match = _ISO.search(text)
    if match:
        year, month, day, hour, minute, second = (int(g) for g in match.groups()[:6])
        part = float(f"0.{match.group(7)}") if match.group(7) else 0.0
        zone = match.group(8)
        try:
            away = UTC if not zone or zone == "Z" else timezone(_away(zone))
            when = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=away)
            return (when - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() + part, bool(zone)
        except (ValueError, OverflowError):
            return None
    match = _EPOCH.search(text)
    if match:
        fraction = match.group(2) or match.group(3) or "0"
        return float(f"{match.group(1)}.{fraction}"), True
    return None


def _away(zone: str) -> timedelta:
    sign = -1 if zone[0] == "-" else 1
    return sign * timedelta(hours=int(zone[1:3]), minutes=int(zone[-2:]))


def context(around: str) -> LineContext:
    """What the text of a line outside its messages says."""
    around = around[:2000]
    when = moment(around)
    sent, got = _SENT.search(around), _GOT.search(around)
    direction = None
    if sent or got:
        # The mark next to the message counts: dates and module names may hold others.
        direction = bool(sent) and (not got or _last(_SENT, around) > _last(_GOT, around))
    return LineContext(when[0] if when else None, bool(when and when[1]), direction, identity(around))


def _last(pattern: re.Pattern[str], text: str) -> int:
    return max((m.start() for m in pattern.finditer(text)), default=-1)


def identity(around: str) -> str:
    """The station identity in a text, empty for none."""
    for pattern in _IDENTITY:
        match = pattern.search(around)
        if match and match.group(1).lower() not in _NO_IDENTITY and not match.group(1).startswith("ocpp1"):
            return match.group(1)
    return ""


def find(line: str) -> tuple[list[Message], list[str], str]:
    """The messages of a line, the pieces that look like one and are none, and the text around them."""
    messages: list[Message] = []
    bad: list[str] = []
    around: list[str] = []
    at = 0
    wrapped = _unwrap(line) if line.lstrip()[:1] == "{" else None
    if wrapped is not None:
        line = wrapped
    while True:
        start = START.search(line, at)
        if start is None:
            around.append(line[at:])
            return messages, bad, " ".join(around)
        around.append(line[at : start.start()])
        text, at_end = (_unescape(line, start.start()), len(line)) if start.group(2) else (line, 0)
        begin = 0 if start.group(2) else start.start()
        try:
            value, end = _DECODER.raw_decode(text, begin)
        except (ValueError, RecursionError):
            bad.append(line[start.start() : start.start() + 400])
            return messages, bad, " ".join(around)
        message = _message(value)
        if message is None:
            bad.append(text[begin : min(end, begin + 400)])
        else:
            messages.append(message)
        at = at_end or end
        if len(messages) + len(bad) >= 1000:
            return messages, bad, " ".join(around)


def _unescape(line: str, at: int) -> str:
    """Text of a message that stands inside a JSON text, its quotes escaped."""
    end = line.rfind("]") + 1
    return line[at : end or len(line)].replace('\\"', '"').replace("\\\\", "\\")


def _unwrap(line: str) -> str | None:
    """A line that is a JSON object: its short values as text, then the message it holds; None when it holds none."""
    try:
        value = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(value, dict):
        return None
    words, held = [], []
    for key, item in list(value.items())[:100]:
        if isinstance(item, list) and item and item[0] in (2, 3, 4, 5, 6):
            held.append(json.dumps(item))
        elif isinstance(item, str) and START.match(item.lstrip()):
            held.append(item)
        elif isinstance(item, (str, int, float)):
            words.append(f'"{key}": "{str(item)[:300]}"')
    return " ".join([*words, *held]) if held else None


def _message(value: Any) -> Message | None:
    if not isinstance(value, list) or len(value) < 3 or value[0] not in (CALL, RESULT, ERROR) or isinstance(value[0], bool):
        return None
    kind, number = int(value[0]), value[1]
    if not isinstance(number, str) or not number or len(number) > 255:
        return None
    if kind == CALL:
        payload = value[3] if len(value) > 3 else {}
        if isinstance(value[2], str) and isinstance(payload, dict):
            return Message(kind, number, value[2][:64], payload, "")
        return None
    if kind == RESULT:
        return Message(kind, number, "", value[2], "") if isinstance(value[2], dict) else None
    if not isinstance(value[2], str):
        return None
    text = value[3] if len(value) > 3 and isinstance(value[3], str) else ""
    details = value[4] if len(value) > 4 and isinstance(value[4], dict) else {}
    return Message(kind, number, value[2][:64], details, text[:300])


# ---- values of a payload, whatever stands there
def text(payload: Any, *path: str) -> str:
    """The text at a path made safe to print, empty for none."""
    value = _at(payload, path)
    return one_line(value, 300) if isinstance(value, str) else ""


def number(payload: Any, *path: str) -> float | None:
    """The number at a path (also one written as text, as 1.6 does for meter values); None for none."""
    value = _at(payload, path)
    if isinstance(value, str) and re.fullmatch(r"\s*-?\d{1,12}(?:\.\d{1,9})?\s*", value):
        value = float(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        known = float(value)
    except OverflowError:
        return None
    return known if math.isfinite(known) and abs(known) < 1e12 else None


def rows(payload: Any, *path: str) -> Iterator[Mapping[str, Any]]:
    """The objects of a list at a path, at most 1000."""
    value = _at(payload, path)
    if isinstance(value, dict):
        value = [value]
    for row in value[:1000] if isinstance(value, list) else []:
        if isinstance(row, dict):
            yield row


def _at(payload: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        if not isinstance(payload, dict):
            return None
        payload = payload.get(key)
    return payload


def stamp(payload: Any, *path: str) -> float | None:
    """Seconds since 1970 of the date at a path."""
    found = moment(text(payload, *path))
    return found[0] if found else None
