"""``python -m harness`` is the same as ``breakerbench``."""

from harness.cli import main

main(prog_name="breakerbench")
