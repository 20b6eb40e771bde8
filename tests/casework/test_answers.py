"""One grammar: what the shell takes for an answer outright, a case file and a log take as well."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.casework.answers import UNKNOWN, UNREACHED, plain, said
from diagnose.casework.casefile import read_case
from diagnose.casework.state import AnswerError, read_site, take_answer
from diagnose.knowledge.load import load
from diagnose.knowledge.model import NO_ANSWER
from diagnose.shell.answers import Taken, understand
from diagnose.site.model import Site
from diagnose.source.problems import InputError

K = load()
HARBOUR = Path(__file__).parents[1] / "sites" / "harbour-12.yaml"


@pytest.fixture(scope="module")
def site() -> Site:
    return read_site(HARBOUR.read_text(encoding="utf-8"), K)


WRITTEN = [
    ("unit-answers", "no idea", "do-not-know"), ("unit-answers", "dk", "do-not-know"), ("unit-answers", "don’t know", "do-not-know"),
    ("unit-answers", "Don't  Know.", "do-not-know"), ("unit-answers", "do-not-know", "do-not-know"), ("unit-answers", "not known", "do-not-know"),
    ("unit-answers", "no access", "cannot-reach"), ("unit-answers", "can not", "cannot-reach"), ("unit-answers", "can’t reach!", "cannot-reach"),
    ("ohms-across-pair", "no access", "cannot-reach"), ("ohms-across-pair", "dk", "do-not-know"),
    ("ohms-across-pair", "no terminator", "no-terminator"),
    ("unit-answers", "silent.", "silent"), ("unit-answers", "Silent", "silent"),
    ("unit-answers", "= silent", "silent"), ("unit-answers", "4", "silent"),
    ("unit-answers", "4.", "silent"), ("danger-signs", "burning smell", "burning-smell"), ("danger-signs", "None.", "none"),
]  # fmt: skip


@pytest.mark.parametrize(("check", "text", "means"), WRITTEN)
def test_the_shell_and_a_case_file_take_the_same(site: Site, tmp_path: Path, check: str, text: str, means: str) -> None:
    wanted = K.checks[check]
    taken = understand(K, site, wanted, site.places(wanted.at)[:1], text)
    assert isinstance(taken, Taken)
    assert taken.text == means
    assert take_answer(K, site, wanted, (), text)[0] == (None if means in NO_ANSWER else means)
    at = site.places(wanted.at)[0]
    path = tmp_path / "case.yaml"
    path.write_text(f"case: 1\ninstall-record: {HARBOUR.as_posix()}\nlog:\n  - {{check: {check}, at: {at}, answer: \"{text}\"}}\n", encoding="utf-8")
    ((_, data),) = read_case(path, K).log
    assert data["answer"] == means


def test_every_sentence_of_every_check_is_taken_by_both(site: Site) -> None:
    """A sentence that stands for two outcomes is taken by neither."""
    for check in K.checks.values():
        places = site.places(check.at)[:1]
        for text in [*check.outcome_ids, *UNKNOWN, *UNREACHED, *(x for o in check.outcomes for x in (o.says, *o.phrases) if not check.gauge)]:
            same = said(check, text)
            if len(same) != 1:
                assert len(same) > 1, (check.id, text)
                continue
            taken = understand(K, site, check, places, text)
            assert isinstance(taken, Taken)
            assert taken.text == same[0]
            assert take_answer(K, site, check, places, text)[0] == (None if same[0] in NO_ANSWER else same[0])


@pytest.mark.parametrize("text", ["", "  ", ".", "0", "99", "1234", "banana", "no", "normal-ish"])
def test_what_says_nothing_says_nothing(site: Site, text: str) -> None:
    assert said(K.checks["unit-answers"], text) == ()
    with pytest.raises(AnswerError):
        take_answer(K, site, K.checks["unit-answers"], (), text)


def test_a_measured_value_is_no_number_in_the_list(site: Site) -> None:
    check = K.checks["ohms-across-pair"]
    assert said(check, "1") == ()
    assert take_answer(K, site, check, site.places("trunk-end")[:1], "61 ohm")[1:] == (61.0, "ohm")


def test_plain() -> None:
    assert plain("  =  Don’t   KNOW. ") == "don't know"


def test_a_value_without_a_place_is_read_at_the_first(site: Site, tmp_path: Path) -> None:
    assert take_answer(K, site, K.checks["ohms-across-pair"], (), "61 ohm")[0] == take_answer(
        K, site, K.checks["ohms-across-pair"], site.places("trunk-end")[:1], "61 ohm"
    )[0]
    path = tmp_path / "case.yaml"
    path.write_text("case: 1\nlog:\n  - {check: ohms-across-pair, answer: 61 ohm}\n", encoding="utf-8")
    with pytest.raises(InputError, match="no trunk-end"):
        read_case(path, K)
