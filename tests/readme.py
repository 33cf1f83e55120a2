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
from runner.files.toml_file import resolve
from runner.report import columns

README = Path(__file__).parent.parent / "README.md"
SESSIONS = {
    "first": (
        "ampworth check demo",
        "ampworth run load_sweep --out runs/first",
        "ampworth run derating --ambients-c 25,60 --lines-v 24 --out runs/hot",
    ),
    "rehearse": ("ampworth rehearse load_sweep --points 9",),
    "judge": ("ampworth judge runs/hot --ambient-c 60",),
    "infer": (
        "ampworth new inference mast_readings.toml",
        "ampworth infer mast_readings.toml",
    ),
    "compare": ("ampworth compare runs/bare runs/schottky --out runs/price",),
}
"""What each marked session types, in the order of the README."""
MAY_END = {"judge": (0, 8, 9)}
MARKED = re.compile(
    r"<!-- (session|columns|example) (\w+) -->\n(?:(?!<!-- end -->).)*?<!-- end -->", re.S
)


def expected(text: str) -> str:
    """The README with every marked part made anew."""
    return MARKED.sub(lambda match: _part(match[1], match[2]), text)


def _part(kind: str, name: str) -> str:
    if kind == "columns":
        table = columns.markdown_table(getattr(columns, name))
        return f"<!-- columns {name} -->\n{table}<!-- end -->"
    if kind == "example":
        return f"<!-- example {name} -->\n```toml\n{demo_table(name)}```\n<!-- end -->"
    if name == "compare":
        run_with_and_without_a_diode()
    shown = "\n".join(f"$ {line}\n{output_of(line)}" for line in SESSIONS[name])
    return f"<!-- session {name} -->\n```console\n{shown}```\n<!-- end -->"


def demo_table(name: str) -> str:
    """A table of the demo module or bench file as it stands there, comments and all."""
    path = resolve("demo", "module") if name == "twin" else resolve("demo", "bench")
    text = path.read_text("utf-8")
    return text[text.index(f"[{name}]") :].rstrip() + "\n"


def run_with_and_without_a_diode() -> None:
    """The two runs that the README's comparison compares."""
    text = resolve("demo", "module").read_text("utf-8")
    Path("schottky.toml").write_text(text.replace('kind = "none"', 'kind = "schottky"'), "utf-8")
    for claimed in resolve("demo", "module").parent.glob("*.csv"):
        Path(claimed.name).write_bytes(claimed.read_bytes())
    quick = "ampworth run load_sweep --lines-v 24 --points 5"
    output_of(f"{quick} --out runs/bare")
    output_of(f"{quick} --module schottky.toml --out runs/schottky")


def output_of(line: str) -> str:
    """Standard output of one command line, without blanks at line ends."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(shlex.split(line)[1:])
    if code not in MAY_END.get(shlex.split(line)[1], (0,)):
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
