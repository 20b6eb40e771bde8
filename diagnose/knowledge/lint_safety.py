"""Checks that keep the first question and the first caller safe."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.knowledge import model as m

DANGER = "danger-signs"
ON_THE_PHONE = ("contact", "agent")

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint


def danger(k: m.Knowledge) -> Iterator[Finding]:
    """There is a check for danger signs, and each abnormal outcome of it by itself stops use."""
    check = k.checks.get(DANGER)
    if check is None:
        spot = next(iter(k.checks.values())).spot if k.checks else m.Spot("rules", 1)
        yield (m.Spot(spot.file, 1), f"there is no check '{DANGER}'", "add it: a case begins with it", "danger")
        return
    stopped: set[str] = set()
    for rule in k.rules.values():
        alone = len(rule.when) == 1 and not rule.unless and rule.when[0].sort == "reading"
        if alone and rule.when[0].key == DANGER and not rule.when[0].pattern:
            stopped |= set(rule.when[0].words) if any(t.sort == "stop-use" for t in rule.then) else set()
    for name in check.outcome_ids[1:]:
        if name not in stopped:
            yield (
                check.spot, f"check {DANGER}: no rule stops use on '{name}' alone",
                f"add a rule with {{reading: {DANGER}, outcome: {name}}} and {{stop-use: ...}}", "danger",
            )  # fmt: skip


def complaints(k: m.Knowledge) -> Iterator[Finding]:
    """Whoever calls, or the desk for them, can answer what a case is opened with."""
    for c in k.checks.values():
        if (c.complaint or c.id == DANGER) and c.role not in ON_THE_PHONE:
            yield (c.spot, f"check {c.id}: a caller cannot answer it, a {c.role} must", "role contact or agent", "role")
