"""Logs of back-office messages: read whole, every state right, and the true fault first."""

from __future__ import annotations

import dataclasses
import inspect
import io
import json
import random
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from diagnose.evidence.ocpp.messages import ACTIONS, FROM_STATION
from diagnose.evidence.ocpp.reader import read_ocpp_log
from diagnose.evidence.reader import Asked, recognise
from diagnose.evidence.report import Report
from tests.evidence.network_help import CELLULAR, ETHERNET, answers, first, harmless, patience, site, torture
from tests.evidence.ocpp_help import MODULES, Logs, now, refused, talk

FULL = ETHERNET
START = 1_900_000_000.0


def read(data: bytes | str, name: str = "log.txt", uplink: str = ETHERNET) -> Report:
    report = read_ocpp_log(io.BytesIO(data if isinstance(data, bytes) else data.encode()), Asked(name, site(uplink)))
    harmless(report)
    return report


def station(report: Report, identity: str = "LARCH-1") -> dict[str, Any]:
    found: dict[str, Any] = report.figures["stations"][identity]
    return found


def test_the_tables_of_requests_are_complete() -> None:
    for version, module in MODULES.items():
        theirs = {
            n
            for n, c in inspect.getmembers(module.call, inspect.isclass)
            if dataclasses.is_dataclass(c) and c.__module__ == module.call.__name__
        }
        assert theirs - ACTIONS[version] == set()
        assert ACTIONS[version] - theirs == set()
        assert ACTIONS["1.6"] | ACTIONS["2.0.1"] >= FROM_STATION


# ---- 1.6
OFFICE_16: dict[str, Any] = {
    "BootNotification": lambda g: {"current_time": now(), "interval": 300, "status": "Accepted"},
    "Heartbeat": lambda g: {"current_time": now()},
    "StatusNotification": {}, "MeterValues": {}, "FirmwareStatusNotification": {}, "DiagnosticsStatusNotification": {},
    "Authorize": {"id_tag_info": {"status": "Accepted"}}, "DataTransfer": {"status": "Accepted"},
    "StartTransaction": {"transaction_id": 71, "id_tag_info": {"status": "Accepted"}}, "StopTransaction": {"id_tag_info": {"status": "Accepted"}},
}  # fmt: skip
STATION_16: dict[str, Any] = {
    "ChangeAvailability": {"status": "Accepted"}, "ChangeConfiguration": {"status": "Accepted"}, "ClearCache": {"status": "Accepted"},
    "GetConfiguration": {"configuration_key": [{"key": "WebSocketPingInterval", "readonly": False, "value": "0"}]},
    "GetLocalListVersion": {"list_version": 3}, "SendLocalList": {"status": "Accepted"}, "RemoteStartTransaction": {"status": "Accepted"},
    "RemoteStopTransaction": {"status": "Accepted"}, "Reset": {"status": "Accepted"}, "ReserveNow": {"status": "Accepted"},
    "CancelReservation": {"status": "Accepted"}, "SetChargingProfile": {"status": "Accepted"}, "ClearChargingProfile": {"status": "Accepted"},
    "GetCompositeSchedule": {"status": "Rejected"}, "TriggerMessage": {"status": "Accepted"}, "UpdateFirmware": {}, "GetDiagnostics": {},
}  # fmt: skip
BOOT_16 = ("station", "BootNotification", {"charge_point_model": "Model", "charge_point_vendor": "Maker", "charge_point_serial_number": "0001"})


def status_16(connector: int, status: str, error: str = "NoError", away_s: float = 0.0) -> tuple[str, str, dict[str, Any]]:
    return ("station", "StatusNotification", {"connector_id": connector, "status": status, "error_code": error, "timestamp": lambda: now(away_s)})


def profile_16(limit: float, unit: str = "A") -> tuple[str, str, dict[str, Any]]:
    schedule = {"charging_rate_unit": unit, "start_schedule": now(-60), "charging_schedule_period": [{"start_period": 0, "limit": limit}]}
    return ("office", "SetChargingProfile", {"connector_id": 1, "cs_charging_profiles": {
        "charging_profile_id": 9, "stack_level": 0, "charging_profile_purpose": "TxDefaultProfile",
        "charging_profile_kind": "Absolute", "charging_schedule": schedule}})  # fmt: skip


def meter_16(*values: int) -> list[tuple[str, str, dict[str, Any]]]:
    return [("station", "MeterValues", {"connector_id": 1, "transaction_id": 71, "meter_value": [{"timestamp": now(), "sampled_value": [
        {"value": str(v), "measurand": "Energy.Active.Import.Register", "unit": "Wh"},
        {"value": "230.5", "measurand": "Voltage", "unit": "V"}]}]}) for v in values]  # fmt: skip


