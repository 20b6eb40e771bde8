"""Pages of cases and evidence as files: never over what is there, whole or not at all."""

from __future__ import annotations

from pathlib import Path

from diagnose.casework.transfer import write_atomically
from diagnose.shell.desk import Desk
from diagnose.shell.refusal import Refusal


def page_of(desk: Desk, case: str) -> str:
    """The page of a case, as its log stands."""
    from diagnose.report.page import case_page

    events = desk.store.events(case)
    state = desk.assessor.state(events)
    return case_page(
        desk.knowledge, events, state, desk.assessor.assess(events), desk.store.case(case).head, desk.store.verify(case)
    )


def new_page(target: Path) -> None:
    """Refuse a page that cannot be written there."""
    if target.exists():
        raise Refusal(f"{target} exists already, name a new file")
    if not target.parent.is_dir():
        raise Refusal(f"there is no folder {target.parent}; make it first, or write elsewhere")


def write_page(target: Path, page: str) -> None:
    """Write a page whole or not at all; what is there already stays."""
    new_page(target)
    write_atomically(target, page.encode())
