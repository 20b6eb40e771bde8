"""Checks over a whole rule base: names, reach, roles, dead knowledge. Each is one small function."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from diagnose.gauges import load_all
from diagnose.gauges.base import AUDITS, PREDICTORS, READINGS, STRENGTHS
from diagnose.knowledge import lint_dangers, lint_effects, lint_listen, lint_safety, lint_steps, lint_words
from diagnose.knowledge import model as m
from diagnose.site.places import visible
from diagnose.source.problems import Mark, Problem, nearest, shown

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint


def lint(k: m.Knowledge) -> list[Problem]:
    """Every problem of the rule base, each at its block or line; the same words may come twice, for two names."""
    load_all()
    found = [
        Problem(Mark(spot.file, spot.line, 1), message, hint, name)
        for check in CHECKS
        for spot, message, hint, name in check(k)
        if not message.endswith(" ''")  # the name is missing, which was told when the block was read
    ]
    return found


def _unknown(spot: m.Spot, label: str, what: str, word: str, known: Iterable[str]) -> Finding:
    return (spot, f"{label}: there is no {what} {shown(word)}", nearest(word, known), "unknown-name")


def _blocks(k: m.Knowledge) -> Iterator[tuple[str, m.Spot, tuple[str, ...]]]:
    for sort, table in (
        ("caution", k.cautions), ("check", k.checks), ("mechanism", k.mechanisms), ("fault", k.faults),
        ("remedy", k.remedies), ("rule", k.rules), ("danger", k.dangers),
        ("group", k.groups), ("words", k.words),
    ):  # fmt: skip
        for block in table.values():
            yield f"{sort} {block.id}", block.spot, block.sources


def sources(k: m.Knowledge) -> Iterator[Finding]:
    """Each block names sources, and they exist; each source is named by somebody."""
    used: set[str] = {s for spec in k.facts.values() for s in spec.sources} | {"common-practice", "from-memory", "five-word-scale"}
    for label, spot, names in _blocks(k):
        used.update(names)
        for name in names:
            if name not in k.sources:
                yield _unknown(spot, label, "source", name, k.sources)
    for spec in k.facts.values():
        for name in spec.sources:
            if name not in k.sources:
                yield _unknown(m.Spot(*spec.spot), f"fact {spec.key}", "source", name, k.sources)
    for source in k.sources.values():
        if source.id not in used:
            yield (source.spot, f"source {source.id} is named by no block", "remove it, or name it where it belongs", "unused")


def _show_names(k: m.Knowledge, label: str, spot: m.Spot, show: m.Show, at: str | None) -> Iterator[Finding]:
    spot = m.Spot(spot.file, show.line)
    check = k.checks.get(show.check)
    if check is None:
        yield _unknown(spot, label, "check", show.check, k.checks)
    elif show.outcome not in check.outcome_ids:
        yield (spot, f"{label}: check {show.check} has no outcome {shown(show.outcome)}", nearest(show.outcome, check.outcome_ids), "unknown-name")
    elif show.outcome == check.normal and not show.given:
        yield (spot, f"{label}: {shown(show.outcome)} is the normal outcome of {show.check}", "leave the line out", "impossible-outcome")
    yield from _often(k, label, spot, show.how_often)
    if at:
        yield from _given(k, label, spot, show.given, at)


def _often(k: m.Knowledge, label: str, spot: m.Spot, word: str) -> Iterator[Finding]:
    if word.startswith(m.GAUGE):
        if word[len(m.GAUGE) :] not in STRENGTHS:
            yield _unknown(spot, label, "strength gauge", word[len(m.GAUGE) :], STRENGTHS)
    elif word not in k.scales["how-often"].words:
        yield _unknown(spot, label, "how-often word", word, k.scales["how-often"].words)


def _given(k: m.Knowledge, label: str, spot: m.Spot, given: m.Given, at: str) -> Iterator[Finding]:
    for key, words in given:
        spec = k.facts.get(key)
        if spec is not None and spec.kind in ("choice", "yes-no"):
            known: Iterable[str] = spec.choices if spec.kind == "choice" else ("yes", "no")
            if not known:
                continue
            section = spec.section
        elif key in AUDITS:
            known, section = AUDITS[key].outcomes, AUDITS[key].at
        elif spec is not None:
            yield (spot, f"{label}: {key} is a {spec.kind}, and rules see no numbers", "use an audit gauge", "number-in-rule")
            continue
        else:
            yield _unknown(spot, label, "install fact or audit gauge", key, [*k.facts, *AUDITS])
            continue
        if section not in visible(at):
            yield (spot, f"{label}: {key} is not known at a {at}", f"a {at} sees: " + ", ".join(visible(at)), "out-of-sight")
        for word in words:
            if word not in known:
                yield (spot, f"{label}: {key} is never {shown(word)}", nearest(word, known) or "known: " + ", ".join(known), "unknown-name")


def faults(k: m.Knowledge) -> Iterator[Finding]:
    """Every name in a fault exists, and some check can show the fault."""
    for f in k.faults.values():
        label = f"fault {f.id}"
        for show in f.shows:
            yield from _show_names(k, label, f.spot, show, f.at)
        for cause in f.causes:
            spot = m.Spot(f.spot.file, cause.line)
            if cause.mechanism not in k.mechanisms:
                yield _unknown(spot, label, "mechanism", cause.mechanism, k.mechanisms)
            yield from _often(k, label, spot, cause.how_often)
            yield from _given(k, label, spot, cause.given, f.at)
        yield from _given(k, label, f.spot, (*f.given, *f.unless), f.at)
        if f.prior not in k.scales["prior"].words:
            yield _unknown(f.spot, label, "prior word", f.prior, k.scales["prior"].words)
        if f.remedy not in k.remedies:
            yield _unknown(f.spot, label, "remedy", f.remedy, k.remedies)
        for other in f.looks_the_same:
            if other not in k.faults or other == f.id:
                yield _unknown(f.spot, label, "other fault", other, [i for i in k.faults if i != f.id])
        for name in f.alters:
            if name not in m.ALTERATIONS:
                yield _unknown(f.spot, label, "alteration", name, m.ALTERATIONS)
        if f.end != "both" and f.at != "trunk-end":
            yield (f.spot, f"{label}: 'end' goes with 'at: trunk-end' only", "remove 'end'", "block")
        if not f.shows and not f.causes and not f.alters:
            yield (f.spot, f"{label}: no check can show it", "add 'shows' or 'causes'", "never-shown")


def proofs(k: m.Knowledge) -> Iterator[Finding]:
    """What proves a repair must be something the fault disturbs."""
    for f in k.faults.values():
        touched = shown_checks(k, f)
        for name in f.prove:
            if name not in k.checks:
                yield _unknown(f.spot, f"fault {f.id}", "check", name, k.checks)
        if f.prove and not touched & set(f.prove):
            yield (
                f.spot, f"fault {f.id}: none of its proofs would read abnormal with the fault there",
                "prove by one of: " + ", ".join(sorted(touched)[:6]), "empty-proof",
            )


def shown_checks(k: m.Knowledge, fault: m.Fault) -> set[str]:
    """The checks that a fault can make abnormal, directly, through mechanisms or through the trunk network."""
    touched = {s.check for s in fault.shows}
    for cause in fault.causes:
        mechanism = k.mechanisms.get(cause.mechanism)
        touched |= {s.check for s in mechanism.shows} if mechanism else set()
    if fault.alters:
        touched |= {c.id for c in k.checks.values() if c.gauge in PREDICTORS}
    return touched


def mechanisms(k: m.Knowledge) -> Iterator[Finding]:
    """Names in mechanisms exist, and some fault sets each going."""
    caused = {c.mechanism for f in k.faults.values() for c in f.causes}
    for mech in k.mechanisms.values():
        for show in mech.shows:
            yield from _show_names(k, f"mechanism {mech.id}", mech.spot, show, "unit")
        if mech.id not in caused:
            yield (mech.spot, f"mechanism {mech.id}: no fault causes it", "name it in a fault's 'causes', or remove it", "unused")


def checks(k: m.Knowledge) -> Iterator[Finding]:
    """A check's outcomes, gauge, role and state agree with each other."""
    for c in k.checks.values():
        label = f"check {c.id}"
        ids = c.outcome_ids
        if len(ids) < 2 or len(set(ids)) != len(ids):
            yield (c.spot, f"{label}: wants at least two different outcomes", "the normal one first", "impossible-outcome")
        if set(ids) & set(m.NO_ANSWER):
            yield (c.spot, f"{label}: 'do-not-know' and 'cannot-reach' are built in", "remove them", "impossible-outcome")
        for key, word in c.baseline:
            if key not in ids[1:]:
                yield (c.spot, f"{label}: 'baseline' names {shown(key)}, which is no abnormal outcome", nearest(key, ids[1:]), "unknown-name")
            yield from _often(k, label, c.spot, word)
        if c.gauge:
            gauge = READINGS.get(c.gauge)
            if gauge is None:
                yield _unknown(c.spot, label, "reading gauge", c.gauge, READINGS)
            elif tuple(gauge.outcomes) != ids:
                yield (
                    c.spot, f"{label}: its outcomes differ from those of gauge {c.gauge}",
                    "they are: " + ", ".join(gauge.outcomes), "gauge-outcomes",
                )
            elif gauge.at != c.at:
                yield (c.spot, f"{label}: gauge {c.gauge} looks at a {gauge.at}", f"write 'at: {gauge.at}'", "gauge-place")
            if c.kind != "measurement":
                yield (c.spot, f"{label}: a check with a gauge is a measurement", "write 'kind: measurement'", "block")
        if c.sweep and c.at not in ("unit", "segment"):
            yield (c.spot, f"{label}: a sweep goes over units or segments", "remove 'sweep'", "block")
        if c.complaint and not any(o.phrases for o in c.outcomes[1:]):
            yield (c.spot, f"{label}: a complaint needs phrases", "add what callers say under 'phrases'", "phrases")
        yield from _gate(k, label, c.spot, c.role, c.state, c.reach, c.cautions)


