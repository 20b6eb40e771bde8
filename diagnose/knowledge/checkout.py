"""A checkout of this project: where somebody works on the rules, and which folder of rules is read there."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from diagnose.knowledge.load import shipped_folder

PROJECT = "diagnose"


def checkout(start: Path) -> Path | None:
    """The checkout that a folder lies in: the nearest folder above or at it with `rules/` and this project's pyproject.toml."""
    for folder in (start, *start.parents):
        if os.path.isdir(folder / "rules") and _is_ours(folder / "pyproject.toml"):
            return folder
    return None


def _is_ours(path: Path) -> bool:
    try:
        return bool(tomllib.loads(path.read_text(encoding="utf-8")).get("project", {}).get("name") == PROJECT)
    except (OSError, ValueError, AttributeError):
        return False


def here() -> Path | None:
    """The checkout of the current folder; None where there is no current folder, too."""
    try:
        return checkout(Path.cwd())
    except OSError:
        return None


def rules_here() -> Path | None:
    """The rules of the checkout of the current folder, as seen from there; None where they are those of the program itself."""
    root = here()
    if root is None or _same(root / "rules", shipped_folder()):
        return None
    return Path(os.path.relpath(root / "rules"))


def is_of_here(folder: Path) -> bool:
    """Whether a folder of rules is that of the checkout of the current folder."""
    root = here()
    return root is not None and _same(root / "rules", folder)


def _same(one: Path, other: Path) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False
