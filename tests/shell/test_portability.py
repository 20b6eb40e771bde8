"""What differs between machines: streams, code pages, home folders, signals, folders that cannot be synced."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from diagnose import cli
from diagnose.casework.transfer import TransferError, write_atomically
from diagnose.shell.paint import prompt_text
from tests.shell.sites import HARBOUR, PYTHON, environment


def run(folder: Path, *words: str, closed: str = "", **more: str) -> subprocess.CompletedProcess[bytes]:
    command = [PYTHON, "-m", "diagnose", *words]
    if closed:
        command = ["sh", "-c", f'exec "$@" {closed}', "sh", *command]
    return subprocess.run(
        command, capture_output=True, cwd=folder, timeout=120, env=environment(folder, **more), check=False
    )


# The narrowest, and a code page of a console (Japan) with two bytes for some signs.
@pytest.mark.parametrize("encoding", ["ascii", "cp932"])
@pytest.mark.parametrize(
    "words",
    [
        ("replay", "trunk-twelve-units"),
        ("replay", "trunk-twelve-units", "--json"),
        ("audit", HARBOUR),
        ("--help",),
        ("probe", "trunk", "--help"),
        ("completion", "bash"),
        ("rules", "check"),
    ],
    ids=" ".join,
)
def test_a_narrow_code_page_prints_everything(tmp_path: Path, encoding: str, words: tuple[str, ...]) -> None:
    done = run(tmp_path, *words, PYTHONIOENCODING=encoding)
    assert done.stderr == b""
    assert done.returncode in ((0, 1) if words[0] == "audit" else (0,))
    assert done.stdout.decode(encoding)


def test_a_prompt_in_a_narrow_code_page() -> None:
    assert prompt_text("23 °C\n10 kΩ> ", "ascii") == "23 deg C\n10 kohm> "


@pytest.mark.skipif(os.name != "posix", reason="closes streams with a POSIX shell")
@pytest.mark.parametrize(
    ("words", "closed", "code"),
    [
        (("paths",), ">&-", 0),
        (("assess", "none.yaml"), "2>&-", 2),
        ((), "<&-", 0),
        (("replay", "trunk-twelve-units"), ">&- 2>&- <&-", 0),
    ],
)
def test_closed_streams(tmp_path: Path, words: tuple[str, ...], closed: str, code: int) -> None:
    done = run(tmp_path, *words, closed=closed)
    assert (done.returncode, done.stderr) == (code, b"")
    assert not (tmp_path / "state" / "errors.log").exists()


@pytest.mark.parametrize("name", ["DIAGNOSE_STORE", "DIAGNOSE_STATE", "DIAGNOSE_CACHE"])
def test_the_home_of_nobody(tmp_path: Path, name: str) -> None:
    """A `~name` that this machine does not know is a folder of that name."""
    done = run(tmp_path, "paths", **{name: "~no-one-has-this-name/x"})
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"~no-one-has-this-name" in done.stdout
    wrong = run(tmp_path, "rules", "check", "~no-one-has-this-name")
    assert wrong.returncode == 2
    assert b"there is no folder of rules" in wrong.stderr


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo terminal")
@pytest.mark.parametrize("number", [getattr(signal, n) for n in ("SIGTERM", "SIGHUP") if hasattr(signal, n)])
def test_a_request_to_end_gives_the_terminal_back(tmp_path: Path, number: int) -> None:
    child = pexpect.spawn(
        PYTHON, ["-m", "diagnose", "--record", HARBOUR, "--role", "technician"],
        cwd=str(tmp_path), env=environment(tmp_path), encoding="utf-8", timeout=30, dimensions=(40, 100),
    )  # type: ignore[arg-type]  # fmt: skip
    try:
        assert child.getecho()
        child.expect("danger signs")
        child.expect(">")
        assert not child.getecho()  # the line editor has it
        os.kill(child.pid, number)
        child.expect(pexpect.EOF)
        assert child.getecho()
        child.wait()
        assert child.exitstatus == 128 + number
        assert "Traceback" not in (child.before or "")
    finally:
        child.close(force=True)


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENOTSUP, errno.EBADF])
def test_a_file_system_that_syncs_no_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    target = tmp_path / "case.jsonl"
    refuse_folders(monkeypatch, number)
    write_atomically(target, b"text")
    assert target.read_bytes() == b"text"


def test_a_disk_that_fails_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    refuse_folders(monkeypatch, errno.EIO)
    with pytest.raises(TransferError, match="cannot be written"):
        write_atomically(tmp_path / "case.jsonl", b"text")


def refuse_folders(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Let fsync of a folder fail, as some network file systems do."""
    real = os.fsync

    def fsync(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):
            raise OSError(number, os.strerror(number))
        real(handle)

    if sys.platform != "linux":
        pytest.skip("tells a folder by /proc")
    monkeypatch.setattr(os, "fsync", fsync)


def test_a_reader_that_has_gone_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    gone, wrong_name = OSError(errno.EINVAL, "Invalid argument"), OSError(errno.EINVAL, "Invalid argument", "a?b")
    assert not cli._nobody_reads(gone)
    with monkeypatch.context() as patched:
        patched.setattr(os, "name", "nt")
        assert cli._nobody_reads(gone)
        assert not cli._nobody_reads(wrong_name)
