"""Put a simulated bench on loopback TCP sockets and pseudo-terminals, in real time.

Prints, or writes, the bench file that reaches it: run sequences on it from another
terminal, exactly as on real boxes. Ctrl-C ends it.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from pathlib import Path
from types import FrameType

EXAMPLES = """examples:
  ampworth sim serve demo --write-bench served_bench.toml
  ampworth run load_sweep --bench served_bench.toml --lines-v 24 --points 5 --soak no
  ampworth sim serve mast_bench.toml --module mast_module.toml --speed 60"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("action", choices=("serve",))
    parser.add_argument("bench", nargs="?", default="demo", help="a bench file (demo)")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument(
        "--write-bench", type=Path, metavar="FILE", help="write the bench file that reaches it"
    )
    parser.add_argument(
        "--host", default="127.0.0.1", help="address to bind; a served bench has no password"
    )
    parser.add_argument("--first-port", type=int, default=0, help="first of consecutive ports")
    parser.add_argument(
        "--speed", type=float, default=1.0, help="simulated seconds a second; heat goes as fast"
    )


def run(options: argparse.Namespace) -> int:
    """Build the bench, serve it, wait for Ctrl-C."""
    from runner.errors import BadInput
    from runner.files.pair import load_pair
    from runner.seam import simulated_bench
    from sim.serve import ServedBench

    pair = load_pair(options.bench, options.module)
    live = simulated_bench(*pair, real_time=True, speed=options.speed)
    try:
        served = ServedBench(live, options.host, options.first_port).start()
    except (OSError, OverflowError) as error:
        raise BadInput(
            f"--host {options.host} --first-port {options.first_port}: cannot be bound ({error}); "
            "choose an address of this machine and ports that are free"
        ) from error
    try:
        _announce(served_bench_file(pair.bench_path, served.addresses), options.write_bench)
        _wait_for_the_end()
    finally:
        served.stop()
    return 0


def served_bench_file(path: Path, addresses: dict[str, str]) -> str:
    """The bench file at `path`, its resources replaced by those that reach the served bench."""
    import tomlkit

    document = tomlkit.parse(path.read_text("utf-8"))
    document["visa"] = "pure-python"
    document.pop("simulation", None)
    for name, address in addresses.items():
        document["instruments"][name]["resource"] = address
    return tomlkit.dumps(document)


def _announce(text: str, target: Path | None) -> None:
    from runner.errors import StorageError

    if target is None:
        print(text, flush=True)
    else:
        try:
            target.write_text(text, "utf-8")
        except OSError as error:
            raise StorageError(f"--write-bench {target}: {error.strerror}") from error
        print(f"{target} written: ampworth run load_sweep --bench {target}", flush=True)
    print("serving in real time; Ctrl-C ends it", file=sys.stderr, flush=True)


def _wait_for_the_end() -> None:
    ended = threading.Event()

    def end(number: int, frame: FrameType | None) -> None:
        ended.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    while not ended.wait(3600.0):
        pass
