"""What a caller says, matched to the complaints of the rule base."""

import pytest

from diagnose.shell.desk import Desk


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("units 6-12 are silent", ("unit-answers", "silent")),
        ("half the chain is dead", ("unit-answers", "silent")),
        ("the braker trips after an hour", ("breaker-trips", "after-a-while")),
        ("screen is blank at unit 5", ("unit-power", "dark")),
        ("car won't charge", ("charging-starts", "will-not-start")),
        ("slow charging in the afternoon", ("charging-power", "drops-when-hot")),
        ("app says offline", ("back-office-sees", "offline")),
        ("bus comes and goes", ("unit-answers", "intermittently")),
        ("the station hums", ("body-senses", "hum")),
        ("card refused", ("authorization", "refused")),
        ("rcd trips when wet", ("ground-fault-trips", "when-wet")),
    ],
)
def test_complaints_in_plain_words(warm: Desk, said: str, meant: tuple[str, str]) -> None:
    assert warm.complaints().search(said)[0][0] == meant


def test_nothing_comes_of_nothing(warm: Desk) -> None:
    assert warm.complaints().search("") == []
    assert warm.complaints().search("qwzx jkjk") == []
