"""LIN description files: equal to ldfparser where both read, and refused with a place where they are wrong."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import ldfparser
import pytest
import yaml
from edited import marked
from hypothesis import given, settings
from hypothesis import strategies as st
from lark import Lark

from harness.files import ldf as module
from harness.files.ldf import UnknownSlave, load_node
from harness.files.marks import FileErrors

ROOT = Path(__file__).parents[2]
HEATER = ROOT / "testplans" / "devices" / "heater.ldf"
FAN = ROOT / "tests" / "vectors" / "fan.ldf"
NODES = {"HeaterBreaker": HEATER, "DemoFan": FAN}


@pytest.fixture(autouse=True, scope="module")
def _one_grammar() -> Iterator[None]:
    """ldfparser builds its parser for every file, which takes 50 ms; one does for all that these tests read."""
    build = functools.cache(lambda grammar: Lark(grammar, parser="lalr", propagate_positions=True))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("ldfparser.parser.Lark", lambda grammar, **_: build(grammar))
        yield


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty cache, on disk and in the process."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    module._cached.cache_clear()
    return tmp_path / "cache" / "breakerbench" / "ldf"


# Agreement with ldfparser's own objects, which this project does not use


@pytest.mark.parametrize("name", NODES)
def test_frames_signals_and_node_are_those_of_ldfparser(name: str) -> None:
    ours, theirs = load_node(NODES[name], name), ldfparser.parse_ldf(str(NODES[name]))
    node, slave = ours.description, theirs.get_slave(name)

    assert node.bit_rate == theirs.get_baudrate()
    assert node.master == theirs.get_master().name
    assert (node.configured_nad, node.initial_nad) == (slave.configured_nad, slave.initial_nad)
    product = slave.product_id
    assert (ours.supplier_id, ours.function_id, ours.variant) == (
        product.supplier_id, product.function_id, product.variant,
    )  # fmt: skip
    assert (ours.st_min_ns, ours.n_as_ns, ours.n_cr_ns) == (0, 10**9, 10**9)  # in the files
    assert ours.response_error == slave.response_error.name
    assert node.configurable_frames == tuple(frame.name for frame in slave.configurable_frames.values())
    assert {frame.name for frame in theirs.get_unconditional_frames()} == set(node.frames)
    for frame in theirs.get_unconditional_frames():
        layout = node.frames[frame.name]
        assert (layout.frame_id, layout.length, layout.publisher) == (
            frame.frame_id, frame.length, frame.publisher.name,
        )  # fmt: skip
        assert [(s.offset, s.name, s.width) for s in layout.signals] == [
            (offset, signal.name, signal.width) for offset, signal in frame.signal_map
        ]


@pytest.mark.parametrize("name", NODES)
def test_schedules_are_those_of_ldfparser(name: str) -> None:
    node = load_node(NODES[name], name).description
    for table in ldfparser.parse_ldf(str(NODES[name])).get_schedule_tables():
        ours = node.schedules[table.name]

        assert [delay for _, delay in ours] == [round(entry.delay * 1e9) for entry in table.schedule]
        for (frame, _), entry in zip(ours, table.schedule, strict=True):
            kinds = {"MasterRequestEntry": "MasterReq", "SlaveResponseEntry": "SlaveResp"}
            assert frame == (kinds.get(type(entry).__name__) or entry.frame.name)


HEATER_LDF = ldfparser.parse_ldf(str(HEATER))


@given(raw=st.integers(0, 0x3FFF))
def test_physical_values_are_those_of_ldfparser(raw: int) -> None:
    signal = load_node(HEATER, "HeaterBreaker").description.frames["HeaterStatus"].signal("HtrCurrent")
    encoding = HEATER_LDF.get_signal("HtrCurrent").encoding_type
    meaning = signal.encoding.meaning(raw)
    theirs = encoding.decode(raw, HEATER_LDF.get_signal("HtrCurrent"))

    assert theirs == (meaning if isinstance(meaning, str) else pytest.approx(float(meaning or 0)))


def test_scales_are_exact_and_an_array_starts_with_its_lowest_byte() -> None:
    current = load_node(HEATER, "HeaterBreaker").description.frames["HeaterStatus"].signal("HtrCurrent")
    label = load_node(FAN, "DemoFan").description.frames["FanInfo"].signal("FanLabel")

    assert current.encoding.physical[0].scale == Fraction(25, 1000)
    assert label.initial.to_bytes(4, "little") == b"DEMO"


# What is wrong with a file

BAD: dict[str, dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "bad_ldf.yaml").read_text())


def complaints(path: Path, node: str = "HeaterBreaker") -> list[str]:
    with pytest.raises(FileErrors) as caught:
        load_node(path, node)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


@pytest.mark.parametrize("case", BAD.values(), ids=BAD)
def test_bad_file_gives_its_lines(tmp_path: Path, case: dict[str, Any]) -> None:
    text, places = marked(HEATER.read_text(), case["edits"])
    path = tmp_path / "bad.ldf"
    path.write_text(text)

    assert complaints(path) == [f"{at}: {message}" for at, message in zip(places, case["wanted"], strict=True)]


def test_slave_that_the_file_does_not_have() -> None:
    with pytest.raises(UnknownSlave, match=r"no slave 'DemoFun'; want DemoFan; did you mean 'DemoFan'\?"):
        load_node(FAN, "DemoFun")


def test_every_section_that_is_needed_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.ldf"
    path.write_text("LIN_description_file;\n")

    assert complaints(path) == [
        f"1:1: missing section {name}"
        for name in sorted(
            ("LIN_protocol_version", "LIN_language_version", "LIN_speed", "Nodes with Master and Slaves", "Signals",
             "Frames", "Node_attributes", "Schedule_tables")
        )
    ]  # fmt: skip


def test_names_in_comments_and_texts_are_not_taken_for_places(tmp_path: Path) -> None:
    edits = {
        "HtrHeat, 32": "/* HtrHeat, 29 */ ¶HtrHeat, 29",
        "product_id": "// HtrHeat\n product_id",
        '"off"': '"HtrHeat"',
    }
    text, places = marked(HEATER.read_text(), edits)
    path = tmp_path / "bad.ldf"
    path.write_text(text)

    assert complaints(path) == [f"{places[0]}: HtrHeat overlaps HtrCurrent"]


def test_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    path = tmp_path / "bad.ldf"
    assert complaints(path) == ["1:1: no such file"]
    path.write_bytes(b"/* \xb0C */")
    assert complaints(path) == ["1:4: byte 0xB0 is not UTF-8"]
    path.write_bytes(b"")
    assert complaints(path)[0].startswith("1:1: missing section")


@settings(max_examples=40)
@given(st.integers(0, 4000), st.sampled_from(list(';{},:=x0"')))
def test_a_damaged_file_is_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, at: int, char: str
) -> None:
    text = HEATER.read_text()
    path = tmp_path_factory.mktemp("ldf") / "bad.ldf"
    path.write_text(text[:at] + char + text[at + 1 :])
    with contextlib.suppress(FileErrors):
        load_node(path, "HeaterBreaker")


# The cache


def test_second_reading_comes_from_the_cache_and_is_equal(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = load_node(HEATER, "HeaterBreaker")
    module._cached.cache_clear()
    monkeypatch.setattr(module, "_parse", lambda path: pytest.fail("parsed again"))

    assert load_node(HEATER, "HeaterBreaker") == first
    assert len(list(cache.iterdir())) == 1


def test_a_changed_file_or_rule_is_another_entry(cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    load_node(HEATER, "HeaterBreaker")
    changed = tmp_path / "changed.ldf"
    changed.write_text(HEATER.read_text() + "\n")
    load_node(changed, "HeaterBreaker")
    assert len(list(cache.iterdir())) == 2

    module._cached.cache_clear()
    monkeypatch.setattr(module, "_rules_digest", lambda: "another")
    load_node(HEATER, "HeaterBreaker")
    assert len(list(cache.iterdir())) == 3


@pytest.mark.parametrize("content", ["", "{}", "not json", '{"digest": 1}'])
def test_a_spoilt_entry_is_made_anew(cache: Path, content: str) -> None:
    first = load_node(HEATER, "HeaterBreaker")
    (entry,) = cache.iterdir()
    whole = entry.read_text()
    entry.write_text(content)
    module._cached.cache_clear()

    assert load_node(HEATER, "HeaterBreaker") == first
    assert entry.read_text() == whole


def test_a_cache_that_cannot_be_written_is_no_error(cache: Path, tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("a file where the folder should be")

    assert load_node(HEATER, "HeaterBreaker").description.name == "HeaterBreaker"


def test_a_user_without_a_home_has_no_cache(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_home() -> Path:
        raise RuntimeError("no home")

    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(Path, "home", no_home)

    assert load_node(HEATER, "HeaterBreaker").description.name == "HeaterBreaker"


def test_a_wrong_file_is_not_kept(cache: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.ldf"
    path.write_text(HEATER.read_text().replace("0x23", "0x22"))
    complaints(path)

    assert not cache.exists()
