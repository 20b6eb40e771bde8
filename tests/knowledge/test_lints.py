"""Every lint and every shape problem, each triggered by spoiling one thing in a small sound rule base."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from diagnose.knowledge.load import build, load
from diagnose.source.problems import InputError, Problem
from tests.knowledge.small_base import BASE, write

ALL_LINTS = {
    "block", "yaml", "twice", "unknown-name", "unused", "impossible-outcome", "number-in-rule", "out-of-sight",
    "never-shown", "empty-proof", "gauge-outcomes", "gauge-place", "phrases", "role", "caution", "negation",
    "pointless", "undetectable", "twins", "too-many-ways", "long-title", "placeholder", "danger", "file",
    "needs", "unproved", "audience", "innocence", "circle",
}  # fmt: skip


def problems_of(folder: Path, text: str) -> list[Problem]:
    return build(write(folder, text))[1]


def spoilt(old: str, new: str) -> str:
    assert BASE.count(old) >= 1, f"not in the base: {old}"
    return BASE.replace(old, new, 1)


def line_of(text: str, marker: str) -> int:
    assert marker in text
    return text[: text.index(marker)].count("\n") + 1


REPLACED = """
- replaced: {}
  kind: {}
  by: {}
  why: it is clearer
"""


def test_the_small_base_is_sound(tmp_path: Path) -> None:
    assert problems_of(tmp_path, BASE) == []


def test_the_shipped_base_has_no_problem() -> None:
    knowledge = load(cache=False)  # raises with every problem
    assert len(knowledge.faults) > 100


CAUSES = "  causes:\n    - {mechanism: no-supply, how-often: usually}\n"
LOOSE_SHOWS = "    - {check: danger-signs, outcome: smell, how-often: sometimes}\n"
WET = "    - {check: supply-volts, outcome: bad, how-often: always}\n"
NEW_FAULT = """\
- fault: new-fault
  title: A new fault
  says: Something else.
  at: unit
  nature: fault
  severity: degraded
  prior: rare
  shows:
    - {check: unit-power, outcome: dark, how-often: always}
  remedy: dry-joint
  prove: [unit-power]
  looks-the-same: [wet-joint]
  sources: [common-practice]
"""
NEW_CHECK = """\
- check: new-check
  title: A new check
  at: unit
  kind: look
  ask: Is {place} straight?
  how: Look.
  outcomes: {straight: yes it is, bent: bent}
  role: caller
  state: any
  reach: phone
  minutes: 1
  sources: [common-practice]
"""
USE_IT = LOOSE_SHOWS + "    - {check: new-check, outcome: bent, how-often: usually}\n"
NEW_RULE = """\
- rule: new-rule
  title: A new rule
  when: [{fact: trunk.kind, is: rs485}]
  then: [{finding: something-new}]
  level: note
  says: Something.
  sources: [common-practice]
"""
DANGER = """\
- danger: new-danger
  title: a new danger
  says: Stop using {place}.
  first: [keep-off]
  make-safe: make-safe
  proofs: [unit-power]
  raised-by:
    - {check: danger-signs, outcome: [smell]}
  sources: [handbook]
