"""A stop request: a file in the run folder, which the runner looks for.

Written by `ampworth stop` and by the page; from any machine that may write there. What
came of it is read from the journal, where the runner says that it reached the safe state.
"""

from __future__ import annotations

import contextlib
import json
import os

from runner.attention import STOP_FILE
from runner.clock import Clock, WallClock, stamp
from runner.errors import BadInput, NotSafe, StorageError
from runner.live.state import Watched

LOOK_EVERY_S = 0.2
SILENT_S = 60.0
"""How long the runner may take to say that it ended [s]: its way out reads back for 40 s."""


def ask_to_stop(watched: Watched, who: str) -> None:
    """Put the request into the folder, whole at once. Raises BadInput if the run has ended.

    Raises StorageError when the folder cannot be written from here.
    """
    end = watched.state.end
    if end is not None:
        raise BadInput(
            f"{watched.folder}: this run has ended already ({end['ending']}: {end['message']}); "
            "there is nothing to stop"
        )
    target = watched.folder / STOP_FILE
    draft = watched.folder / f".{STOP_FILE}.{os.getpid()}.new"
    request = json.dumps({"who": who, "utc": stamp(WallClock().utc())}) + "\n"
    try:
        draft.write_text(request, "utf-8")
        draft.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
        raise StorageError(
            f"{target}: the request cannot be written: {error.strerror}; stop the run at the bench "
            "(Ctrl-C there), or switch the supply off by hand"
        ) from error


def await_safe(watched: Watched, clock: Clock, at_most_s: float = SILENT_S) -> None:
    """Follow the run until it has ended in its safe state.

    Raises NotSafe when an output could not be confirmed off, or nothing is heard in time.
    """
    end_s = clock.now_s() + at_most_s
    while watched.state.end is None:
        for _ in watched.records():
            pass
        if watched.state.end is None and clock.now_s() >= end_s:
            raise NotSafe(
                f"{watched.folder}: the runner did not answer within {at_most_s:g} s; its last "
                f"record is of {watched.state.utc or 'never'}. The request stays in the folder. "
                "Does the runner live? If not, take the outputs as on: switch the supply off by "
                "hand, then the load"
            )
        clock.sleep(LOOK_EVERY_S)
    safe = watched.state.safe
    if safe is None or not safe["confirmed"]:
        raise NotSafe(str(watched.state.end["message"]))
