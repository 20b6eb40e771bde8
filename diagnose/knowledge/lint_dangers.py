"""Checks over danger blocks: what raises a danger, what people are told, and what ends it."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.knowledge import model as m
from diagnose.site.places import around
from diagnose.source.problems import nearest, shown

Finding = tuple[m.Spot, str, str, str]  # spot, message, hint, lint

BEGINS = "The qualified person"


def names(k: m.Knowledge) -> Iterator[Finding]:
    """Every check, outcome and caution that a danger names exists; one reading raises one danger."""
    first: dict[tuple[str, str], str] = {}
    for d in k.dangers.values():
        label = f"danger {d.id}"
        for name in (*d.first, *((d.make_safe,) if d.make_safe else ())):
            if name not in k.cautions:
                yield _unknown(d.spot, label, "caution", name, tuple(k.cautions))
        for name in (c for either in d.proofs for c in either):
            if name not in k.checks:
                yield _unknown(d.spot, label, "check", name, tuple(k.checks))
        for r in d.raised_by:
            spot = m.Spot(d.spot.file, r.line)
            check = k.checks.get(r.check)
            if check is None:
                yield _unknown(spot, label, "check", r.check, tuple(k.checks))
                continue
            for outcome in r.outcomes:
                if outcome not in check.outcome_ids:
                    yield (spot, f"{label}: check {r.check} has no outcome {shown(outcome)}", nearest(outcome, check.outcome_ids), "unknown-name")
                elif outcome == check.normal:
                    yield (
                        spot,
                        f"{label}: {shown(outcome)} is the normal outcome of {r.check}, and ends a danger",
                        "leave it out", "impossible-outcome",
                    )
                other = first.setdefault((r.check, outcome), d.id)
                if other != d.id:
                    yield (spot, f"{label}: {r.check} {shown(outcome)} raises danger {other} already", "keep it at one", "twice")


def _unknown(spot: m.Spot, label: str, what: str, word: str, known: tuple[str, ...]) -> Finding:
    return (spot, f"{label}: there is no {what} {shown(word)}", nearest(word, known), "unknown-name")


def by_rules(k: m.Knowledge) -> Iterator[Finding]:
    """A rule that stops use names a danger, and each danger is raised by something."""
    raised = {d.id for d in k.dangers.values() if d.raised_by}
    for r in k.rules.values():
        for t in r.then:
            if t.sort == "stop-use":
                raised.add(t.key)
                if t.key not in k.dangers:
                    yield (
                        r.spot, f"rule {r.id}: 'stop-use' names no danger, {shown(t.key)}",
                        nearest(t.key, k.dangers) or "write the danger as a block of its own", "unknown-name",
                    )
    for d in k.dangers.values():
        if d.id not in raised:
            yield (d.spot, f"danger {d.id}: nothing raises it", "add 'raised-by', or a rule with {stop-use: " + d.id + "}", "unused")


def ended(k: m.Knowledge) -> Iterator[Finding]:
    """What stops use says how the place is made safe, and which readings prove it sound again."""
    for d in k.dangers.values():
        if d.level != "stop":
            continue
        label = f"danger {d.id}"
        if not d.make_safe:
            yield (d.spot, f"{label}: it stops use, and nothing says how to make it safe", "add 'make-safe: ...'", "danger")
        signs = any(r.check in m.SIGNS for r in d.raised_by)
        if not d.proofs and (signs or not d.raised_by):
            yield (d.spot, f"{label}: it stops use, and no reading proves that it is over", "add 'proofs: [...]'", "danger")


def proofs(k: m.Knowledge) -> Iterator[Finding]:
    """Who makes a place safe can take each proof, and takes it at a place that belongs to the danger."""
    for d in k.dangers.values():
        places = {k.checks[r.check].at for r in d.raised_by if r.check in k.checks}
        if not m.may(d.by, "technician"):
            yield (d.spot, f"danger {d.id}: a {d.by} makes nothing safe", "by: technician or electrician", "role")
        for either in d.proofs:
            known = [k.checks[name] for name in either if name in k.checks]
            if known and not any(m.may(d.by, c.role) for c in known):
                least = min((c.role for c in known), key=m.ROLES.index)
                yield (d.spot, f"danger {d.id}: a {d.by} may not take its proof {' or '.join(either)}", f"by: {least}, or another proof", "role")
            for c in known:
                if places and not any(c.at in around(at) for at in places):
                    yield (
                        d.spot,
                        (
                            f"danger {d.id}: its proof {c.id} is taken at a {c.at}, and the danger stands at "
                            f"a {' or '.join(sorted(places))}"
                        ),
                        "a check made there", "out-of-sight",
                    )


def cautions(k: m.Knowledge) -> Iterator[Finding]:
    """First words are for everybody; how to make it safe is for the qualified, and says so."""
    for d in k.dangers.values():
        for name in d.first:
            if name in k.cautions and k.cautions[name].audience == "qualified":
                yield (
                    d.spot,
                    f"danger {d.id}: caution {name} is for the qualified, and 'first' is read by everybody",
                    "move it to 'make-safe', or write one for everybody", "audience",
                )
        caution = k.cautions.get(d.make_safe)
        if caution is None:
            continue
        if caution.audience != "qualified":
            yield (
                d.spot, f"danger {d.id}: caution {d.make_safe} is read by everybody, and it makes safe",
                f"add 'for: qualified' to caution {d.make_safe}", "audience",
            )
    for name in sorted({d.make_safe for d in k.dangers.values()} & set(k.cautions)):
        if not k.cautions[name].says.startswith(BEGINS):
            yield (
                k.cautions[name].spot, f"caution {name}: what makes safe begins with {shown(BEGINS)}",
                "so that nobody else feels meant", "audience",
            )


def severe(k: m.Knowledge) -> Iterator[Finding]:
    """A fault of severity danger is noticed as one: a reading that it always gives raises a danger."""
    raised = {(r.check, o) for d in k.dangers.values() for r in d.raised_by for o in r.outcomes}
    raised |= {
        (w.key, o) for r in k.rules.values() if any(t.sort == "stop-use" for t in r.then)
        for w in r.when if w.sort == "reading" for o in w.words
    }  # fmt: skip
    for f in k.faults.values():
        if f.severity != "danger":
            continue
        always = [s for s in _shows(k, f) if s.how_often == "always"]
        if always and not any((s.check, s.outcome) in raised for s in always):
            yield (
                f.spot, f"fault {f.id}: it is a danger, and no reading that it always gives raises one",
                f"raise a danger by {always[0].check} {always[0].outcome}, or lower the severity", "danger",
            )  # fmt: skip


def _shows(k: m.Knowledge, f: m.Fault) -> tuple[m.Show, ...]:
    added = [k.mechanisms[c.mechanism].shows for c in f.causes if c.how_often == "always" and c.mechanism in k.mechanisms]
    return (*f.shows, *(s for shows in added for s in shows))
