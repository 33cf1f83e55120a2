"""Serve the run folders below ARCHIVE as a web page: what runs, how it goes, and Stop.

It reads journals; the runner neither knows nor needs it. On loopback it is open to this
machine; on any other address a token is wanted: one is made and shown, or read from a file.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

EXAMPLES = """examples:
  ampworth page runs
  ampworth page /mnt/bench/runs --host 192.0.2.7 --name bench.lab.example --token-file page.token"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("archive", type=Path, help="a folder with run folders in it")
    parser.add_argument("--host", default="127.0.0.1", help="address to bind (127.0.0.1)")
    parser.add_argument("--port", type=int, default=8417, help="port to bind (8417)")
    parser.add_argument(
        "--name",
        action="append",
        default=[],
        help="a name browsers reach it by, besides its address; may be given more than once",
    )
    parser.add_argument("--token-file", type=Path, metavar="FILE", help="a file with the token")


def run(options: argparse.Namespace) -> int:
    """Serve until Ctrl-C."""
    from runner.live.guard import LOOPBACK_NAMES
    from runner.live.serving import bind, server

    token = _token(options.token_file, needed=options.host.lower() not in LOOPBACK_NAMES)
    listening = bind(options.host, options.port)
    try:
        serving = server(options.archive, options.host, listening, options.name, token)
        host = f"[{options.host}]" if ":" in options.host else options.host
        print(f"http://{host}:{listening.getsockname()[1]}/", flush=True)
        print("serving; Ctrl-C ends it, the runs go on", file=sys.stderr, flush=True)
        serving.run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()
    return 0


def _token(file: Path | None, *, needed: bool) -> str | None:
    from secrets import token_urlsafe

    from runner.errors import BadInput
    from runner.live.guard import LEAST_TOKEN

    if file is None:
        if not needed:
            return None
        token = token_urlsafe(24)
        print(f"token: {token}", file=sys.stderr, flush=True)
        return token
    try:
        token = file.read_text("utf-8").strip()
    except (OSError, ValueError) as error:
        raise BadInput(f"--token-file {file}: cannot be read ({error})") from error
    if len(token) < LEAST_TOKEN or not token.isprintable() or " " in token:
        raise BadInput(
            f"--token-file {file}: found {len(token)} characters, allowed are {LEAST_TOKEN} or "
            "more in one line without a space; leave the option out and one is made"
        )
    return token
