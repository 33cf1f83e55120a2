"""Run a run's sequence once more: on its own recorded wire, offline, or on another bench.

Offline this version gets the replies, times and keys of then: it says whether it sends the same
lines and computes the same outcomes and tables, with the first difference. Nothing is opened,
nothing is written into RUN. With --on the sequence and its parameters are run on another bench,
which is energised as by `run`, and the two runs are compared.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import AmpworthError, BadInput

if TYPE_CHECKING:
    from runner.replay.offline import Replayed
    from runner.run import Run

EXAMPLES = """examples:
  ampworth replay runs/first                                offline, on the recorded wire
  ampworth replay runs/first --sequence load_sweep          today's version of the sequence
  ampworth replay runs/first --on twin --out runs/twin      its boxes simulated, beside the first
  ampworth replay runs/first --on other_bench.toml --module other_module.toml"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, metavar="RUN", help="the run folder")
    parser.add_argument(
        "--sequence", metavar="NAME", help="another version of the sequence than the run's copy"
    )
    parser.add_argument(
        "--on",
        metavar="BENCH",
        help="run it on this bench file instead, on demo, or on twin: its own boxes, simulated",
    )
    parser.add_argument(
        "--module", metavar="FILE", help="with --on: another module file than the run's copy"
    )
    parser.add_argument(
        "--out", type=Path, metavar="FOLDER", help="keep the new run (with --on: ./runs/...)"
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Replay one way or the other."""
    if options.on is not None:
        return _run_elsewhere(options)
    if options.module is not None:
        raise BadInput(
            "ampworth replay: --module goes with --on; offline the run's own module file is used"
        )
    return _replay_offline(options)


def _replay_offline(options: argparse.Namespace) -> int:
    from runner.cli import streams
    from runner.replay.offline import replay

    told = replay(options.run, options.out, options.sequence)
    with streams.result():
        if options.json:
            print(json.dumps(_as_json(options.run, told), indent=2, ensure_ascii=False))
        else:
            _print(options.run, told)
    if told.exit_code:
        print(f"ampworth: {_verdict(told)}", file=sys.stderr)
    return told.exit_code


def _verdict(told: Replayed) -> str:
    if told.differences:
        kinds = ", ".join(difference.of for difference in told.differences)
        return f"differs ({kinds})"
    if told.until:
        return f"same as far as it goes: {told.until}"
    tables = " and tables" if told.tables else ""
    return f"same: this version sends the same lines and computes the same outcomes{tables}"


def _print(run: Path, told: Replayed) -> None:
    from runner.live.words import clock_text

    recorded, journals = told.recorded.run, told.journals
    print(f"run         {run}: {recorded['sequence']}, {recorded.get('started_utc', 'no date')}")
    print(f"verdict     {_verdict(told)}")
    print(
        f"compared    {told.lines} lines of the wire, {told.sent} of them sent; "
        f"{journals.outcomes} outcomes, {journals.samples} samples, {told.tables} tables"
    )
    print(
        f"replayed    {clock_text(journals.t_s)} (h:mm:ss) of the run in {told.took_s:.1f} s, "
        f"times apart by {1e3 * told.times_apart_s:.3g} ms at most"
    )
    for difference in told.differences:
        step = f", {difference.step}" if difference.step else ""
        print(f"difference  {difference.of}: {difference.where}{step}")
        print(f"  recorded  {difference.recorded}")
        print(f"  now       {difference.now}")
    for note in told.notes:
        print(f"note        {note}")


def _as_json(run: Path, told: Replayed) -> dict[str, Any]:
    journals = told.journals
    return {
        "run": str(run),
        "same": not told.differences,
        "until": told.until or None,
        "exit_code": told.exit_code,
        "lines": told.lines,
        "sent": told.sent,
        "outcomes": journals.outcomes,
        "samples": journals.samples,
        "tables": told.tables,
        "replayed_s": journals.t_s,
        "took_s": round(told.took_s, 3),
        "times_apart_s": told.times_apart_s,
        "differences": [asdict(difference) for difference in told.differences],
        "notes": list(told.notes),
    }


def _run_elsewhere(options: argparse.Namespace) -> int:
    """Run on another bench as `ampworth run` does, then lay the two runs over each other."""
    from runner.cli.compare import compare_and_show
    from runner.report.page import write_report

    done = _executed(options)
    code = done.ending.exit_code
    if code:
        print(f"ampworth: {done.ending.name}: {done.ending.message}", file=sys.stderr)
    try:
        write_report(done.folder)
        compare_and_show([options.run, done.folder], done.folder, as_json=options.json)
    except AmpworthError as error:
        if not code:
            raise
        print(f"ampworth: {error}", file=sys.stderr)
    return code


def _executed(options: argparse.Namespace) -> Run:
    from runner.attention import Attention
    from runner.cli.screen import screen
    from runner.cli.terminal import absence, terminal_at
    from runner.hand.person import check_asked, check_attended
    from runner.rehearsal import stage
    from runner.replay.offline import check_out, recorded_run, sequence_of
    from runner.run import execute, prepare

    recorded = recorded_run(options.run)
    check_out(options.run, options.out)
    sequence, values = sequence_of(recorded, options.sequence)
    inputs = options.run / "inputs"
    module, on_twin = options.module or str(inputs / "module.toml"), options.on == "twin"
    bench = str(inputs / "bench.toml") if on_twin else options.on
    attention = Attention()
    with attention.listening():
        job = prepare(sequence, values, bench, module, attention)
        job = stage(job) if on_twin else job
        absent = absence(unattended=False)
        check_attended(job.setup.bench, job.bench_path, absent)
        check_asked(job.plan.asks, job.sequence.name, absent)
        person = terminal_at(job.setup.bench) if job.asks else None
        for warning in job.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        with screen(job) as display:
            return execute(job, options.out, attention, display, person)
