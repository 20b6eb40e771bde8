"""Exported cases: round trip, damage, torn ends, duplicates and conflicts."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.casework import transfer
from diagnose.casework.store import Store
from diagnose.casework.transfer import TransferError, export_case, export_text, import_case, read_case


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "here.db") as opened:
        yield opened


@pytest.fixture
def there(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "there.db") as opened:
        yield opened


def fill(store: Store, notes: int = 3) -> str:
    case = store.create_case("Ölhafen, quay 3", "help-desk", {"complaint": "line\u2028two\n“Ω”"})
    for n in range(notes):
        store.append(case, "note", {"text": f"number {n}"}, "help-desk")
    return case


def test_round_trip(here: Store, there: Store, tmp_path: Path) -> None:
    case = fill(here)
    path = tmp_path / "case.jsonl"
    assert export_case(here, case, path) == 4
    lines = path.read_bytes().split(b"\n")
    assert len(lines) == 6
    assert lines[-1] == b""
    result = import_case(there, path)
    assert (result.case, result.outcome, result.added, result.events, result.statement) == (
        case,
        "new",
        4,
        4,
        "",
    )
    assert there.stored(case) == here.stored(case)
    assert there.case(case) == here.case(case)
    assert there.verify(case) == []
    assert not list(tmp_path.glob(".*.part"))


def test_same_extended_older(here: Store, there: Store, tmp_path: Path) -> None:
    case = fill(here)
    export_case(here, case, tmp_path / "1")
    import_case(there, tmp_path / "1")
    before = there.case(case)
    assert import_case(there, tmp_path / "1")[1:3] == ("same", 0)
    assert there.case(case) == before
    here.append(case, "closed", {}, "help-desk")
    export_case(here, case, tmp_path / "2")
    assert import_case(there, tmp_path / "2")[1:3] == ("extended", 1)
    assert there.case(case) == here.case(case)
    assert there.case(case).state == "closed"
    assert import_case(there, tmp_path / "1")[1:4] == ("older", 0, 5)
    assert there.case(case) == here.case(case)
    assert there.verify(case) == []


def test_parted_cases_are_refused(here: Store, there: Store, tmp_path: Path) -> None:
    case = fill(here)
    export_case(here, case, tmp_path / "1")
    import_case(there, tmp_path / "1")
    here.append(case, "note", {"text": "one"}, "help-desk")
    there.append(case, "note", {"text": "two"}, "help-desk")
    here.append(case, "note", {"text": "three"}, "help-desk")
    export_case(here, case, tmp_path / "2")
    before = there.stored(case)
    with pytest.raises(TransferError, match="differs from event 5 on; nothing was changed"):
        import_case(there, tmp_path / "2")
    assert there.stored(case) == before


def test_another_case_with_the_same_id_is_refused(here: Store, there: Store, tmp_path: Path) -> None:
    here.create_case("one", "help-desk", case="C-7K3Q4")
    there.create_case("two", "help-desk", case="C-7K3Q4")
    export_case(here, "C-7K3Q4", tmp_path / "1")
    with pytest.raises(TransferError, match="is another case"):
        import_case(there, tmp_path / "1")
    assert there.case("C-7K3Q4").title == "two"


def test_an_event_id_of_another_case_is_refused_as_a_whole(here: Store, there: Store, tmp_path: Path) -> None:
    case = fill(here)
    here.append(case, "note", {"text": "last"}, "help-desk", "shared")
    other = there.create_case("other", "help-desk")
    there.append(other, "note", {"text": "mine"}, "help-desk", "shared")
    export_case(here, case, tmp_path / "1")
    with pytest.raises(TransferError, match="event id shared belongs to another case"):
        import_case(there, tmp_path / "1")
    assert [c.id for c in there.cases()] == [other]


def test_every_flipped_bit_is_found(here: Store) -> None:
    """All bits of a small file: an error that names a line, or the last line called torn."""
    case = fill(here, notes=1)
    content = export_text(here.stored(case))
    whole = read_case(content, "f").log
    lines = content.count(b"\n")
    torn = 0
    for position in range(len(content)):
        for bit in range(8):
            changed = bytearray(content)
            changed[position] ^= 1 << bit
            try:
                result = read_case(bytes(changed), "f")
            except TransferError as error:
                text = str(error)
                assert text.startswith("f:")
                assert "\n" not in text
                named = int(text.split(":")[1])
                at = content.count(b"\n", 0, position) + 1
                # a header is only contradicted by what follows it
                assert named == at or (at == 1 and named <= lines + 1) or named == at + 1, (
                    position,
                    bit,
                    text,
                )
                continue
            assert result.statement, (position, bit)
            assert result.log == whole[:-1]
            assert position == len(content) - 1
            torn += 1
    assert torn == 8  # the last line end, whichever bit


def test_every_cut_is_found(here: Store) -> None:
    case = fill(here, notes=2)
    content = export_text(here.stored(case))
    last = content.rfind(b"\n", 0, -1) + 1
    whole = read_case(content, "f")
    assert whole.statement == ""
    refused: dict[int, str] = {}
    for length in range(len(content)):
        try:
            result = read_case(content[:length], "f")
        except TransferError as error:
            refused[length] = str(error)
            continue
        assert length > last
        if length == len(content) - 1:
            assert result.statement == "f:4: the last line has no line end; all 3 events were read"
            assert result.log == whole.log
        else:
            assert result.statement == (
                "f:4: the last line is torn; 2 of 3 events were read, "
                "the last one is missing, get the whole file"
            )
            assert result.log == whole.log[:2]
    assert list(refused) == list(range(last + 1))
    assert all("\n" not in line for line in refused.values())


def test_torn_import_says_so_and_is_completed_later(here: Store, there: Store, tmp_path: Path) -> None:
    case = fill(here)
    content = export_text(here.stored(case))
    (tmp_path / "torn").write_bytes(content[:-20])
    result = import_case(there, tmp_path / "torn")
    assert (result.outcome, result.added) == ("new", 3)
    assert "3 of 4 events were read" in result.statement
    assert there.verify(case) == []
    (tmp_path / "whole").write_bytes(content)
    assert import_case(there, tmp_path / "whole")[1:3] == ("extended", 1)
    assert there.case(case) == here.case(case)


def test_lines_that_are_swapped_doubled_dropped_or_added(here: Store) -> None:
    case = fill(here)
    good = export_text(here.stored(case)).split(b"\n")
    for order, words in [
        ([0, 1, 3, 2, 4, 5], "f:3: is event 3, expected event 2"),
        ([0, 1, 2, 2, 3, 4, 5], "f:4: is event 2, expected event 3"),
        ([0, 1, 3, 4, 5], "f:3: is event 3, expected event 2"),
        ([0, 1, 2, 3, 5], "f:5: the file ends after 3 of 4 events"),
        ([0, 1, 2, 3, 4, 4, 5], "f:6: a line too many"),
        ([1, 2, 3, 4, 5], "f:1: not an exported case"),
        ([0, 0, 1, 2, 3, 4, 5], "f:2: not an event line"),
    ]:
        with pytest.raises(TransferError, match=words):
            read_case(b"\n".join(good[n] for n in order), "f")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "f:1: the first line is not complete"),
        (b"hello", "f:1: the first line is not complete"),
        (b"hello\n", "f:1: not JSON"),
        (b"\xff\xfe\n", "f:1: byte 1 is not UTF-8"),
        (b"[]\n", "f:1: not an exported case"),
        (b'{"format":"diagnose-case","version":2}\n', "f:1: version 2 is unknown, expected 1; update"),
        (b'{"format":"diagnose-case","version":true}\n', "f:1: version True is unknown"),
        (b'{"format":"diagnose-case","version":1}\n', "f:1: the header was changed"),
        (b"{}\r\n", "f:1: the line ends were changed to CR LF"),
    ],
)
def test_files_of_something_else(content: bytes, words: str) -> None:
    with pytest.raises(TransferError, match=words):
        read_case(content, "f")


def test_export_refuses_a_damaged_case_and_an_existing_file(here: Store, tmp_path: Path) -> None:
    case = fill(here)
    (tmp_path / "there").write_text("mine")
    with pytest.raises(TransferError, match="exists already"):
        export_case(here, case, tmp_path / "there")
    assert (tmp_path / "there").read_text() == "mine"
    export_case(here, case, tmp_path / "there", overwrite=True)
    assert read_case((tmp_path / "there").read_bytes(), "f").case == case
    with pytest.raises(TransferError, match="cannot be written"):
        export_case(here, case, tmp_path / "nowhere" / "x")
    with pytest.raises(TransferError, match="cannot be read"):
        import_case(here, tmp_path / "nowhere")
    here._connection.execute("UPDATE events SET body = replace(body, 'number 1', 'number 2')")
    with pytest.raises(TransferError, match="hash does not fit"):
        export_case(here, case, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_failed_write_leaves_the_old_file(
    here: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fail each of the steps in turn: what was there stays, and no part is left."""
    case = fill(here)
    path = tmp_path / "case"
    path.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    for name in ("fsync", "replace"):
        with monkeypatch.context() as patch:
            patch.setattr(transfer.os, name, fail)
            with pytest.raises(TransferError, match="No space left on device"):
                export_case(here, case, path, overwrite=True)
        assert path.read_text() == "old"
        assert not list(tmp_path.glob(".*.part"))


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
def test_full_device_while_writing(here: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    case = fill(here)
    original = Path.open

    def full(self: Path, mode: str = "r", *rest: object) -> object:
        return (
            original(Path("/dev/full"), "wb") if self.name.endswith(".part") else original(self, mode, *rest)
        )

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(TransferError, match="No space left"):
        export_case(here, case, tmp_path / "case")
    assert not (tmp_path / "case").exists()


text = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
values = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | text
)
steps = st.lists(
    st.tuples(
        st.sampled_from(["reading", "note", "remedy", "withdrawn", "closed"]),
        st.dictionaries(text, values, max_size=3),
    ),
    max_size=8,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=steps,
    title=st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=50),
    cut=st.integers(0, 8),
)
def test_generated_cases_round_trip(
    here: Store, there: Store, tmp_path: Path, steps: list, title: str, cut: int
) -> None:
    case = here.create_case(title, "help-desk")
    needed = {"reading": "check", "note": "text", "remedy": "remedy"}
    path = tmp_path / f"{case}.jsonl"
    for number, (kind, data) in enumerate(steps):
        if number == cut:
            export_case(here, case, path, overwrite=True)
            import_case(there, path)
        if kind == "withdrawn":
            earlier = [e.id for e in here.events(case) if e.kind != "opened"]
            if not earlier:
                continue
            data = {**data, "event": earlier[number % len(earlier)]}
        elif kind in needed:
            data = {**data, needed[kind]: "x"}
        here.append(case, kind, data, "help-desk")
    export_case(here, case, path, overwrite=True)
    import_case(there, path)
    assert there.stored(case) == here.stored(case)
    assert there.case(case) == here.case(case)
    assert there.verify(case) == []
