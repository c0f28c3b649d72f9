"""Parameters, loops and fragments: what they come to, where its places are, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from edited import marked

from harness.files.marks import FileErrors
from harness.plan.expand import STEP_LIMIT
from harness.plan.plan import Plan, load_plan
from harness.plan.steps import ExpectTrip, Wait

HEAD = "format: 1\nname: x\ntitle: y\ndevice: heater\n"
PAUSE = (
    "format: 1\nname: pause\ntitle: y\nparameters: {for: , again: 1 s}\n"
    "steps:\n  - wait: {duration: $for}\n  - wait: {name: second, duration: $again}\n"
)


def load(folder: Path, text: str, **fragments: str) -> Plan:
    (folder / "fragments").mkdir(exist_ok=True)
    for name, content in fragments.items():
        (folder / "fragments" / f"{name}.yaml").write_text(content)
    path = folder / "plan.yaml"
    path.write_text(HEAD + text)
    return load_plan(path)


def waits(plan: Plan) -> list[tuple[str, str]]:
    return [(step.name, str(step.step.duration)) for step in plan.places if isinstance(step.step, Wait)]


def test_a_parameter_stands_for_its_value(tmp_path: Path) -> None:
    text = "parameters: {pickup: 20 A, at: {from: 1 A, rate: 2 A/s}}\nsteps:\n"
    text += "  - expect_trip: {inject: $pickup, ramp: $at, function: f}\n"
    step = load(tmp_path, text).steps[0].step

    assert isinstance(step, ExpectTrip)
    assert (step.value, step.ramp_s) == (20.0, 9.5)


def test_a_loop_runs_over_every_combination_the_last_name_fastest(tmp_path: Path) -> None:
    text = (
        "parameters: {currents: [30 A, 60 A]}\nsteps:\n"
        "  - for_each:\n      over: {current: $currents, start: [cold, from_history]}\n      steps:\n"
        "        - close\n        - expect_trip: {name: hit, inject: $current, start: $start, function: f}\n"
        "  - close\n"
    )
    plan = load(tmp_path, text)

    assert [step.name for step in plan.steps if step.kind == "expect_trip"] == [
        "hit[current=30 A, start=cold]",
        "hit[current=30 A, start=from_history]",
        "hit[current=60 A, start=cold]",
        "hit[current=60 A, start=from_history]",
    ]
    assert [step.name for step in plan.steps if step.kind == "close"][-2:] == [
        "close_1[current=60 A, start=from_history]",
        "close_2",
    ]
    assert [step.index for step in plan.steps] == list(range(9))
    assert [step.step.value for step in plan.steps if isinstance(step.step, ExpectTrip)] == [30.0, 30.0, 60.0, 60.0]


def test_loops_in_loops(tmp_path: Path) -> None:
    text = (
        "steps:\n  - for_each:\n      over: {a: [1 s, 2 s]}\n      steps:\n"
        "        - for_each: {over: {b: [3 s, 4 s]}, steps: [wait: {duration: $b}]}\n        - wait: {duration: $a}\n"
    )

    assert waits(load(tmp_path, text)) == [
        ("wait_1[a=1 s, b=3 s]", "3 s"), ("wait_1[a=1 s, b=4 s]", "4 s"), ("wait_2[a=1 s]", "1 s"),
        ("wait_1[a=2 s, b=3 s]", "3 s"), ("wait_1[a=2 s, b=4 s]", "4 s"), ("wait_2[a=2 s]", "2 s"),
    ]  # fmt: skip


def test_a_fragment_takes_arguments_and_has_defaults(tmp_path: Path) -> None:
    text = (
        "parameters: {long: 9 s}\n"
        "preconditions:\n  - include: {fragment: pause, with: {for: 2 s}}\n"
        "steps:\n  - include: {fragment: pause, name: rest, with: {for: $long, again: 3 s}}\n"
        "  - include: {fragment: pause, with: {for: 4 s}}\n"
        "clean_up:\n  - include: {fragment: pause, with: {for: 5 s}}\n"
    )

    assert waits(load(tmp_path, text, pause=PAUSE)) == [
        ("precondition_pause_1.wait_1", "2 s"), ("precondition_pause_1.second", "1 s"),
        ("rest.wait_1", "9 s"), ("rest.second", "3 s"),
        ("pause_2.wait_1", "4 s"), ("pause_2.second", "1 s"),
        ("clean_up_pause_1.wait_1", "5 s"), ("clean_up_pause_1.second", "1 s"),
    ]  # fmt: skip


def test_places_are_those_of_the_use_and_tell_the_way(tmp_path: Path) -> None:
    text = "steps:\n  - for_each: {over: {t: [2 s]}, steps: [include: {fragment: pause, with: {for: $t}}]}\n"
    plan = load(tmp_path, text, pause=PAUSE)
    step, path = plan.steps[0], tmp_path / "fragments" / "pause.yaml"

    assert str(step.mark) == f"{path}:6:5"
    assert str(plan.mark(step, "duration")) == f"{path}:6:22"
    assert [str(mark) for mark in step.via] == [f"{plan.path}:6:5", f"{plan.path}:6:42"]


def test_the_digest_is_that_of_the_plan_and_its_fragments(tmp_path: Path) -> None:
    text = "steps:\n  - include: {fragment: pause, with: {for: 2 s}}\n"
    digests = {load(tmp_path, text, pause=PAUSE).digest, load(tmp_path, text, pause=PAUSE + "\n").digest}

    assert len({*digests, load(tmp_path, text + "\n", pause=PAUSE).digest}) == 3


def test_a_fragment_beside_the_plan_comes_before_the_shipped_one(tmp_path: Path) -> None:
    own = PAUSE.replace("pause", "cool_and_clear")
    text = "steps:\n  - include: {fragment: cool_and_clear, with: {for: 2 s}}\n"

    assert [step.kind for step in load(tmp_path, text, cool_and_clear=own).steps] == ["wait", "wait"]


NESTED = "format: 1\nname: {0}\ntitle: y\nsteps:\n  - include: {{fragment: {1}}}\n"
FRAGMENTS = {"pause": PAUSE, "one": NESTED.format("one", "two"), "two": NESTED.format("two", "one")}
KNOWN = "cool_and_clear"
WRONG: dict[str, tuple[str, list[str]]] = {
    "unknown parameter": ("parameters: {pause: 1 s}\nsteps:\n  - wait: {duration: ¶$pausse}\n", [
        "unknown parameter '$pausse'; want $pause; did you mean '$pause'?",
    ]),
    "parameter of a parameter": ("parameters: {a: 1 s, b: ¶$a}\nsteps: [close]\n", [
        "parameter 'b': want a value, not another parameter",
    ]),
    "value of another unit": ("parameters: {a: 1 A}\nsteps:\n  - wait: {duration: ¶$a}\n", None),
    "list where a value is wanted": ("parameters: {a: [1 s]}\nsteps:\n  - wait: {duration: ¶$a}\n", None),
    "loop over nothing": ("steps:\n  - for_each: {over: {t: ¶[]}, steps: [close]}\n", [
        "want a list of values for t",
    ]),
    "loop over a value": ("steps:\n  - for_each: {over: {t: ¶1 s}, steps: [close]}\n", ["want a list of values for t"]),
    "loop over the same twice": ("steps:\n  - for_each: {over: {t: ¶[1 s, 1 s]}, steps: [close]}\n", [
        "1 s is there 2 times",
    ]),
    "loop that hides a parameter": (
        "parameters: {t: 1 s}\nsteps:\n  - for_each: {over: {¶t: [2 s]}, steps: [close]}\n",
        ["there is a parameter 't' already; want another name"],
    ),
    "loop without steps": ("steps:\n  - ¶for_each: {over: {t: [2 s]}}\n", ["for_each: missing key 'steps'"]),
    "loop with no steps": ("steps:\n  - for_each: {over: {t: [2 s]}, steps: ¶[]}\n", [
        "for_each: want a list of one step or more",
    ]),
    "loop with an unknown key": ("steps:\n  - for_each: {over: {t: [2 s]}, steps: [close], ¶step: []}\n", [
        "unknown key 'step'; want one of over, steps; did you mean 'steps'?",
    ]),
    "loop not indented": ("steps:\n  - ¶for_each: {over: {t: [2 s]}}\n    steps: [close]\n", [
        "a step has one key, its kind; indent steps so that it belongs to for_each",
    ]),
    "bare include": ("steps:\n  - ¶include\n", ["include: want a map, with keys out of fragment, with, name"]),
    "unknown fragment": ("steps:\n  - include: {fragment: ¶pausse}\n", None),
    "fragment elsewhere": ("steps:\n  - include: {fragment: ¶../plan}\n", None),
    "unknown argument": ("steps:\n  - include: {fragment: pause, with: {for: 1 s, ¶agian: 1 s}}\n", [
        "fragment 'pause' has no parameter 'agian'; want one of for, again; did you mean 'again'?",
    ]),
    "argument left out": ("steps:\n  - ¶include: {fragment: pause}\n", [
        "fragment 'pause' wants a value for 'for'; give it by 'with'",
    ]),
    "too many steps": ("steps:\n  - for_each: {over: {a: %s, b: %s}, steps: [¶close]}\n", [
        "the plan comes to more than 2000 turns of loops here; a plan has at most 2000 steps",
    ]),
}  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_where_it_stands(tmp_path: Path, text: str, wanted: list[str] | None) -> None:
    if "%s" in text:
        text = text.replace("%s", str(list(range(46)))).replace("¶close", "close").replace("  - for", "  - ¶for")
    text, places = marked(HEAD + text, {})
    with pytest.raises(FileErrors) as caught:
        load(tmp_path, text.removeprefix(HEAD), **FRAGMENTS)
    found = [str(error).removeprefix(f"{tmp_path}/plan.yaml:") for error in caught.value.errors]

    assert [line.partition(": ")[0] for line in found] == places
    if wanted is not None:
        assert [line.partition(": ")[2] for line in found] == wanted


def test_an_argument_that_does_not_fit_is_told_with_both_places(tmp_path: Path) -> None:
    with pytest.raises(FileErrors) as caught:
        load(tmp_path, "steps:\n  - include: {fragment: pause, with: {for: 2 A}}\n", pause=PAUSE)

    assert str(caught.value) == (
        f"{tmp_path}/fragments/pause.yaml:6:22: '2 A': want a unit out of s, ms, us, ns, min, h; "
        f"given at {tmp_path}/plan.yaml:6:44"
    )


def test_fragments_in_a_circle(tmp_path: Path) -> None:
    with pytest.raises(FileErrors, match="would include itself: one -> two -> one"):
        load(tmp_path, "steps:\n  - include: {fragment: one}\n", **FRAGMENTS)


def test_what_is_wrong_with_a_fragment_file_is_said_once(tmp_path: Path) -> None:
    with pytest.raises(FileErrors) as caught:
        load(
            tmp_path,
            "steps:\n  - include: {fragment: bad}\n  - include: {fragment: bad}\n",
            bad="format: 1\nname: bad\n",
        )

    assert [error.message for error in caught.value.errors] == ["missing key 'steps'", "missing key 'title'"]


def test_large_loops_end_early(tmp_path: Path) -> None:
    many = str([f"{n} s" for n in range(300)])
    loop = f"for_each: {{over: {{a: {many}, b: {many}, c: {many}}}, steps: [wait: {{duration: $none}}]}}"
    with pytest.raises(FileErrors, match=f"more than {STEP_LIMIT}"):
        load(tmp_path, f"steps:\n  - {loop}\n")
