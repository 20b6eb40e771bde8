"""The fault catalogue as Markdown, made from the rule base.

    python -m diagnose.report.catalogue > docs/catalogue.md

Pure but for `main`: the same rule base gives the same text.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping

from diagnose.gauges import load_all
from diagnose.gauges.base import PREDICTORS
from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.report.text import REACH_WORDS, ROLE_WORDS, STATE_WORDS, minutes
from diagnose.site.places import KINDS

FAMILIES = {
    "supply": "Supply and branch circuit",
    "load": "Shared load and load management",
    "heat": "Heat",
    "groundfault": "Ground fault and leakage",
    "damage": "Damage, water and wear",
    "pilot": "Control pilot, handle and vehicle",
    "trunk": "Trunk between the units",
    "protocol": "Polling and data on the trunk",
    "ethernet": "Ethernet uplink",
    "cellular": "Cellular uplink",
    "backoffice": "Back office",
    "control": "Remote-enable input",
}
WHERE_WORDS = {
    "here": "here",
    "before": "nearer to the controller",
    "beyond": "farther from the controller",
    "same-trunk": "anywhere on the trunk",
    "same-circuit": "at units on the same branch circuit",
    "same-panel": "at units on the same panel",
    "elsewhere": "elsewhere on the site",
}
NATURES = {"fault": "a fault", "not-a-fault": "nothing broken", "outside": "outside the station"}
DANGER = "danger-"  # anchors of dangers, apart from those of faults
MECHANISM = "mechanism-"  # anchors of mechanisms, apart from those of faults
GENERATED = "<!-- Made by `python -m diagnose.report.catalogue`. Change the rules, not this file. -->"


def family(spot: m.Spot) -> str:
    """The folder of the rule base in which a block stands."""
    parts = spot.file.split("/")
    return parts[1] if len(parts) > 2 else "other"


def catalogue(k: m.Knowledge) -> str:
    """Every fault of the rule base by family, as one Markdown text."""
    groups: dict[str, list[m.Fault]] = {name: [] for name in FAMILIES}
    for fault in k.faults.values():
        groups.setdefault(family(fault.spot), []).append(fault)
    groups = {name: faults for name, faults in groups.items() if faults}
    lines = [GENERATED, "", "# Fault catalogue", "", *_opening(k, groups)]
    for name, faults in groups.items():
        lines += ["", f"## {_title(name)}"]
        for fault in faults:
            lines += ["", *fault_lines(k, fault)]
    lines += ["", "## Dangers", "", *_dangers(k)]
    lines += ["", "## What follows", "", "Several faults come to light in the same way. That way is written once."]
    for mechanism in sorted(k.mechanisms.values(), key=lambda x: x.title):
        lines += ["", f'<a id="{MECHANISM}{mechanism.id}"></a>', "", f"### {mechanism.title}", "", mechanism.says, ""]
        lines += [f"- {_show(k, show)}" for show in mechanism.shows]
        lines.append(f"- Sources: {', '.join(mechanism.sources)}.")
    lines += ["", "## Sources", ""]
    used = {s for f in k.faults.values() for s in f.sources} | {s for x in k.mechanisms.values() for s in x.sources}
    used |= {s for d in k.dangers.values() for s in d.sources}
    lines += [f"- `{s.id}`: {s.title} ({s.kind.replace('-', ' ')})" for s in sorted(k.sources.values()) if s.id in used]
    return "\n".join(lines) + "\n"


def _title(name: str) -> str:
    return FAMILIES.get(name, name.replace("-", " ").capitalize())


def _anchor(title: str) -> str:
    """The anchor that a heading gets: lower case, spaces to hyphens, punctuation gone."""
    kept = "".join(c for c in title.lower() if c.isalnum() or c in " -")
    return kept.replace(" ", "-")


def _opening(k: m.Knowledge, groups: Mapping[str, list[m.Fault]]) -> Iterator[str]:
    words = ", ".join(f"{word} {chance:.0%}" for word, chance in k.scales["how-often"].words.items())
    yield f"{len(k.faults)} faults, made from the rule base that the program runs."
    yield ""
    yield "Each entry says where the fault sits, what it shows, who repairs it, and what proves the repair."
    yield f"How often an outcome is seen when this fault alone is there: {words}."
    yield "`gauge` means that it is computed from the install record."
    yield "What follows from a mechanism is seen as often as both words together say."
    yield "How to read the numbers: [how-it-decides.md](how-it-decides.md)."
    yield ""
    for name, faults in groups.items():
        yield f"- [{_title(name)}](#{_anchor(_title(name))}) ({len(faults)})"
    yield f"- [Dangers](#dangers) ({len(k.dangers)})"
    yield "- [What follows](#what-follows), by mechanism"
    yield "- [Sources](#sources)"


def fault_lines(k: m.Knowledge, f: m.Fault) -> list[str]:
    """The entry of one fault."""
    remedy = k.remedies[f.remedy]
    end = {"near": ", the controller's", "far": ", the far one"}.get(f.end, "")
    lines = [f'<a id="{f.id}"></a>', "", f"### {f.title}", "", f"`{f.id}`. {f.says}", ""]
    lines.append(f"- Where: {KINDS[f.at].says}{end}. {NATURES[f.nature].capitalize()}; {f.severity.replace('-', ' ')}; {f.prior.replace('-', ' ')}.")
    if f.given:
        lines.append(f"- Only where: {_given(f.given)}.")
    if f.unless:
        lines.append(f"- Not where: {_given(f.unless)}.")
    lines.append("- Shows:")
    lines += [f"  - {row}" for row in _shown(k, f)]
    lines.append(f"- Remedy: {remedy.title}, {minutes(remedy.minutes)}. {remedy.do}")
    lines.append(f"- Who: {ROLE_WORDS[remedy.role]}, {REACH_WORDS[remedy.reach]}; {STATE_WORDS[remedy.state]}.")
    if remedy.parts:
        lines.append(f"- Parts: {', '.join(remedy.parts)}.")
    if remedy.cautions:
        lines.append(f"- Caution: {'; '.join(k.cautions[c].title for c in remedy.cautions)}.")
    lines.append(f"- Proof: {'; '.join(k.checks[c].title for c in f.prove)}, back to normal.")
    lines.append(f"- Looks the same: {'; '.join(f'[{k.faults[o].title}](#{o})' for o in f.looks_the_same)}.")
    lines.append(f"- Sources: {', '.join(f.sources)}.")
    return lines


def _dangers(k: m.Knowledge) -> Iterator[str]:
    """Every danger: what raises it, what everybody is told, and who ends it by which readings."""
    yield "A danger that stops use ends when a qualified person has made the place safe, it was repaired, and the proofs read normal."
    yield "A hold keeps everybody below technician from plugging in, resetting or trying elsewhere."
    for d in k.dangers.values():
        word = "Stops use" if d.level == "stop" else "Holds"
        yield from ("", f'<a id="{DANGER}{d.id}"></a>', "", f"### {d.title[0].upper()}{d.title[1:]}", "")
        yield f"`{d.id}`. {word}.{' The emergency number comes first.' if d.emergency else ''} {_filled(d.says)}"
        yield ""
        for r in d.raised_by:
            check = k.checks[r.check]
            yield f"- Raised by {check.title}: {', or '.join(o.says for o in check.outcomes if o.id in r.outcomes)}."
        yield from (f"- Raised by the rule {r.title}." for r in k.rules.values() if any((t.sort, t.key) == ("stop-use", d.id) for t in r.then))
        yield f"- Everybody is told: {'; '.join(k.cautions[c].title for c in d.first)}."
        if d.make_safe:
            above = "" if d.by == m.ROLES[-1] else " or above"
            yield f"- Made safe by: {ROLE_WORDS[d.by]}{above}. {k.cautions[d.make_safe].says}"
        if d.proofs:
            yield f"- Proofs: {'; '.join(' or '.join(k.checks[c].title for c in either) for either in d.proofs)}, normal."
        if d.kit:
            yield f"- Taken along: {', '.join(d.kit)}."
        yield f"- Sources: {', '.join(d.sources)}."


def _filled(text: str) -> str:
    """A text with general words where the program fills in a place or a number."""
    return text.replace("{place}", "the place").replace("{emergency}", "the emergency number")


def _given(given: m.Given) -> str:
    return ", ".join(f"`{key}` is {' or '.join(words)}" for key, words in given)


def _shown(k: m.Knowledge, f: m.Fault) -> Iterator[str]:
    for show in f.shows:
        yield _show(k, show)
    if f.alters:
        computed = sorted({c.title for c in k.checks.values() if c.gauge in _computed()})
        altered = " and ".join(f.alters).replace("-", " ")
        yield f"{'; '.join(computed)}: computed for this site, with {altered}"
    for cause in f.causes:
        mechanism = k.mechanisms[cause.mechanism]
        given = f", where {_given(cause.given)}" if cause.given else ""
        yield f"and what follows from [{mechanism.title}](#{MECHANISM}{mechanism.id}) - {cause.how_often}{given}"


def _computed() -> Iterable[str]:
    load_all()
    return PREDICTORS


def _show(k: m.Knowledge, show: m.Show) -> str:
    check = k.checks[show.check]
    outcome = check.outcome(show.outcome)
    where = _where(show.where)
    given = f", where {_given(show.given)}" if show.given else ""
    says = outcome.says if outcome else show.outcome
    return f"{check.title}: {says}{where} - {show.how_often}{given}"


def _where(words: tuple[str, ...]) -> str:
    if words == ("here",):
        return ""
    if set(words) - {"same-trunk"} == {"here", "before", "beyond"}:
        return " (all along the trunk)"
    return f" ({', '.join(WHERE_WORDS[w] for w in words)})"


def main() -> None:
    """Print the catalogue of the shipped rule base."""
    sys.stdout.buffer.write(catalogue(load()).encode())  # the same bytes under every locale


if __name__ == "__main__":
    main()