def _gate(
    k: m.Knowledge, label: str, spot: m.Spot, role: str, state: str, reach: str, cautions: tuple[str, ...]
) -> Iterator[Finding]:
    for name in cautions:
        if name not in k.cautions:
            yield _unknown(spot, label, "caution", name, k.cautions)
    if state in ("dead-verified", "live") and not m.may(role, "technician"):
        yield (spot, f"{label}: {m.a_role(role)} opens and measures nothing", "role technician or above, or another state", "role")
    elif role in ("caller", "help-desk") and reach == "on-site":
        yield (spot, f"{label}: {m.a_role(role)} works by phone or remotely", "write 'reach: phone' or 'remote'", "role")
    if state in ("dead-verified", "live") and reach != "on-site":
        yield (spot, f"{label}: state {state} means somebody is there", "write 'reach: on-site'", "role")
    if state == "live" and "live-work" not in cautions:
        yield (spot, f"{label}: an energized step without its caution", "add 'live-work' to cautions", "caution")
    if state == "dead-verified" and "lock-out" not in cautions:
        yield (spot, f"{label}: a step on dead equipment without its caution", "add 'lock-out' to cautions", "caution")


def remedies(k: m.Knowledge) -> Iterator[Finding]:
    """Each remedy is gated like a check, and some fault uses it."""
    used = {f.remedy for f in k.faults.values()}
    for r in k.remedies.values():
        yield from _gate(k, f"remedy {r.id}", r.spot, r.role, r.state, r.reach, r.cautions)
        if r.id not in used:
            yield (r.spot, f"remedy {r.id}: no fault uses it", "name it in a fault, or remove it", "unused")


