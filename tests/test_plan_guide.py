"""Every example of testplans/README.md is a plan that check finds nothing wrong with."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest

from harness.bench.spec import load_bench, shipped_bench
from harness.check import check_plan
from harness.files.profile import load_device
from harness.plan.plan import load_plan
from harness.plan.steps import STEP_KINDS

GUIDE = (Path(__file__).parent.parent / "testplans" / "README.md").read_text()
BLOCKS = re.findall(r"```yaml\n(.*?)```", GUIDE, re.DOTALL)
HEAD = "format: 1\nname: example\ntitle: Example\ndevice: heater\nsteps:\n"


@pytest.mark.parametrize("block", BLOCKS, ids=[block.split("\n")[0][:40] for block in BLOCKS])
def test_an_example_is_a_good_plan(tmp_path: Path, block: str) -> None:
    path = tmp_path / "example.yaml"
    path.write_text(block if block.startswith("format") else HEAD + textwrap.indent(block, "  "))
    plan = load_plan(path)
    found = check_plan(plan, load_device(plan.device), load_bench(shipped_bench("simulated")))

    assert [str(error) for error in found] == []


def test_every_kind_of_step_is_in_the_guide() -> None:
    assert [kind for kind in STEP_KINDS if not re.search(rf"\b{kind}\b", GUIDE)] == []
