"""Who may do what, now. The only place that decides whether a step is offered."""

from __future__ import annotations

from collections.abc import Iterable

from diagnose.knowledge import model as m

MAKING_SAFE = ("any", "dead-verified")  # states in which work goes on after a danger has been made safe


def may_take(step: m.Check | m.Remedy, role: str, danger: str = "none") -> bool:
    """Whether `role` may be offered a check or remedy.

    `danger` is none, standing (nothing is offered) or made-safe (dead work and looking only).
    """
    if danger == "standing":
        return False
    if not m.may(role, step.role):
        return False
    if step.reach == "on-site" and not m.may(role, "technician"):
        return False
    return danger != "made-safe" or step.state in MAKING_SAFE


def has_instrument(check: m.Check, instruments: Iterable[str]) -> bool:
    """Whether the instrument a check needs is at hand; a multimeter also reads millivolts."""
    at_hand = set(instruments)
    if check.instrument in ("none", "phone"):
        return True
    return check.instrument in at_hand or (check.instrument == "millivolt-meter" and "multimeter" in at_hand)
