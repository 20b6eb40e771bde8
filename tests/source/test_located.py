"""Reading YAML: every value knows where it stands, every kind of damage is one problem at the right line."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.source import located
from diagnose.source.located import Block, Row, Text, Value, read_file, read_text
from diagnose.source.problems import InputError, Mark, Problem, nearest, one_line, shown


def only(text: str) -> Problem:
    with pytest.raises(InputError) as caught:
        read_text(text, "f.yaml")
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


def test_words_stay_as_written() -> None:
    value = read_text("a: no\nb: 010\nc: ~\nd:\ne: 'x'\nf: 1e3\ng: 2031-01-01\nh: 0x1f\ni: yes\n", "f")
    assert value == {"a": "no", "b": "010", "c": "~", "d": "", "e": "x", "f": "1e3", "g": "2031-01-01", "h": "0x1f", "i": "yes"}


def test_every_value_knows_its_place() -> None:
    value = read_text("# note\n- fault: x\n  shows:\n    - {check: y, at: [1, é, 3]}\n", "f")
    assert isinstance(value, Row)
    block = value[0]
    assert isinstance(block, Block)
    assert block.mark == Mark("f", 2, 3)
    assert block.keys_at == {"fault": Mark("f", 2, 3), "shows": Mark("f", 3, 3)}
    shows = block["shows"]
    assert isinstance(shows, Row)
    line = shows[0]
    assert isinstance(line, Block)
    assert line.mark == Mark("f", 4, 7)
    assert line.keys_at["at"] == Mark("f", 4, 18)
    numbers = line["at"]
    assert isinstance(numbers, Row)
    assert [item.mark.column for item in numbers] == [23, 26, 29]


def test_a_byte_order_mark_and_line_ends_of_any_sort() -> None:
    assert read_text("\ufeffa: 1\n", "f") == {"a": "1"}
    value = read_text("a: 1\r\nb: 2\r\n", "f")
    assert isinstance(value, Block)
    assert value.keys_at["b"] == Mark("f", 2, 1)


DAMAGE = [
    ("a key twice", "a: 1\nb: 2\na: 3\n", 3, 1, "twice"),
    ("a key twice further in", "x:\n  - {k: 1, k: 2}\n", 2, 12, "twice"),
    ("an alias", "a: &x 1\nb:\n  - *x\n", 3, 5, "alias"),
    ("an alias as a key", "&a x: 1\ny: {*a : 2}\n", 2, 5, "alias"),
    ("an alias to nothing", "a: 1\nb: *x\n", 2, 4, "alias"),
    ("a value that holds itself", "&a [1, *a]\n", 1, 8, "alias"),
    ("growing aliases", "a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\n", 2, 8, "alias"),
    ("a tag", "a: 1\nb: !foo 1\n", 2, 4, "'!foo'"),
    ("a tag that makes objects", "é: 1\na: !!python/object:os.system 1\n", 2, 4, "tag"),
    ("a tag of a type", "a: !!int 3\n", 1, 4, "'!!int'"),
    ("a tag on a list", "a: !!set {x, y}\n", 1, 4, "tag"),
    ("NUL", "é: 1\nb: \0\n", 2, 4, "control"),
    ("a bell", "a: 1\r\nbc: x\x07\n", 2, 6, "control"),
    ("delete", "a: \x7f\n", 1, 4, "control"),
    ("an escape sequence of a terminal", "a: 1\nb: 2\nc: '\x1b[31m'\n", 3, 5, "control"),
    ("a control character written as an escape", 'a: 1\nb: "x\\0\\e"\n', 2, 4, "control"),
    ("half a character", "a: \ud800\n", 1, 4, "control"),
    ("half a character written as an escape", 'a: "\\ud800"\n', 1, None, "not valid YAML"),
    ("a key with a line end", '"a\\nb": 1\n', 1, 1, "key"),
    ("a key that is a list", "? [a]\n: b\n", 1, 3, "key"),
    ("a tab for indentation", "a:\n\tb: 1\n", 2, 1, "not valid YAML"),
    ("a bracket left open", "a: 1\nb: [1, 2\nc: 3\n", 3, 2, "not valid YAML"),
    ("a quote left open", 'a: "x\nb: 3\n', 3, 1, "not valid YAML"),
    ("two colons", "a: b: c\n", 1, 5, "not valid YAML"),
    ("indentation that does not fit", "a:\n    b: 1\n  c: 2\n", 3, 3, "not valid YAML"),
    ("an unknown directive", "%FOO\n---\na: 1\n", 1, None, "not valid YAML"),
    ("a version of YAML that is not", "%YAML 9.9\n---\na: 1\n", 1, 1, "not valid YAML"),
    ("two documents", "a: 1\n---\nb: 2\n", 2, 1, "more than one document"),
    ("three documents", "a: 1\n...\n---\nb: 2\n---\nc: 1\n", 3, 1, "more than one document"),
    ("nothing", "", 1, 1, "empty"),
    ("white space only", " \n\n", 1, 1, "empty"),
    ("a mark of byte order only", "\ufeff", 1, 1, "empty"),
    ("remarks only", "# a\n# b\n", 1, 1, "empty"),
    ("41 levels", "[" * 42 + "]" * 42, 1, 42, "deeper than 40"),
    ("levels on lines", "".join("  " * n + "a:\n" for n in range(60)), 42, None, "deeper than 40"),
    ("100,000 levels", "[" * 100_000, 1, None, "deeper than 40"),
    ("100,000 levels of mappings", "{a: " * 100_000, 1, None, "deeper than 40"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "column", "words"), [d[1:] for d in DAMAGE], ids=[d[0] for d in DAMAGE])
def test_damage_is_one_problem_at_its_line(text: str, line: int, column: int | None, words: str) -> None:
    problem = only(text)
    assert words in problem.message
    assert problem.mark.line == line
    if column is not None:
        assert problem.mark.column == column
    assert problem.hint
    assert problem.lint == "yaml"
    told = problem.line()
    assert told.startswith(f"f.yaml:{line}:")
    assert told.isprintable()


def test_forty_levels_are_allowed() -> None:
    assert read_text("[" * 41 + "]" * 41, "f")


def test_an_anchor_alone_does_no_harm() -> None:
    assert read_text("a: &x 1\n<<: 2\n", "f") == {"a": "1", "<<": "2"}


def refused(path: Path, shown_as: str | None = None) -> Problem:
    with pytest.raises(InputError) as caught:
        read_file(path, shown_as)
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


def test_what_is_no_file(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "missing.yaml").message
    assert "folder" in refused(tmp_path).message
    assert "cannot be read" in refused(tmp_path / ("n" * 300)).message
    assert "cannot be read" in refused(Path("a\0b")).message
    assert refused(Path("a\0b")).line().isprintable()
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read" in refused(tmp_path / "loop").message
    (tmp_path / "file").write_text("a: 1")
    assert "cannot be read" in refused(tmp_path / "file" / "below").message


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_what_would_never_end_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "no plain file" in refused(tmp_path / "pipe").message
    assert "no plain file" in refused(Path("/dev/null")).message
    with socket.socket(socket.AF_UNIX) as listening:
        here = os.getcwd()
        os.chdir(tmp_path)
        try:
            listening.bind("s")
        finally:
            os.chdir(here)
        assert "no plain file" in refused(tmp_path / "s").message


def test_encodings(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(b"a: 1\nb: 2\nc: caf\xe9\n")
    problem = refused(path, "f.yaml")
    assert (problem.mark.line, "UTF-8" in problem.message) == (3, True)
    path.write_bytes("a: 1\n".encode("utf-16"))
    assert "UTF-8" in refused(path).message
    path.write_bytes("a: 1\n".encode("utf-16-le"))
    assert "control character" in refused(path).message
    path.write_bytes(b"\xef\xbb\xbfa: 1\n")
    assert read_file(path) == {"a": "1"}


def test_a_file_too_large_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    with path.open("wb") as file:
        file.truncate(located.LARGEST_FILE + 1)
    assert "larger" in refused(path).message


def test_the_pure_reader_agrees(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the YAML library was built without its C part, the same files are refused at the same lines."""
    import yaml

    class Pure(yaml.SafeLoader):
        yaml_implicit_resolvers: dict[str, list[object]] = {}  # noqa: RUF012

    monkeypatch.setattr(located, "Loader", Pure)
    for name, text, line, _, _ in DAMAGE:
        if "directive" in name:  # this reader passes over directives that it does not know
            continue
        assert only(text).mark.line == line or "left open" in name or "100,000" in name, name