def unused(k: m.Knowledge) -> Iterator[Finding]:
    """A check or caution that no fault, rule or danger mentions is dead knowledge."""
    shows = [s for f in k.faults.values() for s in f.shows] + [s for x in k.mechanisms.values() for s in x.shows]
    used = {s.check for s in shows}
    used |= {w.key for r in k.rules.values() for w in r.when if w.sort == "reading"}
    used |= {x.check for d in k.dangers.values() for x in d.raised_by} | {c for d in k.dangers.values() for either in d.proofs for c in either}
    if any(f.alters for f in k.faults.values()):
        used |= {c.id for c in k.checks.values() if c.gauge in PREDICTORS}
    for c in k.checks.values():
        if c.id not in used:
            yield (c.spot, f"check {c.id}: no fault, mechanism, rule or danger uses it", "name it where it tells something, or remove it", "unused")
    cited = {n for c in k.checks.values() for n in c.cautions} | {n for r in k.remedies.values() for n in r.cautions}
    cited |= {t.key for r in k.rules.values() for t in r.then if t.sort == "caution"}
    cited |= {n for d in k.dangers.values() for n in (*d.first, d.make_safe)}
    for caution in k.cautions.values():
        if caution.id not in cited and caution.id != "local-code":
            yield (caution.spot, f"caution {caution.id}: nothing cites it", "cite it, or remove it", "unused")


