"""Tells somebody how a run ended, by a command of theirs that the bench file names.

Called once the bench is safe: by the `run` command, and by the watchdog when the runner
died. The command gets one JSON object on its standard input. It is never waited for longer
than its time limit, and whatever it does is a note: it fails no run and delays no safe state.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
from pathlib import Path
from typing import Any, Literal

from runner.engine import Ending
from runner.files.bench_file import Notify

Event = Literal["end", "trip", "lost-contact", "not-begun"]
ON_POSIX = os.name == "posix"


def message(event: Event, run: Path | None, sequence: str, text: str) -> dict[str, Any]:
    """What the command is told; the rest is null where nobody knows it."""
    return {
        "event": event,
        "run": None if run is None else str(run.absolute()),
        "sequence": sequence,
        "ending": None,
        "message": text,
        "exit_code": None,
        "unconfirmed": None,
    }


def of_ending(run: Path, sequence: str, ending: Ending) -> dict[str, Any]:
    """The message of a run that has ended."""
    event: Event = "trip" if ending.name == "tripped" else "end"
    return message(event, run, sequence, ending.message) | {
        "ending": ending.name,
        "exit_code": ending.exit_code,
        "unconfirmed": list(ending.way.unconfirmed),
    }


def tell(notify: Notify | None, bench_path: Path, said: dict[str, Any]) -> str:
    """Run the command, if the bench file names one. Returns what went wrong, "" if nothing.

    Never raises. It runs in the bench file's folder, without a shell, in a session of its
    own; what it prints is not kept.
    """
    if notify is None:
        return ""
    name = notify.command[0]
    try:
        process = subprocess.Popen(
            notify.command,
            cwd=bench_path.absolute().parent,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:  # ValueError: a NUL in an argument
        reason = getattr(error, "strerror", None) or str(error)
        return f"notify.command {name!r} cannot be started: {reason}; nobody was told"
    try:
        process.communicate(json.dumps(said).encode(), notify.within_s)
    except subprocess.TimeoutExpired:
        _end(process)
        return f"notify.command {name!r} was not done within {notify.within_s:g} s and was ended"
    except OSError as error:
        _end(process)
        return f"notify.command {name!r} could not be told: {error.strerror}"
    if process.returncode:
        return f"notify.command {name!r} failed with exit code {process.returncode}"
    return ""


def _end(process: subprocess.Popen[bytes]) -> None:
    """End the command, and what it has started."""
    with contextlib.suppress(OSError):
        if ON_POSIX:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    with contextlib.suppress(subprocess.TimeoutExpired, OSError):
        process.wait(1.0)
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