"""


def with_check(old: str = "", new: str = "") -> str:
    assert old in NEW_CHECK
    return BASE.replace(LOOSE_SHOWS, USE_IT) + (NEW_CHECK.replace(old, new, 1) if old else NEW_CHECK)


def with_fault(old: str, new: str) -> str:
    assert old in NEW_FAULT
    return BASE + NEW_FAULT.replace(old, new, 1)


def with_rule(old: str, new: str) -> str:
    assert old in NEW_RULE
    return BASE + NEW_RULE.replace(old, new, 1)


# name, the whole text, then (lint, a text on the line where it must be told, words of the message or hint)
CASES: list[tuple[str, str, str, str, str]] = [
    # ---- shape
    ("a file that is no list", "fault: x\n", "block", "fault: x", "list of blocks"),
    ("a block that is no mapping", BASE + "- only words\n", "block", "- only words", "mapping"),
    ("an empty block", BASE + "- {}\n", "block", "- {}", "mapping"),
    ("an unknown sort", BASE + "- fualt: x\n", "block", "- fualt", "did you mean 'fault'?"),
    ("a sort that does not come first", BASE + "- title: x\n  fault: y\n", "block", "- title: x", "begin with 'title'"),
    ("an unknown key", with_fault("  nature:", "  natrue: x\n  nature:"), "block", "natrue", "did you mean 'nature'?"),
    ("an unknown key in a line", with_fault("how-often: always}", "how-often: always, when: x}"), "block", "when: x", "unknown key"),
    ("a missing text", with_fault("  says: Something else.\n", ""), "block", "- fault: new-fault", "'says' is missing"),
    ("an empty text", with_fault("Something else.", "''"), "block", "says: ''", "'says' is missing"),
    ("a null text", with_fault(" Something else.", ""), "block", "  says:\n  at", "'says' is missing"),
    ("a list for a text", with_fault("Something else.", "[a, b]"), "block", "says: [a, b]", "wants one text"),
    ("a mapping for a list", with_fault("[unit-power]", "{a: b}"), "block", "prove: {a: b}", "wants a list of texts"),
    ("a list with an empty text", with_fault("[unit-power]", "[unit-power, '']"), "block", "prove: [unit-power, '']", "list of texts"),
    ("an empty list", with_fault("[wet-joint]", "[]"), "block", "looks-the-same: []", "empty"),
    ("no sources", with_fault("[common-practice]", "[]"), "block", "sources: []\n", "empty"),
    (
        "a text for lines",
        with_fault(
            "shows:\n    - {check: unit-power, outcome: dark, how-often: always}",
            "alters: pair-open\n  shows: dark",
        ),
        "block", "shows: dark", "wants a list",
    ),
    (
        "a text for a line",
        with_fault(
            "- {check: unit-power, outcome: dark, how-often: always}",
            "- dark\n    - {check: unit-power, outcome: dark, how-often: always}",
        ),
        "block", "- dark", "wants a mapping",
    ),
    ("a text for a mapping", with_fault("  prior:", "  given: rs485\n  prior:"), "block", "given: rs485", "wants a mapping"),
    ("a word that is none of the list", with_fault("nature: fault", "nature: falt"), "block", "nature: falt", "did you mean 'fault'?"),
    ("an unknown place kind", with_fault("at: unit", "at: units"), "block", "at: units", "did you mean 'unit'?"),
    ("a wrong end", with_fault("at: unit", "at: trunk-end\n  end: left"), "block", "end: left", "cannot be 'left'"),
    ("an id that is no kebab", with_fault("new-fault", "New_Fault"), "block", "- fault: New_Fault", "kebab-case"),
    ("an id with a stroke", with_fault("new-fault", "new/fault"), "block", "- fault: new/fault", "kebab-case"),
    ("a wrong relation", with_fault("how-often: always}", "how-often: always, where: [here, behind]}"), "block", "behind", "known: here"),
    ("minutes that are no number", with_check("minutes: 1", "minutes: one"), "block", "minutes: one", "from 0.2 to 240"),
    ("no minutes", with_check("minutes: 1", "minutes: 0"), "block", "minutes: 0", "from 0.2 to 240"),
    ("endless minutes", with_check("minutes: 1", "minutes: 1e999"), "block", "minutes: 1e999", "from 0.2 to 240"),
    ("minutes not a number", with_check("minutes: 1", "minutes: nan"), "block", "minutes: nan", "from 0.2 to 240"),
    ("yes-no", with_check("minutes: 1", "sweep: maybe\n  minutes: 1"), "block", "sweep: maybe", "known: no, yes"),
    (
        "phrases for no outcome", with_check("minutes: 1", "phrases: {bend: [it bends]}\n  minutes: 1"),
        "block", "phrases: {bend", "did you mean 'bent'?",
    ),
    ("an unknown instrument", with_check("minutes: 1", "instrument: multimetre\n  minutes: 1"), "block", "multimetre", "did you mean 'multimeter'?"),
    (
        "a condition of two sorts",
        with_rule("{fact: trunk.kind, is: rs485}", "{fact: trunk.kind, is: rs485, finding: danger-at-hand}"),
        "block", "when: [{fact", "one of reading, fact, finding",
    ),
    ("a condition without a word", with_rule(", is: rs485", ""), "block", "when: [{fact: trunk.kind}]", "'is' is missing"),
    ("a rule without conditions", with_rule("[{fact: trunk.kind, is: rs485}]", "[]"), "block", "when: []", "empty"),
    ("a rule without conclusions", with_rule("[{finding: something-new}]", "[]"), "block", "then: []", "empty"),
    ("an unknown conclusion", with_rule("finding: something-new", "find: x"), "block", "then: [{find: x}]", "a conclusion names one of"),
    ("a finding that is no kebab", with_rule("something-new", "Something new"), "block", "then: [{finding: Something", "kebab-case"),
    (
        "an unknown pattern",
        with_rule("{fact: trunk.kind, is: rs485}", "{reading: unit-power, outcome: dark, pattern: most}"),
        "block", "pattern: most", "cannot be 'most'",
    ),
    ("an unknown level", with_rule("level: note", "level: notice"), "block", "level: notice", "did you mean 'note'?"),
    ("a scale with a word of no size", spoilt("rarely: 0.1", "rarely: 1.1"), "block", "words: {always", "between 0 and 1"),
    ("a scale with a word for a number", spoilt("rarely: 0.1", "rarely: few"), "block", "words: {always", "'rarely'"),
    ("a fact key without a section", spoilt("- fact: unit.setting", "- fact: setting"), "block", "- fact: setting", "sections: site"),
    ("a fact of an unknown section", spoilt("- fact: unit.setting", "- fact: segment.length"), "block", "- fact: segment.length", "sections: site"),
    ("a fact in an unknown unit", spoilt("  unit: A\n", "  unit: amps\n"), "block", "  unit: amps", "there is no unit 'amps'"),
    ("a fact without a unit", spoilt("  unit: A\n", ""), "block", "- fact: unit.setting", "'unit' is missing"),
    (
        "a choice without choices", spoilt("  choices: {rs485: two wires, other: something else}\n", ""),
        "block", "- fact: trunk.kind", "'choices' is missing",
    ),
    (
        "a replaced name that is used still", BASE + REPLACED.format("supply-volts", "check", "unit-power"),
        "twice", "- replaced: supply-volts", "there is a check 'supply-volts' still",
    ),
    (
        "a name replaced by nothing known", BASE + REPLACED.format("old-volts", "check", "supply-volt"),
        "unknown-name", "- replaced: old-volts", "did you mean 'supply-volts'?",
    ),
    (
        "names replaced in a circle",
        (
            BASE
            + REPLACED.format("old-volts", "check", "older-volts")
            + REPLACED.format("older-volts", "check", "old-volts")
        ),
        "circle", "- replaced: old-volts", "replaced old-volts: the names go round in a circle",
    ),
    (
        "a replaced name of an unknown kind", BASE + REPLACED.format("old-volts", "checks", "supply-volts"),
        "block", "kind: checks", "did you mean 'check'?",
    ),
    ("a replaced outcome of no check", BASE + REPLACED.format("so-so", "outcome", "poor"), "block", "- replaced: so-so", "'of' is missing"),
    (
        "a replaced name without a reason",
        BASE + REPLACED.format("old-volts", "check", "supply-volts").replace("  why: it is clearer\n", ""),
        "block", "- replaced: old-volts", "'why' is missing",
    ),
    ("a source of an unknown kind", spoilt("kind: handbook", "kind: book"), "block", "kind: book", "did you mean 'handbook'?"),
    (
        "a mechanism that shows nothing",
        BASE + "- mechanism: idle\n  title: Idle\n  says: Idle.\n  shows: []\n  sources: [handbook]\n",
        "block", "shows: []", "empty",
    ),
    # ---- the same thing twice
    ("two blocks of one id", BASE + NEW_FAULT + NEW_FAULT.replace("title", "title"), "twice", "", "is defined twice"),
    ("a key twice", with_fault("  prior:", "  at: unit\n  prior:"), "yaml", "  at: unit\n  prior", "twice"),
    (
        "a line twice",
        with_fault(
            "how-often: always}\n",
            "how-often: always}\n    - {check: unit-power, outcome: dark, how-often: usually}\n",
        ),
        "twice", "how-often: usually}\n  remedy", "says twice",
    ),
    # ---- names
    ("an unknown source", with_fault("[common-practice]", "[handbok]"), "unknown-name", "- fault: new-fault", "did you mean 'handbook'?"),
    (
        "an unknown source of a fact",
        spoilt("something else}\n  sources: [common-practice]", "something else}\n  sources: [nobody]"),
        "unknown-name", "- fact: trunk.kind", "'nobody'",
    ),
    (
        "an unknown check", with_fault("check: unit-power", "check: unit-powre"), "unknown-name",
        "    - {check: unit-powre", "did you mean 'unit-power'?",
    ),
    ("an unknown outcome", with_fault("outcome: dark", "outcome: drak"), "unknown-name", "outcome: drak", "did you mean 'dark'?"),
    ("an unknown how-often", with_fault("how-often: always", "how-often: mostly"), "unknown-name", "how-often: mostly", "how-often word 'mostly'"),
    (
        "an unknown strength gauge", with_fault("how-often: always", "how-often: gauge reflections-distrub"),
        "unknown-name", "gauge reflections", "did you mean 'reflections-disturb'?",
    ),
    ("an unknown prior", with_fault("prior: rare", "prior: never-ever"), "unknown-name", "- fault: new-fault", "prior word"),
    ("an unknown remedy", with_fault("remedy: dry-joint", "remedy: dry-joints"), "unknown-name", "- fault: new-fault", "did you mean 'dry-joint'?"),
    (
        "an unknown look-alike", with_fault("looks-the-same: [wet-joint]", "looks-the-same: [wet-joints]"),
        "unknown-name", "- fault: new-fault", "did you mean 'wet-joint'?",
    ),
    (
        "a look-alike of itself", with_fault("looks-the-same: [wet-joint]", "looks-the-same: [new-fault]"),
        "unknown-name", "- fault: new-fault", "other fault",
    ),
    (
        "an unknown proof", with_fault("prove: [unit-power]", "prove: [unit-power, unit-powr]"),
        "unknown-name", "- fault: new-fault", "did you mean 'unit-power'?",
    ),
    (
        "an unknown alteration", with_fault("  prior:", "  alters: [pair-opened]\n  prior:"), "unknown-name",
        "- fault: new-fault", "did you mean 'pair-open'?",
    ),
    (
        "an unknown mechanism",
        with_fault("  shows:", "  causes: [{mechanism: no-suply, how-often: always}]\n  shows:"),
        "unknown-name", "causes: [{mechanism: no-suply", "did you mean 'no-supply'?",
    ),
    (
        "an unknown fact", with_fault("  prior:", "  given: {trunk.knid: rs485}\n  prior:"), "unknown-name",
        "- fault: new-fault", "did you mean 'trunk.kind'?",
    ),
    (
        "a word a fact never has", with_fault("  prior:", "  unless: {trunk.kind: rs-485}\n  prior:"),
        "unknown-name", "- fault: new-fault", "did you mean 'rs485'?",
    ),
    (
        "an outcome an audit never has",
        with_fault("  prior:", "  given: {terminator-plan: missing}\n  prior:"), "unknown-name",
        "- fault: new-fault", "never 'missing'",
    ),
    (
        "an unknown caution", with_check("minutes: 1", "cautions: [keep-of]\n  minutes: 1"), "unknown-name",
        "- check: new-check", "did you mean 'keep-off'?",
    ),
    (
        "an unknown reading gauge", spoilt("gauge: insulation-megohms", "gauge: insulation-megohm"),
        "unknown-name", "- check: supply-volts", "did you mean 'insulation-megohms'?",
    ),
    (
        "a baseline for no outcome", with_check("minutes: 1", "baseline: {bend: rarely}\n  minutes: 1"),
        "unknown-name", "- check: new-check", "did you mean 'bent'?",
    ),
    (
        "a baseline for the normal outcome",
        with_check("minutes: 1", "baseline: {straight: rarely}\n  minutes: 1"), "unknown-name",
        "- check: new-check", "no abnormal outcome",
    ),
    (
        "a baseline of an unknown word",
        with_check("minutes: 1", "baseline: {bent: now-and-then}\n  minutes: 1"), "unknown-name",
        "- check: new-check", "how-often word",
    ),
    (
        "a rule on an unknown check",
        with_rule("{fact: trunk.kind, is: rs485}", "{reading: unit-powr, outcome: dark}"), "unknown-name",
        "- rule: new-rule", "did you mean 'unit-power'?",
    ),
    (
        "a rule on an unknown outcome",
        with_rule("{fact: trunk.kind, is: rs485}", "{reading: unit-power, outcome: drak}"), "unknown-name",
        "- rule: new-rule", "did you mean 'dark'?",
    ),
    (
        "a rule on an unknown finding",
        with_rule("{fact: trunk.kind, is: rs485}", "{finding: danger-at-hnd}"), "unknown-name",
        "- rule: new-rule", "did you mean 'danger-at-hand'?",
    ),
    (
        "a rule on an unknown fact", with_rule("fact: trunk.kind", "fact: trunk.sort"), "unknown-name",
        "- rule: new-rule", "install fact or audit gauge",
    ),
    (
        "a rule that excludes an unknown fault", with_rule("finding: something-new", "excludes: loose-jiont"),
        "unknown-name", "- rule: new-rule", "did you mean 'loose-joint'?",
    ),
    (
        "a rule that settles an unknown fault", with_rule("finding: something-new", "settles: loose-jiont"),
        "unknown-name", "- rule: new-rule", "did you mean 'loose-joint'?",
    ),
    (
        "a rule with an unknown prior word",
        with_rule("finding: something-new", "prior: loose-joint, is: likely"), "unknown-name",
        "- rule: new-rule", "prior word 'likely'",
    ),
    (
        "a rule with an unknown caution", with_rule("finding: something-new", "caution: keep-of"),
        "unknown-name", "- rule: new-rule", "did you mean 'keep-off'?",
    ),
    (
        "a rule that asks an unknown check", with_rule("finding: something-new", "ask: unit-powr"),
        "unknown-name", "- rule: new-rule", "did you mean 'unit-power'?",
    ),
    # ---- knowledge that cannot be used
    ("an unused source", BASE + "- source: lonely\n  title: Nobody names it\n  kind: handbook\n", "unused", "- source: lonely", "named by no block"),
    ("an unused check", BASE + NEW_CHECK, "unused", "- check: new-check", "no fault, mechanism, rule or danger uses it"),
    (
        "an unused mechanism",
        (
            BASE
            + "- mechanism: idle\n  title: Idle\n  says: Idle.\n"
            "  shows: [{check: unit-power, outcome: dark, how-often: always}]\n  sources: [handbook]\n"
        ),
        "unused", "- mechanism: idle", "no fault causes it",
    ),
    (
        "an unused remedy",
        (
            BASE
            + "- remedy: idle\n  title: Idle\n  do: Nothing.\n  role: help-desk\n  state: any\n"
            "  reach: remote\n  minutes: 1\n  sources: [handbook]\n"
        ),
        "unused", "- remedy: idle", "no fault uses it",
    ),
    (
        "an unused caution",
        BASE + "- caution: idle\n  title: Idle\n  says: Nothing.\n  sources: [handbook]\n", "unused",
        "- caution: idle", "nothing cites it",
    ),
    (
        "a fault without lines",
        with_fault("  shows:\n    - {check: unit-power, outcome: dark, how-often: always}\n", ""),
        "never-shown", "- fault: new-fault", "no check can show it",
    ),
    (
        "a proof that would read normal", with_fault("prove: [unit-power]", "prove: [supply-volts]"),
        "empty-proof", "- fault: new-fault", "prove by one of: unit-power",
    ),
    (
        "the normal outcome as an effect",
        with_fault(
            "how-often: always}",
            "how-often: always}\n    - {check: supply-volts, outcome: good, how-often: usually}",
        ),
        "impossible-outcome", "outcome: good, how-often: usually", "normal outcome",
    ),
    (
        "one outcome only", with_check("{straight: yes it is, bent: bent}", "{bent: bent}"),
        "impossible-outcome", "- check: new-check", "two different outcomes",
    ),
    ("a built-in outcome", with_check("bent: bent}", "bent: bent, cannot-reach: x}"), "impossible-outcome", "- check: new-check", "built in"),
    ("a number in a rule", with_fault("  prior:", "  given: {unit.setting: 48 A}\n  prior:"), "number-in-rule", "- fault: new-fault", "audit gauge"),
    (
        "a fact out of sight",
        with_fault("  prior:", "  given: {trunk.kind: rs485}\n  prior:").replace(
            "at: unit\n  nature: fault\n  severity: degraded\n  given",
            "at: panel\n  nature: fault\n  severity: degraded\n  given",
        ),
        "out-of-sight", "- fault: new-fault", "a panel sees: site, panel",
    ),
    ("end without a trunk end", with_fault("at: unit", "at: unit\n  end: far"), "block", "- fault: new-fault", "trunk-end"),
    (
        "other outcomes than the gauge's", spoilt("poor: poor, bad: bad}", "bad: bad}"), "gauge-outcomes",
        "- check: supply-volts", "they are: good, poor, bad",
    ),
    (
        "a gauge of another place",
        spoilt("  title: Volts at the unit\n  at: unit", "  title: Volts at the unit\n  at: panel"),
        "gauge-place", "- check: supply-volts", "write 'at: unit'",
    ),
    ("a gauge on a look", spoilt("kind: measurement", "kind: look"), "block", "- check: supply-volts", "kind: measurement"),
    ("a sweep over panels", with_check("at: unit", "at: panel\n  sweep: yes"), "block", "- check: new-check", "remove 'sweep'"),
    (
        "a pattern of no sweep",
        with_rule("{fact: trunk.kind, is: rs485}", "{reading: supply-volts, outcome: bad, pattern: all}"),
        "block", "- rule: new-rule", "remove 'pattern'",
    ),
    ("a complaint without phrases", with_check("minutes: 1", "complaint: yes\n  minutes: 1"), "phrases", "- check: new-check", "what callers say"),
    (
        "a phrase for two outcomes",
        with_check("minutes: 1", "phrases: {straight: [it leans], bent: [It Leans]}\n  minutes: 1"),
        "phrases", "- check: new-check", "stands for straight and bent",
    ),
    (
        "a negated reading",
        with_rule("  then:", "  unless: [{reading: unit-power, outcome: dark}]\n  then:"), "negation",
        "- rule: new-rule", "unknown, not absent",
    ),
    (
        "a negated fact", with_rule("  then:", "  unless: [{fact: trunk.kind, is: other}]\n  then:"),
        "negation", "- rule: new-rule", "unknown, not absent",
    ),
    # ---- roles, states, cautions
    (
        "a caller who opens",
        with_check(
            "state: any\n  reach: phone", "state: dead-verified\n  reach: on-site\n  cautions: [lock-out]"
        ),
        "role", "- check: new-check", "opens and measures nothing",
    ),
    (
        "dead work by phone",
        with_check(
            "role: caller\n  state: any", "role: technician\n  cautions: [lock-out]\n  state: dead-verified"
        ),
        "role", "- check: new-check", "reach: on-site",
    ),
    ("a caller on site", with_check("reach: phone", "reach: on-site"), "role", "- check: new-check", "by phone or remotely"),
    (
        "an agent on site",
        with_check(
            "role: caller\n  state: any\n  reach: phone", "role: help-desk\n  state: any\n  reach: on-site"
        ),
        "role", "- check: new-check", "by phone or remotely",
    ),
    (
        "live work without its caution",
        with_check(
            "role: caller\n  state: any\n  reach: phone",
            "role: electrician\n  state: live\n  reach: on-site\n  needs: energized",
        ),
        "caution", "- check: new-check", "live-work",
    ),
    (
        "dead work without its caution",
        with_check(
            "role: caller\n  state: any\n  reach: phone",
            "role: electrician\n  state: dead-verified\n  reach: on-site",
        ),
        "caution", "- check: new-check", "lock-out",
    ),
    (
        "a remedy without its caution", spoilt("  minutes: 20\n  cautions: [lock-out]", "  minutes: 20"),
        "caution", "- remedy: remake-joint", "lock-out",
    ),
    ("a remedy by a caller", spoilt("  role: electrician\n", "  role: help-desk\n"), "role", "- remedy: remake-joint", "opens and measures nothing"),
    (
        "a complaint for a technician",
        with_check(
            "role: caller\n  state: any\n  reach: phone",
            (
                "complaint: yes\n  phrases: {bent: [it is bent]}\n  role: technician\n  state: any\n"
                "  reach: on-site"
            ),
        ),
        "role", "- check: new-check", "role caller or help-desk",
    ),
    # ---- effects
    (
        "a line that says never",
        with_fault(
            "how-often: always}",
            "how-often: always}\n    - {check: danger-signs, outcome: smell, how-often: never}",
        ),
        "pointless", "outcome: smell, how-often: never", "leave the line out",
    ),
    ("a fault seen by luck", with_fault("how-often: always", "how-often: rarely"), "undetectable", "- fault: new-fault", "add a check that shows it"),
    (
        "twins with two remedies",
        BASE + NEW_FAULT + NEW_FAULT.replace("new-fault", "twin-fault").replace("dry-joint", "remake-joint"),
        "twins", "- fault: twin-fault", "fault new-fault shows",
    ),
    (
        "alternatives without end",
        with_rule(
            "[{fact: trunk.kind, is: rs485}]",
            "[" + ", ".join(["{fact: trunk.kind, is: [rs485, other]}"] * 7) + "]",
        ),
        "too-many-ways", "- rule: new-rule", "multiply to 128",
    ),
    # ---- words
    ("a long title", with_fault("A new fault", "A new fault " * 10), "long-title", "- fault: new-fault", "at most 110"),
    (
        "a misspelt placeholder",
        with_check("{place}", "'{plcae}'").replace(
            "ask: Is '{plcae}' straight?", 'ask: "Is {plcae} straight?"'
        ),
        "placeholder", "- check: new-check", "{plcae}",
    ),
    ("a brace left open", with_rule("says: Something.", 'says: "At {place is dark."'), "placeholder", "- rule: new-rule", "{place is dark."),
    # ---- danger
    (
        "a danger sign that stops nothing",
        spoilt("    smell: burning smell\n", "    smell: burning smell\n    heat: too hot\n"), "danger",
        "- check: danger-signs", "no danger that stops use is raised by 'heat'",
    ),
    (
        "a danger sign that only holds",
        spoilt("  title: burning smell\n", "  title: burning smell\n  level: hold\n"), "danger",
        "- check: danger-signs", "no danger that stops use is raised by 'smell'",
    ),
    (
        "a danger sign that the question does not name", spoilt("Any smell or heat", "Any fire or heat"),
        "danger", "- check: danger-signs", "does not name smell",
    ),
    (
        "a fault that calls the rest sound",
        with_fault("says: Something else.", "says: Something else. Nothing is broken."), "innocence",
        "- fault: new-fault", "'Nothing is broken'",
    ),
    (
        "a finding that acquits", with_rule("says: Something.", "says: The station is sound."), "innocence",
        "- rule: new-rule", "calls something sound",
    ),
    (
        "a finding that acquits at another level",
        with_rule("says: Something.", "says: No other fault seen so far."), "innocence", "- rule: new-rule",
        "No other fault",
    ),
    (
        "a danger that nobody can make safe", spoilt("  make-safe: make-safe\n", ""), "danger",
        "- danger: burning-smell", "nothing says how to make it safe",
    ),
    ("a danger without end", spoilt("  proofs: [supply-volts or unit-power]\n", ""), "danger", "- danger: burning-smell", "no reading proves"),
    (
        "a dangerous fault that nobody notices", with_fault("severity: degraded", "severity: danger"),
        "danger", "- fault: new-fault", "raise a danger by unit-power dark",
    ),
    (
        "a danger raised by an unknown check",
        spoilt("{check: danger-signs, outcome: [smell]}", "{check: danger-sings, outcome: [smell]}"),
        "unknown-name", "    - {check: danger-sings", "did you mean 'danger-signs'?",
    ),
    (
        "a danger raised by an unknown outcome", spoilt("outcome: [smell]}", "outcome: [smell, smoke]}"),
        "unknown-name", "outcome: [smell, smoke]", "no outcome 'smoke'",
    ),
    (
        "a danger raised by the normal outcome", spoilt("outcome: [smell]}", "outcome: [smell, none]}"),
        "impossible-outcome", "outcome: [smell, none]", "ends a danger",
    ),
    (
        "a danger with an unknown first word", spoilt("  first: [keep-off]", "  first: [keep-of]"),
        "unknown-name", "- danger: burning-smell", "did you mean 'keep-off'?",
    ),
    (
        "a danger with an unknown way to make it safe",
        spoilt("  make-safe: make-safe\n", "  make-safe: make-save\n"), "unknown-name",
        "- danger: burning-smell", "did you mean 'make-safe'?",
    ),
    (
        "a danger with an unknown proof",
        spoilt("[supply-volts or unit-power]", "[supply-volts or unit-powr]"), "unknown-name",
        "- danger: burning-smell", "did you mean 'unit-power'?",
    ),
    (
        "a rule that stops use by a text", spoilt("{stop-use: burning-smell}", "{stop-use: it burns}"),
        "unknown-name", "- rule: smell-stops-use", "names no danger",
    ),
    (
        "a reading that raises two dangers", BASE + DANGER, "twice",
        "    - {check: danger-signs, outcome: [smell]}\n  sources: [handbook]",
        "raises danger burning-smell already",
    ),
    (
        "a danger that nothing raises",
        BASE + DANGER.replace("  raised-by:\n    - {check: danger-signs, outcome: [smell]}\n", ""), "unused",
        "- danger: new-danger", "nothing raises it",
    ),
    (
        "a danger that a caller makes safe", spoilt("  by: technician\n", "  by: caller\n"), "role",
        "- danger: burning-smell", "a caller makes nothing safe",
    ),
    (
        "a proof above who makes it safe",
        spoilt("[supply-volts or unit-power]", "[supply-volts]").replace(
            "  role: technician\n  state: dead-verified\n  reach: on-site\n  minutes: 5",
            "  role: electrician\n  state: dead-verified\n  reach: on-site\n  minutes: 5",
        ),
        "role", "- danger: burning-smell", "by: electrician",
    ),
    (
        "a proof at another place",
        with_check("at: unit", "at: trunk").replace("[supply-volts or unit-power]", "[new-check]"),
        "out-of-sight", "- danger: burning-smell", "taken at a trunk",
    ),
    (
        "first words for the qualified", spoilt("  first: [keep-off]", "  first: [keep-off, lock-out]"),
        "audience", "- danger: burning-smell", "'first' is read by everybody",
    ),
    (
        "making safe told to everybody",
        spoilt("isolates it and proves it dead.\n  for: qualified\n", "isolates it and proves it dead.\n"),
        "audience", "- danger: burning-smell", "add 'for: qualified'",
    ),
    (
        "making safe that does not say who", spoilt("The qualified person isolates", "Isolate"), "audience",
        "- caution: make-safe", "begins with 'The qualified person'",
    ),
    # ---- power and use
    (
        "an order for the qualified at a caller's check",
        with_check("minutes: 1", "cautions: [lock-out]\n  minutes: 1"), "audience", "- check: new-check",
        "the step is for a caller",
    ),
    (
        "a check that plugs in without saying so",
        with_check("how: Look.", "how: Look, then plug a car in once."), "needs", "- check: new-check",
        "'plug a car in'",
    ),
    ("a check that ends with power on", with_check("how: Look.", "how: Look, close up, switch on."), "needs", "- check: new-check", "'close up'"),
    (
        "a live check without needs",
        (
            with_check(
                "role: caller\n  state: any\n  reach: phone",
                "role: electrician\n  state: live\n  reach: on-site\n  cautions: [live-work]",
            )
            + "- caution: live-work\n  title: Live\n  says: Rated leads.\n  for: qualified\n"
            "  sources: [handbook]\n"
        ),
        "needs", "- check: new-check", "a live step",
    ),
    (
        "a remedy that restarts without saying so",
        spoilt("do: Dry and seal it.", "do: Dry and seal it, then restart it."), "needs",
        "- remedy: dry-joint", "'restart'",
    ),
    (
        "power back on a look alone",
        spoilt("do: Cut back and remake it.", "do: Cut back and remake it, close up.\n  needs: energized"),
        "unproved", "- fault: loose-joint", "test or a measurement",
    ),
]  # fmt: skip

EXACT = {  # what begins at the very line and column that is told: the name that is wrong, or the key
    "a name replaced by nothing known": "supply-volt\n", "a replaced name that is used still": "- replaced: supply-volts",
    "an unknown source": "handbok]", "an unknown source of a fact": "nobody]", "an unknown check": "unit-powre,", "an unknown outcome": "drak,",
    "an unknown how-often": "mostly}", "an unknown strength gauge": "reflections-distrub",
    "an unknown prior": "never-ever", "an unknown remedy": "dry-joints",
    "an unknown look-alike": "wet-joints]", "a look-alike of itself": "new-fault]", "an unknown proof": "unit-powr]",
    "an unknown alteration": "pair-opened]", "an unknown mechanism": "no-suply,",
    "an unknown fact": "trunk.knid:", "a word a fact never has": "rs-485}",
    "an outcome an audit never has": "missing}", "an unknown caution": "keep-of]", "an unknown reading gauge": "insulation-megohm\n",
    "a baseline for no outcome": "bend: rarely", "a baseline for the normal outcome": "straight: rarely",
    "a baseline of an unknown word": "now-and-then}",
    "a rule on an unknown check": "unit-powr,", "a rule on an unknown outcome": "drak}", "a rule on an unknown finding": "danger-at-hnd}",
    "a rule on an unknown fact": "trunk.sort,", "a rule that excludes an unknown fault": "loose-jiont}",
    "a rule that settles an unknown fault": "loose-jiont}",
    "a rule with an unknown prior word": "likely}", "a rule with an unknown caution": "keep-of}", "a rule that asks an unknown check": "unit-powr}",
    "a built-in outcome": "cannot-reach: x", "the normal outcome as an effect": "good, how-often: usually",
    "end without a trunk end": "end: far\n  nature",
    "a pattern of no sweep": "pattern: all", "a negated reading": "unless: [{reading", "a negated fact": "unless: [{fact",
    "a danger sign that stops nothing": "heat: too hot",
    "a danger sign that only holds": "smell: burning smell",
    "a danger raised by an unknown check": "danger-sings,",
    "a danger raised by an unknown outcome": "[smell, |smoke]",
    "a danger raised by the normal outcome": "none]}", "a danger with an unknown first word": "keep-of]",
    "a danger with an unknown way to make it safe": "make-save",
    "a danger with an unknown proof": "unit-powr]", "a rule that stops use by a text": "it burns}",
    "first words for the qualified": "first: [keep-off, lock-out]", "power back on a look alone": "remedy: remake-joint\n  |prove: [unit-power]",
}  # fmt: skip

FOLLOWED = {
    "names replaced in a circle",  # spoiling these leaves something else without use as well
    "an unknown source of a fact", "an unknown check", "an unknown alteration", "an unknown reading gauge",
    "a fault without lines", "a fact out of sight", "other outcomes than the gauge's", "a file that is no list",
    "a list with an empty text", "a fact without a unit", "a word that is none of the list",
    "a mapping for a list", "a text for lines", "a mechanism that shows nothing", "one outcome only", "a rule on an unknown check",
    "a caller who opens", "a remedy by a caller", "a danger raised by an unknown check", "a danger with an unknown way to make it safe",
    "a danger that nobody can make safe",
}  # fmt: skip


@pytest.mark.parametrize(("text", "lint", "marker", "words"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_each_is_told_once_at_its_line(tmp_path: Path, text: str, lint: str, marker: str, words: str, request: pytest.FixtureRequest) -> None:
    problems = problems_of(tmp_path / "r", text)
    name = request.node.callspec.id
    told = [p for p in problems if p.lint == lint and words in p.line()]
    everything = "\n".join(p.line() for p in problems)
    assert len(told) == 1, everything or "nothing was found"
    if name not in FOLLOWED:
        assert len(problems) == 1, everything
    if name in EXACT:
        before, _, after = EXACT[name].rpartition("|")
        assert text.count(before + after) == 1, text.count(before + after)
        before = text[: text.index(before + after) + len(before)]
        assert told[0].mark[1:] == (before.count("\n") + 1, len(before) - before.rfind("\n")), everything
    elif marker:
        assert told[0].mark.line == line_of(text, marker), everything
    assert told[0].mark.file.endswith("r/base.yaml")
    assert told[0].line().isprintable()


def test_every_unknown_name_is_told_at_its_line_and_column() -> None:
    assert {c[0] for c in CASES if c[2] == "unknown-name"} <= set(EXACT)


def test_a_name_that_is_wrong_twice_is_told_at_both_places(tmp_path: Path) -> None:
    text = BASE + NEW_FAULT.replace("unit-power", "unit-powre")
    told = [p.mark.line for p in problems_of(tmp_path, text) if "'unit-powre'" in p.message]
    assert told == [line_of(text, "- {check: unit-powre"), line_of(text, "prove: [unit-powre]")]


def test_every_lint_has_a_case() -> None:
    assert {c[2] for c in CASES} | {"file"} == ALL_LINTS


def test_every_lint_in_the_source_has_a_case() -> None:
    """A new lint without a case fails here: its name is the last of the four that a check yields."""
    said = set()
    for path in (Path(__file__).resolve().parents[2] / "diagnose" / "knowledge").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            four = node.value.elts if isinstance(node, (ast.Yield, ast.Return)) and isinstance(node.value, ast.Tuple) else []
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Problem":
                four = node.args
            if len(four) == 4 and isinstance(four[3], ast.Constant) and isinstance(four[3].value, str):
                said.add(four[3].value)
    assert said | {"yaml"} == ALL_LINTS


def test_two_definitions_name_the_first(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, BASE + NEW_FAULT + NEW_FAULT)
    assert problem.mark.line == BASE.count("\n") + NEW_FAULT.count("\n") + 1
    assert problem.hint.endswith(f"base.yaml:{BASE.count(chr(10)) + 1}")


def test_no_danger_check_at_all(tmp_path: Path) -> None:
    text = BASE.replace("danger-signs", "other-signs")
    (problem,) = problems_of(tmp_path, text)
    assert problem.lint == "danger"
    assert "danger-signs" in problem.message


def test_twins_that_the_record_tells_apart_or_one_remedy_cures(tmp_path: Path) -> None:
    twin = NEW_FAULT.replace("new-fault", "twin-fault").replace("dry-joint", "remake-joint")
    one = NEW_FAULT.replace("  prior:", "  given: {trunk.kind: rs485}\n  prior:")
    other = twin.replace("  prior:", "  given: {trunk.kind: other}\n  prior:")
    assert problems_of(tmp_path / "a", BASE + one + other) == []
    assert problems_of(tmp_path / "b", BASE + NEW_FAULT + twin.replace("remake-joint", "dry-joint")) == []
    assert [p.lint for p in problems_of(tmp_path / "c", BASE + one + twin)] == ["twins"]


def test_never_may_shield_from_a_wider_line(tmp_path: Path) -> None:
    text = with_fault(
        "how-often: always}",
        "how-often: always, where: same-trunk}\n    - {check: unit-power, outcome: dark, how-often: never, where: before}",
    )
    assert problems_of(tmp_path, text) == []


def test_a_missing_scale(tmp_path: Path) -> None:
    start = BASE.index("- scale: prior")
    text = BASE[:start] + BASE[BASE.index("- source: five") :]
    problems = problems_of(tmp_path, text)
    assert any(p.message == "there is no scale 'prior'" for p in problems)


def test_all_problems_of_several_files_at_once_and_in_order(tmp_path: Path) -> None:
    write(tmp_path, BASE)
    write(tmp_path / "b", "- fault: x\n- fualt: y\n", "one.yaml")
    write(tmp_path / "a", "- caution: c\n  titel: T\n  says: s\n  sources: [nobody]\n", "two.yaml")
    with pytest.raises(InputError) as caught:
        load(tmp_path, cache=False)
    lines = str(caught.value).split("\n")
    assert len(lines) == len(caught.value.problems) > 8
    marks = [p.mark for p in caught.value.problems]
    assert marks == sorted(marks)
    assert {Path(p.file).name for p in marks} == {"one.yaml", "two.yaml"}
    for line, problem in zip(lines, caught.value.problems, strict=True):
        assert line.startswith(f"{problem.mark.file}:{problem.mark.line}:{problem.mark.column}: ")
        assert line.endswith(f"[{problem.lint}]")
        assert line.isprintable()


def test_a_file_that_cannot_be_read_does_not_make_all_its_names_unknown(tmp_path: Path) -> None:
    sources = BASE[BASE.index("- source: five") : BASE.index("- fact: unit.setting")]
    write(tmp_path, BASE.replace(sources, ""))
    write(tmp_path, sources + "- source: [\n", "sources.yaml")
    problems = build(tmp_path)[1]
    assert [(Path(p.mark.file).name, p.lint) for p in problems] == [("sources.yaml", "yaml")]


def test_what_is_called_yaml_and_is_no_file(tmp_path: Path) -> None:
    write(tmp_path, BASE)
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "gone.yaml").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError) as caught:
        load(tmp_path, cache=False)
    assert [p.lint for p in caught.value.problems] == ["file", "file"]


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    write(tmp_path / "empty", BASE, "base.txt")
    for folder in (tmp_path / "nowhere", tmp_path / "empty" / "base.txt", tmp_path / "empty"):
        with pytest.raises(InputError) as caught:
            load(folder, cache=False)
        (problem,) = caught.value.problems
        assert problem.lint == "file"
        assert problem.hint
