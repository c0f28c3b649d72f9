"""Fragments: steps that several plans include, with parameters of their own.

They lie in a `fragments` folder beside the plan or above it, else in the one that comes with this package.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator

from harness.files.load import FileModel, close_match, load, one_of
from harness.files.marks import Document, ListNode, MapNode
from harness.files.profile import shipped_plans
from harness.files.scalars import Name, Text


@dataclass(frozen=True)
class Fragment:
    """A fragment as it is written; its steps are nodes, as their parameters have no values yet."""

    name: str
    document: Document

    @property
    def root(self) -> MapNode:
        """The whole file."""
        assert isinstance(self.document.root, MapNode)
        return self.document.root

    @property
    def steps(self) -> ListNode:
        """Its list of steps."""
        steps = self.root.items["steps"][1]
        assert isinstance(steps, ListNode)
        return steps


def some(entries: tuple[Any, ...]) -> tuple[Any, ...]:
    """A list of steps that is not empty. Raises ValueError."""
    # Not min_length: pydantic would report it of a list whose entries are wrong.
    if not entries:
        raise ValueError("no steps; want one or more")
    return entries


class FragmentFile(FileModel):
    """A fragment as it is written. A parameter without a value must be given by whoever includes it."""

    name: Name
    title: Text
    note: Text | None = None
    parameters: Mapping[Name, Any] = {}
    steps: Annotated[tuple[Any, ...], AfterValidator(some)]


def find_fragment(plan: Path, name: str) -> Path:
    """File of fragment ``name`` for the plan file ``plan``. Raises KeyError with the names there are."""
    folders = [folder / "fragments" for folder in plan.resolve().parents]
    folders.append(shipped_plans() / "fragments")
    for folder in folders:
        if "/" not in name and (file := folder / f"{name}.yaml").is_file():
            return file if plan.is_absolute() else Path(os.path.relpath(file))
    known = sorted({file.stem for folder in folders if folder.is_dir() for file in folder.glob("*.yaml")})
    raise KeyError(f"no fragment {name!r}; {one_of(known)}{close_match(name, known)}")


def load_fragment(path: Path) -> Fragment:
    """The fragment in ``path``. Raises FileErrors; what is wrong inside its steps is said where they are included."""
    loaded = load(path, FragmentFile)
    return Fragment(loaded.model.name, loaded.document)
