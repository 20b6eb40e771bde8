"""Small rule bases and sites for comparing belief with something outside it.

A base is a plain value (`Spec`) that is written out as YAML and read back by the project's own road; the
references in this folder work from the plain value alone.
"""

from __future__ import annotations

import random
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from diagnose.belief.tables import Tables
from diagnose.casework.assess import Assessor, plain
from diagnose.casework.events import Event
from diagnose.drill.play import open_case
from diagnose.knowledge import model as m
from diagnose.knowledge.load import build

OFTEN = {"always": "0.98", "usually": "0.8", "sometimes": "0.4", "rarely": "0.1", "never": "0.01"}
SERIOUS = ("block", "unknown-name", "file", "yaml")
DANGER = """- check: danger-signs
  title: Danger signs
  at: unit
  kind: look
  ask: Anything dangerous at {place}?
  how: Look from a distance.
  outcomes: {none: nothing, shock: shock or tingle}
  sweep: yes
  role: caller
  state: any
  reach: phone
  minutes: 1
  sources: [common-practice]
"""
PRIOR = {"very-common": "0.04", "common": "0.02", "uncommon": "0.008", "rare": "0.003", "very-rare": "0.001"}


@dataclass
class Line:
    """A `shows` line; `given` is the word that the site's one yes-no fact has to have, empty for none."""

    check: str
    outcome: str
    often: str
    where: tuple[str, ...] = ("here",)
    given: str = ""


@dataclass
class CheckSpec:
    """A check; the normal outcome first. `baseline` names words for abnormal outcomes with nothing wrong."""

    id: str
    at: str
    outcomes: tuple[str, ...]
    kind: str = "look"
    complaint: bool = False
    sweep: bool = False
    baseline: dict[str, str] = field(default_factory=dict)
    minutes: float = 2
    role: str = "caller"
    state: str = "any"
    reach: str = "phone"


@dataclass
class FaultSpec:
    """A fault; `causes` are (mechanism, word) pairs. Its remedy is its own unless `remedy` names another."""

    id: str
    at: str
    prior: str
    lines: list[Line]
    causes: list[tuple[str, str]] = field(default_factory=list)
    remedy: str = ""
    minutes: float = 30

    @property
    def mended_by(self) -> str:
        return self.remedy or f"mend-{self.id}"


@dataclass
class SiteSpec:
    """A site; `trunks` are (units in cable order, controller), groups are (own unit, units served)."""

    units: int
    trunks: list[tuple[list[int], int]] = field(default_factory=list)
    panel: dict[int, int] = field(default_factory=dict)
    circuit: dict[int, str] = field(default_factory=dict)
    uplinks: list[tuple[int, list[int]]] = field(default_factory=list)
    controls: list[tuple[int, list[int]]] = field(default_factory=list)
    flag: str = ""  # yes, no, or not recorded


@dataclass
class Spec:
    """A rule base and a site."""

    site: SiteSpec
    checks: list[CheckSpec]
    faults: list[FaultSpec]
    mechanisms: dict[str, list[Line]] = field(default_factory=dict)
    rules: str = ""
    often: dict[str, str] = field(default_factory=lambda: dict(OFTEN))
    prior: dict[str, str] = field(default_factory=lambda: dict(PRIOR))


def record(s: SiteSpec) -> str:
    """The install record of a site."""
    text = "install-record: 1\nname: small site\n"
    if s.flag:
        text += f'site: {{flag: "{s.flag}"}}\n'
    text += f"units:\n  count: {s.units}\n"
    special = []
    for unit in range(1, s.units + 1):
        facts = [f"panel: {s.panel[unit]}"] if unit in s.panel else []
        facts += [f"circuit: {s.circuit[unit]}"] if unit in s.circuit else []
        if facts:
            special.append(f'    "{unit}": {{{", ".join(facts)}}}\n')
    if special:
        text += "  except:\n" + "".join(special)
    if s.panel:
        text += "panels:\n" + "".join(f"  - {{name: panel {n}}}\n" for n in range(1, max(s.panel.values()) + 1))
    if s.trunks:
        text += "trunks:\n" + "".join(f"  - {{units: {units}, controller: {c}}}\n" for units, c in s.trunks)
    for name, groups in (("uplinks", s.uplinks), ("controls", s.controls)):
        if groups:
            text += f"{name}:\n" + "".join(f"  - {{unit: {u}, units: {served}}}\n" for u, served in groups)
    return text


def _line(x: Line) -> str:
    given = f', given: {{site.flag: "{x.given}"}}' if x.given else ""
    return f"    - {{check: {x.check}, outcome: {x.outcome}, how-often: {x.often}, where: [{', '.join(x.where)}]{given}}}\n"


