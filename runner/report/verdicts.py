"""Writes verdicts.csv and claims.svg of a judged run, and says the headline in words.

Called by `ampworth judge`; the same journal, claims and rule give the same bytes. Computes no
figure of its own; it must not print.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor, log10
from pathlib import Path
from typing import Any

from runner.analysis.claims import JudgedClaim, JudgedPart, points_of
from runner.analysis.decision import Tolerance
from runner.analysis.derating import MEASURED_WITHIN_K
from runner.analysis.worth import Worth
from runner.report.claims_plot import claims_plot
from runner.report.columns import VERDICTS
from runner.report.files import replacing, write_rows
from runner.report.judged_run import JudgedRun

VERDICTS_FILE, CLAIMS_PLOT_FILE = "verdicts.csv", "claims.svg"

LIMITED_BY = {
    "hot-spot": "the hot spot",
    "case": "the case",
    "capacitor": "the capacitor",
    "output-tolerance": "the output tolerance",
    "current-limit": "its current limit",
    "module-limit": "the module file's iout_max_a",
    "derating-rule": "the module file's derating rule",
    "bench": "what this bench draws",
}
DIGITS = 2
"""Significant digits of an uncertainty, JCGM 100:2008, 7.2.6."""


def write_verdicts(judged: JudgedRun, run: Path) -> dict[str, Path]:
    """Write both files into the run folder anew. Raises StorageError."""
    verdicts, plot = run / VERDICTS_FILE, run / CLAIMS_PLOT_FILE
    write_rows(verdicts, VERDICTS, verdict_rows(judged))
    with replacing(plot) as file:
        file.write(claims_plot(judged))
    return {VERDICTS_FILE: verdicts, CLAIMS_PLOT_FILE: plot}


def verdict_rows(judged: JudgedRun) -> Iterator[list[Any]]:
    """One row a part of each claim, in the order of `columns.VERDICTS`."""
    for claim in judged.claims:
        for part in claim.parts:
            yield _row(judged, claim, part)


def _row(judged: JudgedRun, claim: JudgedClaim, judged_part: JudgedPart) -> list[Any]:
    part, decision = judged_part.part, judged_part.decision
    accepted = decision.accepted if decision else None
    tolerance = part.tolerance
    return [
        judged.record.run["run_id"],
        judged.record.module.get("unit"),
        claim.number,
        claim.claim["about"],
        claim.claim.get("source"),
        part.what,
        part.conditions,
        judged_part is claim.decisive,
        judged_part.verdict,
        judged.rule.words,
        decision and decision.value,
        part.unit or None,
        decision and decision.expanded_u,
        decision and decision.k,
        tolerance and tolerance.least,
        tolerance and tolerance.most,
        accepted and accepted.least,
        accepted and accepted.most,
        decision and decision.margin,
        decision and decision.margin_in_u,
        decision and decision.probability,
        ";".join(map(str, points_of(judged_part))) or None,
        "; ".join(part.notes) or None,
        judged_part.reason,
    ]


# --------------------------------------------------------------------------- in words


def headline(judged: JudgedRun) -> str:
    """What the module is worth, at the hottest ambient asked for and the line that is worst."""
    rated = f"rated {judged.case.rated_a:g} A"
    known = [worth for worth in judged.worths if worth.iout_a is not None]
    if not known:
        return f"{rated}; worth: no figure, {judged.no_worth or _refused(judged.worths[0])}"
    hottest_c = max(worth.ambient_c for worth in known)
    least = min(
        (worth for worth in known if worth.ambient_c == hottest_c),
        key=lambda worth: worth.iout_a or 0.0,
    )
    return (
        f"{rated}; worth {worth_words(least)} at {least.ambient_c:g} °C and {least.line_v:g} V, "
        f"limited by {limited_by(least)} ({basis_words(least)})"
    )


def worth_words(worth: Worth) -> str:
    """The load and its expanded uncertainty for 95 %."""
    if worth.iout_a is None:
        return "no figure"
    expanded = worth.expanded
    if expanded is None:
        return f"{worth.iout_a:.2f} A (no uncertainty: an accuracy is not stated)"
    value, u = with_u(worth.iout_a, expanded.expanded_u)
    return f"{value} ± {u} A"


def limited_by(worth: Worth) -> str:
    """What limits it, in words."""
    return LIMITED_BY[worth.derated.greatest.limited_by] if worth.derated.greatest else ""


def basis_words(worth: Worth) -> str:
    """Measured, or in which way it goes beyond what was soaked."""
    derated = worth.derated
    if derated.basis == "measured":
        return "measured"
    if derated.basis == "refused":
        return _refused(worth)
    beyond = []
    if derated.extrapolation_k > MEASURED_WITHIN_K:
        beyond.append(f"{derated.extrapolation_k:.0f} K from the nearest ambient soaked at")
    if {"ABOVE_SOAKED_LOADS", "BELOW_SOAKED_LOADS"} & set(derated.flags):
        least_a, most_a = derated.line.soaked_loads_a
        reach = f"{least_a:.2g} to {most_a:.2g}" if most_a - least_a > 0.05 else f"{most_a:.2g}"
        beyond.append(f"beyond the soaks at {reach} A")
    if not derated.line.soaked_here:
        beyond.append("not soaked at this line")
    return "extrapolated: " + ", ".join(beyond)


def _refused(worth: Worth) -> str:
    if worth.derated.line.losses is None:
        return "fewer than three loads at this line"
    return f"{worth.derated.extrapolation_k:.0f} K from the nearest ambient soaked at"


def with_u(value: float, expanded_u: float) -> tuple[str, str]:
    """A value and its uncertainty to the same decimals, two significant digits of the latter."""
    if expanded_u <= 0.0:
        return f"{value:.6g}", "0"
    decimals = max(0, DIGITS - 1 - floor(log10(expanded_u)))
    rounded = ceil(expanded_u * 10.0**decimals - 0.05) / 10.0**decimals  # up, but 2.304 is 2.3
    return f"{round(value, decimals) + 0.0:.{decimals}f}", f"{rounded:.{decimals}f}"


def tolerance_words(tolerance: Tolerance, unit: str) -> str:
    """A claimed limit, as a person writes it."""
    least, most = tolerance.least, tolerance.most
    if least is not None and most is not None:
        if least == -most:
            return f"± {most:g} {unit}"
        return f"{least:g} to {most:g} {unit}"
    return f"at least {least:g} {unit}" if least is not None else f"at most {most:g} {unit}"
