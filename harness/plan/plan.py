"""A test plan: what is asked of one device, step by step, and where in its file each step stands.

A step is a list entry with one key, its kind: `- expect_trip: {inject: 60 A, function: overload}`, or the bare kind
where there is nothing to say: `- close`. Loops, fragments and parameters are worked out by harness/plan/expand.py
before the models here see a step. What a step means is harness/run's.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Union

from pydantic import AfterValidator, BeforeValidator, Discriminator, Tag, create_model

from harness.files.load import FileModel, Loaded, Part, close_match, load, one_of
from harness.files.marks import Document, FileError, FileErrors, MapNode, Mark, compose
from harness.files.profile import shipped_device
from harness.files.scalars import Name, Text
from harness.plan.expand import EXPANSIONS, SECTIONS, Expansion, Section, expand
from harness.plan.fragment import some
from harness.plan.steps import STEP_KINDS, Step

_PLAN_KEYS = {"device", "steps", "clean_up"}
_SUFFIXES = (".yaml", ".yml")
_OTHER_FOLDERS = ("benches", "devices", "firmware", "fragments")


@dataclass(frozen=True)
class PlanStep:
    """One step: its kind, its content, its place. ``name`` is unique in the plan, so plan/name is in a run."""

    name: str
    kind: str
    step: Step
    section: Section
    index: int  # from 0, in its section, loops and fragments worked out
    mark: Mark
    via: tuple[Mark, ...] = ()  # loops and includes that it comes by, outermost first


@dataclass(frozen=True)
class Plan:
    """A plan, whole. ``device`` is the profile of its device; ``digest`` the SHA-256 of its file and its fragments."""

    name: str
    title: str
    device: Path
    path: Path
    digest: str
    steps: tuple[PlanStep, ...]
    clean_up: tuple[PlanStep, ...]
    note: str | None
    document: Document = field(repr=False, compare=False)
    preconditions: tuple[PlanStep, ...] = ()  # run first; one that does not pass keeps ``steps`` from being run

    @property
    def places(self) -> tuple[PlanStep, ...]:
        """Every step in the order in which they are run."""
        return (*self.preconditions, *self.steps, *self.clean_up)

    def mark(self, step: PlanStep, *inner: str | int, key: bool = False) -> Mark:
        """Where a value (or the key) inside ``step`` stands."""
        return self.document.mark((step.section, step.index, step.kind, *inner), key)


def load_plan(path: Path | str) -> Plan:
    """The plan in ``path``. Raises FileErrors with everything that is wrong with the file."""
    worked_out: list[Expansion] = []

    def work_out(document: Document) -> Document:
        worked_out.append(expand(document))
        return worked_out[0].document

    loaded = load(path, PlanFile, work_out)
    preconditions, steps, clean_up = (tuple(_steps(loaded, worked_out[0], section)) for section in SECTIONS)
    errors = list(_same_names((*preconditions, *steps, *clean_up)))
    try:
        device = _find_device(Path(path), loaded.model.device)
    except KeyError as error:
        errors.append(loaded.error(("device",), str(error.args[0])))
    if errors:
        raise FileErrors(errors)
    model, document = loaded.model, loaded.document
    digest, note = document.digest, model.note
    return Plan(model.name, model.title, device, Path(path), digest, steps, clean_up, note, document, preconditions)


def load_plans(paths: Iterable[Path]) -> tuple[list[Plan], list[FileError]]:
    """The plans of ``paths`` that are good, in order, and what is wrong with the others; two of one name are wrong."""
    plans: list[Plan] = []
    errors: list[FileError] = []
    first: dict[str, Plan] = {}
    for path in paths:
        try:
            plan = load_plan(path)
        except FileErrors as found:
            errors += found.errors
            continue
        plans.append(plan)
        other = first.setdefault(plan.name, plan)
        if other is not plan:
            message = f"plan {plan.name!r} is in {other.path} as well; results are told apart by the name"
            errors.append(FileError(plan.document.mark(("name",)), message))
    return plans, errors


def find_plans(paths: Iterable[Path | str]) -> list[Path]:
    """Plan files: files as named, folders searched to the bottom, in the order of their paths.

    Below a folder, `benches`, `devices`, `firmware` (plans that need a build) and hidden folders are left out, and so
    is YAML with no key of a plan; what cannot be read is kept, so that loading it says why. Raises FileErrors for a
    path that is not there and for a folder without plans.
    """
    found: list[Path] = []
    errors: list[FileError] = []
    for path in map(Path, paths):
        plans = sorted(_below(path)) if path.is_dir() else [path]
        if not path.exists():
            errors.append(FileError(Mark(str(path), 1, 1), "no such file or folder"))
        elif not plans:
            errors.append(FileError(Mark(str(path), 1, 1), "no plans in this folder"))
        found += plans
    if errors:
        raise FileErrors(errors)
    return list(dict.fromkeys(found))


def plan_files(path: Path) -> set[Path]:
    """The plan files that ``path`` stands for, absolute: a plan, or the plans below a folder; none is no error."""
    if path.is_dir():
        return {each.absolute() for each in _below(path)}
    return {path.absolute()} if path.suffix in _SUFFIXES and path.is_file() else set()


def _find_device(path: Path, name: str) -> Path:
    """Profile ``name`` in a `devices` folder beside the plan or above it, else the shipped one. Raises KeyError."""
    for folder in path.resolve().parents:
        if (profile := folder / "devices" / f"{name}.yaml").is_file():
            return profile
    return shipped_device(name)


# The form of a plan file


def _one_key(entry: Any) -> Any:
    """A list entry as a map of one step kind. Raises ValueError for anything else."""
    if isinstance(entry, str):
        entry = {entry: {}}
    known = (*STEP_KINDS, *EXPANSIONS)
    if not isinstance(entry, dict) or not entry:
        raise ValueError(f"no step here; {one_of(known)}")
    kind, body = next(iter(entry.items()))
    if kind not in known:
        raise ValueError(f"unknown step {kind!r}; {one_of(known)}{close_match(kind, known)}")
    if len(entry) > 1:
        others = ", ".join(list(entry)[1:])
        raise ValueError(f"a step has one key, its kind; indent {others} so that it belongs to {kind}")
    return {kind: {} if body is None else body}


def _tag(entry: Any) -> str:
    # "!": a tag stands in the location of an error, and must not look like a key of the file.
    return f"!{next(iter(entry), '')}" if isinstance(entry, dict) else f"!{next(iter(type(entry).model_fields))}"


_ENTRIES = tuple(
    Annotated[create_model(f"{kind}_entry", __base__=Part, **{kind: (model, ...)}), Tag(f"!{kind}")]  # type: ignore[call-overload]
    for kind, model in STEP_KINDS.items()
)
StepEntry = Annotated[Union[_ENTRIES], Discriminator(_tag), BeforeValidator(_one_key)]  # type: ignore[valid-type]  # noqa: UP007 (made at run time)


class PlanFile(FileModel):
    """A plan as it is written."""

    name: Name
    title: Text
    device: Name
    note: Text | None = None
    parameters: Mapping[Name, Any] = {}
    preconditions: tuple[StepEntry, ...] = ()
    steps: Annotated[tuple[StepEntry, ...], AfterValidator(some)]
    clean_up: tuple[StepEntry, ...] = ()


def _steps(loaded: Loaded[PlanFile], worked_out: Expansion, section: Section) -> Iterator[PlanStep]:
    for index, entry in enumerate(getattr(loaded.model, section)):
        kind = next(iter(type(entry).model_fields))
        where = worked_out.written[section][index]
        mark = loaded.document.mark((section, index, kind), key=True)
        assert where.name is not None
        yield PlanStep(where.name, kind, getattr(entry, kind), section, index, mark, where.via)


def _same_names(steps: Sequence[PlanStep]) -> Iterator[FileError]:
    first: dict[str, PlanStep] = {}
    for step in steps:
        if step.name in first:
            other = first[step.name].mark.line
            yield FileError(step.mark, f"a second step called {step.name!r}; the first is in line {other}")
        first.setdefault(step.name, step)


def _below(folder: Path) -> Iterator[Path]:
    for parent, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if name not in _OTHER_FOLDERS and not name.startswith(".")]
        for name in files:
            path = Path(parent, name)
            if path.suffix in _SUFFIXES and _may_be_plan(path):
                yield path


def _may_be_plan(path: Path) -> bool:
    try:
        root = compose(path).root
    except FileErrors:
        return True
    return isinstance(root, MapNode) and bool(_PLAN_KEYS & root.items.keys())
