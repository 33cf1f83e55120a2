"""Say what a bench with less than full instruments can tell: current, power, efficiency.

FILE holds what was read and what is known of resistors, leads and meters. Nothing is
switched or measured; what rests on an assumption is shown apart.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.analysis.inference import Result
    from runner.analysis.next_measurement import Prospect
    from runner.infer import Inference

EXAMPLES = """examples:
  ampworth new inference mast_readings.toml        a commented file to change
  ampworth infer mast_readings.toml
  ampworth infer mast_readings.toml --json"""

WIDTH = 96
MOST_PROSPECTS = 4


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("file", help="an inference file")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Reconcile what the file knows and show what follows."""
    from runner.infer import infer_file

    inference = infer_file(options.file)
    if options.json:
        print(json.dumps(_as_json(inference), indent=2, ensure_ascii=False))
    else:
        _show(inference)
    return 0


def _show(inference: Inference) -> None:
    from runner import infer_words as words

    findings = inference.findings
    print(inference.file.name)
    holds = findings.consistency.agree is not False
    _heading(
        "MEASURED, or derived from measured values alone"
        if holds
        else "VOID: the readings contradict each other (see below)"
    )
    _table(findings.results)
    if findings.inferred:
        _heading("RESTS ON AN ASSUMPTION: not measured, proves nothing, enters no verdict")
        _table(findings.inferred)
    if findings.undetermined:
        _heading("NOT DETERMINED")
        for situation, quantity in findings.undetermined:
            print(f"  {situation}: {words.LABELS[quantity][0]}")
    _section("DO THE READINGS AGREE?", words.agreement(findings))
    _section("ASSUMPTIONS", words.assumptions(inference))
    _section("WHAT THIS DECIDES", words.decisions(inference))
    _next(inference)
    _section("CAUTION", words.cautions(inference))


def _table(results: Iterable[Result]) -> None:
    from runner.infer_words import LABELS, interval_text, value_and_u

    before = None
    for result in results:
        if result.situation != before:
            before = result.situation
            print(f"  {before:<18}{'value':>9} {'U (k = 2)':>12}      {'95 % interval':<20}")
        label, unit, _ = LABELS[result.quantity]
        value, u = value_and_u(result)
        interval = f"{interval_text(result)} {unit}"
        print(f"    {label:<16}{value:>9} ± {u:<6} {unit:<5}   {interval:<22}{result.provenance}")


def _next(inference: Inference) -> None:
    from runner.infer_words import prospect_words

    _heading("WHICH MEASUREMENT NEXT? (planned, U with k = 2)")
    for ahead in inference.prospects:
        print(f"  {ahead.situation}")
        print(f"    now: {_planned(ahead.now)}")
        if not ahead.better:
            print("    no further measurement listed here would make the efficiency better known")
        for place, prospect in enumerate(ahead.better[:MOST_PROSPECTS], start=1):
            _wrapped(f"{place}. {prospect_words(prospect)}", "    ")
            print(f"       then: {_planned(prospect)}")


def _planned(prospect: Prospect) -> str:
    efficiency = _doubt(prospect.efficiency_u, 100.0, "points")
    return f"efficiency {efficiency}, output current {_doubt(prospect.iout_u_a, 1.0, 'A')}"


def _doubt(u: float | None, factor: float, unit: str) -> str:
    return "not determined" if u is None else f"± {2.0 * factor * u:#.2g} {unit}"


def _heading(text: str) -> None:
    print(f"\n{text}")


def _section(title: str, lines: Iterable[str]) -> None:
    lines = list(lines)
    if lines:
        _heading(title)
    for line in lines:
        _wrapped(line.lstrip(), "    " if line.startswith(" ") else "  ")


def _wrapped(text: str, indent: str) -> None:
    from textwrap import fill

    print(fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent))


# ------------------------------------------------------------------------------- JSON


def _as_json(inference: Inference) -> dict[str, Any]:
    from dataclasses import asdict

    from runner import infer_words as words

    findings = inference.findings
    return {
        "name": inference.file.name,
        "coverage_factor": 2,
        "results": [_result(result) for result in findings.results],
        "rests_on_an_assumption": [_result(result) for result in findings.inferred],
        "not_determined": [list(pair) for pair in findings.undetermined],
        "consistency": asdict(findings.consistency),
        "impossible": [result.situation for result in findings.impossible],
        "assumptions": [
            {**asdict(check), "agrees": check.agrees} for check in findings.assumptions
        ],
        "next": [
            {
                "situation": ahead.situation,
                "now": _prospect(ahead.now),
                "better": [_prospect(prospect) for prospect in ahead.better],
            }
            for ahead in inference.prospects
        ],
        "says": [
            line.strip()
            for lines in (
                words.agreement(findings),
                words.assumptions(inference),
                words.decisions(inference),
                words.cautions(inference),
            )
            for line in lines
        ],
    }


def _result(result: Result) -> dict[str, Any]:
    from dataclasses import asdict

    return {**asdict(result), "expanded_u": result.expanded_u}


def _prospect(prospect: Prospect) -> dict[str, Any]:
    return {
        "measure": [candidate.name for candidate in prospect.candidates],
        "accuracy": [candidate.accuracy for candidate in prospect.candidates],
        "efficiency_u": prospect.efficiency_u,
        "iout_u_a": prospect.iout_u_a,
    }
