"""The compiled form of a rule base: equal to what it was made from, and never trusted when it is not whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from diagnose.knowledge import load as loading
from diagnose.knowledge.load import build, cache_file, content_key, decode, encode, load, shipped_folder
from tests.knowledge.small_base import BASE, write


@pytest.fixture
def rules(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "cache"))
    return write(tmp_path / "rules")


def kept(rules: Path) -> Path:
    return cache_file(content_key(rules))


def no_building(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise AssertionError("built again")

    monkeypatch.setattr(loading, "build", refuse)


def test_the_shipped_base_goes_to_json_and_back_unchanged() -> None:
    knowledge, problems = build(shipped_folder())
    assert problems == []
    again = decode(json.loads(json.dumps(encode(knowledge))), knowledge.key)
    assert again == knowledge
    for name in ("facts", "checks", "faults", "rules", "mechanisms", "remedies", "cautions", "sources", "scales"):
        assert list(getattr(again, name)) == list(getattr(knowledge, name)), f"order of {name}"


def test_the_second_load_builds_nothing(rules: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = load(rules)
    no_building(monkeypatch)
    assert load(rules) == first


def test_a_changed_file_is_built_again(rules: Path) -> None:
    assert load(rules).faults["wet-joint"].title == "A wet joint"
    write(rules, BASE.replace("A wet joint", "A damp joint"))
    assert load(rules).faults["wet-joint"].title == "A damp joint"
    write(rules, "- source: more\n  title: More\n  kind: handbook\n- caution: new\n  title: N\n  says: S\n  sources: [more]\n", "more.yaml")
    from diagnose.source.problems import InputError

    with pytest.raises(InputError):  # the new caution is cited by nobody
        load(rules)
    (rules / "more.yaml").unlink()
    assert load(rules).faults["wet-joint"].title == "A damp joint"


def test_a_renamed_file_has_another_key(rules: Path) -> None:
    before = content_key(rules)
    (rules / "base.yaml").rename(rules / "other.yaml")
    assert content_key(rules) != before
    assert load(rules).faults["wet-joint"].spot.file.endswith("other.yaml")


def damage(data: bytes) -> list[bytes]:
    middle = len(data) // 2
    checksum, _, body = data.partition(b"\n")
    return [
        b"", b"\n", b"\0" * len(data), data[:middle], data[:-1], data + b" ", data[1:],
        data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :], checksum, checksum + b"\n", checksum + b"\n{}",
        b"0" * 32 + b"\n" + body, body, b"\x80\x04N.", b"\xff\xfe\x00" * 50, b"[" * 100_000,
    ]  # fmt: skip


def test_a_damaged_one_is_built_again_in_silence(rules: Path, capfd: pytest.CaptureFixture[str]) -> None:
    first = load(rules)
    path = kept(rules)
    whole = path.read_bytes()
    for spoilt in damage(whole):
        path.write_bytes(spoilt)
        assert load(rules) == first
        assert path.read_bytes() == whole
    assert capfd.readouterr() == ("", "")


def test_one_of_a_true_checksum_and_another_shape_is_built_again(rules: Path) -> None:
    first = load(rules)
    path, key = kept(rules), content_key(rules)
    whole = json.loads(path.read_bytes().partition(b"\n")[2])
    shapes: list[object] = [
        [], {}, None, 3, "x", {**whole, "faults": 3}, {**whole, "checks": [[]]}, {**whole, "rules": [[1, 2]]},
        {**whole, "scales": [["how-often"]]}, {**whole, "faults": [None]},
    ]
    for shape in shapes:
        body = json.dumps(shape).encode()
        path.write_bytes(loading._checksum(body, key) + b"\n" + body)
        assert load(rules) == first


def test_one_of_another_rule_base_is_not_taken(rules: Path, tmp_path: Path) -> None:
    other = write(tmp_path / "other", BASE.replace("A wet joint", "A damp joint"))
    load(other)
    first = load(rules)
    kept(rules).write_bytes(kept(other).read_bytes())
    assert load(rules) == first


def test_another_version_of_the_program_builds_its_own(rules: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = content_key(rules)
    monkeypatch.setattr(loading, "__version__", "99.0")
    assert content_key(rules) != before


def test_a_folder_that_cannot_be_written_does_no_harm(rules: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "file"))
    assert load(rules).faults
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "file" / "below"))
    assert load(rules).faults
    monkeypatch.setenv("DIAGNOSE_CACHE", "/proc/nowhere")
    assert load(rules).faults
    assert (tmp_path / "file").read_text() == "in the way"


def test_a_failing_disk_leaves_no_rest(rules: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    assert load(rules).faults
    assert list(kept(rules).parent.iterdir()) == []


def test_old_ones_are_cleared_away(rules: Path) -> None:
    for n in range(loading.MOST_KEPT + 5):
        write(rules, BASE.replace("A wet joint", f"A wet joint {n}"))
        load(rules)
        os.utime(kept(rules), (n, n))
    assert len(list(kept(rules).parent.iterdir())) <= loading.MOST_KEPT + 1
    assert kept(rules).exists()


def test_a_rule_base_with_problems_is_not_kept(rules: Path) -> None:
    from diagnose.source.problems import InputError

    write(rules, BASE.replace("how-often: sometimes", "how-often: perhaps"))
    for _ in range(2):
        with pytest.raises(InputError):
            load(rules)
    assert not kept(rules).exists()


def test_a_file_changed_while_it_was_read_is_not_kept_under_the_old_name(rules: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = kept(rules)
    honest = loading.build

    def slowly(folder: Path, key: str = "") -> object:
        write(folder, BASE.replace("A wet joint", "A damp joint"))
        return honest(folder, key)

    monkeypatch.setattr(loading, "build", slowly)
    assert load(rules).faults["wet-joint"].title == "A damp joint"
    assert not before.exists()


def test_two_processes_at_once(rules: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path; from diagnose.knowledge.load import load; "
        "time.sleep(max(0, float(sys.argv[2]) - time.time())); k = load(Path(sys.argv[1])); print(len(k.faults), len(k.checks))"
    )
    start = str(time.time() + 1.0)
    root = Path(__file__).resolve().parents[2]
    environment = {**os.environ, "PYTHONPATH": str(root)}
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(rules), start], env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(4)
    ]  # fmt: skip
    said = [process.communicate(timeout=60) for process in running]
    assert said == [("2 3\n", "")] * 4
    assert [p.name for p in kept(rules).parent.iterdir()] == [kept(rules).name]
    assert load(rules).faults
