"""Writes the commented starter files of `ampworth new KIND FILE`.

Called by the command line only. It never overwrites a file.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal, get_args

from runner.errors import BadInput

Kind = Literal["bench", "module", "sequence", "inference", "service", "timer", "boot-service"]
_FILES: dict[str, str] = {
    "bench": "starter_bench.toml",
    "module": "starter_module.toml",
    "sequence": "starter_sequence.py",
    "inference": "starter_inference.toml",
    "service": "starter_run.service",
    "timer": "starter_run.timer",
    "boot-service": "starter_make_safe.service",
}


def starter_text(kind: Kind) -> str:
    """The text of a starter file."""
    return (Path(__file__).parent.parent / "examples" / _FILES[kind]).read_text("utf-8")


def write_starter(kind: Kind, path: str | Path) -> Path:
    """Write a starter to `path` and return it.

    Raises BadInput if something is there already, its folder is missing, or it cannot be
    written.
    """
    if kind not in _FILES:
        raise BadInput(f"found {kind!r}; allowed: {', '.join(get_args(Kind))}; choose one")
    path = Path(path)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(starter_text(kind))
    except FileExistsError:
        raise BadInput(f"{path}: exists already and is left as it is; give another name") from None
    except (FileNotFoundError, NotADirectoryError):
        raise BadInput(
            f"{path}: there is no folder {str(path.parent)!r}; make it first, or give another path"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            f"{str(path)!r}: cannot be written ({reason}); give a path you may write to"
        ) from None
    return path