SCRIPT_16: list[tuple[str, str, dict[str, Any]]] = [
    BOOT_16, status_16(0, "Available"), status_16(1, "Available"), status_16(2, "Available"), ("station", "Heartbeat", {}),
    ("office", "GetConfiguration", {"key": ["WebSocketPingInterval"]}),
    ("office", "ChangeConfiguration", {"key": "HeartbeatInterval", "value": "300"}),
    ("office", "SendLocalList", {"list_version": 4, "update_type": "Full"}), ("office", "GetLocalListVersion", {}),
    ("station", "Authorize", {"id_tag": "0A0B0C0D"}), status_16(1, "Preparing"),
    ("station", "StartTransaction", {"connector_id": 1, "id_tag": "0A0B0C0D", "meter_start": 1000, "timestamp": now()}),
    status_16(1, "Charging"), *meter_16(1500, 2600, 3700), profile_16(10),
    ("office", "GetCompositeSchedule", {"connector_id": 1, "duration": 600}),
    (
        "office", "ReserveNow",
        {"connector_id": 2, "expiry_date": now(3600), "id_tag": "A", "reservation_id": 5},
    ),
    status_16(2, "Reserved"), ("office", "CancelReservation", {"reservation_id": 5}), status_16(2, "Available"),
    ("office", "ChangeAvailability", {"connector_id": 2, "type": "Inoperative"}), status_16(2, "Unavailable"),
    ("station", "FirmwareStatusNotification", {"status": "Installed"}), ("station", "DiagnosticsStatusNotification", {"status": "Uploaded"}),
    ("station", "DataTransfer", {"vendor_id": "org.example", "data": "[2, \"not a message\", escaped [[ \" ]"}),
    status_16(1, "SuspendedEV"), ("station", "StopTransaction", {"meter_stop": 9000, "timestamp": now(), "transaction_id": 71, "reason": "Local"}),
    status_16(1, "Faulted", "GroundFailure"), ("office", "TriggerMessage", {"requested_message": "Heartbeat"}),
    ("office", "ClearCache", {}), ("office", "GetDiagnostics", {"location": "ftp://x.example/"}),
    ("office", "UpdateFirmware", {"location": "ftp://x.example/", "retrieve_date": now()}),
    ("office", "UnlockConnector", {"connector_id": 1}),  # no handler at the station: an error reply
]  # fmt: skip


@cache
def whole_16() -> Logs:
    return talk("1.6", SCRIPT_16, OFFICE_16, STATION_16)


def count_messages(data: bytes) -> tuple[int, int]:
    """Lines with a message, and others."""
    lines = [line for line in data.decode().split("\n") if line.strip()]
    good = [line for line in lines if re.search(r": (?:send|receive message) \[[234],", line)]
    return len(good), len(lines) - len(good)


