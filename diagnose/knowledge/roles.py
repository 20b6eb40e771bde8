"""The ladder of roles. Nothing else is imported here: the command line reads it at every start."""

from __future__ import annotations

ROLES = ("caller", "help-desk", "technician", "electrician")
FORMER_ROLES = {"contact": "caller", "agent": "help-desk"}  # stand in cases of the first version, and are read as these


def role_today(word: str) -> str:
    """A role by its name of today; a word that never was a role stays as it is."""
    return FORMER_ROLES.get(word, word)


def a_role(role: str) -> str:
    """A role in a sentence: a caller, the help desk, a technician, an electrician."""
    return {"help-desk": "the help desk", "electrician": "an electrician"}.get(role, f"a {role}")


def may(role: str, needed: str) -> bool:
    """Whether `role` stands at or above `needed` on the ladder of roles."""
    return ROLES.index(role) >= ROLES.index(needed)
