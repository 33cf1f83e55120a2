"""Judge the claims of a run's module, and say what the module is worth.

Each claim is a pass, a fail, inconclusive (nearer to its limit than the rule wants), not-comparable
(its conditions were not measured) or not-tested. Writes verdicts.csv and claims.svg into the run.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from runner.errors import BadInput

if TYPE_CHECKING:
    from runner.analysis.claims import JudgedClaim
    from runner.analysis.decision import Rule
    from runner.report.judged_run import JudgedRun
    from runner.report.summary import ShortTable

EXAMPLES = """examples:
  ampworth judge runs/first
  ampworth judge runs/hot --ambient-c 60                    what it is worth in a hot box
  ampworth judge runs/first --rule risk --risk-pct 2.5      at most 2.5 % wrong decisions
  ampworth judge runs/first --claims seller_module.toml --json

exit codes: 0 every claim passes, 8 at least one fails, 9 none fails but not every one passes"""

FAILS, UNDECIDED = 8, 9
WIDTH = 110


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, help="a run folder")
    parser.add_argument(
        "--rule",
        choices=("simple", "guard-band", "risk"),
        default="guard-band",
        help="decision rule by JCGM 106 (guard-band)",
    )
    parser.add_argument(
        "--guard", type=float, metavar="R", help="guard band as a multiple of U (1.0)"
    )
    parser.add_argument(
        "--risk-pct", type=float, metavar="PCT", help="risk of a wrong decision [%%] (5)"
    )
    parser.add_argument(
        "--ambient-c",
        type=float,
        action="append",
        default=[],
        metavar="C",
        help="tell the worth at this ambient [°C]; may be repeated",
    )
    parser.add_argument(
        "--claims", type=Path, metavar="FILE", help="judge the claims of this module file instead"
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Judge, write both files, show the verdicts."""
    from runner.cli import streams
    from runner.report.judged_run import judge_run
    from runner.report.verdicts import write_verdicts

    rule = _rule(options)
    judged = judge_run(options.run, rule, _claims(options), _ambients_c(options))
    written = write_verdicts(judged, options.run)
    with streams.result():
        if options.json:
            print(json.dumps(_as_json(judged, written), indent=2, ensure_ascii=False))
        else:
            _show(judged, written)
    return _exit_code(judged)


def _exit_code(judged: JudgedRun) -> int:
    verdicts = [claim.verdict for claim in judged.claims]
    if "fail" in verdicts:
        return FAILS
    return 0 if verdicts and set(verdicts) == {"pass"} else UNDECIDED


# ------------------------------------------------------------------------------- options


def _rule(options: argparse.Namespace) -> Rule:
    from runner.analysis.decision import Rule

    guard, risk_pct = options.guard, options.risk_pct
    if guard is not None and options.rule != "guard-band":
        raise BadInput(f"--guard {guard:g}: belongs to --rule guard-band, found {options.rule!r}")
    if risk_pct is not None and options.rule != "risk":
        raise BadInput(f"--risk-pct {risk_pct:g}: belongs to --rule risk, found {options.rule!r}")
    if guard is not None and not 0.0 <= guard <= 10.0:
        raise BadInput(f"--guard: found {guard!r}; allowed: 0 to 10 times U; 1 is usual")
    if risk_pct is not None and not 0.0 < risk_pct < 50.0:
        raise BadInput(
            f"--risk-pct: found {risk_pct!r}; allowed: above 0 and below 50 %; 5 is usual"
        )
    return Rule(
        options.rule,
        1.0 if guard is None else guard,
        0.05 if risk_pct is None else risk_pct / 100.0,
    )


def _ambients_c(options: argparse.Namespace) -> list[float]:
    for ambient_c in options.ambient_c:
        if not -50.0 <= ambient_c <= 300.0:
            raise BadInput(f"--ambient-c: found {ambient_c!r}; allowed: -50 to 300 °C")
    ambients: list[float] = options.ambient_c
    return ambients


def _claims(options: argparse.Namespace) -> list[dict[str, Any]] | None:
    """The claims of another module file, which has to be set to the same output."""
    if options.claims is None:
        return None
    from runner.files.module_file import load_module_file
    from runner.run_folder import read_summary

    module = load_module_file(options.claims)
    measured_v = read_summary(options.run)["module"]["vout_set_v"]
    if abs(module.vout_set_v - measured_v) > 1e-6:
        raise BadInput(
            f"{options.claims}: vout_set_v: found {module.vout_set_v!r}; allowed: {measured_v!r}, "
            "which the module of the run was set to; claims on another output cannot be judged"
        )
    claims: list[dict[str, Any]] = module.model_dump(mode="json")["claims"]
    return claims


