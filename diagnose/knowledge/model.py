"""The knowledge model: what a rule author writes, as values.

Only tuples, strings and numbers, so that a whole rule base goes to JSON and back unchanged.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from diagnose.knowledge.roles import FORMER_ROLES as FORMER_ROLES
from diagnose.knowledge.roles import ROLES as ROLES
from diagnose.knowledge.roles import a_role as a_role
from diagnose.knowledge.roles import may as may
from diagnose.knowledge.roles import role_today as role_today
from diagnose.site.model import FactSpec

STATES = ("any", "covers-closed", "dead-verified", "live")
REACHES = ("remote", "phone", "on-site")
CHECK_KINDS = ("question", "look", "measurement", "test", "record")
NATURES = ("fault", "not-a-fault", "outside")
SEVERITIES = ("danger", "out-of-service", "degraded", "nuisance")
LEVELS = ("note", "violation", "danger", "no-fault")
PATTERNS = ("one", "some", "tail", "head", "all")
SOURCE_KINDS = ("standard", "handbook", "regulation", "computed", "common-practice", "from-memory")
INSTRUMENTS = (
    "none", "multimeter", "clamp-meter", "millivolt-meter", "insulation-tester", "thermal-camera",
    "oscilloscope", "pilot-tester", "leakage-clamp", "ground-fault-tester", "torque-tool",
    "laptop-serial", "laptop-network", "cable-tester", "phone",
)  # fmt: skip
ALTERATIONS = (
    "near-terminator-off", "far-terminator-off", "extra-terminator", "doubled-far-terminator", "pair-open",
    "one-wire-open", "pair-short", "bias-off", "bias-extra", "pair-swapped", "rc-terminators",
)  # fmt: skip
GAUGE = "gauge "
AUDIENCES = ("everybody", "qualified")
NEEDS = ("none", "energized", "in-use")
DANGER_LEVELS = ("stop", "hold")
DANGER, PANEL_DANGER = "danger-signs", "panel-danger-signs"
SIGNS = (DANGER, PANEL_DANGER)  # the checks whose outcomes are danger signs
NO_ANSWER = ("do-not-know", "cannot-reach")
REPLACED_KINDS = ("check", "outcome", "remedy", "fault", "fact")  # whose names stand in stored cases

Given = tuple[tuple[str, tuple[str, ...]], ...]
"""Install facts or audit gauges, each with the words any one of which will do."""


class Spot(NamedTuple):
    """Where a block stands in the rule base."""

    file: str
    line: int


class Source(NamedTuple):
    id: str
    title: str
    kind: str
    spot: Spot


class Caution(NamedTuple):
    """A warning. `audience` is everybody, or qualified: what only a qualified person may be told to do."""

    id: str
    title: str
    says: str
    audience: str
    sources: tuple[str, ...]
    spot: Spot


class Outcome(NamedTuple):
    """One answer a check can have; `phrases` are what people say for it."""

    id: str
    says: str
    phrases: tuple[str, ...]


class Check(NamedTuple):
    """A question, look, measurement, test or record; the normal outcome stands first.

    `needs` says whether the equipment has to be energized for it, or in use (a car plugged in, a start, a restart).
    """

    id: str
    title: str
    at: str
    kind: str
    ask: str
    how: str
    instrument: str
    gauge: str
    outcomes: tuple[Outcome, ...]
    complaint: bool
    sweep: bool
    baseline: tuple[tuple[str, str], ...]
    role: str
    state: str
    reach: str
    minutes: float
    needs: str
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    spot: Spot

    @property
    def outcome_ids(self) -> tuple[str, ...]:
        return tuple(o.id for o in self.outcomes)

    @property
    def normal(self) -> str:
        return self.outcomes[0].id

    def outcome(self, name: str) -> Outcome | None:
        return next((o for o in self.outcomes if o.id == name), None)


class Cause(NamedTuple):
    """A fault sets a mechanism going, this often."""

    mechanism: str
    how_often: str
    given: Given
    line: int


class Show(NamedTuple):
    """A fault or mechanism makes a check come out so, this often, at places that lie so to it."""

    check: str
    outcome: str
    how_often: str
    where: tuple[str, ...]
    given: Given
    line: int


class Mechanism(NamedTuple):
    id: str
    title: str
    says: str
    shows: tuple[Show, ...]
    sources: tuple[str, ...]
    spot: Spot


class Fault(NamedTuple):
    id: str
    title: str
    says: str
    at: str
    end: str
    nature: str
    severity: str
    given: Given
    unless: Given
    prior: str
    alters: tuple[str, ...]
    causes: tuple[Cause, ...]
    shows: tuple[Show, ...]
    remedy: str
    prove: tuple[str, ...]
    looks_the_same: tuple[str, ...]
    sources: tuple[str, ...]
    spot: Spot


class Remedy(NamedTuple):
    id: str
    title: str
    do: str
    role: str
    state: str
    reach: str
    minutes: float
    needs: str
    parts: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    spot: Spot


class When(NamedTuple):
    """A condition of a reading rule: a reading, a fact or gauge, or a finding."""

    sort: str  # reading | fact | finding
    key: str
    words: tuple[str, ...]
    pattern: str


class Then(NamedTuple):
    """What a reading rule concludes."""

    sort: str  # finding | violation | excludes | settles | prior | caution | stop-use | ask
    key: str
    word: str


class ReadingRule(NamedTuple):
    id: str
    title: str
    when: tuple[When, ...]
    unless: tuple[When, ...]
    same_place: bool
    then: tuple[Then, ...]
    level: str
    says: str
    sources: tuple[str, ...]
    spot: Spot


class Raise(NamedTuple):
    """A reading that raises a danger by itself: any of `outcomes` of a check."""

    check: str
    outcomes: tuple[str, ...]
    line: int


class Danger(NamedTuple):
    """What can hurt somebody, what raises it, what everybody is told, and what ends it.

    level      `stop`: use ends until it is proved safe; `hold`: nobody below technician plugs in, resets or tries again
    emergency  the emergency line comes first
    first      cautions for everybody, in their order
    make_safe  caution with what the qualified person does; laypeople never read it
    by         least role that may make it safe, repair and prove it
    proofs     readings that all have to be normal afterwards; each is one check or several of which one will do
    kit        what is taken along beside the instruments of the proofs
    """

    id: str
    title: str
    level: str
    emergency: bool
    says: str
    first: tuple[str, ...]
    make_safe: str
    by: str
    proofs: tuple[tuple[str, ...], ...]
    kit: tuple[str, ...]
    raised_by: tuple[Raise, ...]
    sources: tuple[str, ...]
    spot: Spot


class Group(NamedTuple):
    """Words that a phrase may name together as <id>; a word of it may be several words.

    A `calm` group is of everyday business: no phrase names it, the learned weights know what it does to a word beside it.
    """

    id: str
    calm: bool
    words: tuple[str, ...]
    sources: tuple[str, ...]
    spot: Spot


class Words(NamedTuple):
    """How people say one danger sign, `id`.

    phrases   words in this order, only small words between; <group> stands for any of its words
    together  parts joined by +, in one clause in any order, each written as a phrase is
    harmless  phrases whose words count for nothing here
    """

    id: str
    title: str
    phrases: tuple[str, ...]
    together: tuple[str, ...]
    harmless: tuple[str, ...]
    sources: tuple[str, ...]
    spot: Spot


class Scale(NamedTuple):
    id: str
    words: Mapping[str, float]


class Replaced(NamedTuple):
    """A name that was given up. Cases of then go on to be read with it.

    id   kind and name, for an outcome `outcome CHECK NAME`
    by   the name of today; empty when there is none any more
    """

    id: str
    kind: str
    of: str
    by: str
    why: str
    spot: Spot


class Knowledge(NamedTuple):
    """A whole rule base. Mappings keep the order of the files."""

    facts: Mapping[str, FactSpec]
    sources: Mapping[str, Source]
    cautions: Mapping[str, Caution]
    checks: Mapping[str, Check]
    mechanisms: Mapping[str, Mechanism]
    faults: Mapping[str, Fault]
    remedies: Mapping[str, Remedy]
    rules: Mapping[str, ReadingRule]
    dangers: Mapping[str, Danger]
    groups: Mapping[str, Group]
    words: Mapping[str, Words]
    scales: Mapping[str, Scale]
    replaced: Mapping[str, Replaced]
    key: str

    def often(self, word: str) -> float:
        return self.scales["how-often"].words[word]

    def prior(self, word: str) -> float:
        return self.scales["prior"].words[word]

    def today(self, kind: str, name: str, of: str = "") -> str:
        """What is called `name` in a case of any age, by its name of today; `name` itself where nothing was replaced.

        kind   one of REPLACED_KINDS; `of` is the check of an outcome, by its name of today
        """
        for _ in self.replaced:  # a name may have been given up more than once
            row = self.replaced.get(replaced_id(kind, name, of))
            if row is None or not row.by:
                break
            name = row.by
        return name


def replaced_id(kind: str, name: str, of: str = "") -> str:
    """The id of a block `replaced`."""
    return f"{kind} {of} {name}" if kind == "outcome" else f"{kind} {name}"
