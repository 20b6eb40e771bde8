"""Entries of any age in the names of today: what was renamed or merged since is read as what it is called now.

The log itself is never touched (its hashes cover every byte); this is done each time when it is read.
"""

from __future__ import annotations

from typing import Any

from diagnose.casework.events import Event
from diagnose.knowledge import model as m

# entry of `data` -> the kind of name that stands there
_NAMES = {"check": "check", "remedy": "remedy", "key": "fact", "fault": "fault", "cause": "fault"}


def today(event: Event, k: m.Knowledge) -> Event:
    """The event with the names that the rule base uses now. What has no name any more stays as it was written."""
    data: dict[str, Any] = dict(event.data)
    for entry, kind in _NAMES.items():
        if isinstance(data.get(entry), str):
            data[entry] = k.today(kind, str(data[entry]))
    if isinstance(data.get("check"), str) and isinstance(data.get("answer"), str):
        data["answer"] = k.today("outcome", str(data["answer"]), str(data["check"]))
    if event.kind == "danger" and isinstance(data.get("sign"), str):
        data["sign"] = k.today("outcome", str(data["sign"]), m.SIGNS[0])
    if isinstance(data.get("role"), str):
        data["role"] = m.role_today(str(data["role"]))
    first, comma, rest = event.by.partition(",")  # "agent, reported by ..."
    by = m.role_today(first) + comma + rest
    return event if data == event.data and by == event.by else event._replace(data=data, by=by)
