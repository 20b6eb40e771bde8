"""What a station's messages show: spacing of connections, states, ends of sessions, limits, the clock. Pure.

Sources: OCPP 1.6 edition 2, OCPP 2.0.1 Part 2; bounds common practice, no source, where named.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from diagnose.evidence.lines import where
from diagnose.evidence.ocpp.limits import Profile
from diagnose.evidence.ocpp.messages import V201
from diagnose.evidence.ocpp.station import (
    STUCK_S,
    ChargeSession,
    Connector,
    Link,
    Station,
)
from diagnose.evidence.standpoint import Standpoint
from diagnose.physics import ocpp, service
from diagnose.site.model import Site
from diagnose.site.places import Place
from diagnose.source.problems import one_line

AT_ONCE_S, HOUR_S = 30.0, 3600.0
JUMPS, JUMPS_S = 6, 60.0
"""So many changes of state within so many seconds do not fit together (common practice, no source)."""
NEVER_WH = 10.0

STATE = {
    "Available": "as-used", "Preparing": "as-used", "Charging": "as-used", "Finishing": "as-used", "Occupied": "as-used",
    "SuspendedEV": "held-by-car", "SuspendedEVSE": "held-by-station", "Reserved": "reserved", "Unavailable": "unavailable",
    "Faulted": "faulted",
}  # fmt: skip
ENDS = {
    "Local": "clean-ends", "EVDisconnected": "clean-ends", "UnlockCommand": "clean-ends", "EnergyLimitReached": "clean-ends",
    "SOCLimitReached": "clean-ends", "TimeLimitReached": "clean-ends", "MasterPass": "clean-ends", "LocalOutOfCredit": "clean-ends",
    "StoppedByEV": "ended-by-car", "Remote": "ended-remotely", "Timeout": "never-began", "GroundFault": "ended-on-fault",
    "OvercurrentFault": "ended-on-fault", "PowerLoss": "ended-on-fault", "PowerQuality": "ended-on-fault", "Reboot": "ended-on-fault",
    "HardReset": "ended-on-fault", "SoftReset": "ended-remotely", "ImmediateReset": "ended-on-fault", "EmergencyStop": "emergency-stop",
    "Other": "ended-on-fault",
}  # fmt: skip
"""Why a session stopped (OCPP 1.6 edition 2, 7.36; OCPP 2.0.1 Part 2, ReasonEnumType); the reading is common practice."""
RUNNING = frozenset({"Downloading", "Downloaded", "Installing", "InstallRebooting", "DownloadScheduled", "InstallScheduled",
                     "DownloadPaused", "SignatureVerified", "InstallVerified"})  # fmt: skip
IDLE = frozenset({"Idle", "Installed"})


def unit_of(s: Station, site: Site | None, stand: Standpoint, key: str) -> str:
    """The unit of a connector: with several connectors on an uplink that serves several units the n-th unit, else the station's."""
    digits = key.split(".")[0]
    numbers = {k.split(".")[0] for k in s.connectors} - {"0"}
    if site is not None and len(numbers) > 1 and digits.isdecimal():
        group = next((g for g in site.uplinks if g.number == stand.uplink_place.number), None)
        if group is not None and 1 <= int(digits) <= len(group.units) and len(group.units) > 1:
            return f"unit {group.units[int(digits) - 1]}"
    return stand.unit


class Spacing(NamedTuple):
    """How the connections follow each other: the outcome of `reconnect-spacing`, why, and the lines."""

    word: str
    why: str
    lines: str


def spacing(links: Iterable[Link], span_s: float | None) -> Spacing | None:
    """The pattern of reconnects; None when there are too few dates to tell. Bounds: common practice, no source."""
    all_links = list(links)
    ups = [x for x in all_links if x.up and x.time is not None]
    downs = [x for x in all_links if not x.up]
    numbers = where(x.line for x in all_links)
    apart = [b.time - a.time for a, b in pairwise(ups) if a.time is not None and b.time is not None]
    if len(apart) >= 2 and 0 <= median(apart) <= AT_ONCE_S:
        return Spacing("at-once", f"{len(ups)} connections, {median(apart):.3g} s apart", numbers)
    idle = [x.idle_s for x in downs if x.idle_s is not None and x.code != 1000]
    if len(idle) >= 3 and AT_ONCE_S <= median(idle) <= HOUR_S and _alike(idle, 0.1):
        return Spacing("same-minutes", f"{len(idle)} times cut after {median(idle):.4g} s without traffic", numbers)
    lives = []
    for a, b in pairwise(all_links):
        if a.up and not b.up and a.time is not None and b.time is not None:
            lives.append(b.time - a.time)
    if len(lives) >= 3 and median(lives) >= HOUR_S and _alike(lives, 0.05):
        return Spacing("same-hours", f"{len(lives)} connections lasted {median(lives) / HOUR_S:.3g} h each", numbers)
    odd = [x for x in downs if x.code not in (1000, 1001)]
    if len(odd) >= 3:
        return Spacing("irregular", f"{len(odd)} times cut at odd times", numbers)
    if len(downs) <= 1 and span_s is not None and span_s >= HOUR_S and all(x.code == 1000 for x in downs):
        return Spacing("steady", f"{len(downs)} interruptions in {span_s / HOUR_S:.3g} h", numbers)
    return None


