"""Has the bench file's command tell how a run went; what goes wrong there is a note.

Called by the commands that run something, once the bench is safe.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.errors import InstrumentError
from runner.errors import AmpworthError, BadInput
from runner.files.bench_file import load_bench_file
from runner.files.toml_file import resolve
from runner.notify import message, of_ending, tell
from runner.run import Job, Run


def tell_the_ending(job: Job, done: Run) -> None:
    """Have the bench file's command tell how a run ended; what goes wrong there is a note."""
    said = of_ending(done.folder, job.sequence.name, done.ending)
    _note(tell(job.setup.bench.notify, job.bench_path, said))


@contextmanager
def told_if_not_begun(unattended: bool, bench: str, sequence: str) -> Iterator[None]:
    """An unattended run that is refused is told as well: nobody reads its terminal."""
    try:
        yield
    except (AmpworthError, InstrumentError) as error:
        if unattended:
            _tell_not_begun(bench, sequence, error)
        raise


def _tell_not_begun(bench: str, sequence: str, error: AmpworthError | InstrumentError) -> None:
    try:
        path = resolve(bench, "bench")
        notify = load_bench_file(path).notify
    except BadInput:  # a bench file that cannot be read names no command
        return
    said = message("not-begun", None, sequence, str(error)) | {"exit_code": error.exit_code}
    _note(tell(notify, path, said))


def _note(text: str) -> None:
    if text:
        print(f"note: {text}", file=sys.stderr)
