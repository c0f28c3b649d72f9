"""Instruments with words of their own, strangers, error queues, declared ranges: on a link that notes what is said."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.bench.dialect import HEADERS, Dialect, Translated
from harness.bench.instrument import CurrentStimulus, InstrumentError, PowerSupply, error_queue
from harness.bench.ranges import Range
from harness.bench.roles import make_instrument
from harness.bench.spec import load_bench, shipped_bench
from harness.bench.visa import VisaLink
from harness.cli import main
from harness.files.marks import FileErrors

SIMULATED = shipped_bench("simulated")
SPEC = load_bench(SIMULATED)


class Wire:
    """A link whose instrument holds whatever is set, keeps ``errors`` queued, and turns values round by ``held``."""

    def __init__(self, held: Callable[[float], float] = lambda value: value) -> None:
        self.said: list[str] = []
        self.errors: list[str] = []
        self.values: dict[str, str] = {"STAT:OPER:COND": "0"}
        self.held = held

    def write(self, text: str) -> None:
        self.said.append(text)
        header, _, value = text.partition(" ")
        if value:
            word = {"ON": "1", "OFF": "0"}.get(value)
            self.values[header] = word or ",".join(map(self._held, value.split(",")))

    def _held(self, part: str) -> str:
        return part if part.isalpha() else f"{self.held(float(part)):.9g}"

    def query(self, text: str) -> str:
        self.said.append(text)
        if text == "*IDN?":
            return "Maker,Model 7,12,1.0"
        if text in ("SYST:ERR?", "ERR?"):
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        return self.values[text.removesuffix("?")]

    def query_block(self, text: str, most: int) -> bytes:
        self.said.append(text)
        return b""

    def close(self) -> None:
        pass


def with_dialect(wire: Wire, **dialect: object) -> PowerSupply:
    spec = dataclasses.replace(SPEC, dialects={"supply_12v": Dialect(**dialect)})  # type: ignore[arg-type]
    supply = make_instrument(spec, "supply_12v", wire)
    assert isinstance(supply, PowerSupply)
    return supply


# Verbs


def test_an_instrument_is_spoken_to_in_its_own_words() -> None:
    wire = Wire()
    supply = with_dialect(wire, verbs={"SOUR:VOLT": "VSET", "OUTP": "OUT", "OUTP?": "OUTSTAT?", "SYST:ERR": "ERR"})
    wire.values["OUTSTAT"] = "1"
    wire.said.clear()

    supply.go(13.5)
    supply.output(True)

    assert wire.said == ["VSET 13.5", "ERR?", "VSET?", "OUT ON", "ERR?", "OUTSTAT?"]


def test_a_block_is_asked_for_in_its_own_words_too() -> None:
    wire = Wire()

    Translated("recorder", wire, Dialect(verbs={"TRAC:DATA": "WAV"})).query_block("TRAC:DATA? CHAN1", 4)

    assert wire.said == ["WAV? CHAN1"]


def test_a_longer_header_is_not_taken_for_a_shorter_one() -> None:
    dialect = Dialect(verbs={"SOUR:VOLT": "VSET"})

    assert dialect.spoken("SOUR:VOLT:SLEW 3") == "SOUR:VOLT:SLEW 3"
    assert dialect.spoken("SOUR:VOLT?") == "VSET?"


def test_a_verb_that_the_role_does_not_use_is_refused_at_its_place(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    text = SIMULATED.read_text().replace(
        "  isolation: {at_least: 500 kohm}", '  isolation:\n    at_least: 500 kohm\n    verbs: {"MEAS:VOLT": "X"}'
    )
    assert "verbs" in text
    path.write_text(text)
    line = next(number for number, row in enumerate(text.splitlines(), start=1) if "verbs" in row)

    with pytest.raises(FileErrors) as caught:
        load_bench(path)

    assert [str(error) for error in caught.value.errors] == [
        f"{path}:{line}:13: isolation does not use 'MEAS:VOLT'; it uses MEAS:RES, SYST:ERR"
    ]


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        ('verbs: {"SOUR:VOLT 3": "X"}', "want a header such as 'SOUR:VOLT', without parameters"),
        ('verbs: {"SOUR:VOLT": "X;*RST"}', "want a header such as 'SOUR:VOLT', without parameters"),
        ('identity: "Maker,,3"', "want the first fields of the answer to *IDN?"),
    ],
)
def test_what_is_no_verb_and_no_identity_is_refused(tmp_path: Path, entry: str, why: str) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(SIMULATED.read_text().replace("    current_limit: 2 A", f"    current_limit: 2 A\n    {entry}"))

    with pytest.raises(FileErrors, match=r"bench.yaml:10:") as caught:
        load_bench(path)

    assert why in str(caught.value)


def test_every_header_that_an_instrument_uses_can_be_overridden() -> None:
    """Read from the source: each quoted default header stands in the list of some role."""
    import re

    from harness.bench import instrument, interlock

    text = "".join(Path(module.__file__ or "").read_text() for module in (instrument, interlock))
    used = {found.removesuffix("?") for found in re.findall(r'f?"((?:[A-Z]{3,4}\d?)(?::[A-Z]{3,4}\d?)+)\?? ?', text)}
    known = {header for headers in HEADERS.values() for header in headers} | {"SYST:ERR"}

    assert len(used) > 15
    assert used <= known


# Who it is


@pytest.mark.parametrize(
    ("expected", "good"),
    [("Maker", True), ("maker , model 7", True), ("Maker,Model", False), ("Other,Model 7", False), ("", True)],
)
def test_who_answers_has_to_be_who_is_expected(expected: str, good: bool) -> None:
    wire = Wire()

    if good:
        with_dialect(wire, identity=expected)
        return
    with pytest.raises(InstrumentError, match=r"^supply_12v: says 'Maker,Model 7,12,1.0'.*expects .*look at what"):
        with_dialect(wire, identity=expected)
    assert wire.said == ["*IDN?"]  # nothing was written to a stranger


def test_a_stranger_ends_a_run_with_5_and_one_line(tmp_path: Path) -> None:
    path, plan = tmp_path / "bench.yaml", tmp_path / "plan.yaml"
    plan.write_text("format: 1\nname: short\ntitle: x\ndevice: heater\nsteps:\n  - identify\n")
    entry = 'identity: "Maker,Model"'
    path.write_text(SIMULATED.read_text().replace("    current_limit: 2 A", f"    current_limit: 2 A\n    {entry}"))

    shown = CliRunner().invoke(main, ["run", str(plan), "--bench", str(path), "--runs", str(tmp_path / "runs")])

    assert shown.exit_code == 5
    assert sum("Maker,Model" in line for line in shown.output.splitlines()) == 1
    assert "Traceback" not in shown.output


def test_a_link_that_opens_anew_wants_the_same_instrument(tmp_path: Path) -> None:
    from test_bench_visa import Instrument

    instrument = Instrument()
    link = VisaLink(instrument.resource, 300)
    instrument.answers |= {b"DIE?": None, b"*IDN?": b"maker,other,1,2\n"}
    with pytest.raises(InstrumentError):
        link.query("DIE?")

    with pytest.raises(InstrumentError, match="was 'maker,model,1,2' and is now 'maker,other,1,2'"):
        link.query("FAST?")

    link.close()
    instrument.listener.close()


# Error queue


def test_every_entry_of_the_error_queue_is_told_with_the_write_that_made_it() -> None:
    wire = Wire()
    supply = with_dialect(wire)
    wire.errors = ['-222,"Data out of range"', '-221,"Settings conflict"']

    with pytest.raises(InstrumentError, match=r"'SOUR:VOLT 5' was answered with error -222.*; -221"):
        supply.go(5.0)

    supply.go(6.0)  # the queue was emptied: nobody else is blamed for it
    assert error_queue(wire) == []


# Ranges, read-back


def test_what_is_outside_the_declared_range_is_refused_before_a_byte_leaves() -> None:
    wire = Wire()
    supply = with_dialect(wire)
    wire.said.clear()

    for value in (20.01, -0.01):
        with pytest.raises(InstrumentError, match=r"outside its declared range of 0 to 20: nothing was sent"):
            supply.go(value)
    with pytest.raises(InstrumentError, match=r"SOUR:CURR 2.5 is outside"):
        supply.configure(13.5, 2.5)

    assert [text for text in wire.said if text.startswith("SOUR:CURR")] == []
    supply.go(20.0)


@pytest.mark.parametrize(
    ("role", "verb", "lowest", "highest"),
    [
        ("source", "SOUR:VOLT", 0.0, 750.0),
        ("source", "SOUR:CURR", 0.0, 420.0),
        ("load", "SOUR:CURR", 0.0, 450.0),
        ("load", "SOUR:CURR:SLEW", 0.0, 1e6),
        ("injector", "SOUR:CURR", -500.0, 500.0),
        ("injector", "SOUR:LIST:CURR", -500.0, 500.0),
        ("ntc", "SOUR:TEMP", -80.0, 250.0),
        ("ntc", "SOUR:TEMP:SLEW", 0.0, 1e5),
        ("gate_supply", "SOUR:VOLT", 0.0, 30.0),
        ("bus_signal", "SOUR:VOLT", 0.0, 1200.0),
        ("bus_signal", "SOUR:VOLT:SLEW", 0.0, 1e6),
        ("recorder", "SENS:SWE:POIN", 1.0, 1e6),
    ],
)
def test_declared_ranges_by_role(role: str, verb: str, lowest: float, highest: float) -> None:
    """Figures of testplans/benches/simulated.yaml."""
    limits = make_instrument(SPEC, role, Wire()).ranges[verb]

    assert (limits.lowest, limits.highest) == (lowest, highest)


@pytest.mark.parametrize(
    ("error", "good"), [(0.0, True), (0.04, True), (0.06, False), (-0.06, False)]
)  # 0.2 % of 13.5 V and 20 mV: 47 mV
def test_a_value_that_reads_back_beyond_the_limits_of_error_is_an_error(error: float, good: bool) -> None:
    wire = Wire()
    supply = with_dialect(wire)
    wire.held = lambda value: value + error

    if good:
        supply.go(13.5)
        return
    with pytest.raises(InstrumentError, match=r"was set to 13.5 and reads back"):
        supply.go(13.5)


def test_an_output_that_does_not_come_on_is_an_error() -> None:
    wire = Wire()
    supply = with_dialect(wire)
    wire.write = lambda text: wire.said.append(text)  # type: ignore[method-assign]
    wire.values["OUTP"] = "0"

    with pytest.raises(InstrumentError, match="still off after OUTP ON: look at its enable input"):
        supply.output(True)


def test_a_limit_is_met_by_a_sum_of_floats() -> None:
    assert Range(0.0, 0.3).holds(0.1 + 0.2)
    assert not Range(0.0, 0.3).holds(0.3001)


def injector(wire: Wire) -> CurrentStimulus:
    made = make_instrument(SPEC, "injector", wire)
    assert isinstance(made, CurrentStimulus)
    wire.said.clear()
    return made


def test_each_value_of_a_list_is_held_to_the_range_and_read_back() -> None:
    wire = Wire()
    pulses = injector(wire)

    with pytest.raises(InstrumentError, match=r"SOUR:LIST:CURR 501 is outside .* nothing was sent"):
        pulses.apply_list([(10.0, 0.1), (501.0, 0.1)], 1, 1e3, 1.0)
    assert [text for text in wire.said if "LIST" in text] == []
    pulses.apply_list([(10.0, 0.1), (0.0, 0.1)], 1, 1e3, 1.0)
    assert wire.values["SOUR:LIST:CURR"] == "10,0"
    wire.held = lambda value: value + (0.2 if value == 10.0 else 0.0)  # 20 mA and 0.2 % are declared
    with pytest.raises(InstrumentError, match=r"SOUR:LIST:CURR was set to 10 and reads back 10\.2"):
        pulses.apply_list([(10.0, 0.1), (0.0, 0.1)], 1, 1e3, 1.0)


def test_a_word_that_reads_back_as_another_is_an_error() -> None:
    wire = Wire()
    pulses = injector(wire)

    pulses.stop_by_gate(True)
    wire.write = lambda text: None  # type: ignore[method-assign]

    with pytest.raises(InstrumentError, match="TRIG:SEQ2:SOUR was set to IMM and reads back 'EXT'"):
        pulses.stop_by_gate(False)


def test_a_slew_beyond_the_declared_one_is_refused() -> None:
    wire = Wire()

    with pytest.raises(InstrumentError, match=r"SOUR:CURR:SLEW 3e\+06 is outside its declared range of 0 to 2e\+06"):
        injector(wire).apply(1.0, 3e6, 1.0)
    assert wire.said == []


def test_one_that_does_not_time_its_output_is_told_of_no_cut_off() -> None:
    for timed in (True, False):
        assert SPEC.injector is not None
        wire = Wire()
        spec = dataclasses.replace(SPEC, injector=dataclasses.replace(SPEC.injector, timed=timed))
        made = make_instrument(spec, "injector", wire)
        assert isinstance(made, CurrentStimulus)
        made.apply(10.0, 1e6, 0.05)
        assert any("PULS:WIDT" in said for said in wire.said) is timed
