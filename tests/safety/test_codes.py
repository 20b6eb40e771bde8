"""What the rule base says of codes and standards: which edition, which clause for what, and whom a device protects."""

from __future__ import annotations

import re

import pytest

from diagnose.gauges import load_all
from diagnose.gauges.base import READINGS
from diagnose.knowledge import model as m
from diagnose.site.model import Site
from diagnose.site.places import Place

EDITION = re.compile(r"\b20[12]\d\b")
# Clauses that moved between editions: NFPA 70E 120.5 became 120.6 with the scope statement of 2024; Article 725 was split up
# in 2023; 750 became Article 130 in 2026; 250.24(A)(5) and the ampacity tables were numbered anew.
MOVED = ["nfpa-70e-120-5", "nec-725-136", "nec-750-30", "nec-250-24", "nec-310-15", "nec-625-54", "nec-210-8", "nec-625-22", "nec-625-43"]
LOCAL = [
    "test-then-close-once", "full-charge-after-test", "branch-insulation", "branch-continuity", "conductor-size-look",
    "remake-unit-lug", "remake-corroded-terminals", "repair-or-replace-unit", "replace-contactor", "replace-charging-cable", "restore-interlock",
]  # fmt: skip


def users(k: m.Knowledge, source: str) -> set[str]:
    """Names of all blocks that rest on a source."""
    blocks = [*k.checks.values(), *k.remedies.values(), *k.faults.values(), *k.rules.values(), *k.dangers.values(), *k.cautions.values()]
    return {b.id for b in blocks if source in b.sources}


@pytest.mark.parametrize("source", MOVED)
def test_a_clause_that_moved_names_its_editions(k: m.Knowledge, source: str) -> None:
    assert EDITION.search(k.sources[source].title)


def test_the_process_of_proving_dead_has_both_its_numbers(k: m.Knowledge) -> None:
    title = k.sources["nfpa-70e-120-5"].title
    assert "120.5 (2018, 2021)" in title
    assert "120.6 (2024)" in title


def test_ampacity_names_the_table_too(k: m.Knowledge) -> None:
    assert "310.16" in k.sources["nec-310-15"].title


def test_a_second_bond_of_the_neutral_rests_on_the_clause_for_the_load_side(k: m.Knowledge) -> None:
    """250.24 is about the bond at the service; on the load side the neutral is kept from ground by 250.142(B)."""
    assert "250.142(B)" in k.sources["nec-250-142"].title
    second = {"separate-neutral-and-ground", "neutral-ground-apart", "source-not-grounded"}
    assert second <= users(k, "nec-250-142")
    assert users(k, "nec-250-24") <= users(k, "nec-250-142")


def test_a_lost_neutral_does_not_rest_on_the_bond(k: m.Knowledge) -> None:
    assert not {"restore-neutral", "neutral-lost", "call-utility"} & users(k, "nec-250-24")


def test_protection_of_people_names_receptacles_and_the_international_clause(k: m.Knowledge) -> None:
    plain = k.remedies["plain-breaker-ahead"]
    assert {"nec-625-54", "nec-210-8", "nec-625-22"} <= set(plain.sources)
    assert "protection-of-people-stays" in plain.cautions
    caution = k.cautions["protection-of-people-stays"]
    assert {"nec-625-54", "nec-210-8", "iec-60364-7-722"} <= set(caution.sources)
    assert "direct current" in k.sources["iec-60364-7-722"].title
    assert "60 A" in k.sources["nec-625-43"].title
    assert "150 V" in k.sources["nec-625-43"].title


@pytest.mark.parametrize("source", ["osha-1910-333", "osha-1910-334"])
def test_a_rule_that_binds_employers_is_common_practice_for_the_public(k: m.Knowledge, source: str) -> None:
    assert "binds employers" in k.sources[source].title
    assert "common practice" in k.sources[source].title


@pytest.mark.parametrize("name", LOCAL)
def test_local_code_wins_where_only_the_licensed_may_work(k: m.Knowledge, name: str) -> None:
    block = k.checks.get(name) or k.remedies[name]
    assert "local-code" in block.cautions


def test_dead_work_on_the_branch_or_in_the_panel_always_names_local_code(k: m.Knowledge) -> None:
    """In many places it is licensed work: nothing that is an electrician's is without the word."""
    missing = [
        r.id
        for r in (*k.checks.values(), *k.remedies.values())
        if r.role == "electrician" and r.state == "dead-verified" and "local-code" not in r.cautions
    ]
    assert missing == []


# ---- whom a device protects


def device(rules: str, breaker: str, own: str | None, ma: float) -> str:
    load_all()
    unit = {"breaker-kind": breaker} | ({"own-ground-fault": own} if own else {})
    site = Site("", (1,), facts={("site", 0): {"wiring-rules": rules}, ("unit", 1): unit})
    return READINGS["ground-fault-trip-ma"].function(site, Place("unit", 1)).outcome(ma)


@pytest.mark.parametrize(
    ("rules", "breaker", "own", "ma", "outcome"),
    [
        ("north-american", "ground-fault-30ma", "none", 28, "too-late"),  # it opens in its own window, and people are not protected
        ("north-american", "ground-fault-30ma", "ccid20", 28, "too-late"),
        ("north-american", "ground-fault-30ma", "ccid20", 18, "in-window"),
        ("north-american", "ground-fault-30ma", "ccid5", 5, "in-window"),
        ("north-american", "ground-fault-5ma", "none", 5, "in-window"),
        ("north-american", "ground-fault-5ma", "none", 28, "too-late"),
        ("north-american", "plain", "ccid20", 18, "in-window"),
        ("international", "ground-fault-30ma", "none", 25, "in-window"),  # there 30 mA is additional protection of people
        ("international", "ground-fault-30ma", "dc-6ma", 25, "in-window"),
    ],
)
def test_an_equipment_breaker_passes_for_no_protection_of_people(rules: str, breaker: str, own: str, ma: float, outcome: str) -> None:
    assert device(rules, breaker, own, ma) == outcome


def test_the_step_says_so(k: m.Knowledge) -> None:
    check = k.checks["device-trip-current"]
    assert "does not protect people" in check.how
    assert "equipment-ground-fault" in check.sources
    assert "no protection of people" in k.sources["equipment-ground-fault"].title


def test_the_record_with_an_equipment_device_only_is_a_violation(k: m.Knowledge) -> None:
    facts = {x.key: x.words for x in k.rules["audit-equipment-device-only"].when if x.sort == "fact"}
    assert facts == {"unit.own-ground-fault": ("none",), "unit.breaker-kind": ("ground-fault-30ma",), "site.wiring-rules": ("north-american",)}
    assert "equipment, not people" in k.rules["audit-equipment-device-only"].says


# ---- retries


def test_retries_are_told_with_their_source_and_defer_to_the_manual(k: m.Knowledge) -> None:
    """Four retries, a quarter of an hour apart, is what a decision on the standard says: the text itself was not read."""
    assert "certification decision" in k.sources["ul-2231"].title
    how = next(c.how for c in k.checks.values() if "15 minutes apart" in c.how)
    assert "by what is known of the standard" in how
    assert "maker's manual" in how
    assert k.faults["locked-out-after-retries"].nature == "fault"
