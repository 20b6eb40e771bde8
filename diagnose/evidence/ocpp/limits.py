"""Charging profiles: which current they allow at a moment. Source: OCPP 1.6 edition 2, 3.13; OCPP 2.0.1 Part 2, K."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from diagnose.evidence.ocpp.messages import number, rows, stamp, text

MOST = 500
DAY_S, WEEK_S = 86_400.0, 604_800.0
MAXIMUM = ("ChargePointMaxProfile", "ChargingStationMaxProfile", "ChargingStationExternalConstraints")


class Profile(NamedTuple):
    """One schedule of a profile. Periods: (start in s, limit in A or W, phases or 0)."""

    connector: int
    id: int
    purpose: str
    level: int
    kind: str
    weekly: bool
    watts: bool
    start: float | None
    lasts_s: float | None
    begins: float | None
    ends: float | None
    periods: tuple[tuple[float, float, int], ...]
    set_at: float | None
    line: int


class Profiles:
    """The profiles that a station holds."""

    def __init__(self) -> None:
        self._held: dict[tuple[int, int], list[Profile]] = {}

    def put(self, connector: int, raw: Any, now: float | None, line: int) -> None:
        """Take an accepted profile; one of the same purpose, level and connector is replaced."""
        made = list(_read(connector, raw, now, line))
        if not made:
            return
        first = made[0]
        same = [k for k, v in self._held.items() if (v[0].purpose, v[0].level, v[0].connector) == (first.purpose, first.level, connector)]
        for key in same:
            del self._held[key]
        if len(self._held) < MOST:
            self._held[connector, first.id] = made

    def clear(self, raw: Mapping[str, Any]) -> None:
        """Remove what an accepted request to clear names; without a criterion everything."""
        wanted = number(raw, "id") if number(raw, "id") is not None else number(raw, "chargingProfileId")
        rule = raw.get("chargingProfileCriteria")
        rule = rule if isinstance(rule, dict) else raw
        at = next((n for n in (number(rule, k) for k in ("connectorId", "evseId")) if n is not None), None)
        level, purpose = number(rule, "stackLevel"), text(rule, "chargingProfilePurpose")
        for key, held in list(self._held.items()):
            p = held[0]
            if wanted is not None:
                fits = p.id == wanted
            else:
                fits = (at is None or p.connector == at) and (level is None or p.level == level) and (not purpose or p.purpose == purpose)
            if fits:
                del self._held[key]

    def end_transaction(self, connector: int) -> None:
        """A profile for a transaction ends with it."""
        for key, held in list(self._held.items()):
            if held[0].purpose == "TxProfile" and held[0].connector == connector:
                del self._held[key]

    def limit(self, connector: int, now: float | None, began: float | None, volts: float | None, wired: int) -> tuple[float, Profile] | None:
        """The lowest current in A that the profiles allow at a connector, and the profile that sets it.

        `volts` of a phase and `wired` phases turn limits in W into amps; without them those do not count.
        """
        best: tuple[float, Profile] | None = None
        for group in (MAXIMUM, ("TxProfile",), ("TxDefaultProfile",)):
            found = self._strongest(group, connector, now, began, volts, wired)
            if found is None:
                continue
            if best is None or found[0] < best[0]:
                best = found
            if group == ("TxProfile",):
                break  # a default does not count beside a profile for the transaction
        return best

    def _strongest(
        self, purposes: tuple[str, ...], connector: int, now: float | None, began: float | None, volts: float | None, wired: int
    ) -> tuple[float, Profile] | None:
        found: list[tuple[int, int, float, Profile]] = []
        for held in self._held.values():
            for p in held:
                if p.purpose not in purposes or p.connector not in (0, connector):
                    continue
                amps = _now(p, now, began, volts, wired)
                if amps is not None:
                    # The higher level wins, a profile for the connector over one for the station.
                    found.append((p.level, 1 if p.connector else 0, -amps, p))
        if not found:
            return None
        top = max(found, key=lambda x: x[:3])
        return -top[2], top[3]


def _read(connector: int, raw: Any, now: float | None, line: int) -> list[Profile]:
    made = []
    ident = number(raw, "chargingProfileId")
    if ident is None:
        ident = number(raw, "id")
    for schedule in rows(raw, "chargingSchedule"):
        periods = []
        for row in rows(schedule, "chargingSchedulePeriod"):
            start, limit = number(row, "startPeriod"), number(row, "limit")
            if start is not None and limit is not None:
                phases = number(row, "numberPhases")
                periods.append((start, limit, min(3, max(1, int(phases))) if phases is not None else 0))
        if periods:
            made.append(Profile(
                connector=connector, id=int(ident or 0), purpose=text(raw, "chargingProfilePurpose"), level=int(number(raw, "stackLevel") or 0),
                kind=text(raw, "chargingProfileKind"), weekly=text(raw, "recurrencyKind") == "Weekly",
                watts=text(schedule, "chargingRateUnit") == "W", start=stamp(schedule, "startSchedule"), lasts_s=number(schedule, "duration"),
                begins=stamp(raw, "validFrom"), ends=stamp(raw, "validTo"), periods=tuple(sorted(periods)), set_at=now, line=line,
            ))  # fmt: skip
    return made


def _now(p: Profile, now: float | None, began: float | None, volts: float | None, wired: int) -> float | None:
    """The limit of a schedule in A at a moment, None when it is not in force or cannot be told."""
    if now is None:
        passed = 0.0
    else:
        if (p.begins is not None and now < p.begins) or (p.ends is not None and now >= p.ends):
            return None
        start = began if p.kind == "Relative" else p.start
        if start is None:
            start = p.set_at if p.set_at is not None else now
        passed = now - start
        if p.kind == "Recurring":
            passed %= WEEK_S if p.weekly else DAY_S
    if passed < 0 or (p.lasts_s is not None and passed >= p.lasts_s):
        return None
    running = [period for period in p.periods if period[0] <= passed]
    if not running:
        return None
    _, limit, phases = running[-1]
    if not p.watts:
        return limit
    if limit == 0:
        return 0.0
    # A profile in W counts three phases unless it says otherwise; a station draws on no more than it is wired to.
    return None if volts is None else limit / (volts * min(phases or 3, wired))