@pytest.mark.parametrize("side", ["station", "office", "both"])
def test_a_16_log_is_read_whole_and_every_state_is_right(side: str) -> None:
    data = getattr(whole_16(), side)
    report = read(data)
    good, others = count_messages(data)
    assert good == 2 * len(SCRIPT_16) * (2 if side == "both" else 1)
    assert (report.understood, report.not_understood) == (good, others)
    assert not any("[2," in s or "[3," in s or "[4," in s for s in report.samples)
    assert (report.figures["without_request"], report.figures["without_answer"]) == (0, 0)
    assert report.figures["twice"] == (good // 2 if side == "both" else 0)
    f = station(report)
    assert f["version"] == "1.6"
    assert [b["status"] for b in f["boots"]] == ["Accepted"]
    assert f["heartbeat"] == {"interval_s": 300, "gaps": 0, "longest_gap_s": None}
    rows = {k: (c["status"], c["error"], c["changes"], c["operative"], c["reserved"], c["limit_a"]) for k, c in f["connectors"].items()}
    assert rows == {
        "0": ("Available", "NoError", 1, None, False, None), "1": ("Faulted", "GroundFailure", 5, None, False, 10.0),
        "2": ("Unavailable", "NoError", 4, False, False, None),
    }  # fmt: skip
    assert f["authorizations"] == {"Accepted": 2}
    assert [(s["connector"], s["id"], s["energy_wh"], s["reason"]) for s in f["sessions"]] == [("1", "71", 8000.0, "Local")]
    assert (f["running"], f["firmware"], f["volts"]) == ([], "Installed", [230.5, 230.5])
    assert f["error_replies"] == {"UnlockConnector: NotImplemented": 1}
    assert abs(f["clock_offset_s"]) < 5
    got = {(t.check, t.at): t.answer for t in report.taken}
    assert got == {
        ("boot-answer", "unit 1"): "accepted", ("connector-status", "unit 1"): "faulted", ("reported-error-code", "unit 1"): "ground-failure",
        ("connector-status", "unit 2"): "unavailable", ("reported-error-code", "unit 2"): "no-error", ("authorization", "unit 1"): "accepted",
        ("refusal-record", "unit 1"): "accepted-or-none", ("session-ends", "unit 1"): "ended-by-car", ("firmware-record", "unit 1"): "idle",
        ("availability-record", "unit 2"): "set-unavailable", ("card-list-version", "unit 1"): "same", ("profile-record", "unit 1"): "lower",
        ("meter-while-charging", "unit 1"): "live-values",
        ("clock-read", "uplink 1"): got["clock-read", "uplink 1"],
        ("ping-setting", "uplink 1"): "off-or-long",
    }  # fmt: skip


# ---- 2.0.1
OFFICE_201: dict[str, Any] = {
    "BootNotification": lambda g: {"current_time": now(), "interval": 300, "status": "Accepted"},
    "Heartbeat": lambda g: {"current_time": now()},
    "StatusNotification": {}, "MeterValues": {}, "FirmwareStatusNotification": {}, "NotifyEvent": {},
    "NotifyReport": {}, "SecurityEventNotification": {},
    "Authorize": {"id_token_info": {"status": "Accepted"}}, "TransactionEvent": {"id_token_info": {"status": "Accepted"}}, "NotifyChargingLimit": {},
}  # fmt: skip
STATION_201: dict[str, Any] = {
    "ChangeAvailability": {"status": "Accepted"},
    "SetVariables": {
        "set_variable_result": [
            {
                "attribute_status": "Accepted", "component": {"name": "OCPPCommCtrlr"},
                "variable": {"name": "HeartbeatInterval"},
            }
        ]
    },
    "GetVariables": {
        "get_variable_result": [
            {
                "attribute_status": "Accepted", "attribute_value": "0",
                "component": {"name": "OCPPCommCtrlr"}, "variable": {"name": "WebSocketPingInterval"},
            }
        ]
    },
    "ReserveNow": {"status": "Accepted"}, "CancelReservation": {"status": "Accepted"},
    "SetChargingProfile": {"status": "Accepted"}, "RequestStartTransaction": {"status": "Accepted"},
    "RequestStopTransaction": {"status": "Accepted"}, "SendLocalList": {"status": "Accepted"},
    "GetBaseReport": {"status": "Accepted"}, "TriggerMessage": {"status": "Accepted"},
    "GetCompositeSchedule": {"status": "Rejected"}, "Reset": {"status": "Accepted"},
}  # fmt: skip
BOOT_201 = (
    "station", "BootNotification",
    {
        "charging_station": {"model": "Model", "vendor_name": "Maker", "serial_number": "0001"},
        "reason": "PowerUp",
    },
)


def status_201(evse: int, status: str, connector: int = 1) -> tuple[str, str, dict[str, Any]]:
    return ("station", "StatusNotification", {"timestamp": now, "connector_status": status, "evse_id": evse, "connector_id": connector})


def event(kind: str, seq: int, state: str, wh: float, reason: str | None = None, ident: str = "tx-1", **more: Any) -> tuple[str, str, dict[str, Any]]:
    info = {"transaction_id": ident, "charging_state": state, **({"stopped_reason": reason} if reason else {})}
    return ("station", "TransactionEvent", {
        "event_type": kind, "timestamp": now, "trigger_reason": "MeterValuePeriodic", "seq_no": seq,
        "transaction_info": info, "evse": {"id": 1, "connector_id": 1},
        "meter_value": [
            {
                "timestamp": now(),
                "sampled_value": [
                    {
                        "value": wh / 1000, "measurand": "Energy.Active.Import.Register",
                        "unit_of_measure": {"unit": "kWh"},
                    }
                ],
            }
        ],
        **more})  # fmt: skip


def alarm(component: str, variable: str = "Problem") -> tuple[str, str, dict[str, Any]]:
    data = {"event_id": 1, "timestamp": now(), "trigger": "Alerting", "actual_value": "true", "event_notification_type": "HardWiredNotification",
            "component": {"name": component, "evse": {"id": 1, "connector_id": 1}}, "variable": {"name": variable}}  # fmt: skip
    return ("station", "NotifyEvent", {"generated_at": now(), "seq_no": 0, "event_data": [data]})


def profile_201(limit: float) -> tuple[str, str, dict[str, Any]]:
    schedule = {"id": 1, "charging_rate_unit": "A", "start_schedule": now(-60), "charging_schedule_period": [{"start_period": 0, "limit": limit}]}
    return (
        "office", "SetChargingProfile",
        {
            "evse_id": 1,
            "charging_profile": {
                "id": 9, "stack_level": 0, "charging_profile_purpose": "TxDefaultProfile",
                "charging_profile_kind": "Absolute", "charging_schedule": [schedule],
            },
        },
    )


SCRIPT_201: list[tuple[str, str, dict[str, Any]]] = [
    BOOT_201, status_201(1, "Available"), status_201(2, "Available"), ("station", "Heartbeat", {}),
    ("office", "GetVariables", {"get_variable_data": [{"component": {"name": "OCPPCommCtrlr"}, "variable": {"name": "WebSocketPingInterval"}}]}),
    (
        "office", "SetVariables",
        {
            "set_variable_data": [
                {
                    "attribute_value": "300", "component": {"name": "OCPPCommCtrlr"},
                    "variable": {"name": "HeartbeatInterval"},
                }
            ]
        },
    ),
    ("office", "GetBaseReport", {"request_id": 1, "report_base": "FullInventory"}),
    ("station", "NotifyReport", {"request_id": 1, "generated_at": now(), "seq_no": 0}),
    ("station", "Authorize", {"id_token": {"id_token": "0A0B0C0D", "type": "ISO14443"}}), status_201(1, "Occupied"),
    event("Started", 0, "EVConnected", 1000, id_token={"id_token": "0A0B0C0D", "type": "ISO14443"}),
    event("Updated", 1, "Charging", 2000), event("Updated", 2, "Charging", 3000), event("Updated", 3, "Charging", 4000), profile_201(8),
    (
        "office", "ReserveNow",
        {
            "id": 5, "expiry_date_time": now(3600), "id_token": {"id_token": "A", "type": "Central"},
            "evse_id": 2,
        },
    ),
    status_201(2, "Reserved"),
    ("office", "ChangeAvailability", {"operational_status": "Inoperative", "evse": {"id": 1, "connector_id": 1}}),
    event("Updated", 4, "SuspendedEVSE", 4500), event("Ended", 5, "Idle", 5000, "StoppedByEV"), status_201(1, "Unavailable"),
    ("station", "FirmwareStatusNotification", {"status": "Installing"}), alarm("PowerContactor"),
    ("station", "SecurityEventNotification", {"type": "SettingSystemTime", "timestamp": now()}),
    event("Started", 0, "Charging", 5000, None, "tx-2"), event("Updated", 1, "Charging", 6000, None, "tx-2"),
    ("office", "UnlockConnector", {"evse_id": 1, "connector_id": 1}),  # no handler at the station: an error reply
]  # fmt: skip


@cache
def whole_201() -> Logs:
    return talk("2.0.1", SCRIPT_201, OFFICE_201, STATION_201)


@pytest.mark.parametrize("side", ["station", "office", "both"])
def test_a_201_log_is_read_whole_and_every_state_is_right(side: str) -> None:
    data = getattr(whole_201(), side)
    report = read(data)
    good, others = count_messages(data)
    assert good == 2 * len(SCRIPT_201) * (2 if side == "both" else 1)
    assert (report.understood, report.not_understood) == (good, others)
    assert (report.figures["without_request"], report.figures["without_answer"]) == (0, 0)
    f = station(report)
    assert f["version"] == "2.0.1"
    rows = {
        k: (
            c["status"], c["charging"], c["changes"], c["operative"], c["reserved"], c["limit_a"],
            c["last_error"],
        )
        for k, c in f["connectors"].items()
    }
    assert rows == {
        "1.1": ("Unavailable", "Charging", 3, False, False, 8.0, "PowerSwitchFailure"),
        "2.1": ("Reserved", None, 2, None, True, None, None),
    }
    assert f["authorizations"] == {"Accepted": 9}
    assert [(s["connector"], s["id"], s["energy_wh"], s["reason"]) for s in f["sessions"]] == [("1.1", "tx-1", 4000.0, "StoppedByEV")]
    assert (f["running"], f["firmware"]) == (["tx-2"], "Installing")
    assert f["boots"][0]["reason"] == "PowerUp"
    assert f["error_replies"] == {"UnlockConnector: NotImplemented": 1}
    got = {(t.check, t.at): t.answer for t in report.taken}
    assert got["connector-status", "unit 1"] == "unavailable"
    assert got["connector-status", "unit 2"] == "reserved"
    assert got["availability-record", "unit 2"] == "reserved"
    assert got["reported-error-code", "unit 1"] == "power-switch"
    assert got["profile-record", "unit 1"] == "lower"
    assert got["session-ends", "unit 1"] == "ended-by-car"
    assert got["firmware-record", "unit 1"] == "running"
    assert got["meter-while-charging", "unit 1"] == "live-values"


# ---- faults
NO_CARD_16 = {**OFFICE_16, "Authorize": {"id_tag_info": {"status": "Blocked"}}}
CASES_16: dict[str, tuple[list[tuple[str, str, dict[str, Any]]], dict[str, Any]]] = {
    "boot-pending": ([BOOT_16], {**OFFICE_16, "BootNotification": lambda g: {"current_time": now(), "interval": 60, "status": "Pending"}}),
    "boot-rejected": ([BOOT_16], {**OFFICE_16, "BootNotification": lambda g: {"current_time": now(), "interval": 60, "status": "Rejected"}}),
    "card-not-valid": ([BOOT_16, status_16(1, "Preparing"), ("station", "Authorize", {"id_tag": "0A0B0C0D"})], NO_CARD_16),
    "set-unavailable": (
        [
            BOOT_16, ("office", "ChangeAvailability", {"connector_id": 1, "type": "Inoperative"}),
            status_16(1, "Unavailable"),
        ],
        OFFICE_16,
    ),
    "reservation-held": (
        [
            BOOT_16,
            (
                "office", "ReserveNow",
                {"connector_id": 1, "expiry_date": now(9999), "id_tag": "A", "reservation_id": 5},
            ),
            status_16(1, "Reserved"),
        ],
        OFFICE_16,
    ),
    "profile-holds-unit-down": ([BOOT_16, status_16(1, "Charging"), profile_16(9)], OFFICE_16),
    "firmware-mid-update": ([BOOT_16, status_16(1, "Unavailable"), ("station", "FirmwareStatusNotification", {"status": "Downloading"})], OFFICE_16),
    "card-reader-failed": ([BOOT_16, status_16(1, "Available", "ReaderFailure")], OFFICE_16),
    "meter-unreadable": ([BOOT_16, status_16(1, "Faulted", "PowerMeterFailure")], OFFICE_16),
}  # fmt: skip
CASES_201: dict[str, tuple[list[tuple[str, str, dict[str, Any]]], dict[str, Any]]] = {
    "boot-pending": ([BOOT_201], {**OFFICE_201, "BootNotification": lambda g: {"current_time": now(), "interval": 60, "status": "Pending"}}),
    "boot-rejected": ([BOOT_201], {**OFFICE_201, "BootNotification": lambda g: {"current_time": now(), "interval": 60, "status": "Rejected"}}),
    "card-not-valid": (
        [BOOT_201, ("station", "Authorize", {"id_token": {"id_token": "0A", "type": "ISO14443"}})],
        {**OFFICE_201, "Authorize": {"id_token_info": {"status": "NotAtThisLocation"}}},
    ),
    "set-unavailable": (
        [
            BOOT_201,
            (
                "office", "ChangeAvailability",
                {"operational_status": "Inoperative", "evse": {"id": 1, "connector_id": 1}},
            ),
            status_201(1, "Unavailable"),
        ],
        OFFICE_201,
    ),
    "reservation-held": (
        [
            BOOT_201,
            (
                "office", "ReserveNow",
                {
                    "id": 5, "expiry_date_time": now(9999), "id_token": {"id_token": "A", "type": "Central"},
                    "evse_id": 1,
                },
            ),
            status_201(1, "Reserved"),
        ],
        OFFICE_201,
    ),
    "profile-holds-unit-down": ([BOOT_201, status_201(1, "Occupied"), profile_201(8)], OFFICE_201),
    "card-reader-failed": ([BOOT_201, status_201(1, "Available"), alarm("TokenReader")], OFFICE_201),
}  # fmt: skip


def said(*lines: str) -> Report:
    """A log written by hand: `station request` or `answer`, one message in a line."""
    return read("\n".join(f"2031-04-01T10:00:{n:02d}Z LARCH-1 {line}" for n, line in enumerate(lines)), uplink=ETHERNET)


def taken_of(report: Report) -> set[tuple[str, str, str]]:
    return {(t.check, t.at, t.answer) for t in report.taken}


def test_error_replies_are_grouped_by_what_they_mean() -> None:
    refused = [x for n in range(3) for x in (f'<< [2,"a{n}","DataTransfer",{{}}]', f'>> [4,"a{n}","NotImplemented","",{{}}]')]
    report = said(*refused, '<< [2,"b","MeterValues",{}]', '>> [4,"b","FormationViolation","",{}]')
    assert ("error-replies", "unit 1", "message-not-known") in taken_of(report)
    assert first(report) == "messages-misunderstood"
    malformed = [x for n in range(2) for x in (f'<< [2,"a{n}","MeterValues",{{}}]', f'>> [4,"a{n}","OccurrenceConstraintViolation","",{{}}]')]
    assert first(said(*malformed)) == "messages-misunderstood"
    assert not any(check == "error-replies" for check, _, _ in taken_of(said(*refused[:2])))  # one proves little


def test_a_limit_from_the_grid_operator() -> None:
    for source, word in (("SO", "from-grid"), ("EMS", "from-site")):
        report = said(f'<< [2,"l","NotifyChargingLimit",{{"chargingLimit":{{"chargingLimitSource":"{source}"}}}}]', '>> [3,"l",{}]')
        assert ("limit-report", "unit 1", word) in taken_of(report)
        if source == "SO":
            assert first(report) == "grid-operator-limit"
    assert not any(
        t.check == "limit-report"
        for t in said(
            '<< [2,"l","NotifyChargingLimit",{"chargingLimit":{"chargingLimitSource":"CSO"}}]',
            '>> [3,"l",{}]',
        ).taken
    )


def test_a_card_that_charges_elsewhere() -> None:
    report = said('<< [2,"c","Authorize",{"idTag":"0A"}]', '>> [3,"c",{"idTagInfo":{"status":"ConcurrentTx"}}]')
    assert ("card-record", "unit 1", "in-use") in taken_of(report)
    assert first(report) == "card-in-use-elsewhere"


def test_an_emergency_stop_is_no_fault_of_the_station() -> None:
    report = said(
        '<< [2,"s","StartTransaction",{"connectorId":1,"idTag":"0A","meterStart":100,"timestamp":"2031-04-01T09:00:00Z"}]',
        '>> [3,"s",{"transactionId":7,"idTagInfo":{"status":"Accepted"}}]',
        '<< [2,"e","StopTransaction",{"transactionId":7,"meterStop":2100,"timestamp":"2031-04-01T09:30:00Z","reason":"EmergencyStop"}]',
        '>> [3,"e",{}]',
    )  # fmt: skip
    assert ("session-ends", "unit 1", "emergency-stop") in taken_of(report)
    assert first(report) == "stop-button-pressed"


# Where one unit is the site's link, its waiting and the site's waiting are one thing with one remedy.
ALIKE = {"boot-pending": {"boot-pending", "site-waits-for-acceptance"}}


@pytest.mark.parametrize("fault", CASES_16)
def test_the_true_fault_comes_first_16(fault: str) -> None:
    steps, office = CASES_16[fault]
    report = read(talk("1.6", steps, office, STATION_16).office)
    assert report.not_understood == 0
    assert first(report) in ALIKE.get(fault, {fault}), report.taken


@pytest.mark.parametrize("fault", CASES_201)
def test_the_true_fault_comes_first_201(fault: str) -> None:
    steps, office = CASES_201[fault]
    report = read(talk("2.0.1", steps, office, STATION_201).station, "log.txt", FULL.replace("1.6", "2.0.1"))
    assert report.not_understood == 0
    assert first(report, FULL.replace("1.6", "2.0.1")) in ALIKE.get(fault, {fault}), report.taken


@pytest.mark.parametrize(("status", "word", "faults"), [
    (401, "not-authorised-401", {"unit-password-wrong"}), (403, "refused-403", {"unit-identity-blocked"}),
    (404, "unknown-404", {"unit-identity-unknown", "site-not-registered", "unit-identity-mistyped"}), (503, "server-error", {"back-office-outage"}),
])  # fmt: skip
def test_refused_connections(status: int, word: str, faults: set[str]) -> None:
    report = read(refused(status))
    assert report.not_understood == 0, report.samples
    assert answers(report)["handshake-record"] == word
    assert first(report) in faults


# ---- time, connections
def at(seconds: float) -> str:
    return datetime.fromtimestamp(START + seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def lived(lives: list[tuple[float, float, int]]) -> str:
    """A log of connections: (begin, end, close code), a heartbeat every 60 s until `idle` before the end."""
    lines = [
        (
            f'{at(0)} LARCH-1: send [2,"b","BootNotification",{{"chargePointModel":"M",'
            f'"chargePointVendor":"V"}}]'
        ),
        f'{at(0)} LARCH-1: receive [3,"b",{{"currentTime":"{at(0)}","interval":60,"status":"Accepted"}}]',
    ]
    for n, (begin, end, code) in enumerate(lives):
        lines += [
            f"{at(begin)} connection established to wss://office.example/ocpp/LARCH-1",
            f'{at(begin + 1)} LARCH-1: send [2,"h{n}","Heartbeat",{{}}]',
            f'{at(begin + 1)} LARCH-1: receive [3,"h{n}",{{"currentTime":"{at(begin + 1)}"}}]',
            f"{at(end)} connection closed, code {code}",
        ]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(("lives", "word", "code", "uplink", "faults"), [
    (
        [(n * 20, n * 20 + 5, 1008) for n in range(6)], "at-once", "policy", ETHERNET,
        {"duplicate-identity", "unit-password-wrong", "unit-identity-blocked"},
    ),
    ([(n * 400, n * 400 + 301, 1006) for n in range(6)], "same-minutes", "lost", ETHERNET, {"idle-path-dropped"}),
    ([(n * 43300, n * 43300 + 43200 + n, 1006) for n in range(5)], "same-hours", "lost", ETHERNET, {"lease-not-renewed"}),
    ([(0, 300, 1006), (400, 5000, 1006), (5100, 6000, 1006), (6100, 20000, 1006)], "irregular", "lost", CELLULAR, {"antenna-loose", "coverage-poor"}),
])  # fmt: skip
def test_the_pattern_of_reconnects(lives: list[tuple[float, float, int]], word: str, code: str, uplink: str, faults: set[str]) -> None:
    report = read(lived(lives), uplink=uplink)
    assert report.not_understood == 0, report.samples
    got = answers(report)
    assert (got["reconnect-spacing"], got["close-code"], got["back-office-sees"]) == (word, code, "drops-out")
    assert first(report, uplink) in faults, report.taken


def test_one_identity_in_two_devices() -> None:
    lines = []
    for n in range(6):
        lines += [f"{at(n * 20)} new connection from LARCH-1 ws://x.example/ocpp/LARCH-1",
                  (
                      f'{at(n * 20 + 1)} LARCH-1: receive message '
                      f'[2,"{n}","BootNotification",{{"chargePointModel":"M","chargePointVendor":"V",'
                      f'"chargePointSerialNumber":"{n % 2}"}}]'
                  ),
                  f'{at(n * 20 + 1)} LARCH-1: send [3,"{n}",{{"currentTime":"{at(n * 20 + 1)}","interval":60,"status":"Accepted"}}]',
                  f"{at(n * 20 + 19)} connection closed 1008: replaced, same identity connected again"]  # fmt: skip
    report = read("\n".join(lines))
    got = answers(report)
    assert (got["identity-holders"], got["close-code"], got["reconnect-spacing"]) == ("two", "replaced", "at-once")
    assert first(report) == "duplicate-identity"


def test_gaps_between_heartbeats() -> None:
    rows = [0, 60, 120, 600, 660, 2000]
    lines = [
        f'{at(0)} [2,"b","BootNotification",{{"chargePointModel":"M","chargePointVendor":"V"}}]',
        f'{at(0)} [3,"b",{{"currentTime":"{at(0)}","interval":60,"status":"Accepted"}}]',
    ]
    for n, t in enumerate(rows):
        lines += [f'{at(t)} [2,"h{n}","Heartbeat",{{}}]', f'{at(t)} [3,"h{n}",{{"currentTime":"{at(t)}"}}]']
    assert station(read("\n".join(lines)), "-")["heartbeat"] == {"interval_s": 60, "gaps": 2, "longest_gap_s": 1340.0}


def test_a_clock_that_is_off() -> None:
    away = [BOOT_16, status_16(0, "Available", away_s=-4000), status_16(1, "Available", away_s=-4000)]
    report = read(talk("1.6", away, OFFICE_16, STATION_16).office)
    assert float(answers(report)["clock-read"].split()[0]) == pytest.approx(-4000, abs=10)
    queued = [BOOT_16, status_16(0, "Available", away_s=-90000), status_16(1, "Available")]
    report = read(talk("1.6", queued, OFFICE_16, STATION_16).office)
    assert abs(float(answers(report)["clock-read"].split()[0])) < 10  # one old message is a queued one, not the clock


def test_stuck_meter_and_sessions_without_energy() -> None:
    lines = [f'{at(0)} [2,"s","StatusNotification",{{"connectorId":1,"status":"Charging","errorCode":"NoError"}}]', '[3,"s",{}]']
    for n in range(5):
        value = {"timestamp": at(n * 300), "sampledValue": [{"value": "500"}]}
        lines += [json.dumps([2, f"m{n}", "MeterValues", {"connectorId": 1, "meterValue": [value]}]), f'[3,"m{n}",{{}}]']
    assert answers(read("\n".join(lines)))["meter-while-charging"] == "stuck"
    lines = []
    for n in range(3):
        lines += [(
                      f'{at(n * 900)} [2,"a{n}","StartTransaction",{{"connectorId":1,"idTag":"X",'
                      f'"meterStart":700,"timestamp":"{at(0)}"}}]'
                  ),
                  f'{at(n * 900)} [3,"a{n}",{{"transactionId":{n},"idTagInfo":{{"status":"Accepted"}}}}]',
                  (
                      f'{at(n * 900 + 600)} [2,"z{n}","StopTransaction",{{"transactionId":{n},'
                      f'"meterStop":700,"timestamp":"{at(0)}"}}]'
                  ),
                  f'{at(n * 900 + 600)} [3,"z{n}",{{}}]']  # fmt: skip
    assert answers(read("\n".join(lines)))["session-ends"] == "never-began"


def test_limits_in_watts_days_and_layers() -> None:
    def log(purpose: str, level: int, limit: float, unit: str = "A", more: str = "", ident: int = 1) -> str:
        body = (
            f'{{"chargingProfileId":{ident},"stackLevel":{level},"chargingProfilePurpose":"{purpose}",'
            f'"chargingProfileKind":"Absolute"{more},"chargingSchedule":{{"chargingRateUnit":"{unit}",'
            f'"startSchedule":"{at(0)}","chargingSchedulePeriod":[{{"startPeriod":0,"limit":{limit}}},'
            f'{{"startPeriod":7200,"limit":32}}]}}}}'
        )
        return (
            f'{at(10)} [2,"p{ident}","SetChargingProfile",{{"connectorId":{0 if "Max" in purpose else 1},'
            f'"csChargingProfiles":{body}}}]\n{at(10)} [3,"p{ident}",{{"status":"Accepted"}}]\n'
        )

    begin = f'{at(1)} [2,"s","StatusNotification",{{"connectorId":1,"status":"Available","errorCode":"NoError"}}]\n{at(1)} [3,"s",{{}}]\n'

    def limit(text: str) -> float | None:
        return float(v) if (v := station(read(begin + text), "-")["connectors"]["1"]["limit_a"]) is not None else None

    assert limit(log("TxDefaultProfile", 0, 10)) == 10
    assert limit(log("TxDefaultProfile", 0, 10) + log("TxDefaultProfile", 3, 20, ident=2)) == 20
    assert limit(log("TxDefaultProfile", 0, 20) + log("ChargePointMaxProfile", 0, 12, ident=2)) == 12
    assert limit(log("TxDefaultProfile", 0, 20) + log("TxProfile", 0, 25, ident=2)) == 25
    assert limit(log("TxDefaultProfile", 0, 10) + f'{at(9000)} [2,"h","Heartbeat",{{}}]\n{at(9000)} [3,"h",{{"currentTime":"{at(9000)}"}}]\n') == 32
    assert limit(log("TxDefaultProfile", 0, 10, more=f',"validTo":"{at(5)}"')) is None
    assert limit(
        log("TxDefaultProfile", 0, 10)
        + f'{at(20)} [2,"c","ClearChargingProfile",{{"id":1}}]\n{at(20)} [3,"c",{{"status":"Accepted"}}]\n'
    ) is None
    assert limit(log("TxDefaultProfile", 0, 0, "W")) == 0
    assert limit(log("TxDefaultProfile", 0, 2300, "W")) is None  # the record does not say which supply


# ---- forms of logs
def test_other_forms_say_the_same() -> None:
    bare = "\n".join(re.findall(r"(?:send|receive message) (\[.*)", whole_16().office.decode()))
    want = {(t.check, t.at): t.answer for t in read(bare).taken if t.check != "clock-read"}
    assert len(want) > 10
    rows = bare.split("\n")
    forms = (
        "\n".join(
            json.dumps(
                {
                    "ts": 1900000000 + n, "chargePointId": "LARCH-1", "direction": "in",
                    "message": json.loads(r),
                }
            )
            for n, r in enumerate(rows)
        ),
        "\n".join(json.dumps({"time": "2030-03-17T17:46:40Z", "raw": r}) for r in rows),
        "\n".join(f"\x1b[32m17:46:40.{n:03d} [LARCH-1] << {r}\x1b[0m" for n, r in enumerate(rows)),
        "\r\n".join(f"2030-03-17 17:46:40,{n:03d} - {r}" for n, r in enumerate(rows)),
        "\n".join(json.dumps(json.loads(r), separators=(" , ", " : ")) for r in rows),
    )
    for form in forms:
        report = read(form)
        assert report.not_understood == 0, (report.samples, form[:300])
        assert {(t.check, t.at): t.answer for t in report.taken if t.check != "clock-read"} == want


def test_several_stations_are_kept_apart() -> None:
    lines = []
    for who, status in (("LARCH-1", "Faulted"), ("unit-4", "Available"), ("OTHER", "Available")):
        lines += [
            (
                f'{at(0)} {who}: receive message [2,"1","StatusNotification",{{"connectorId":1,'
                f'"status":"{status}","errorCode":"NoError"}}]'
            ),
            f'{at(0)} {who}: send [3,"1",{{}}]',
        ]
    report = read("\n".join(lines))
    assert {(t.at, t.answer) for t in report.taken if t.check == "connector-status"} == {("unit 1", "faulted"), ("unit 4", "as-used")}
    assert any(s.startswith("OTHER: its unit is not known") for s in report.says)


def test_nothing_is_dropped_in_silence() -> None:
    report = read(
        'hello\n[2,"1","Dance",{}]\n[3,"9",{}]\n[2,"2","Heartbeat"\n[2,7,"Heartbeat",{}]\n'
        '[2,"3","Heartbeat",[]]\n'
        + '[2,"x","DataTransfer",'
        + "[" * 5000
        + "\n"
    )
    assert report.understood == 0
    assert report.not_understood == 7
    assert "request Dance is in no version" in report.samples[1]
    cut = read('[2,"1","DataTransfer",{"data":"' + "x" * 600_000 + '"}]\n')
    assert cut.not_understood == 1
    assert any("not looked at" in s for s in cut.says)


def test_card_numbers_are_not_repeated() -> None:
    assert "0A0B0C0D" not in repr(read(whole_16().office))


def test_recognised_and_not_mixed_up() -> None:
    for data in (whole_16().office, whole_201().station):
        assert recognise(data[:4000], "x.log")[0][1].kind == "ocpp-log"
    for other in (
        b"+CSQ: 18,0\n+CPIN: READY\n", b"PING 192.0.2.1 56 data bytes\n", b'[{"ifindex":1,"ifname":"lo"}]',
        b"install-record: 1\n", b"[2, 3, 4]\n", bytes(range(256)) * 4,
    ):
        assert all(i.kind != "ocpp-log" for _, i in recognise(other, "x.txt"))


def test_the_page_tells_the_truth() -> None:
    page = (Path(__file__).parents[2] / "docs/evidence/ocpp-log.md").read_text(encoding="utf-8")
    sample, table = re.findall(r"```text\n(.*?)```", page, re.S)
    report = read(sample)
    shown = [f"{t.check:<22}{t.at:<10}{t.answer:<24}{t.lines}".rstrip() for t in report.taken]
    assert table.strip().split("\n") == shown
    assert first(report) == "card-not-valid"
    names = set(re.findall(r"^\| `(\w+)`", page, re.M))
    assert names == (set(report.figures) - {"stations"}) | set(station(report))


def test_damaged_logs_do_no_harm() -> None:
    pieces = [whole_16().office, whole_201().station, lived([(0, 300, 1006), (400, 900, 1008)]).encode()]
    chance, good = random.Random(7), []
    for data in pieces:
        rows = data.split(b"\n")
        good += [b"\n".join(rows[at : at + 14]) for at in (chance.randrange(max(1, len(rows) - 14)) for _ in range(6))]
    assert torture(read_ocpp_log, "x.log", good, 1250, 64) == 1250


def test_no_text_makes_it_search_for_ever() -> None:
    assert patience(read_ocpp_log) < 2
