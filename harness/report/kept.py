"""The devices that a run was about, built from the copies of their files in the record and from nothing else."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from pathlib import Path

from harness.files.load import load
from harness.files.marks import FileErrors
from harness.files.profile import load_device
from harness.files.profile_model import Profile
from harness.record.note import Input
from harness.record.reader import Record, RecordError
from protocol.device import Device


@dataclass(frozen=True)
class Kept:
    """Devices by name, and why one could not be built, in words."""

    devices: dict[str, Device]
    problems: tuple[str, ...]


def kept_devices(record: Record, folder: Path) -> Kept:
    """Every device whose profile the record in ``folder`` holds.

    Raises RecordError for a copy that is not what the record says that it is. A profile that this version cannot read
    any more is a problem in words: the rest of the report does not need it.
    """
    inputs = record.inputs()
    devices, problems = {}, []
    for profile in (each for each in inputs if each.role == "profile"):
        try:
            device = _built(profile, inputs, folder)
        except FileErrors as errors:
            first = errors.errors[0]
            problems.append(f"{Path(profile.path).name}: not readable by this version: {first.message}")
        except ValueError as error:
            problems.append(f"{Path(profile.path).name}: {error}")
        else:
            devices[device.name] = device
    return Kept(devices, tuple(problems))


def _built(profile: Input, inputs: list[Input], folder: Path) -> Device:
    """Through a temporary folder, where the files have their own names again."""
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary).resolve() / "above" / "devices"
        place.mkdir(parents=True)
        path = place / Path(profile.path).name
        path.write_bytes(_content(profile, folder))
        name = load(path, Profile).model.ldf
        target = (place / name).resolve()
        if not target.is_relative_to(Path(temporary).resolve()):
            raise ValueError(f"its LDF {name} is too far from it to be rebuilt from the record")
        wanted = (Path(profile.path).parent / name).resolve()
        ldf = next((each for each in inputs if Path(each.path).resolve() == wanted), None)
        if ldf is None:
            raise ValueError(f"the record holds no copy of its LDF {name}")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(_content(ldf, folder))
        return load_device(path)


def _content(kept: Input, folder: Path) -> bytes:
    copy = folder / kept.stored_as
    try:
        content = copy.read_bytes()
    except OSError as error:
        raise RecordError(f"{copy}: the record's copy of {kept.path} cannot be read: {error.strerror}") from error
    if hashlib.sha256(content).hexdigest() != kept.sha256:
        raise RecordError(f"{copy}: is not the file that the run was made with (its SHA-256 differs); do not trust it")
    return content
