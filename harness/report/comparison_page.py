"""A comparison in words, as JSON values, and as one HTML page."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from harness.cautions import CAUTIONS
from harness.quantity import show
from harness.report.compare import Change, Comparison, Run
from harness.report.drift import FAMILY_RATE, Drift

HALF = 0.5
"""Of a band: a shift that a comparison should see."""


def headline(comparison: Comparison) -> str:
    """What it comes to, in one line."""
    if comparison.reasons:
        return "not comparable"
    number = comparison.regressions
    return "no regression" if not number else f"{number} {'regression' if number == 1 else 'regressions'}"


def sections(comparison: Comparison) -> list[tuple[str, list[str]]]:
    """Heading and lines of each kind of change that there is; the ones that speak against the new build first."""
    if comparison.reasons:
        return [("Why they are not comparable", list(comparison.reasons))]
    drifts = comparison.drifts
    found = [
        ("New fails", _changes(comparison.new_fails)),
        ("Drift", [drift_words(key, drifts[key]) for key in comparison.named]),
        ("Fault codes found by a step", _changes(comparison.codes)),
        ("Steps not judged any more", list(comparison.missing)),
        ("Coverage lost", list(comparison.lost_coverage)),
        ("Fixed", _changes(comparison.fixed)),
        ("Coverage gained", list(comparison.gained_coverage)),
        ("New steps", list(comparison.added)),
        ("Set-points asked for (their values are not tested for drift)", _changes(comparison.set_points)),
        ("Identity", _changes(comparison.identity)),
        ("Not tested for drift, since nothing says how well they repeat", comparison.untested),
    ]
    return [(heading, lines) for heading, lines in found if lines]


def notes(comparison: Comparison) -> list[str]:
    """What was tested, and how finely."""
    if comparison.reasons:
        return []
    tested = {key: each for key, each in comparison.drifts.items() if each.p is not None}
    before, after = comparison.bench_s
    lines = [f"bench time was {_seconds(before)}, is {_seconds(after)}"]
    if tested:
        rate = FAMILY_RATE / len(tested)
        blind = sum(each.seen_from(rate) > HALF for each in tested.values())
        lines.append(
            f"{len(tested)} values tested for drift, {FAMILY_RATE:.1%} chance that any is named where nothing moved;"
            f" of {len(tested) - blind} a shift of half a band is seen (99 %), {blind} would need more repeats for that"
        )
    return lines


def drift_words(key: str, drift: Drift) -> str:
    """One drift in a line: by how much of its band, from what to what."""
    before, after = show(drift.before, drift.unit), show(drift.after, drift.unit)
    return f"{key} moved by {drift.shift:+.2f} of its band, from {before} to {after} (p = {drift.p:.0e})"


def text(comparison: Comparison) -> str:
    """The whole comparison as plain lines."""
    lines = [comparison.mark] if comparison.mark else []
    lines += [f"before: {_side(comparison.before)}", f"after:  {_side(comparison.after)}"]
    for heading, entries in sections(comparison):
        lines += [f"{heading}:", *(f"  {entry}" for entry in entries)]
    return "\n".join([*lines, *notes(comparison), headline(comparison)]) + "\n"


def values(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain JSON values; shifts in widths of the band, NaN and infinity as null."""

    def changes(found: Sequence[Change]) -> list[dict[str, str]]:
        return [vars(change) for change in found]

    return {
        "type": "comparison",
        "mark": comparison.mark or None,
        "before": [str(run.folder) for run in comparison.before],
        "after": [str(run.folder) for run in comparison.after],
        "comparable": not comparison.reasons,
        "reasons": list(comparison.reasons),
        "exit_code": comparison.exit_code,
        "new_fails": changes(comparison.new_fails),
        "fixed": changes(comparison.fixed),
        "missing": list(comparison.missing),
        "added": list(comparison.added),
        "codes": changes(comparison.codes),
        "set_points": changes(comparison.set_points),
        "identity": changes(comparison.identity),
        "coverage": {"lost": list(comparison.lost_coverage), "gained": list(comparison.gained_coverage)},
        "bench_s": [_number(seconds) for seconds in comparison.bench_s],
        "family_rate": FAMILY_RATE,
        "named": list(comparison.named),
        "drifts": {
            key: {name: _number(value) for name, value in vars(each).items()} for key, each in comparison.drifts.items()
        },
    }


def page(comparison: Comparison) -> str:
    """The whole comparison as one self-contained HTML page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("harness.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    drifts = sorted(comparison.drifts.items(), key=lambda item: -abs(item[1].shift))
    return environment.get_template("comparison.html").render(
        comparison=comparison,
        cautions=CAUTIONS,
        headline=headline(comparison),
        sections=sections(comparison),
        notes=notes(comparison),
        sides=[("before", _side(comparison.before)), ("after", _side(comparison.after))],
        drifts=[(key, each, show(each.before, each.unit), show(each.after, each.unit)) for key, each in drifts],
    )


def _changes(found: Sequence[Change]) -> list[str]:
    return [f"{change.what}: {change.before} -> {change.after}" for change in found]


def _side(runs: Sequence[Run]) -> str:
    return "; ".join(_run(runs))


def _run(runs: Sequence[Run]) -> Iterator[str]:
    for run in runs:
        versions = [value for name, value in run.identity.items() if name.endswith("application_version")]
        started, version = run.about.get("started", "start not noted"), " and ".join(versions) or "no version read"
        yield f"{run.folder}, {started}, {version}"


def _seconds(seconds: float) -> str:
    return "not noted" if math.isnan(seconds) else f"{seconds:.1f} s"


def _number(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value
