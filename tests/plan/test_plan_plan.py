"""Plan files: steps, names and places; what is wrong with a plan; which files are plans."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.files.marks import FileErrors
from harness.files.profile import shipped_device, shipped_plans
from harness.plan.plan import find_plans, load_plan, load_plans
from harness.plan.steps import STEP_KINDS, CloseSwitch, ExpectTrip, Step, WriteSetPoints

HEAD = "format: 1\nname: x\ntitle: y\ndevice: heater\n"
KINDS = f"want one of {', '.join([*STEP_KINDS, 'for_each', 'include'])}"
ONE_STIMULUS = "want exactly one of inject, draw, supply, bus, gate_rail, heat_sink"


def write(folder: Path, text: str, name: str = "plan.yaml") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def complaints(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    with pytest.raises(FileErrors) as caught:
        load_plan(path)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


STEP: dict[str, tuple[str, list[str]]] = {
    "unknown": ("- opn", [f"6:5: unknown step 'opn'; {KINDS}; did you mean 'open'?"]),
    "unknown, with a body": (
        "- expect_tripp: {function: f}",
        [f"6:5: unknown step 'expect_tripp'; {KINDS}; did you mean 'expect_trip'?"],
    ),
    "nothing": ("-", [f"6:4: no step here; {KINDS}"]),
    "a list": ("- [close]", [f"6:5: no step here; {KINDS}"]),
    "an empty map": ("- {}", [f"6:5: no step here; {KINDS}"]),
    "not indented": (
        "- wait:\n    duration: 1 s",
        ["6:5: a step has one key, its kind; indent duration so that it belongs to wait"],
    ),
    "bare, and something is needed": ("- wait", ["6:5: missing key 'duration'"]),
    "value for a map": ("- wait: 10 s", ["6:11: want a map, with keys out of name, note, duration; found '10 s'"]),
    "unknown key": (
        "- wait: {time: 10 s}",
        ["6:5: missing key 'duration'", "6:12: unknown key 'time'; want one of name, note, duration"],
    ),
    "unit": ("- wait: {duration: 10 A}", ["6:22: '10 A': want a unit out of s, ms, us, ns, min, h"]),
    "no unit": ("- wait: {duration: 10}", ["6:22: '10': want a unit out of s, ms, us, ns, min, h"]),
    "comma": (
        "- wait: {duration: '1,5 s'}",
        ["6:22: '1,5 s': want a number and a unit out of s, ms, us, ns, min, h"],
    ),
    "empty name": (
        "- wait: {name: '', duration: 1 s}",
        ["6:18: '': want a name of lower-case letters, digits and _, at most 60"],
    ),
    "yes": ("- close: {refused: yes}", ["6:22: want true or false; found 'yes'"]),
    "both ways": (
        "- expect_trip: {function: f, inject: 1 A, draw: 1 A, voltage: 1 V}",
        [f"6:18: {ONE_STIMULUS}"],
    ),
    "neither way": ("- expect_trip: {function: f}", [f"6:18: {ONE_STIMULUS}"]),
    "draw without voltage": (
        "- expect_trip: {function: f, draw: 1 A}",
        ["6:18: voltage goes with draw, and only with it"],
    ),
    "inject with voltage": (
        "- expect_trip: {function: f, inject: 1 A, voltage: 1 V}",
        ["6:18: voltage goes with draw, and only with it"],
    ),
    "start": (
        "- expect_trip: {function: f, inject: 1 A, start: hot}",
        ["6:52: want one of cold, from_history; found 'hot'"],
    ),
    "no values": ("- write_set_points: {values: {}}", ["6:32: want 1 or more entries; found an empty map"]),
    "value of a set-point": (
        "- write_set_points: {values: {a: 1 A, b: two}}",
        ["6:44: 'two': want a number and a unit, as in '10 A' or '2.5 ms'"],
    ),
    "one limit": ("- read_live: {values: {heat: [0 %]}}", ["6:26: want 2 or more entries"]),
    "limit is no list": ("- read_live: {values: {heat: 0 %}}", ["6:32: want a list; found '0 %'"]),
    "nothing to check": ("- check_status", ["6:5: nothing to check: want state, switch, cause or bits"]),
    "nothing to check, empty": (
        "- check_status: {}",
        ["6:19: nothing to check: want state, switch, cause or bits"],
    ),
    "switch": ("- check_status: {switch: shut}", ["6:28: want one of open, closed; found 'shut'"]),
    "bit": ("- check_status: {bits: {hot: 1}}", ["6:32: want true or false; found '1'"]),
    "codes": ("- check_codes: {codes: [overload]}", ["6:26: want a map of keys; found a list of 1"]),
    "no codes": ("- check_codes", ["6:5: missing key 'codes'"]),
    "name twice": (
        "- open: {name: a}\n  - close: {name: a}",
        ["7:5: a second step called 'a'; the first is in line 6"],
    ),
    "name that a later step gets": (
        "- open: {name: close_1}\n  - close",
        ["7:5: a second step called 'close_1'; the first is in line 6"],
    ),
}  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), STEP.values(), ids=STEP)
def test_bad_step_gives_its_lines(tmp_path: Path, text: str, wanted: list[str]) -> None:
    assert complaints(tmp_path, f"{HEAD}steps:\n  {text}\n") == wanted


KEYS = "format, name, title, device, note, parameters, preconditions, steps, clean_up"
DEVICES = ", ".join(sorted(path.stem for path in (shipped_plans() / "devices").glob("*.yaml")))
ALL_WRONG = HEAD.replace("x", "X") + "steps:\n  - opn\n  - wait: {duration: 1}\nclean_up:\n  - wait\n"
PLAN: dict[str, tuple[str, list[str]]] = {
    "no steps": (HEAD, ["1:1: missing key 'steps'"]),
    "empty steps": (HEAD + "steps: []\n", ["5:8: no steps; want one or more"]),
    "steps are a map": (HEAD + "steps: {close: {}}\n", ["5:8: want a list; found a map of keys"]),
    "clean_up is a word": (HEAD + "steps: [close]\nclean_up: open\n", ["6:11: want a list; found 'open'"]),
    "unknown key": (HEAD + "step: [close]\n", [
        "1:1: missing key 'steps'",
        f"5:1: unknown key 'step'; want one of {KEYS}; did you mean 'steps'?",
    ]),
    "newer": ("format: 3\n", ["1:9: format 3 is newer than this version reads (1); update breakerbench"]),
    "unknown device": (
        HEAD.replace("heater", "pumpe") + "steps: [close]\n",
        [f"4:9: no device 'pumpe'; there are {DEVICES}"],
    ),
    "device is a path": (HEAD.replace("heater", "../heater") + "steps: [close]\n", [
        "4:9: '../heater': want a name of lower-case letters, digits and _, at most 60",
    ]),
    "everything at once": (ALL_WRONG, [
        "2:7: 'X': want a name of lower-case letters, digits and _, at most 60",
        f"6:5: unknown step 'opn'; {KINDS}; did you mean 'open'?",
        "7:22: '1': want a unit out of s, ms, us, ns, min, h",
        "9:5: missing key 'duration'",
    ]),
}  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), PLAN.values(), ids=PLAN)
def test_bad_plan_gives_its_lines(tmp_path: Path, text: str, wanted: list[str]) -> None:
    assert complaints(tmp_path, text) == wanted


def test_a_plan_is_what_its_file_says(tmp_path: Path) -> None:
    text = HEAD + (
        "note: why\n"
        "steps:\n"
        "  - write_set_points: {values: {overload_pickup: 20 A}, note: low}\n"
        "  - close\n"
        "  - expect_trip: {name: fast, inject: 60 A, function: overload}\n"
        "  - close: {refused: true}\n"
        "clean_up:\n"
        "  - open:\n"
        "  - open\n"
    )
    plan = load_plan(write(tmp_path, text))

    assert (plan.name, plan.title, plan.note, plan.device) == ("x", "y", "why", shipped_device("heater"))
    assert [(step.name, step.kind, step.section, step.index) for step in (*plan.steps, *plan.clean_up)] == [
        ("write_set_points_1", "write_set_points", "steps", 0),
        ("close_1", "close", "steps", 1),
        ("fast", "expect_trip", "steps", 2),
        ("close_2", "close", "steps", 3),
        ("clean_up_open_1", "open", "clean_up", 0),
        ("clean_up_open_2", "open", "clean_up", 1),
    ]
    write_step, _, trip, close = (step.step for step in plan.steps)
    assert isinstance(write_step, WriteSetPoints)
    assert isinstance(trip, ExpectTrip)
    assert isinstance(close, CloseSwitch)
    assert write_step.values["overload_pickup"].exact == 20
    assert (trip.current, trip.start, close.refused) == (60.0, "from_history", True)


def test_places_inside_steps(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "steps:\n  - write_set_points:\n      values: {a: 1 A}\nclean_up:\n  - open\n")
    plan = load_plan(path)

    assert str(plan.steps[0].mark) == f"{path}:6:5"
    assert str(plan.mark(plan.steps[0], "values", "a")) == f"{path}:7:19"
    assert str(plan.mark(plan.steps[0], "values", "a", key=True)) == f"{path}:7:16"
    assert str(plan.clean_up[0].mark) == f"{path}:9:5"


def test_roles_follow_from_what_a_step_does(tmp_path: Path) -> None:
    text = HEAD + (
        "steps:\n"
        "  - close\n"
        "  - power_cycle: {duration: 1 s}\n"
        "  - expect_trip: {inject: 1 A, function: f}\n"
        "  - expect_no_trip: {draw: 1 A, voltage: 1 V, duration: 1 s}\n"
    )
    roles = [step.step.roles for step in load_plan(write(tmp_path, text)).steps]

    assert roles == [set(), {"supply_12v"}, {"injector", "recorder"}, {"source", "load", "recorder"}]


def test_step_kinds_are_models_of_their_own() -> None:
    assert len(set(STEP_KINDS.values())) == len(STEP_KINDS)
    assert all(issubclass(model, Step) for model in STEP_KINDS.values())


GOOD = HEAD + "steps: [close]\n"


def test_a_device_beside_the_plan_comes_before_the_shipped_one(tmp_path: Path) -> None:
    own = write(tmp_path, "x", "devices/heater.yaml")
    plan = load_plan(write(tmp_path, GOOD, "low/deep/plan.yaml"))

    assert plan.device == own


def test_plans_are_found_in_folders_in_order(tmp_path: Path) -> None:
    wanted = [write(tmp_path, GOOD, name) for name in ("a/1.yaml", "a/2.yml", "b.yaml")]
    wanted.append(write(tmp_path, "not: [yaml", "c/broken.yaml"))
    wanted.append(write(tmp_path, "format: 1\nclean_up: []\n", "c/half.yaml"))
    write(tmp_path, GOOD, "devices/x.yaml")
    write(tmp_path, GOOD, "a/benches/x.yaml")
    write(tmp_path, GOOD, ".hidden/x.yaml")
    write(tmp_path, "format: 1\nroles: {}\n", "a/bench.yaml")
    write(tmp_path, GOOD, "a/readme.md")

    assert find_plans([tmp_path]) == wanted
    assert find_plans([tmp_path / "b.yaml", tmp_path, tmp_path / "a"]) == [wanted[2], *wanted[:2], *wanted[3:]]
    assert find_plans([tmp_path / "devices" / "x.yaml"]) == [tmp_path / "devices" / "x.yaml"]


def test_paths_without_plans_are_all_named(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(FileErrors) as caught:
        find_plans([tmp_path / "none", tmp_path / "empty"])

    assert str(caught.value) == (
        f"{tmp_path}/empty:1:1: no plans in this folder\n{tmp_path}/none:1:1: no such file or folder"
    )


def test_faults_of_several_plans_come_together_and_names_are_unique(tmp_path: Path) -> None:
    one, two, three = (write(tmp_path, text, f"{n}.yaml") for n, text in enumerate((GOOD, GOOD, GOOD + "x: 1\n"), 1))

    plans, errors = load_plans([one, two, three])

    assert [plan.path for plan in plans] == [one, two]
    assert [str(error).partition(";")[0] for error in errors] == [
        f"{two}:2:7: plan 'x' is in {one} as well",
        f"{three}:6:1: unknown key 'x'",
    ]


def test_every_shipped_plan_is_found_and_has_a_name_of_its_own() -> None:
    plans, _ = load_plans(find_plans([shipped_plans()]))

    assert {"low_voltage", "high_voltage"} <= {plan.path.parent.name for plan in plans}
    for plan in plans:
        names = [step.name for step in (*plan.steps, *plan.clean_up)]
        assert len(set(names)) == len(names)
