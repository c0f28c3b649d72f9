"""Test plans as tests: `pytest testplans --bench simulated`. Without `--bench` this plugin does nothing.

A plan is a file of tests and a step is a test, `FILE::plan/step`. The steps of a plan hang together: one that was
deselected (`-k`, `--lf`) is carried out all the same where one after it was selected, and is no test then. No step is
begun after the last selected one, and the clean-up is always carried out. What an unselected step came to, unless it
passed, stands beside the next selected one and in the record; one that ends its plan leaves the others skipped.

The bench is opened by the first test and made safe after the last, whatever ends the session. pytest-timeout may kill
the process, which makes nothing safe: the time that it was given is this plugin's own deadline for a test, at which the
bench is made safe, and pytest-timeout itself acts only ``GRACE_S`` later.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.plan.plan import Plan, PlanStep
    from harness.pytest_session import Bout, StepReport
    from protocol.device import Device

GRACE_S = 60.0
"""After a step's deadline, for making safe, before pytest-timeout may act."""

_MARKERS = {
    "hazardous": "the step's plan puts a high voltage on the bench",
    "long": "the step takes more than a minute on the bench",
    "bus": "the step disturbs the bus or asks for what the breaker must refuse",
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options; `--bench` is what makes plans tests."""
    group = parser.getgroup("breakerbench", "test plans on a bench")
    group.addoption(
        "--bench",
        metavar="BENCH",
        help="A shipped bench's name or a bench file: collect test plans and run them on it.",
    )
    group.addoption("--bench-runs", metavar="FOLDER", default="runs", help="Folder for run records (default: runs).")
    group.addoption("--bench-seed", metavar="N", type=int, help="Seed of the simulated unit and its noise.")


def pytest_configure(config: pytest.Config) -> None:
    """Take part only where `--bench` was given."""
    if config.getoption("--bench") is not None:
        config.pluginmanager.register(BenchPlugin(config), "breakerbench-plans")


class BenchPlugin:
    """The plugin while it takes part."""

    def __init__(self, config: pytest.Config) -> None:
        """Read the bench file. Raises UsageError where that is no bench, or no bench for several workers."""
        from harness.files.marks import FileErrors
        from harness.pytest_session import open_spec

        for name, text in _MARKERS.items():
            config.addinivalue_line("markers", f"{name}: {text}")
        try:
            self.spec = open_spec(config.getoption("--bench"), config.getoption("--bench-seed"))
        except (FileErrors, KeyError) as error:
            raise pytest.UsageError(str(error.args[0]) if isinstance(error, KeyError) else str(error)) from None
        self._config = config
        self._bout: Bout | None = None
        self._files: set[Path] | None = None  # plan files below what the command line names
        self._troubles: list[str] = []
        self._folders: list[Path] = []
        if getattr(config.option, "numprocesses", None) or hasattr(config, "workerinput"):
            self._distribute(config)

    def _distribute(self, config: pytest.Config) -> None:
        """pytest-xdist: each worker has a simulated bench of its own, and a plan is one worker's, whole."""
        if not self.spec.simulated:
            raise pytest.UsageError(f"-n: {self.spec.name} is a real bench, and there is only one of it; leave -n out")
        if getattr(config.option, "dist", "no") not in ("no", "loadfile", "loadgroup", "each"):
            config.option.dist = "loadfile"

    # Collection

    @pytest.hookimpl(trylast=True)
    def pytest_collect_file(self, file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
        """A plan file: one that is named, or one in a folder that holds plans."""
        from harness.plan.plan import plan_files

        if self._files is None:
            folder = self._config.invocation_params.dir
            named = {folder / argument.partition("::")[0] for argument in self._config.args}
            self._files = {file.resolve() for path in named for file in plan_files(path)}
        if file_path.resolve() not in self._files:
            return None
        return PlanFile.from_parent(parent, path=file_path, plugin=self)

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Steps stand in their plan's order, plans of one device together; two plans of one name are refused."""
        steps = [item for item in items if isinstance(item, StepItem)]
        paths: dict[str, Path] = {}
        for item in steps:
            other = paths.setdefault(item.plan.name, item.path)
            if other != item.path:
                raise pytest.UsageError(
                    f"plan {item.plan.name!r} is in {other} and in {item.path}: give one another name"
                )
        devices = list(dict.fromkeys(item.plan.device for item in steps))
        plans = list(dict.fromkeys(item.plan.name for item in steps))
        steps.sort(key=lambda item: (devices.index(item.plan.device), plans.index(item.plan.name), item.index))
        items[:] = [*(item for item in items if not isinstance(item, StepItem)), *steps]

    # Running

    def report_of(self, item: StepItem) -> StepReport:
        """What the step of ``item`` came to, after all that has to come before it."""
        from harness.bench.instrument import InstrumentError
        from harness.bus.port import PortError
        from harness.pytest_session import Bout
        from harness.record.journal import JournalError

        if self._bout is not None and self._bout.device.digest != item.device.digest:
            self.leave()
        if self._bout is None:
            worker = os.environ.get("PYTEST_XDIST_WORKER", "")
            try:
                self._bout = Bout(self.spec, item.device, Path(self._config.getoption("--bench-runs")), worker)
            except (PortError, InstrumentError, JournalError) as error:
                pytest.exit(str(error), 5)
        return self._bout.report(item.plan, item.step, item.deadline_s)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_teardown(self, item: pytest.Item, nextitem: pytest.Item | None) -> None:
        """After a plan's last selected step, its clean-up; after the last of a device, a safe bench."""
        if self._bout is None or not isinstance(item, StepItem):
            return
        follows = nextitem if isinstance(nextitem, StepItem) else None
        if follows is None or follows.device.digest != item.device.digest:
            self.leave()
        elif follows.plan.name != item.plan.name:
            self._troubles += self._bout.finish(item.plan)
        troubles, self._troubles = self._troubles, []
        if troubles:
            raise StepFailed("\n".join(troubles))

    def pytest_sessionfinish(self) -> None:
        """Whatever ended the session."""
        self.leave()

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Where the records are, and what went wrong after the last test."""
        for line in self._troubles:
            terminalreporter.write_line(line, red=True)
        for folder in self._folders:
            terminalreporter.write_line(f"record: {folder}")

    def leave(self) -> None:
        """Make the bench safe and close it and its record. A second call does nothing."""
        bout, self._bout = self._bout, None
        if bout is not None:
            self._troubles += bout.close()
            self._folders.append(bout.folder)

    def pytest_report_header(self) -> list[str]:
        """The bench, and that it is a simulated one."""
        from harness.bench.simulated import MARK

        return [f"bench: {self.spec.name}, {self.spec.title}", *([MARK] if self.spec.simulated else [])]


class PlanFile(pytest.File):
    """A plan as a file of tests."""

    def __init__(self, *, plugin: BenchPlugin, **others: Any) -> None:
        super().__init__(**others)
        self._plugin = plugin

    def collect(self) -> Iterable[StepItem]:
        """Every step, clean-up included. Raises CollectError with everything that is wrong with the plan."""
        from harness.files.marks import FileErrors
        from harness.pytest_session import marks_of, plan_for

        try:
            plan, device = plan_for(self.path, self._plugin.spec)
        except FileErrors as errors:
            raise self.CollectError(str(errors)) from None
        marks = marks_of(plan, device)
        for index, step in enumerate(plan.places):
            name = f"{plan.name}/{step.name}"
            item = StepItem.from_parent(
                self, name=name, plugin=self._plugin, plan=plan, device=device, step=step, index=index
            )
            for mark in marks[step.name]:
                item.add_marker(mark)
            yield item


class StepItem(pytest.Item):
    """A step as a test."""

    def __init__(
        self, *, plugin: BenchPlugin, plan: Plan, device: Device, step: PlanStep, index: int, **others: Any
    ) -> None:
        super().__init__(**others)
        self._plugin = plugin
        self.plan = plan
        self.device = device
        self.step = step
        self.index = index
        self.deadline_s = _deadline_s(self.config)
        if self.deadline_s is not None:
            self.add_marker(pytest.mark.timeout(self.deadline_s + GRACE_S))

    def runtest(self) -> None:
        """Carry the step out. Raises StepFailed for a fail, StepBroken for an error and what is inconclusive."""
        report = self._plugin.report_of(self)
        self.user_properties += [("verdict", report.verdict), ("mark", report.mark)]
        self.user_properties += [("file", report.file), ("line", report.line)]
        for title, text in report.sections:
            self.add_report_section("call", title, text)
        if report.verdict == "not-run":
            pytest.skip(report.reason)
        if report.verdict != "pass":
            raise StepFailed(f"{report.where}: {report.verdict}: {report.reason}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """A step's own words; no internals of this program."""
        return str(excinfo.value) if isinstance(excinfo.value, StepFailed) else super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """Where the step stands: in the plan, or in the fragment that it comes from."""
        return Path(self.step.mark.path), self.step.mark.line - 1, self.name


class StepFailed(Exception):
    """A step that did not come to a pass: its place, its verdict, its reason."""


def _deadline_s(config: pytest.Config) -> float | None:
    """What pytest-timeout was told, in s; None where it is not there or was told nothing."""
    if not config.pluginmanager.hasplugin("timeout"):
        return None
    environment = os.environ.get("PYTEST_TIMEOUT")
    seconds = getattr(config.option, "timeout", None) or environment or config.getini("timeout") or 0
    return float(seconds) or None
