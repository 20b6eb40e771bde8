"""Finding, reading and caching the rule base.

The compiled form is JSON behind a checksum, under the user's cache folder, named by a hash of every
rule file's name and content. A changed file has another hash, a damaged cache fails its checksum:
both are rebuilt without a word.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from diagnose import __version__
from diagnose.knowledge import model as m
from diagnose.site.model import FactSpec
from diagnose.source.problems import InputError, Mark, Problem, one_line

FORMAT = "23"
MOST_KEPT = 8  # compiled forms; a rule author makes a new one with every change


def shipped_folder(name: str = "rules") -> Path:
    """The folder of that name that ships with the program: inside the wheel, or beside the package."""
    package = Path(__file__).resolve().parent.parent
    inside = package / f"_{name}"
    return inside if inside.is_dir() else package.parent / name


def load(folder: Path | None = None, cache: bool = True) -> m.Knowledge:
    """The rule base under `folder` (the shipped one by default). Raises InputError with every problem."""
    rules = folder or shipped_folder()
    if not os.path.isdir(rules):  # Path.is_dir raises for a name too long
        raise InputError([Problem(Mark(one_line(str(rules)), 1, 1), "there is no such folder of rules", "name one", "file")])
    key = content_key(rules)
    if cache and (kept := _from_cache(key)) is not None:
        return kept
    knowledge, problems = build(rules, key)
    if problems:
        raise InputError(problems)
    if cache and content_key(rules) == key:  # else a file was changed while it was read
        _to_cache(knowledge)
    return knowledge


def build(folder: Path, key: str = "") -> tuple[m.Knowledge, list[Problem]]:
    """The rule base as far as it can be read, with every problem of reading and of `lint`."""
    from diagnose.knowledge.lint import lint
    from diagnose.knowledge.pin import pinned
    from diagnose.knowledge.read import read_folder

    if not any(folder.rglob("*.yaml")):
        nothing = Problem(Mark(shown_folder(folder), 1, 1), "there is no rule file in this folder", "name a folder of *.yaml files", "file")
        return _empty(key), [nothing]
    blocks, problems = read_folder(folder, shown_folder(folder))
    unread = any(p.lint in ("yaml", "file") for p in problems)  # all the names in such a file would be unknown
    for scale in ("how-often", "prior"):
        if scale not in blocks["scale"]:
            blocks["scale"][scale] = m.Scale(scale, {})
            if unread:
                continue
            where = Mark("rules/scales.yaml", 1, 1)
            problems.append(Problem(where, f"there is no scale '{scale}'", "add the block 'scale: ...'", "unknown-name"))
    knowledge = m.Knowledge(
        blocks["fact"], blocks["source"], blocks["caution"], blocks["check"], blocks["mechanism"],
        blocks["fault"], blocks["remedy"], blocks["rule"], blocks["danger"],
        blocks["group"], blocks["words"], blocks["scale"], blocks["replaced"], key or content_key(folder),
    )  # fmt: skip
    if not unread:
        problems.extend(pinned(lint(knowledge), folder, shown_folder(folder)))
    return knowledge, sorted(set(problems))


def shown_folder(folder: Path) -> str:
    """The folder in messages: `rules` for the shipped one, else as it was named."""
    return "rules" if folder == shipped_folder() else folder.as_posix()


def _empty(key: str) -> m.Knowledge:
    return m.Knowledge({}, {}, {}, {}, {}, {}, {}, {}, {}, {}, {}, {name: m.Scale(name, {}) for name in ("how-often", "prior")}, {}, key)


def content_key(folder: Path) -> str:
    """A hash over the name and content of every rule file, and the format of the compiled form."""
    digest = hashlib.blake2b(f"{FORMAT} {__version__} {shown_folder(folder)}".encode(), digest_size=16)
    for path in sorted(folder.rglob("*.yaml")):
        try:
            data = path.read_bytes() if path.is_file() else b""
        except OSError:  # reported when it is read
            data = b""
        digest.update(f"\0{path.relative_to(folder).as_posix()}\0{len(data)}\0".encode())
        digest.update(data)
    return digest.hexdigest()


def cache_file(key: str) -> Path:
    """Where the compiled form of a rule base is kept."""
    kept = os.environ.get("DIAGNOSE_CACHE")
    if kept:
        return Path(os.path.expanduser(kept)) / f"rules-{key}.json"
    import platformdirs

    return Path(platformdirs.user_cache_dir("diagnose", appauthor=False)) / f"rules-{key}.json"


def _from_cache(key: str) -> m.Knowledge | None:
    try:
        checksum, _, body = cache_file(key).read_bytes().partition(b"\n")
        if _checksum(body, key) != checksum:
            return None
        return decode(json.loads(body), key)
    except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        return None


def _checksum(body: bytes, key: str) -> bytes:
    """Over the key too, so that a file under another one's name is not taken for it."""
    return hashlib.blake2b(body, digest_size=16, salt=key.encode()[:16]).hexdigest().encode()


