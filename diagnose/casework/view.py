"""What an assessment says, as values; texts, JSON and screens are made from these."""

from __future__ import annotations

from typing import NamedTuple

from diagnose.inference.trace import Proof
from diagnose.site.places import Place


def percent(p: float) -> str:
    """A probability as people read it; never 0 % or 100 %."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.01:
        return "under 1 %"
    return f"{round(100 * p)} %"


SAID_ALREADY = "danger-at-hand"  # the finding that says what STOP USE says


class FindingView(NamedTuple):
    """A conclusion of a reading or audit rule."""

    id: str
    rule: str
    level: str
    says: str
    places: tuple[Place, ...]
    sources: tuple[str, ...]
    proof: Proof


class Weight(NamedTuple):
    """What one answer says about one suspect: ln of how much likelier the answer is with it than without any fault."""

    event: str
    check: str
    places: tuple[Place, ...]
    outcome: str
    with_it: float
    without: float
    weight: float


class SuspectView(NamedTuple):
    """A fault, where it may be, and how likely it is present."""

    fault: str
    title: str
    says: str
    nature: str
    severity: str
    probability: float
    places: tuple[tuple[Place, float], ...]
    remedy: str
    remedy_title: str
    remedy_role: str
    weights: tuple[Weight, ...]


class OutcomeView(NamedTuple):
    """One answer a step may have, how likely it is, and what it would mean."""

    id: str
    says: str
    chance: float
    points_to: str


class StepView(NamedTuple):
    """A step somebody of this role may take now."""

    kind: str
    id: str
    title: str
    places: tuple[Place, ...]
    ask: str
    how: str
    instrument: str
    expect: str
    assumed: tuple[str, ...]
    outcomes: tuple[OutcomeView, ...]
    role: str
    state: str
    reach: str
    minutes: float
    cautions: tuple[tuple[str, str, str], ...]
    why: str
    gain: float
    probability: float
    parts: tuple[str, ...]
    sources: tuple[str, ...]


class Contradiction(NamedTuple):
    """Two answers that no cause explains together."""

    first: str
    second: str
    says: str
    retake: str


class DangerProof(NamedTuple):
    """A reading that a danger wants before it is lifted: one of `checks` at each of `places`. `state`: open, good, failed."""

    checks: tuple[str, ...]
    places: tuple[Place, ...]
    state: str


class StopUse(NamedTuple):
    """Danger: the equipment stays off until it is proved safe.

    status   asked (words that nobody has confirmed or denied yet, which counts as danger), standing, made-safe
             (isolated and proved dead), repaired (and still dead), proving (energized again for the proofs)
    first    cautions for everybody, in their order; `make_safe` those of the qualified person
    by       least role that makes it safe, repairs and proves it
    words    what the caller said, where words raised it
    """

    danger: str
    reason: str
    says: str
    places: tuple[Place, ...]
    source: str
    status: str
    emergency: bool
    first: tuple[tuple[str, str, str], ...]
    make_safe: tuple[tuple[str, str, str], ...]
    by: str
    proofs: tuple[DangerProof, ...]
    kit: tuple[str, ...]
    reported: str
    words: str

    @property
    def made_safe(self) -> bool:
        return self.status not in ("asked", "standing")


class Asked(NamedTuple):
    """Words that may tell of a danger, still to be confirmed or denied."""

    event: str
    words: str
    sign: str  # empty when nothing plain was said
    at: str


class KeepOut(NamedTuple):
    """A place that is likely to have a fault which can hurt somebody: out of use until it is measured."""

    fault: str
    title: str
    place: Place
    probability: float
    measure: str  # title of the check that tells


class Hold(NamedTuple):
    """A protective device has acted: nobody below technician plugs in, resets or tries again there."""

    danger: str
    reason: str
    says: str
    places: tuple[Place, ...]


class ProofView(NamedTuple):
    """A reading that has to be normal before a repair counts as proved."""

    remedy: str
    place: Place
    check: str
    at: tuple[Place, ...]
    done: str  # event id of the reading that proves it, or empty
    failed: bool


class Handover(NamedTuple):
    """Whom to send for what this role may not do: the least role that can, with instruments and parts.

    `due` when it is time: nothing worth its minutes is left for this role, or the likely cure is above it.
    """

    role: str
    due: bool
    instruments: tuple[str, ...]
    parts: tuple[str, ...]
    checks: tuple[str, ...]
    kit: tuple[str, ...] = ()


class Assessment(NamedTuple):
    """Everything that follows from the rule base and a case."""

    title: str
    site: str
    role: str
    stop_use: tuple[StopUse, ...]
    findings: tuple[FindingView, ...]
    suspects: tuple[SuspectView, ...]
    no_fault: float
    unlisted: float
    kept: float
    steps: tuple[StepView, ...]
    contradictions: tuple[Contradiction, ...]
    cautions: tuple[tuple[str, str, str], ...]
    proofs: tuple[ProofView, ...]
    handover: Handover | None
    notices: tuple[str, ...]
    asked: tuple[Asked, ...] = ()
    kept_out: tuple[KeepOut, ...] = ()
    holds: tuple[Hold, ...] = ()

    @property
    def may_acquit(self) -> bool:
        """Whether anything may be called sound: not while a danger, or a fault that can hurt somebody, is in question."""
        return not self.stop_use and not self.kept_out

    @property
    def told_suspects(self) -> tuple[SuspectView, ...]:
        """The suspects that may be named: beside a danger only faults, as a harmless cause would call the place sound."""
        return self.suspects if self.may_acquit else tuple(s for s in self.suspects if s.nature == "fault")

    @property
    def danger(self) -> str:
        """none, standing (also while words wait for an answer), or made-safe when all that stands was made safe."""
        if not self.stop_use:
            return "none"
        return "made-safe" if all(s.made_safe for s in self.stop_use) else "standing"
