"""The builds that a run is to put in: each for one device of the run, and only where the bench can do it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from harness.bench.spec import BenchSpec
from harness.cli.work import Work
from harness.files.build import Build, build_faults, load_build
from harness.files.marks import FileError, FileErrors, Mark


def load_builds(paths: Iterable[Path], work: Work, spec: BenchSpec) -> dict[str, Build]:
    """Name of a device -> its build. Raises FileErrors with all that is wrong."""
    devices = {device.name: device for device, _ in work}
    builds: dict[str, Build] = {}
    errors: list[FileError] = []
    for path in paths:
        start = Mark(str(path), 1, 1)
        try:
            build = load_build(path)
        except FileErrors as found:
            errors += found.errors
            continue
        if build.profile not in devices:
            errors.append(FileError(start, f"a build for {build.profile}, and no plan of this run is for that device"))
        elif build.profile in builds:
            errors.append(FileError(start, f"{builds[build.profile].path} is a build for {build.profile} already"))
        else:
            errors += build_faults(build, devices[build.profile])
            builds[build.profile] = build
    if builds and "flash" not in spec.commands:
        message = "a build is to be put in, and this bench has no `commands: {flash: [...]}`"
        errors.append(FileError(Mark(str(spec.path), 1, 1), message))
    if errors:
        raise FileErrors(errors)
    return builds
