"""A build description: which application is to be in the breaker, and the image that brings it there.

The description is the reference: what the breaker says of itself after programming is compared with it, never the
other way round.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import StringConstraints

from harness.files.load import FileModel, Loaded, load
from harness.files.marks import FileError, FileErrors
from harness.files.scalars import Name, Text
from protocol.device import Device

VERSION, CHECKSUM = "application_version", "application_checksum"
"""Identification records of a profile that a build is recognised by; one without the second knows versions only."""


class BuildFile(FileModel):
    """A build description as it is written."""

    name: Name
    title: Text
    profile: Name  # not `device`, which makes a plan of a file
    application_version: Text
    checksum: Annotated[str, StringConstraints(pattern=r"^[0-9A-F]{1,64}$")] | None = None
    image: Text  # beside the description
    sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


@dataclass(frozen=True)
class Build:
    """A build whose image is there and is the one that its description means."""

    name: str
    title: str
    profile: str
    version: str
    checksum: str | None
    image: Path
    sha256: str  # of the image
    path: Path
    digest: str  # of the description


def load_build(path: Path | str) -> Build:
    """The build of a description. Raises FileErrors with everything that is wrong with it."""
    loaded = load(path, BuildFile)
    image = Path(path).parent / loaded.model.image
    if errors := list(_image_faults(loaded, image)):
        raise FileErrors(errors)
    model = loaded.model
    return Build(
        model.name,
        model.title,
        model.profile,
        model.application_version,
        model.checksum,
        image,
        model.sha256,
        Path(path),
        loaded.document.digest,
    )


def build_faults(build: Build, device: Device) -> Iterator[FileError]:
    """What keeps ``build`` from being recognised in ``device``."""
    loaded = load(build.path, BuildFile)
    if VERSION not in device.identity.records:
        yield loaded.error(("application_version",), f"the profile {device.name} names no record {VERSION}")
    if build.checksum is not None and CHECKSUM not in device.identity.records:
        yield loaded.error(("checksum",), f"the profile {device.name} names no record {CHECKSUM}; leave it out")
    if build.checksum is None and CHECKSUM in device.identity.records:
        yield loaded.error((), f"the breaker of the profile {device.name} reports its {CHECKSUM}: want 'checksum'")


def _image_faults(loaded: Loaded[BuildFile], image: Path) -> Iterator[FileError]:
    try:
        found = hashlib.sha256(image.read_bytes()).hexdigest()
    except OSError as error:
        yield loaded.error(("image",), f"{image}: {error.strerror or error}")
        return
    if found != loaded.model.sha256:
        yield loaded.error(("sha256",), f"{image.name} has SHA-256 {found}: it is not the image that was meant")
