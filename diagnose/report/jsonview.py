"""An assessment as JSON values; docs/json.md documents it and docs/assessment.schema.json is its schema."""

from __future__ import annotations

from typing import Any

from diagnose.casework import view as v
from diagnose.inference.terms import is_absence
from diagnose.inference.trace import Proof
from diagnose.site.places import Place, describe

FORMAT = 1


def _places(places: tuple[Place, ...]) -> list[str]:
    return [str(p) for p in places]


def _cautions(rows: tuple[tuple[str, str, str], ...]) -> list[dict[str, str]]:
    return [{"id": i, "title": title, "says": says} for i, title, says in rows]


def proof_lines(proof: Proof) -> list[str]:
    """A proof as indented lines: what holds, by which rule, from what."""
    lines = []
    for depth, part in proof.walk():
        how = f"rule {part.rule}" if part.rule else "not derived" if is_absence(part.fact) else "given"
        lines.append(f"{'  ' * depth}{part.fact} [{how}]")
    return lines


def finding(f: v.FindingView) -> dict[str, Any]:
    return {
        "id": f.id, "rule": f.rule, "level": f.level, "says": f.says, "places": _places(f.places),
        "sources": list(f.sources), "because": proof_lines(f.proof),
    }  # fmt: skip


def suspect(s: v.SuspectView) -> dict[str, Any]:
    return {
        "fault": s.fault, "title": s.title, "says": s.says, "nature": s.nature, "severity": s.severity,
        "probability": round(s.probability, 6),
        "places": [{"place": str(p), "probability": round(x, 6)} for p, x in s.places],
        "remedy": {"id": s.remedy, "title": s.remedy_title, "role": s.remedy_role},
        "evidence": [
            {
                "reading": w.event, "check": w.check, "places": _places(w.places), "outcome": w.outcome,
                "with_it": round(w.with_it, 6), "without": round(w.without, 6), "weight_nats": round(w.weight, 4),
            }
            for w in s.weights
        ],
    }  # fmt: skip


def step(s: v.StepView) -> dict[str, Any]:
    return {
        "kind": s.kind, "id": s.id, "title": s.title, "places": _places(s.places), "where": describe(s.places),
        "ask": s.ask, "how": s.how, "instrument": s.instrument, "expect": s.expect, "assumed": list(s.assumed),
        "outcomes": [
            {"id": o.id, "says": o.says, "chance": round(o.chance, 4), "points_to": o.points_to} for o in s.outcomes
        ],
        "role": s.role, "state": s.state, "reach": s.reach, "minutes": round(s.minutes, 1), "why": s.why,
        "gain_bits": round(s.gain, 4), "probability": round(s.probability, 4), "parts": list(s.parts),
        "cautions": _cautions(s.cautions), "sources": list(s.sources),
    }  # fmt: skip


def stop(s: v.StopUse) -> dict[str, Any]:
    return {
        "danger": s.danger, "reason": s.reason, "says": s.says, "places": _places(s.places), "source": s.source, "status": s.status,
        "made_safe": s.made_safe, "emergency": s.emergency, "first": _cautions(s.first), "make_safe": _cautions(s.make_safe), "by": s.by,
        "proofs": [{"checks": list(p.checks), "places": _places(p.places), "state": p.state} for p in s.proofs],
        "kit": list(s.kit), "reported": s.reported, "words": s.words,
    }  # fmt: skip


def assessment(a: v.Assessment) -> dict[str, Any]:
    """The whole assessment."""
    return {
        "format": FORMAT, "title": a.title, "site": a.site, "role": a.role,
        "stop_use": [stop(s) for s in a.stop_use],
        "asked": [{"event": q.event, "words": q.words, "sign": q.sign, "at": q.at} for q in a.asked],
        "kept_out": [
            {"fault": x.fault, "title": x.title, "place": str(x.place), "probability": round(x.probability, 6), "measure": x.measure}
            for x in a.kept_out
        ],
        "holds": [{"danger": h.danger, "reason": h.reason, "says": h.says, "places": _places(h.places)} for h in a.holds],
        "findings": [finding(f) for f in a.findings],
        "suspects": [suspect(s) for s in a.suspects],
        "no_fault": round(a.no_fault, 6) if a.may_acquit else None, "not_in_this_book": round(a.unlisted, 6), "prior_mass_kept": round(a.kept, 6),
        "steps": [step(s) for s in a.steps],
        "contradictions": [
            {"readings": [c.first, c.second], "says": c.says, "retake": c.retake} for c in a.contradictions
        ],
        "cautions": _cautions(a.cautions),
        "proofs": [
            {"remedy": p.remedy, "at": str(p.place), "check": p.check, "places": _places(p.at), "reading": p.done, "failed": p.failed}
            for p in a.proofs
        ],
        "handover": None if a.handover is None else {
            "role": a.handover.role, "due": a.handover.due, "instruments": list(a.handover.instruments), "parts": list(a.handover.parts),
            "checks": list(a.handover.checks), "kit": list(a.handover.kit),
        },
        "notices": list(a.notices),
    }  # fmt: skip
