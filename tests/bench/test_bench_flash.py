"""The programming command: run without a shell, followed to its end, ended at its deadline."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from harness.bench.flash import MOST_OUTPUT, FlashRun, run_flash
from harness.bench.spec import load_bench, shipped_bench
from harness.files.marks import FileErrors

VALUES = {"{build}": "b {image}.yaml", "{image}": "i.bin", "{programming}": "TCPIP::h::1::SOCKET"}


def flash(code: str, *more: str, deadline_s: float = 30.0) -> FlashRun:
    return run_flash(["python", "-c", code, *more], VALUES, deadline_s, lambda: None)


def test_placeholders_are_filled_in_once_wherever_they_stand() -> None:
    words = "'--to={programming}' '{build}' 'x{image}y{image}' '{other}' '$HOME; ls *'"
    arguments = [word.strip("'") for word in words.split("' '")]

    ran = flash("import sys; print('|'.join(sys.argv[1:]))", *arguments)

    assert ran.output == "--to=TCPIP::h::1::SOCKET|b {image}.yaml|xi.binyi.bin|{other}|$HOME; ls *\n"
    assert ran.command[3] == "--to=TCPIP::h::1::SOCKET"
    assert (ran.exit_code, ran.problem) == (0, None)


def test_both_outputs_are_kept_and_the_status_is_told() -> None:
    ran = flash("import sys; print('out', flush=True); print('err', file=sys.stderr); sys.exit(7)")

    assert ran.output == "out\nerr\n"
    assert (ran.exit_code, ran.problem) == (7, "ended with status 7")


def test_the_last_of_a_long_output_is_kept() -> None:
    ran = flash("print('a' * 300000 + 'end')")

    assert len(ran.output) == MOST_OUTPUT
    assert ran.output.endswith("aend\n")


def test_a_program_that_closes_its_output_is_waited_for() -> None:
    ran = flash("import os, time; os.close(1); os.close(2); time.sleep(0.2); os._exit(3)")

    assert ran.exit_code == 3
    assert ran.wall_s >= 0.2


@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")
def test_one_that_does_not_end_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    child = f"import time; open({str(tmp_path / 'pid')!r}, 'w').write(str(__import__('os').getpid())); time.sleep(60)"
    code = f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {child!r}]); time.sleep(60)"

    ran = flash(code, deadline_s=3.0)

    assert (ran.exit_code, ran.problem) == (None, "was still running after 3 s and was ended")
    pid = int((tmp_path / "pid").read_text())
    until = time.monotonic() + 10
    while _alive(pid) and time.monotonic() < until:
        time.sleep(0.01)
    assert not _alive(pid)


def _alive(pid: int) -> bool:
    """Running, and not merely waiting for somebody to ask how it ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.parametrize("program", ["no_such_program_here", "nul\0byte"])
def test_one_that_cannot_be_started_is_told(program: str) -> None:
    ran = run_flash([program], VALUES, 1.0, lambda: None)

    assert ran.exit_code is None
    assert ran.problem is not None
    assert ran.problem.startswith("cannot be started (")


def test_the_connector_is_served_while_it_runs() -> None:
    looks: list[float] = []

    run_flash(["python", "-c", "import time; time.sleep(0.3)"], VALUES, 10.0, lambda: looks.append(time.monotonic()))

    assert len(looks) >= 3


@pytest.mark.parametrize(
    ("edit", "wanted"),
    [
        (("{image}", "{immage}"), "{immage} stands for nothing; want {build}, {image}, {programming}"),
        (("  programming: {isolated_for: 1000 V}\n", ""), "{programming}: this bench has no role 'programming'"),
    ],
)
def test_a_word_in_braces_that_cannot_be_filled_in_is_a_fault(
    tmp_path: Path, edit: tuple[str, str], wanted: str
) -> None:
    text = shipped_bench("simulated").read_text()
    assert edit[0] in text
    (tmp_path / "bench.yaml").write_text(text.replace(*edit))

    with pytest.raises(FileErrors) as caught:
        load_bench(tmp_path / "bench.yaml")

    assert str(caught.value).endswith(wanted)
    assert "bench.yaml:" in str(caught.value)
