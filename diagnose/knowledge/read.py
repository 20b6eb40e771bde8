"""YAML blocks to the knowledge model. Only the shape of a block is checked here; see lint.py for the rest."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from diagnose.knowledge import model as m
from diagnose.knowledge.fields import Fields
from diagnose.quantities import is_unit, units
from diagnose.site.model import FactSpec
from diagnose.site.places import KINDS, sections
from diagnose.site.relations import WORDS as RELATIONS
from diagnose.source.located import Block, Row, Text, read_file
from diagnose.source.problems import InputError, Problem, nearest, shown

FACT_KINDS = ("quantity", "count", "choice", "yes-no", "text", "units")


def _spot(f: Fields) -> m.Spot:
    return m.Spot(f.block.mark.file, f.block.mark.line)


def _sources(f: Fields) -> tuple[str, ...]:
    return f.texts("sources", required=True)


def _fact(f: Fields) -> FactSpec:
    kind = f.word("kind", FACT_KINDS)
    choices = {key: " ".join(words) for key, words in f.words_map("choices", kind == "choice")}
    unit = f.text("unit", kind == "quantity")
    if kind == "quantity" and unit and not is_unit(unit):
        f.problem(f.mark("unit"), f"there is no unit {shown(unit)}", nearest(unit, [u.name for u in units()]))
    key = f.id("fact")
    section, _, name = key.partition(".")
    if key and (section not in sections() or not name or "." in name):
        f.problem(f.mark("fact"), f"{shown(key)} is no key of an install record", "write section.name; sections: " + ", ".join(sections()))
    return FactSpec(
        key, f.text("title"), kind, unit, choices, f.text("ask"), f.text("find", False), _sources(f), _spot(f)
    )


def _source(f: Fields) -> m.Source:
    return m.Source(f.id("source"), f.text("title"), f.word("kind", m.SOURCE_KINDS), _spot(f))


def _caution(f: Fields) -> m.Caution:
    return m.Caution(f.id("caution"), f.text("title"), f.text("says"), f.word("for", m.AUDIENCES, "everybody"), _sources(f), _spot(f))


def _check(f: Fields) -> m.Check:
    phrases = dict(f.words_map("phrases"))
    outcomes = tuple(
        m.Outcome(key, " ".join(says), phrases.get(key, ())) for key, says in f.words_map("outcomes", True)
    )
    for key in phrases:
        if key not in [o.id for o in outcomes]:
            f.problem(f.mark("phrases"), f"'phrases' names {shown(key)}, which is no outcome", nearest(key, [o.id for o in outcomes]))
    baseline = tuple((key, words[0]) for key, words in f.words_map("baseline") if words)
    return m.Check(
        f.id("check"), f.text("title"), f.word("at", KINDS), f.word("kind", m.CHECK_KINDS), f.text("ask"),
        f.text("how"), f.word("instrument", m.INSTRUMENTS, "none"), f.text("gauge", False), outcomes,
        f.yes("complaint"), f.yes("sweep"), baseline, f.word("role", m.ROLES),
        f.word("state", m.STATES), f.word("reach", m.REACHES), f.number("minutes", 0.2, 240),
        f.word("needs", m.NEEDS, "none"), f.texts("cautions"), _sources(f), _spot(f),
    )  # fmt: skip


def _show(f: Fields) -> m.Show:
    where = f.texts("where") or ("here",)
    for word in where:
        if word not in RELATIONS:
            f.problem(f.mark("where"), f"'where' cannot be {shown(word)}", "known: " + ", ".join(RELATIONS))
    show = m.Show(
        f.text("check"), f.text("outcome"), f.text("how-often"), tuple(w for w in where if w in RELATIONS),
        f.words_map("given"), f.block.mark.line,
    )  # fmt: skip
    f.finish()
    return show


def _cause(f: Fields) -> m.Cause:
    cause = m.Cause(f.text("mechanism"), f.text("how-often"), f.words_map("given"), f.block.mark.line)
    f.finish()
    return cause


def _mechanism(f: Fields) -> m.Mechanism:
    return m.Mechanism(
        f.id("mechanism"), f.text("title"), f.text("says"), tuple(_show(row) for row in f.rows("shows", True)),
        _sources(f), _spot(f),
    )  # fmt: skip


def _fault(f: Fields) -> m.Fault:
    return m.Fault(
        f.id("fault"), f.text("title"), f.text("says"), f.word("at", KINDS), f.word("end", ("both", "near", "far"), "both"),
        f.word("nature", m.NATURES), f.word("severity", m.SEVERITIES), f.words_map("given"), f.words_map("unless"),
        f.text("prior"), f.texts("alters"), tuple(_cause(row) for row in f.rows("causes")),
        tuple(_show(row) for row in f.rows("shows")), f.text("remedy"), f.texts("prove", True),
        f.texts("looks-the-same", True), _sources(f), _spot(f),
    )  # fmt: skip


def _remedy(f: Fields) -> m.Remedy:
    return m.Remedy(
        f.id("remedy"), f.text("title"), f.text("do"), f.word("role", m.ROLES), f.word("state", m.STATES),
        f.word("reach", m.REACHES), f.number("minutes", 0.2, 2880), f.word("needs", m.NEEDS, "none"), f.texts("parts"), f.texts("cautions"),
        _sources(f), _spot(f),
    )  # fmt: skip


def _when(f: Fields) -> m.When:
    sorts = [s for s in ("reading", "fact", "finding") if s in f.block]
    if len(sorts) != 1:
        f.problem(f.block.mark, "a condition names one of reading, fact, finding", "for instance {reading: x, outcome: y}")
        return m.When("fact", "", (), "")
    sort = sorts[0]
    key = f.text(sort)
    words: tuple[str, ...] = ()
    pattern = ""
    if sort == "reading":
        words = f.texts("outcome", required=True)
        pattern = f.word("pattern", m.PATTERNS, "") if "pattern" in f.block else ""
    elif sort == "fact":
        words = f.texts("is", required=True)
    f.finish()
    return m.When(sort, key, words, pattern)


def _then(f: Fields) -> m.Then:
    sorts = ("finding", "violation", "excludes", "settles", "prior", "caution", "stop-use", "ask")
    named = [s for s in sorts if s in f.block]
    if len(named) != 1:
        f.problem(f.block.mark, "a conclusion names one of " + ", ".join(sorts), "for instance {finding: x}")
        return m.Then("finding", "", "")
    sort = named[0]
    key = f.name_of(sort) if sort in ("finding", "violation") else f.text(sort)
    word = f.text("is") if sort == "prior" else ""
    f.finish()
    return m.Then(sort, key, word)


def _rule(f: Fields) -> m.ReadingRule:
    when = tuple(_when(row) for row in f.rows("when", True))
    unless = tuple(_when(row) for row in f.rows("unless"))
    default = "any" if any(w.sort == "reading" for w in when) else "same"
    return m.ReadingRule(
        f.id("rule"), f.text("title"), when, unless, f.word("place", ("same", "any"), default) == "same",
        tuple(_then(row) for row in f.rows("then", True)), f.word("level", m.LEVELS), f.text("says"),
        _sources(f), _spot(f),
    )  # fmt: skip


def _raise(f: Fields) -> m.Raise:
    found = m.Raise(f.text("check"), f.texts("outcome", required=True), f.block.mark.line)
    f.finish()
    return found


def _danger(f: Fields) -> m.Danger:
    return m.Danger(
        f.id("danger"), f.text("title"), f.word("level", m.DANGER_LEVELS, "stop"), f.yes("emergency"), f.text("says"),
        f.texts("first", required=True), f.text("make-safe", False), f.word("by", m.ROLES, "technician"),
        tuple(tuple(text.split(" or ")) for text in f.texts("proofs")), f.texts("kit"),
        tuple(_raise(row) for row in f.rows("raised-by")), _sources(f), _spot(f),
    )  # fmt: skip


def _group(f: Fields) -> m.Group:
    return m.Group(f.id("group"), f.yes("calm"), f.texts("words", required=True), _sources(f), _spot(f))


def _words(f: Fields) -> m.Words:
    return m.Words(
        f.id("words"), f.text("title"), f.texts("phrases", required=True), f.texts("together"), f.texts("harmless"),
        _sources(f), _spot(f),
    )  # fmt: skip


def _scale(f: Fields) -> m.Scale:
    f.text("says", False)
    _sources(f)
    words: dict[str, float] = {}
    for key, value in f.words_map("words", True):
        try:
            words[key] = float(value[0])
        except (ValueError, IndexError):
            words[key] = -1.0
        if not 0 < words[key] < 1:
            f.problem(f.mark("words"), f"the word {shown(key)} has no number between 0 and 1", "for instance usually: 0.8")
            words[key] = 0.5
    return m.Scale(f.id("scale"), words)


def _replaced(f: Fields) -> m.Replaced:
    kind = f.word("kind", m.REPLACED_KINDS)
    name, of = f.id("replaced"), f.name_of("of", required=kind == "outcome")
    if of and kind != "outcome":
        f.problem(f.mark("of"), f"'of' stands beside an outcome only, not beside a {kind}", "leave it out")
    return m.Replaced(m.replaced_id(kind, name, of), kind, of, f.name_of("by", required=False), f.text("why"), _spot(f))


READERS: dict[str, Callable[[Fields], Any]] = {
    "fact": _fact, "source": _source, "caution": _caution, "check": _check, "mechanism": _mechanism,
    "fault": _fault, "remedy": _remedy, "rule": _rule, "danger": _danger, "group": _group,
    "words": _words, "scale": _scale, "replaced": _replaced,
}  # fmt: skip


def rule_files(folder: Path) -> list[Path]:
    """Every rule file under `folder`, in order. Whatever is called *.yaml counts, so that nothing is passed over."""
    return sorted(folder.rglob("*.yaml"))


def read_folder(folder: Path, shown_as: str = "rules") -> tuple[dict[str, dict[str, Any]], list[Problem]]:
    """Every block under `folder`, by sort and id, and every problem met on the way."""
    blocks: dict[str, dict[str, Any]] = {sort: {} for sort in READERS}
    first_at: dict[tuple[str, str], str] = {}
    problems: list[Problem] = []
    for path in rule_files(folder):
        name = f"{shown_as}/{path.relative_to(folder).as_posix()}"
        try:
            document = read_file(path, name)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if not isinstance(document, Row):
            problems.append(Problem(document.mark, "a rule file is a list of blocks", "begin each with '- fault: ...'", "block"))
            continue
        for item in document:
            if not isinstance(item, Block) or not item:
                problems.append(Problem(item.mark, "a block is a mapping", "begin it with '- fault: ...'", "block"))
                continue
            _read_block(item, blocks, first_at, problems)
    return blocks, problems


def _read_block(
    item: Block, blocks: dict[str, dict[str, Any]], first_at: dict[tuple[str, str], str], problems: list[Problem]
) -> None:
    sort = next(iter(item))
    if sort not in READERS:
        problems.append(
            Problem(item.mark, f"a block cannot begin with {shown(sort)}", nearest(sort, READERS) or "known: " + ", ".join(READERS), "block")
        )
        return
    name = item[sort]
    label = f"{sort} {name}" if isinstance(name, Text) and name else sort
    fields = Fields(item, problems, label)
    made = READERS[sort](fields)
    fields.finish()
    key = made.key if isinstance(made, FactSpec) else made.id
    if (sort, key) in first_at:
        problems.append(Problem(item.mark, f"{label} is defined twice", f"the first is at {first_at[sort, key]}", "twice"))
        return
    first_at[sort, key] = f"{item.mark.file}:{item.mark.line}"
    blocks[sort][key] = made