def leaves(value: Value) -> list[str]:
    if isinstance(value, Text):
        return [str(value)]
    items = value if isinstance(value, Row) else list(value.values())
    return [leaf for item in items for leaf in leaves(item)]


@given(st.text(max_size=80))
def test_any_text_is_a_value_or_a_problem(text: str) -> None:
    try:
        value = read_text(text, "f")
    except InputError as error:
        problems = error.problems
    else:
        assert not any(c < " " and c not in "\t\n\r" for leaf in leaves(value) for c in leaf)
        return
    lines = sum(text.count(end) for end in "\n\r\x85\u2028\u2029") + 2
    assert len(problems) == 1
    assert problems[0].line().isprintable()
    assert 1 <= problems[0].mark.line <= lines


@given(
    st.recursive(
        st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
            st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=6), inner, max_size=3
        ),
        max_leaves=12,
    )
)
def test_what_is_written_out_in_quotes_comes_back(tree: object) -> None:
    from diagnose.casework.casefile import dump

    def made(value: object) -> Value:
        mark = Mark("f", 1, 1)
        if isinstance(value, list):
            return Row([made(item) for item in value], mark)
        if isinstance(value, dict):
            block = Block(mark)
            for key, item in value.items():
                block[key] = made(item)
                block.keys_at[key] = mark
            return block
        clean = "".join(c for c in str(value) if c.isprintable())
        return Text(clean, mark)

    value = made(tree)
    assert read_text(dump(value), "f") == value


def test_one_line_is_one_line() -> None:
    assert one_line("a\nb\x1b[31m\u2028\u202ec") == "a b [31m  c"
    assert len(one_line("x" * 5000)) == 600
    assert shown("[bold]\n" * 50).isprintable()
    assert len(shown("x" * 500)) == 62
    long = Problem(Mark("f" * 2000, 1, 1), "m" * 2000, "h" * 2000, "yaml").line()
    assert len(long) < 700
    assert long.endswith("[yaml]")


def test_the_nearest_name() -> None:
    assert nearest("trunk.kidn", ["trunk.kind", "trunk.cable"]) == "did you mean 'trunk.kind'?"
    assert nearest("zzz", ["a", "b"]) == "known: a, b"
    assert nearest("zzz", [f"name-{n}" for n in range(50)]) == ""
    assert nearest("x" * 1_000_000, ["a"]) == "known: a"


def test_problems_are_sorted_and_each_once() -> None:
    late, early = Problem(Mark("f", 9, 1), "late", "", "x"), Problem(Mark("f", 10, 1), "later", "", "x")
    assert InputError([early, late, late]).problems == (late, early)
