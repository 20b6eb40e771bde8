"""Looking checks up by what somebody typed of them."""

from __future__ import annotations

import re

from diagnose.knowledge import model as m
from diagnose.shell.open_case import OpenCase


def find_checks(s: OpenCase, words: str, most: int = 6) -> list[m.Check]:
    """Checks that words mean; one only when they name it."""
    k = s.desk.knowledge
    name = "-".join(words.lower().split())
    if name in k.checks:
        return [k.checks[name]]
    exact = [c for c in k.checks.values() if c.title.lower() == words.lower().strip()]
    if len(exact) == 1:
        return exact
    ids = [c for c in k.checks.values() if name and c.id.startswith(name)]
    scored = s.desk.checks().search(words, most)
    found = [k.checks[key] for (key, _), score in scored if score >= 0.6 * scored[0][1]]
    return list({c.id: c for c in (*ids, *found)}.values())[:most]


def split_read(text: str) -> tuple[str, str, str]:
    """`WORDS at PLACE = ANSWER` in its three parts; what is not there is empty."""
    head, _, answer = text.partition("=")
    found = re.match(r"^(.*?)(?:^|\s+)(?:at|@)\s+(.+)$", head.strip(), re.I)
    words, place = (found.group(1), found.group(2)) if found else (head, "")
    return words.strip(), place.strip(), answer.strip()