def blocks(spec: Spec) -> list[str]:
    """The rule base as YAML blocks."""
    made = [
        f"- scale: {name}\n  words: {{{', '.join(f'{w}: {n}' for w, n in words.items())}}}\n  sources: [common-practice]\n"
        for name, words in (("how-often", spec.often), ("prior", spec.prior))
    ]
    made.append("- source: common-practice\n  title: Common practice\n  kind: common-practice\n")
    for key, kind in (("site.flag", "yes-no"), ("unit.panel", "count"), ("unit.circuit", "text")):
        made.append(f"- fact: {key}\n  title: {key}\n  kind: {kind}\n  ask: What?\n  sources: [common-practice]\n")
    for name, says in (("lock-out", "Lock out."), ("live-work", "Live.")):
        made.append(f"- caution: {name}\n  title: {name}\n  says: {says}\n  sources: [common-practice]\n")
    made.append(DANGER)
    for c in spec.checks:
        text = f"- check: {c.id}\n  title: {c.id}\n  at: {c.at}\n  kind: {c.kind}\n  ask: What at {{place}}?\n  how: Look.\n"
        text += "  outcomes:\n" + "".join(f"    {o}: it is {o}\n" for o in c.outcomes)
        if c.baseline:
            text += "  baseline: {" + ", ".join(f"{o}: {w}" for o, w in c.baseline.items()) + "}\n"
        if c.complaint:
            text += f"  complaint: yes\n  phrases: {{{c.outcomes[1]}: [said]}}\n"
        text += "  sweep: yes\n" if c.sweep else ""
        caution = {"dead-verified": "  cautions: [lock-out]\n", "live": "  cautions: [live-work]\n"}.get(c.state, "")
        text += f"  role: {c.role}\n  state: {c.state}\n  reach: {c.reach}\n  minutes: {c.minutes}\n{caution}  sources: [common-practice]\n"
        made.append(text)
    for name, lines in spec.mechanisms.items():
        made.append(f"- mechanism: {name}\n  title: {name}\n  says: It is.\n  shows:\n{''.join(map(_line, lines))}  sources: [common-practice]\n")
    remedies: dict[str, float] = {}
    for n, f in enumerate(spec.faults):
        text = f"- fault: {f.id}\n  title: {f.id}\n  says: It is.\n  at: {f.at}\n  nature: fault\n  severity: degraded\n  prior: {f.prior}\n"
        if f.causes:
            text += "  causes:\n" + "".join(f"    - {{mechanism: {x}, how-often: {w}}}\n" for x, w in f.causes)
        if f.lines:
            text += "  shows:\n" + "".join(map(_line, f.lines))
        touched = [x.check for x in f.lines] + [x.check for name, _ in f.causes for x in spec.mechanisms[name]]
        other = spec.faults[n - 1].id if len(spec.faults) > 1 else f.id
        text += f"  remedy: {f.mended_by}\n  prove: [{touched[0]}]\n  looks-the-same: [{other}]\n  sources: [common-practice]\n"
        made.append(text)
        remedies.setdefault(f.mended_by, f.minutes)
    for name, minutes in remedies.items():
        made.append(
            f"- remedy: {name}\n  title: {name}\n  do: Mend it.\n  role: technician\n  state: dead-verified\n  reach: on-site\n"
            f"  minutes: {minutes}\n  cautions: [lock-out]\n  sources: [common-practice]\n"
        )
    if spec.rules:
        made.append(spec.rules)
    return made


def knowledge(texts: list[str], files: int = 1) -> m.Knowledge:
    """Write blocks into so many files, in order, and read them by the public road.

    A base made by chance may hold what nothing uses or proves; its shape and its names have to be right.
    """
    with tempfile.TemporaryDirectory() as folder:
        for n in range(files):
            Path(folder, f"part-{n:03}.yaml").write_text("".join(texts[n::files]), encoding="utf-8")
        k, problems = build(Path(folder))
    serious = [p for p in problems if p.lint in SERIOUS and "other fault" not in p.message]
    assert not serious, "\n".join(str(p) for p in serious)
    return k


class Ready:
    """A base read by the project: its assessor, site and tables."""

    def __init__(self, spec: Spec, files: int = 1) -> None:
        self.spec = spec
        self.knowledge = knowledge(blocks(spec), files)
        self.assessor = Assessor(self.knowledge, plain)
        self.record = record(spec.site)
        self.opening: tuple[Event, ...] = open_case(self.record, "electrician", None)
        self.site = self.assessor.state(self.opening).site
        self.tables: Tables = self.assessor.site_work(self.site).tables


