"""What belief works on: an answer to a check at some places."""

from __future__ import annotations

from typing import NamedTuple

from diagnose.site.places import Place


class Evidence(NamedTuple):
    """One answer. `outcome` None means it is not known; `mended` are the remedies done before it, in order."""

    id: str
    check: str
    places: tuple[Place, ...]
    outcome: str | None
    complaint: bool = False
    mended: tuple[tuple[str, Place], ...] = ()
