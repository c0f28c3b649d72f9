"""Grammar of an SCPI instrument: SCPI-99 volume 1 chapters 6 and 7, IEEE 488.2 (both from memory of the standards)."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from mocks.scpi import ScpiError, ScpiInstrument, block, boolean, number, whole, word


class Toy:
    """A source with two numbers and a channel query."""

    def __init__(self) -> None:
        self.volts = 0.0
        self.slew = 0.0
        self.on = False
        self.scpi = ScpiInstrument(
            "Toy,one,1,1",
            self.reset,
            {
                "[SOURce:]VOLTage": ((number(0, 30),), self.set_volts),
                "[SOURce:]VOLTage?": ((), lambda: f"{self.volts:g}"),
                "[SOURce:]VOLTage:SLEW": ((number(0, 9),), self.set_slew),
                "[SOURce:]VOLTage:SLEW?": ((), lambda: f"{self.slew:g}"),
                "OUTPut[:STATe]": ((boolean,), self.switch),
                "OUTPut[:STATe]?": ((), lambda: str(int(self.on))),
                "TRACe[:DATA]?": ((word("CHANnel1", "CHANnel2"),), lambda name: block(name.encode())),
                "SWEep:POINts": ((whole(1, 100), number(0, 1)), lambda points, share: None),
            },
        )

    def reset(self) -> None:
        self.volts, self.on = 0.0, False

    def set_volts(self, volts: float) -> None:
        if volts == 13:
            raise ScpiError(-221)
        self.volts = volts

    def set_slew(self, slew: float) -> None:
        self.slew = slew

    def switch(self, on: bool) -> None:
        self.on = on


def errors(toy: Toy) -> list[int]:
    """Numbers in the error queue, oldest first."""
    found = []
    while (line := toy.scpi.handle("SYST:ERR?")) != '0,"No error"':
        assert isinstance(line, str)
        found.append(int(line.split(",")[0]))
    return found


@pytest.mark.parametrize(
    "line",
    [
        "SOUR:VOLT 7.5",
        "SOURCE:VOLTAGE 7.5",
        "sour:voltage 7.5",
        "SoUr:VoLt 7.5",
        ":SOUR:VOLT 7.5",
        "VOLT 7.5",
        "  SOUR:VOLT\t 7.5  ",
        "SOUR1:VOLT1 7.5",
        "SOUR:VOLT +.75E1",
        "SOUR:VOLT:SLEW 2;:VOLT 7.5",
        "SOUR:VOLT:SLEW 2;*CLS;:SOUR:VOLT 7.5",
    ],
)
def test_forms_of_a_header(line: str):
    toy = Toy()

    assert toy.scpi.handle(line) is None
    assert toy.volts == 7.5
    assert errors(toy) == []


def test_path_memory():
    """SCPI-99 volume 1, 6.2.4: after SOUR:VOLT the path is SOUR; a common command leaves it there."""
    toy = Toy()

    answer = toy.scpi.handle("SOUR:VOLT 3;VOLT:SLEW 4;SLEW?;*IDN?;SLEW 5;:VOLT?;:OUTP?")

    assert answer == "4;Toy,one,1,1;3;0"
    assert toy.slew == 5
    assert errors(toy) == []


def test_path_is_not_searched_upwards():
    toy = Toy()

    assert toy.scpi.handle("SOUR:VOLT:SLEW 4;OUTP ON") is None
    assert not toy.on
    assert errors(toy) == [-113]


@pytest.mark.parametrize(
    ("line", "number_"),
    [
        ("BOGUS", -113),
        ("SOUR:BOGUS?", -113),
        ("SOURC:VOLT 1", -113),  # neither the short form nor the long one
        ("VOLTA 1", -113),
        ("*RST?", -113),
        ("*BOGUS", -113),
        ("SOUR2:VOLT 1", -114),
        ("SOUR:VOLT3", -114),
        ("SOUR:VOLT", -109),
        ("SOUR:VOLT 1,2", -108),
        ("SOUR:VOLT? 1", -108),
        ("SOUR:VOLT abc", -104),
        ("SOUR:VOLT nan", -104),
        ("SOUR:VOLT 5 V", -138),
        ("SOUR:VOLT 1,5", -108),
        ("SOUR:VOLT 30.01", -222),
        ("SOUR:VOLT -1", -222),
        ("SOUR:VOLT 1e999", -222),
        ("SOUR:VOLT 13", -221),
        ("OUTP MAYBE", -104),
        ("TRAC? CHAN3", -224),
        ("TRAC? CHANN1", -224),
        ("SWE:POIN 0.4,0", -222),
        ("VOLT 1;;VOLT 2", -102),
        (";", -102),
        ("VOLT 1\x07", -101),
        ("VOLT é", -101),
    ],
)
def test_what_is_wrong_goes_to_the_queue(line: str, number_: int):
    toy = Toy()

    assert toy.scpi.handle(line) is None
    assert errors(toy) == [number_]


def test_error_of_form_ends_the_message_and_one_of_effect_does_not():
    toy = Toy()

    assert toy.scpi.handle("VOLT 99;OUTP ON;VOLT?;BOGUS;OUTP OFF") == "0"
    assert toy.on
    assert errors(toy) == [-222, -113]


def test_queue_keeps_the_oldest_and_says_that_it_overflowed():
    toy = Toy()
    for _ in range(40):
        toy.scpi.handle("VOLT 99")

    found = errors(toy)

    assert found == [-222] * 15 + [-350]


def test_queue_answer_quotes_what_was_wrong_and_is_emptied_by_cls():
    toy = Toy()
    toy.scpi.handle("SOUR:BOGUS 1")
    assert toy.scpi.handle("SYSTEM:ERROR:NEXT?") == '-113,"Undefined header;SOUR:BOGUS"'

    toy.scpi.handle("BOGUS;*CLS")
    toy.scpi.handle("*CLS")
    assert toy.scpi.handle("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize(("text", "on"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)])
def test_boolean(text: str, on: bool):
    toy = Toy()
    toy.on = not on
    toy.scpi.handle(f"OUTP:STAT {text}")

    assert toy.on is on
    assert toy.scpi.handle("OUTP?") == str(int(on))


def test_block_and_mixed_answers():
    """IEEE 488.2, 8.7.9: # digits length data."""
    toy = Toy()

    assert toy.scpi.handle("TRAC? CHAN1") == b"#15CHAN1"
    assert toy.scpi.handle("TRAC:DATA? channel2;:VOLT?") == b"#15CHAN2;0"
    assert block(b"x" * 123)[:6] == b"#3123x"


PIECES = ["VOLT", "SOUR", ":", ";", "*", "?", '" ', " ON", "1", "e5", ",", " CHAN1", '"']


@given(
    st.one_of(
        st.text(max_size=60),
        st.lists(st.sampled_from(PIECES), max_size=20).map("".join),
    )
)
@example("SOUR:VOLT " + "9" * 5000)
@example(";" * 5000)
def test_nothing_raises_and_no_error_means_something_was_understood(line: str):
    toy = Toy()
    answer = toy.scpi.handle(line)

    assert answer is None or answer
    first = toy.scpi.handle("SYST:ERR?")
    assert isinstance(first, str)
    assert len(first) < 255  # SCPI-99 volume 2, 21.8.1
    assert first.startswith(("0,", "-1", "-2"))
