"""Checks over the words that danger is heard by."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from diagnose.knowledge import model as m
from diagnose.source.problems import nearest, shown

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint
NEEDED = ("equipment", "panel", "metal", "lookalikes")  # the listener asks for these by name


def groups(k: m.Knowledge) -> Iterator[Finding]:
    """A phrase names groups that exist, each group is named, and the listener's own are there."""
    if not k.words and not k.groups:
        return
    named: set[str] = set(NEEDED)
    for words in k.words.values():
        for text in (*words.phrases, *words.together, *words.harmless):
            for name in _groups(text):
                named.add(name)
                if name not in k.groups:
                    yield (words.spot, f"words {words.id}: there is no group {shown(name)}", nearest(name, k.groups), "unknown-name")
    for group in k.groups.values():
        if group.id not in named and not group.calm:
            yield (group.spot, f"group {group.id} is named by no phrase", "remove it, or name it as <" + group.id + ">", "unused")
    spot = [*(w.spot for w in k.words.values()), *(g.spot for g in k.groups.values())][0]
    for name in NEEDED:
        if name not in k.groups:
            yield (spot, f"there is no group '{name}'", "add it: denial and slips of the finger are judged by it", "unknown-name")


def phrases(k: m.Knowledge) -> Iterator[Finding]:
    """Each phrase says something, once, in small letters; what belongs together has at least two parts."""
    for words in k.words.values():
        for name, texts in (("phrases", words.phrases), ("together", words.together), ("harmless", words.harmless)):
            yield from _texts(f"words {words.id}", words.spot, name, texts)
        for text in words.together:
            if "+" not in text:
                yield (
                    words.spot, f"words {words.id}: {shown(text)} has one part",
                    "write the parts with + between them, or make it a phrase", "phrases",
                )
        for text in set(words.phrases) & set(words.harmless):
            yield (words.spot, f"words {words.id}: {shown(text)} is both a phrase and harmless", "keep one", "phrases")
    for group in k.groups.values():
        yield from _texts(f"group {group.id}", group.spot, "words", group.words)


def _texts(label: str, spot: m.Spot, name: str, texts: Iterable[str]) -> Iterator[Finding]:
    for text in texts:
        if not text.replace("+", " ").strip() or any(not part.strip() for part in text.split("+")):
            yield (spot, f"{label}: {shown(text)} in '{name}' has an empty part", "write a word on each side of +", "phrases")
        if text != text.lower():
            yield (spot, f"{label}: {shown(text)} in '{name}' has capital letters", "write small letters; typed capitals are heard too", "phrases")


def _groups(text: str) -> list[str]:
    return [part[:-1] for word in text.split() for part in word.replace("|", " ").split() if part.endswith(">") for part in [part.lstrip("<")]]
