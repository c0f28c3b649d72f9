"""The key command: programs of the test's own, well behaved and not."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from harness.bench.key import KeyCommandError, key_of

SEED = bytes.fromhex("01 02 03 04")


def program(text: str) -> tuple[str, ...]:
    return (sys.executable, "-c", text)


def test_the_seed_goes_in_and_the_key_comes_out() -> None:
    invert = "import sys; print(bytes(255 - b for b in bytes.fromhex(sys.stdin.read())).hex())"
    assert key_of(program(invert), SEED, 4) == bytes.fromhex("fe fd fc fb")


def test_python_is_this_interpreter() -> None:
    assert len(key_of(("python", "-m", "mocks.key"), SEED, 4)) == 4


def test_arguments_are_no_shell_text(tmp_path: Path) -> None:
    trap = tmp_path / "trap"
    echo = "import sys; print('00' if sys.argv[1].startswith('; touch') else 'no')"
    assert key_of((*program(echo), f"; touch {trap}"), SEED, 1) == b"\0"
    assert not trap.exists()


@pytest.mark.parametrize(
    ("text", "size", "problem"),
    [
        ("print('0102')", 4, "a key of 2 bytes"),
        ("print('01020304ff')", 4, "a key of 5 bytes"),
        ("print('the key is 01020304')", 4, "no key in hexadecimal"),
        ("print('01 02 03 04')", 4, "no key in hexadecimal"),
        ("", 4, "no key in hexadecimal"),
        ("print('0' * 5000)", 4, "more than 1024 bytes"),
        ("import sys; print('01020304'); sys.exit(3)", 4, "status 3"),
    ],
)
def test_what_is_no_key(text: str, size: int, problem: str) -> None:
    with pytest.raises(KeyCommandError, match=problem) as caught:
        key_of(program(text), SEED, size)
    assert SEED.hex() not in str(caught.value)


def test_no_such_program() -> None:
    with pytest.raises(KeyCommandError, match="cannot be started"):
        key_of(("/no/such/program",), SEED, 4)


@pytest.mark.parametrize(
    "text",
    [
        "import time; time.sleep(60)",
        "import os, time; os.close(1); time.sleep(60)",
        # a grandchild that keeps the output open
        "import subprocess, sys; subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])",
    ],
    ids=["hangs", "hangs silently", "leaves somebody behind"],
)
def test_a_deadline_holds(text: str) -> None:
    began = time.monotonic()
    with pytest.raises(KeyCommandError, match="in time"):
        key_of(program(text), SEED, 4, deadline_s=0.5)
    assert time.monotonic() - began < 10


def test_what_a_command_leaves_behind_is_ended(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    child = f"import time, pathlib; time.sleep(1.5); pathlib.Path({str(mark)!r}).touch()"
    text = f"import subprocess, sys; subprocess.Popen([sys.executable, '-c', {child!r}])"
    with pytest.raises(KeyCommandError):
        key_of(program(text), SEED, 4, deadline_s=0.5)
    time.sleep(1.5)
    assert not mark.exists()
