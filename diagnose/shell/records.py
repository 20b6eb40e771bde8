"""Install records: read from a file, or the barest one made from two answers."""

from __future__ import annotations

from diagnose.casework.state import BARE_RECORD, read_site
from diagnose.knowledge import model as m
from diagnose.shell.folders import path_of
from diagnose.shell.refusal import Refusal
from diagnose.site.model import MOST_UNITS, Site
from diagnose.source.problems import InputError, shown

LARGEST = 2_000_000  # bytes; 247 units with every fact written out are a tenth of it


def read_record(path: str, k: m.Knowledge) -> tuple[str, Site]:
    """The text of an install record and its site. Raises Refusal, or InputError with every problem."""
    file = path_of(path)
    try:
        if file.is_file() and file.stat().st_size > LARGEST:
            raise Refusal(
                f"the install record {shown(path)} is larger than {LARGEST // 1_000_000} MB; name a YAML file"
            )
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise Refusal(f"the install record {shown(path)} is no text in UTF-8; name a YAML file") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no such name"
        raise Refusal(
            f"the install record {shown(path)} cannot be read ({why}); name a YAML file that is there"
        ) from None
    return text, read_site(text, k, path)


def bare_record(units: int, on_trunk: bool) -> str:
    """A record of a site of which only the number of units is known, and whether a trunk joins them."""
    if units <= 1:
        return BARE_RECORD + "uplinks: [{unit: 1}]\ncontrols: [{unit: 1}]\n"
    text = f"install-record: 1\nname: no install record\nunits: {{count: {min(units, MOST_UNITS)}}}\n"
    if on_trunk:
        text += "trunks: [{controller: 1, kind: rs485}]\n"
    return text + "uplinks: [{unit: 1}]\ncontrols: [{unit: 1}]\n"


__all__ = ["InputError", "bare_record", "read_record"]