def _alike(values: list[float], share: float) -> bool:
    return max(values) - min(values) <= share * median(values)


# ---- connectors
def flurry_of(c: Connector) -> tuple[int, int] | None:
    """First and last line of a flurry of states."""
    rows = [x for x in c.changes if x.time is not None]
    for a, b in zip(rows, rows[JUMPS - 1 :], strict=False):
        if a.time is not None and b.time is not None and 0 <= b.time - a.time <= JUMPS_S:
            kept = [x.status for x in rows if a.line <= x.line <= b.line]
            if len(set(kept)) < len(kept) - 1:
                return a.line, b.line
    return None


def state_of(s: Station, c: Connector) -> tuple[str, str, int]:
    """The outcome for a connector: what it is now, or what a session without charging has shown."""
    last = c.last
    if last is None:
        return "", "", 0
    status = last.status
    if s.version == V201 and status == "Occupied" and c.charging in ("SuspendedEV", "SuspendedEVSE"):
        status = c.charging
    if status in ("Available", "Finishing") and "Charging" not in c.seen:
        held = [x for x in c.seen if x.startswith("Suspended")]
        status = held[-1] if held else status
    meaning = ocpp.CONNECTOR.get(status)
    return STATE.get(status, ""), f"{status}: {meaning.says}" if meaning else status, last.line


def end_word(session: ChargeSession, alarm: str) -> str:
    """The outcome of `session-ends` for one session. Source: as `ENDS`."""
    energy, reason = session.energy_wh, session.reason
    lasted = session.ended - session.began if session.ended is not None and session.began is not None else None
    word = ENDS.get(reason, "")
    if (
        energy is not None
        and energy < NEVER_WH
        and reason not in ("DeAuthorized",)
        and (lasted is None or lasted > 60)
        and word in ("clean-ends", "never-began")
    ):
        return "never-began"
    if word == "clean-ends" and session.state == "SuspendedEV":
        return "ended-by-car"
    if reason in ("EVDisconnected", "Other") and alarm == "EVCommunicationError":
        return "pilot-lost"
    return word


# ---- availability
def firmware_word(s: Station) -> str:
    """running, failed, idle or nothing."""
    if s.firmware is None:
        return ""
    status, when, _ = s.firmware
    if status in IDLE:
        return "idle"
    if status in RUNNING:
        silent = s.now is not None and when is not None and s.now - when > HOUR_S
        return "failed" if silent else "running"
    return "failed" if any(w in status for w in ("Fail", "Invalid")) else ""


# ---- limits
def _volts(site: Site | None) -> tuple[float | None, int]:
    """Volts of a phase as a station counts it, and phases that it draws on."""
    system = service.SYSTEMS.get(site.word("site.system") or "") if site else None
    if system is None or site is None:
        return None, 3
    if site.word("site.system") == "wye-230-400":
        return system.to_ground, 3
    return system.between_lines, 1


def setting_of(site: Site | None, at: str) -> float | None:
    if site is None:
        return None
    place = Place("unit", int(at.split()[1]))
    setting = site.number("unit.setting", place)
    return setting if setting is not None else site.number("unit.rating", place)


class Limit(NamedTuple):
    """The limit in force at a connector, A, and where it comes from."""

    amps: float
    line: int
    source: str


def limits_of(s: Station, site: Site | None, stand: Standpoint) -> dict[str, Limit]:
    volts, phases = _volts(site)
    found: dict[str, Limit] = {}
    for key in sorted(s.connectors):
        number = int(key.split(".")[0])
        if number == 0 and len(s.connectors) > 1:
            continue
        running = next((x for x in reversed(s.running.values()) if x.connector == key), None)
        best: tuple[float, Profile] | None = s.profiles.limit(number, s.now, running.began if running else None, volts, phases)
        if best is not None:
            found[key] = Limit(best[0], best[1].line, f"{one_line(best[1].purpose, 40)} {best[1].id}")
        combined = s.composite.get(number)
        if combined is not None:
            limit, watts, line = combined
            amps = limit if not watts else 0.0 if limit == 0 else None if volts is None else limit / (volts * phases)
            if amps is not None and line > (found[key].line if key in found else 0):
                found[key] = Limit(amps, line, "the schedule that the station reports")
    return found


def meter_word(c: Connector) -> str:
    """live-values, stuck, or nothing when there are too few values. Source: common practice."""
    values = [v for _, v, _ in c.register]
    if len(values) < 3:
        return ""
    if len(set(values)) > 1:
        return "live-values"
    first, last = c.register[0][0], c.register[-1][0]
    return "stuck" if first is not None and last is not None and last - first >= STUCK_S else ""


# ---- clock, settings
def clock_offset_s(s: Station) -> float | None:
    """The station's clock against the back office's, s; None when the log does not tell.

    Queued messages are old, not wrong: the least offset of the last ones counts.
    """
    if s.offsets:
        return min(s.offsets, key=abs)
    if s.host_offsets and s.written_by_station:
        return min(s.host_offsets, key=abs)
    return None
