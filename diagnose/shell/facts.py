"""Commands about the site and the person: install facts, role, whereabouts, instruments."""

from __future__ import annotations

from diagnose.knowledge import model as m
from diagnose.report.lines import Line, wrap
from diagnose.report.text import ROLE_WORDS
from diagnose.shell.completing import among, fact_and_value
from diagnose.shell.desk import instruments_in
from diagnose.shell.open_case import OpenCase
from diagnose.shell.refusal import Refusal
from diagnose.shell.registry import command
from diagnose.shell.screens import fact_lines
from diagnose.site.model import FactSpec, Site
from diagnose.site.places import PlaceError, describe
from diagnose.site.record import parse_fact
from diagnose.source.problems import nearest, shown


@command("facts", "[WORDS]", "what the install record says", words=among(lambda k: k.facts))
def facts(s: OpenCase, rest: str) -> list[Line]:
    assert s.state_now is not None
    return fact_lines(s.desk.knowledge, s.state_now.site, rest, s.width)


@command("fact", "NAME [PLACE] VALUE", "set an install fact, e.g. fact unit.setting 7 48 A", words=fact_and_value)
def fact(s: OpenCase, rest: str) -> list[Line]:
    """Set an install fact."""
    assert s.state_now is not None
    name, _, value = rest.partition(" ")
    if not name:
        raise Refusal("write fact NAME PLACE VALUE, for instance: fact unit.setting 7 48 A")
    spec = _spec(s, name.rstrip("=:"))
    if not value.strip():
        return fact_lines(s.desk.knowledge, s.state_now.site, spec.key, s.width)
    at, text = split_value(s.state_now.site, spec, value.strip())
    return s.save([("fact", {"key": spec.key, "text": text, "at": at})])


def _spec(s: OpenCase, name: str) -> FactSpec:
    known = s.desk.knowledge.facts
    if name.lower() in known:
        return known[name.lower()]
    short = [key for key in known if key.split(".", 1)[1] == name.lower()]
    if len(short) == 1:
        return known[short[0]]
    if short:
        raise Refusal(f"{shown(name)} is one of {', '.join(short)}; write it in full")
    raise Refusal(
        f"there is no install fact {shown(name)}; {nearest(name.lower(), known) or 'type facts to see them'}"
    )


def split_value(site: Site, spec: FactSpec, text: str) -> tuple[str, str]:
    """Place and value of `7 48 A`, `7 = 48 A`, `units 1-6 48 A` or `48 A`. Raises PlaceError."""
    if spec.section == "site":
        value = text.removeprefix("site ").lstrip("= ")
        parse_fact(spec, value)
        return "site", value
    if "=" in text:
        place, _, value = (part.strip() for part in text.partition("="))
        place = place.removeprefix("at ") or _only(site, spec)
        where = describe(site.find(place, spec.section))
        parse_fact(spec, value)
        return where, value
    words = text.removeprefix("at ").split()
    for n in range(1, len(words)):
        place, value = " ".join(words[:n]), " ".join(words[n:])
        try:
            where = describe(site.find(place, spec.section))
            parse_fact(spec, value)
            return where, value
        except PlaceError:
            continue
    parse_fact(spec, text)
    return _only(site, spec), text


def _only(site: Site, spec: FactSpec) -> str:
    here = site.places(spec.section)
    if not here:
        raise Refusal(f"this site's record has no {spec.section}")
    if len(here) > 1:
        example = {
            "quantity": f"40 {spec.unit}",
            "yes-no": "yes",
            "choice": next(iter(spec.choices), ""),
        }.get(spec.kind, "2")
        raise Refusal(
            f"at which {spec.section}? write for instance: fact {spec.key} {here[0].number} {example}, or all"
        )
    return str(here[0])


@command("role", "ROLE", "caller, help-desk, technician or electrician", words=among(lambda k: m.ROLES))
def role(s: OpenCase, rest: str) -> list[Line]:
    word = m.role_today("-".join(rest.lower().split()))
    if word not in m.ROLES:
        wrong = f"{shown(rest)} is no role; " if rest else ""
        raise Refusal(f"{wrong}type role with one of {', '.join(m.ROLES)} (now: {s.role})")
    lines = [*wrap("text", f"You act as {ROLE_WORDS[word]} from here; it stands in the log.", s.width)]
    s.tell_now(lines)
    return s.save([("role", {"role": word})], word)


@command("on-site", "yes or no", "whether you are at the site", words=among(lambda k: ("yes", "no")))
def on_site(s: OpenCase, rest: str) -> list[Line]:
    word = rest.lower()
    if word not in ("y", "yes", "n", "no"):
        raise Refusal("type on-site yes or on-site no")
    return s.save([("role", {"on-site": word in ("y", "yes")})])


@command("instruments", "NAMES", "what you have with you", words=among(lambda k: m.INSTRUMENTS))
def instruments(s: OpenCase, rest: str) -> list[Line]:
    """List or set the instruments at hand."""
    assert s.state_now is not None
    if not rest:
        names = ", ".join(sorted(i for i in s.state_now.instruments if i != "none"))
        lines = wrap("text", f"At hand: {names or 'nothing'}.", s.width, "", "  ")
        return [
            *lines,
            *wrap(
                "dim", "Set them with: instruments multimeter, clamp-meter (or: none, all)", s.width, "", "  "
            ),
        ]
    names_typed = instruments_in(rest)
    return s.save([("role", {"instruments": list(names_typed)})])