# ------------------------------------------------------------------------------- showing


def _show(judged: JudgedRun, written: dict[str, Path]) -> None:
    from runner.cli.result import print_table
    from runner.report.verdicts import headline

    print(headline(judged))
    print(f"rule: {judged.rule.words}")
    for note in _notes(judged):
        print(note)
    print()
    for table in (_worths(judged), _verdicts(judged)):
        if table.rows:
            print_table(table)
    for claim in judged.claims:
        _explain(claim)
    print()
    for path in written.values():
        print(path)


def _notes(judged: JudgedRun) -> list[str]:
    notes = []
    if judged.drift is not None:
        notes.append(
            f"DRIFT: the loss of the reference point moved by {1e3 * judged.drift.rest_w:+.0f} mW, "
            "unexplained by heat: every loss is as uncertain as that, or void"
        )
    end = judged.record.end
    if end is None or end["ending"] != "done":
        notes.append(f"the run ended early: {end['message'] if end else 'its journal has no end'}")
    uncorrected = [
        n for n, source in judged.case.evidence.sources.items() if source == "uncorrected"
    ]
    if uncorrected:
        notes.append(
            f"{', '.join(uncorrected)} uncorrected: leads of unknown resistance are in it, and the "
            "worth is that of module and leads"
        )
    if not judged.claims:
        notes.append("the module file states no claims: nothing was judged")
    return notes


def _worths(judged: JudgedRun) -> ShortTable:
    from runner.report.summary import ShortTable
    from runner.report.verdicts import basis_words, limited_by, worth_words

    header = ("ambient °C", "line V", "worth", "limited by", "basis")
    rows = tuple(
        (
            f"{one.ambient_c:g}",
            f"{one.line_v:g}",
            worth_words(one),
            limited_by(one),
            basis_words(one),
        )
        for one in judged.worths
    )
    return ShortTable("Greatest continuous load (U for 95 %)", header, rows)


def _verdicts(judged: JudgedRun) -> ShortTable:
    from runner.report.summary import ShortTable

    header = ("", "claim", "at", "verdict", "measured", "claimed", "margin", "conforms")
    rows = tuple(_verdict_row(claim) for claim in judged.claims)
    return ShortTable("Verdicts (U for 95 %)", header, rows)


def _explain(claim: JudgedClaim) -> None:
    decisive = claim.decisive
    texts = [decisive.reason, *decisive.part.notes, claim.count]
    text = "; ".join(text for text in texts if text)
    lead = f"{claim.number:>3}  "
    print(fill(f"{claim.verdict}: {text}", WIDTH, initial_indent=lead, subsequent_indent="     "))


def _verdict_row(claim: JudgedClaim) -> tuple[str, ...]:
    from runner.report.verdicts import tolerance_words, with_u

    part, decision = claim.decisive.part, claim.decisive.decision
    claimed = tolerance_words(part.tolerance, part.unit) if part.tolerance else ""
    measured = margin = conforms = "-"
    if decision is not None:
        value, u = with_u(decision.value, decision.expanded_u)
        measured = f"{value} ± {u} {part.unit}"
        in_u = decision.margin_in_u
        margin = "-" if in_u is None else f"{in_u:+.1f} U"
        conforms = f"{100.0 * decision.probability:.1f} %"
    return (
        str(claim.number),
        claim.claim["about"],
        part.conditions,
        claim.verdict,
        measured,
        claimed,
        margin,
        conforms,
    )


# ---------------------------------------------------------------------------------- JSON


def _as_json(judged: JudgedRun, written: dict[str, Path]) -> dict[str, Any]:
    from runner.report.columns import VERDICTS
    from runner.report.verdicts import basis_words, headline, verdict_rows

    names = [column.name for column in VERDICTS]
    rows = [dict(zip(names, row, strict=True)) for row in verdict_rows(judged)]
    return {
        "headline": headline(judged),
        "rule": judged.rule.words,
        "notes": _notes(judged),
        "worth": [
            {
                "line_v": one.line_v,
                "ambient_temp_c": one.ambient_c,
                "iout_max_a": one.iout_a,
                "expanded_u_a": one.expanded.expanded_u if one.expanded else None,
                "k": one.expanded.k if one.expanded else None,
                "limited_by": one.derated.greatest.limited_by if one.derated.greatest else None,
                "basis": one.derated.basis,
                "basis_words": basis_words(one),
            }
            for one in judged.worths
        ],
        "claims": [
            {
                "claim": claim.number,
                "about": claim.claim["about"],
                "verdict": claim.verdict,
                "reason": claim.decisive.reason,
            }
            for claim in judged.claims
        ],
        "verdicts": rows,
        "written": {name: str(path) for name, path in written.items()},
    }