def rules(k: m.Knowledge) -> Iterator[Finding]:
    """Names in reading rules exist; a finding that a rule waits for is made by some rule."""
    made = {t.key for r in k.rules.values() for t in r.then if t.sort in ("finding", "violation")}
    for r in k.rules.values():
        label = f"rule {r.id}"
        for w in (*r.when, *r.unless):
            if w.sort == "reading":
                check = k.checks.get(w.key)
                if check is None:
                    yield _unknown(r.spot, label, "check", w.key, k.checks)
                    continue
                for word in w.words:
                    if word not in check.outcome_ids:
                        yield (r.spot, f"{label}: check {w.key} has no outcome {shown(word)}", nearest(word, check.outcome_ids), "unknown-name")
                if w.pattern and not check.sweep:
                    yield (r.spot, f"{label}: 'pattern' goes with sweep checks only", "remove 'pattern'", "block")
            elif w.sort == "fact":
                yield from _given(k, label, r.spot, ((w.key, w.words),), "unit" if not _panel_fact(k, w.key) else "panel")
            elif w.key not in made:
                yield _unknown(r.spot, label, "finding", w.key, made)
        for w in r.unless:
            if w.sort != "finding":
                yield (r.spot, f"{label}: 'unless' takes findings only", "a reading not taken is unknown, not absent", "negation")
        yield from _then_names(k, label, r)


def _panel_fact(k: m.Knowledge, key: str) -> bool:
    return key in AUDITS and AUDITS[key].at == "panel"


def _then_names(k: m.Knowledge, label: str, r: m.ReadingRule) -> Iterator[Finding]:
    tables: Mapping[str, Mapping[str, object]] = {
        "excludes": k.faults, "settles": k.faults, "prior": k.faults, "caution": k.cautions, "ask": k.checks,
    }  # fmt: skip
    for t in r.then:
        if t.sort in tables and t.key not in tables[t.sort]:
            yield _unknown(r.spot, label, {"caution": "caution", "ask": "check"}.get(t.sort, "fault"), t.key, tables[t.sort])
        if t.sort == "prior" and t.word not in k.scales["prior"].words:
            yield _unknown(r.spot, label, "prior word", t.word, k.scales["prior"].words)


def replaced(k: m.Knowledge) -> Iterator[Finding]:
    """What took the place of a name is there, and the name itself is not used again."""
    tables: Mapping[str, Mapping[str, object]] = {
        "check": k.checks, "remedy": k.remedies, "fault": k.faults, "fact": k.facts,
    }  # fmt: skip
    for row in k.replaced.values():
        old = row.id.rpartition(" ")[2]
        label = f"replaced {old}"
        known: Iterable[str]
        if row.kind == "outcome":
            check = k.checks.get(row.of)
            if check is None:
                yield _unknown(row.spot, label, "check", row.of, k.checks)
                continue
            known = check.outcome_ids
        else:
            known = tables[row.kind]
        if old in known:
            yield (row.spot, f"{label}: there is a {row.kind} {shown(old)} still", "take another name for it: old cases mean what it was", "twice")
        if row.by and row.by not in known:
            after = k.replaced.get(m.replaced_id(row.kind, row.by, row.of))
            if after is None:
                yield _unknown(row.spot, label, row.kind, row.by, known)
            elif k.today(row.kind, old, row.of) not in known and after.by:
                yield (row.spot, f"{label}: the names go round in a circle", f"let the last one name a {row.kind} of today", "circle")


CHECKS: tuple[Callable[[m.Knowledge], Iterator[Finding]], ...] = (
    sources, faults, proofs, mechanisms, checks, remedies, unused, rules,
    lint_effects.lines, lint_effects.undetectable, lint_effects.twins, lint_effects.ways,
    lint_words.titles, lint_words.placeholders, lint_words.phrases, lint_safety.danger,
    lint_safety.complaints, lint_safety.signs_asked, lint_safety.innocence,
    lint_steps.needs, lint_steps.back_in_service, lint_steps.told_to_laypeople,
    lint_dangers.names, lint_dangers.by_rules, lint_dangers.ended, lint_dangers.proofs, lint_dangers.cautions, lint_dangers.severe,
    lint_listen.groups, lint_listen.phrases, replaced,
)  # fmt: skip
