"""What the README shows of the program, made by the program: sessions and column tables.

`python -m tests.readme` writes it into README.md; `test_readme.py` compares.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import tempfile
from pathlib import Path

from runner.cli.main import main
from runner.report import columns

README = Path(__file__).parent.parent / "README.md"
SESSION = (
    "ampworth check demo",
    "ampworth run load_sweep --out runs/first",
    "ampworth run derating --ambients-c 25,60 --lines-v 24 --out runs/hot",
)
MARKED = re.compile(r"<!-- (session|columns) ?(\w*) -->\n(?:(?!<!-- end -->).)*?<!-- end -->", re.S)


def expected(text: str) -> str:
    """The README with every marked part made anew."""
    return MARKED.sub(lambda match: _part(match[1], match[2]), text)


def _part(kind: str, name: str) -> str:
    if kind == "columns":
        table = columns.markdown_table(getattr(columns, name))
        return f"<!-- columns {name} -->\n{table}<!-- end -->"
    shown = "\n".join(f"$ {line}\n{output_of(line)}" for line in SESSION)
    return f"<!-- session -->\n```console\n{shown}```\n<!-- end -->"


def output_of(line: str) -> str:
    """Standard output of one command line, without blanks at line ends."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(shlex.split(line)[1:])
    if code:
        raise AssertionError(f"{line}: exit code {code}: {err.getvalue()}")
    return "\n".join(row.rstrip() for row in out.getvalue().splitlines()) + "\n"


def write() -> None:
    """Rewrite README.md."""
    text = README.read_text("utf-8")
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        README.write_text(expected(text), "utf-8")


if __name__ == "__main__":
    write()