def _to_cache(knowledge: m.Knowledge) -> None:
    body = json.dumps(encode(knowledge), separators=(",", ":"), ensure_ascii=False).encode()
    checksum = _checksum(body, knowledge.key)
    target = cache_file(knowledge.key)
    try:  # a cache that cannot be written costs time, not answers
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=".rules-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(checksum + b"\n" + body)
            os.replace(name, target)
        finally:
            with suppress(OSError):
                os.unlink(name)
        kept = sorted(target.parent.glob("rules-*.json"), key=lambda path: path.stat().st_mtime)
        for old in kept[:-MOST_KEPT]:
            old.unlink()
    except OSError:
        return


def encode(k: m.Knowledge) -> dict[str, Any]:
    """The rule base as JSON values."""
    tables = k._asdict()
    return {
        name: [list(v) if not isinstance(v, m.Scale) else [v.id, dict(v.words)] for v in table.values()]
        for name, table in tables.items()
        if isinstance(table, Mapping)
    }


def _tuples(value: Any) -> Any:
    return tuple([_tuples(v) for v in value]) if isinstance(value, list) else value


def decode(data: dict[str, Any], key: str) -> m.Knowledge:
    """The rule base from JSON values; KeyError, TypeError or IndexError when they are not of its shape."""
    rows: dict[str, Any] = {name: _tuples(table) for name, table in data.items()}

    def spot(row: Any) -> tuple[Any, ...]:
        return (*row[:-1], m.Spot(*row[-1]))

    def shows(row: Any) -> tuple[m.Show, ...]:
        return tuple(m.Show(*s) for s in row)

    facts = (FactSpec(*row) for row in rows["facts"])
    checks = (m.Check(*spot((*r[:8], tuple(m.Outcome(*o) for o in r[8]), *r[9:]))) for r in rows["checks"])
    mechanisms = (m.Mechanism(*spot((*r[:3], shows(r[3]), *r[4:]))) for r in rows["mechanisms"])
    faults = (
        m.Fault(*spot((*r[:11], tuple(m.Cause(*c) for c in r[11]), shows(r[12]), *r[13:]))) for r in rows["faults"]
    )
    rules = (
        m.ReadingRule(
            r[0], r[1], tuple(m.When(*w) for w in r[2]), tuple(m.When(*w) for w in r[3]), r[4],
            tuple(m.Then(*t) for t in r[5]), *spot(r[6:]),
        )
        for r in rows["rules"]
    )  # fmt: skip
    dangers = (m.Danger(*spot((*r[:10], tuple(m.Raise(*x) for x in r[10]), *r[11:]))) for r in rows["dangers"])
    return m.Knowledge(
        {f.key: f for f in facts},
        {r[0]: m.Source(*spot(r)) for r in rows["sources"]},
        {r[0]: m.Caution(*spot(r)) for r in rows["cautions"]},
        {c.id: c for c in checks},
        {x.id: x for x in mechanisms},
        {f.id: f for f in faults},
        {r[0]: m.Remedy(*spot(r)) for r in rows["remedies"]},
        {r.id: r for r in rules},
        {d.id: d for d in dangers},
        {r[0]: m.Group(*spot(r)) for r in rows["groups"]},
        {r[0]: m.Words(*spot(r)) for r in rows["words"]},
        {r[0]: m.Scale(r[0], r[1]) for r in rows["scales"]},
        {r[0]: m.Replaced(*spot(r)) for r in rows["replaced"]},
        key,
    )
