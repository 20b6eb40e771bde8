"""The sentence lists, and the harmless texts that the rule base itself holds."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from diagnose.knowledge import model as m

FOLDER = Path(__file__).with_name("sentences")
LISTS = (  # what is learned from; the lists kept apart are not among them
    "danger-seen.tsv", "danger-more.tsv", "replies.tsv", *(f"more-{letter}.tsv" for letter in "abcdefgh"),
)  # fmt: skip


class Sentence(NamedTuple):
    """One line of a list: whether it tells danger, its kinds, and what was said."""

    danger: bool
    kinds: tuple[str, ...]
    text: str


def read(name: str) -> list[Sentence]:
    """The sentences of a file: label, kinds, text, with tabs between. Raises ValueError at a line that is none."""
    found = []
    for number, line in enumerate((FOLDER / name).read_text(encoding="utf-8").splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        label, _, rest = line.partition("\t")
        kinds, tab, text = rest.partition("\t")
        if label not in ("danger", "harmless") or not tab or not text.strip():
            raise ValueError(f"{name}:{number}: not 'danger or harmless, kinds, sentence' with tabs between")
        found.append(Sentence(label == "danger", tuple(kinds.split(",")), text))
    return found


def complaint_phrases(k: m.Knowledge) -> list[str]:
    """What callers say for what the rule base takes as a complaint, but for the danger signs."""
    return [p for c in k.checks.values() if c.complaint and c.id not in m.SIGNS for o in c.outcomes for p in o.phrases]


def rule_texts(k: m.Knowledge) -> list[str]:
    """Texts of the rule base that name no danger by themselves: titles, normal outcomes, names of repairs."""
    texts = [c.title for c in k.checks.values() if c.id not in m.SIGNS]
    texts += [c.outcomes[0].says for c in k.checks.values() if c.outcomes]
    texts += [r.title for r in k.remedies.values()]
    texts += [s.title for s in k.sources.values()]
    return list(dict.fromkeys(texts))


def command_lines(k: m.Knowledge) -> list[str]:
    """Lines that a person types to the program: readings, repairs, what-ifs."""
    lines = [f"read {c.id} at unit 5 = {c.normal}" for c in k.checks.values()]
    lines += [f"repaired {r.id} at unit 3" for r in k.remedies.values()]
    lines += [f"what-if {c.id} at 3 = {c.outcome_ids[-1]}" for c in k.checks.values()]
    return lines
