"""The simulated breaker's programming connector and its images."""

from __future__ import annotations

import base64
import zlib
from dataclasses import replace

import pytest

from harness.files.profile import load_device, shipped_device, shipped_plans
from mocks.image import make_image, read_image
from mocks.programmer import WRITE_NS
from mocks.world import World

S = 1_000_000_000
HEATER = load_device(shipped_device("heater"))
PRODUCT = (0x7FFE, 0x0025, 1)
NEXT = make_image(PRODUCT, 0x150, b"next")
CHECKSUM = HEATER.identity.records["application_checksum"]


@pytest.fixture
def world() -> World:
    world = World(HEATER, 1)
    supply(world, 13.5)
    return world


def supply(world: World, volts: float) -> None:
    world.plant.switch_supply(volts, 1e6)
    world.clock.sleep_until(world.clock.now_ns() + S)


def image(content: bytes) -> str:
    return f"IMAGE {base64.b64encode(content).decode()}"


def finish(world: World) -> str:
    world.clock.sleep_until(world.clock.now_ns() + WRITE_NS)
    return world.programmer.handle("STATE?")


def running(world: World) -> tuple[int, bytes]:
    return world.firmware.software, world.node._catalogue.texts[CHECKSUM]


def test_an_image_is_what_was_made() -> None:
    found = read_image(NEXT)

    assert (found.product, found.software, found.whole) == (PRODUCT, 0x150, True)
    body, _, last = NEXT.rpartition(b"crc32 ")
    assert last == b"%08X\n" % zlib.crc32(body)
    assert read_image(NEXT.replace(b"1.5.0", b"1.5.1")).whole is False


@pytest.mark.parametrize("content", [b"", b"image 1\n", NEXT[:-1], NEXT + b"x", NEXT.replace(b"image 1", b"image 2")])
def test_anything_else_is_no_image(content: bytes) -> None:
    with pytest.raises(ValueError, match="no image of format 1"):
        read_image(content)


@pytest.mark.parametrize(("name", "product"), [("heater", PRODUCT), ("pump", (0x7FFD, 0x0060, 3))])
def test_the_shipped_images_are_those_that_this_makes(name: str, product: tuple[int, int, int]) -> None:
    shipped = (shipped_plans() / "firmware" / f"{name}_1_5_0.image").read_bytes()

    assert shipped == make_image(product, 0x150, f"{name} 1.5.0".encode())


def test_a_whole_image_is_run_from_then_on(world: World) -> None:
    assert running(world)[0] == 0x142
    assert world.programmer.handle("STATE?") == "NONE"

    assert world.programmer.handle(image(NEXT)) == "OK"
    assert not world.firmware.powered
    assert world.programmer.handle("STATE?") == "BUSY"
    assert world.programmer.handle(image(NEXT)) == "REFUSED busy"
    assert finish(world) == "DONE"

    assert world.firmware.powered
    assert running(world) == (0x150, f"{read_image(NEXT).checksum:08X}".encode())


def test_one_with_a_wrong_checksum_falls_back_and_nobody_is_told(world: World) -> None:
    before = running(world)

    world.programmer.handle(image(NEXT.replace(b"1.5.0", b"1.5.1")))

    assert finish(world) == "DONE"
    assert running(world) == before


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("IMAGE ***", "REFUSED"),
        (image(b"rubbish"), "REFUSED no image of format 1"),
        (image(make_image((1, 2, 3), 0x150)), "REFUSED the image is another product's"),
        ("ERASE", "REFUSED 'ERASE' means nothing here"),
    ],
)
def test_nonsense_is_refused(world: World, line: str, answer: str) -> None:
    assert world.programmer.handle(line).startswith(answer)
    assert world.firmware.powered


def test_a_closed_switch_and_a_missing_supply_are_refused(world: World) -> None:
    world.firmware.command(HEATER.command.commands["none"])
    world.firmware.command(HEATER.command.commands["close"])
    assert world.firmware.gate
    assert world.programmer.handle(image(NEXT)) == "REFUSED the switch is closed"

    supply(world, 0.0)
    assert world.programmer.handle(image(NEXT)) == "REFUSED no supply"


@pytest.mark.parametrize("returns", [False, True])
def test_without_supply_the_image_is_not_taken(world: World, returns: bool) -> None:
    before = running(world)
    world.programmer.handle(image(NEXT))
    supply(world, 0.0)
    if returns:
        world.plant.switch_supply(13.5, 1e6)

    assert finish(world) == "BROKEN"
    supply(world, 13.5)
    assert world.firmware.powered
    assert running(world) == before


@pytest.mark.parametrize("word", ["kept", "reset"])
def test_set_points_are_kept_or_reset_as_the_profile_says(word: str) -> None:
    assert HEATER.programming is not None
    device = replace(HEATER, programming=replace(HEATER.programming, set_points=word))
    world = World(device, 1)
    supply(world, 13.5)
    world.node.diagnosis.configuration.write({"overload_pickup": 1825}, world.clock.now_ns())
    world.clock.sleep_until(world.clock.now_ns() + S)

    world.programmer.handle(image(NEXT))
    finish(world)

    assert world.firmware.set_points["overload_pickup"] == {"kept": 1825, "reset": 2750}[word]