def random_site(draw: random.Random, most: int = 5) -> SiteSpec:
    """One to `most` units, up to two trunks with any controller, panels, shared circuits, groups."""
    n = draw.randint(1, most)
    units = list(range(1, n + 1))
    shuffled = draw.sample(units, n)
    cut = draw.randint(0, n)
    trunks = []
    for chain in (shuffled[:cut], shuffled[cut:]):
        if chain and draw.random() < 0.8:
            trunks.append((chain, draw.choice(chain)))
    panel = {u: draw.randint(1, 2) for u in units} if draw.random() < 0.6 else {}
    circuit = {u: draw.choice("xy") for u in units if draw.random() < 0.5}
    groups: list[list[tuple[int, list[int]]]] = []
    for _ in range(2):
        served = sorted(draw.sample(units, draw.randint(1, n)))
        groups.append([(draw.choice(units), served)] if draw.random() < 0.4 else [])
    return SiteSpec(n, trunks, panel, circuit, groups[0], groups[1], draw.choice(["yes", "no", ""]))


WHERE = (
    ("here",), ("here",), ("here",), ("beyond",), ("here", "beyond"), ("before",), ("same-trunk",), ("same-circuit",),
    ("same-panel",), ("here", "before", "beyond"), ("elsewhere",), ("here", "elsewhere"),
)  # fmt: skip


def random_spec(
    draw: random.Random, faults: tuple[int, int] = (2, 5), checks: tuple[int, int] = (3, 6), units: int = 4,
    crowded: int = 22,
) -> Spec:  # fmt: skip
    """A base whose faults have at most `crowded` places together on a random site."""
    while True:
        spec = _random_spec(draw, faults, checks, units)
        if 1 <= sum(len(places_of(spec.site, f.at)) for f in spec.faults) <= crowded:
            return spec


def places_of(s: SiteSpec, kind: str) -> list[tuple[str, int, int]]:
    """Places of a kind as (kind, number, other), written down anew from the site's plain value."""
    units = range(1, s.units + 1)
    if kind == "unit":
        return [("unit", u, 0) for u in units]
    if kind == "site":
        return [("site", 0, 0)]
    if kind == "panel":
        return [("panel", n, 0) for n in range(1, max(s.panel.values(), default=1) + 1)]
    if kind == "segment":
        return [("segment", chain[i], chain[i + 1]) for chain, _ in s.trunks for i in range(len(chain) - 1)]
    if kind == "trunk":
        return [("trunk", n + 1, 0) for n in range(len(s.trunks))]
    if kind == "trunk-end":
        return [("trunk-end", n + 1, end) for n in range(len(s.trunks)) for end in (0, 1)]
    groups = {"uplink": s.uplinks, "control": s.controls}.get(kind, [])  # of other kinds there are none on these sites
    return [(kind, n + 1, 0) for n in range(len(groups))]


def _random_spec(draw: random.Random, faults: tuple[int, int], checks: tuple[int, int], units: int) -> Spec:
    site = random_site(draw, units)
    kinds = ["unit", "unit", "segment", "trunk-end", "trunk", "panel", "uplink", "control", "site"]
    made = []
    for n in range(draw.randint(*checks)):
        outcomes = ("fine", "odd", "bad", "worse")[: draw.randint(2, 4)]
        at = draw.choice([k for k in kinds if places_of(site, k)])
        baseline = {o: draw.choice(["never", "rarely"]) for o in outcomes[1:] if draw.random() < 0.2}
        kind = draw.choice(["look", "question"])
        sweep = at in ("unit", "segment") and draw.random() < 0.3
        made.append(CheckSpec(f"check-{n}", at, outcomes, kind, draw.random() < 0.4, sweep, baseline, draw.randint(1, 20)))

    def lines(count: int) -> list[Line]:
        found = []
        for _ in range(count):
            check = draw.choice(made)
            given = draw.choice(["", "", "", "yes", "no"])
            found.append(Line(check.id, draw.choice(check.outcomes[1:]), draw.choice(list(OFTEN)), draw.choice(WHERE), given))
        return found

    mechanisms = {f"mech-{n}": lines(draw.randint(1, 3)) for n in range(draw.randint(0, 2))}
    everything = []
    for n in range(draw.randint(*faults)):
        causes = [(x, draw.choice(list(OFTEN))) for x in mechanisms if draw.random() < 0.4]
        everything.append(
            FaultSpec(f"fault-{n}", draw.choice(kinds), draw.choice(list(PRIOR)), lines(draw.randint(1, 4)), causes)
        )
    return Spec(site, made, everything, mechanisms)
