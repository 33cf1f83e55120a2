"""The systemd units that ship: their keys, and what they do when the runner is killed."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
from collections import defaultdict
from pathlib import Path
from typing import Literal

import pytest

from runner import watchdog
from runner.errors import NotSafe, Stopped, Tripped
from runner.files.starters import starter_text
from runner.safe import GONE_WITHIN_S

UnitKind = Literal["service", "timer", "boot-service"]
FILES: dict[UnitKind, str] = {
    "service": "ampworth-run.service",
    "timer": "ampworth-run.timer",
    "boot-service": "ampworth-make-safe.service",
}


def keys(kind: UnitKind) -> dict[str, list[str]]:
    """Every key of a unit with its values, as systemd.syntax(7) writes them."""
    found: dict[str, list[str]] = defaultdict(list)
    for line in starter_text(kind).splitlines():
        if line and line[0] not in "#;[":
            key, _, value = line.partition("=")
            found[key].append(value)
    return found


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_finds_nothing_wrong_with_them(tmp_path: Path) -> None:
    command = tmp_path / "ampworth"
    command.write_text("#!/bin/sh\n", "utf-8")
    command.chmod(stat.S_IRWXU)
    for kind, name in FILES.items():
        text = starter_text(kind).replace("/opt/ampworth/bin/ampworth", str(command))
        (tmp_path / name).write_text(text, "utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", *(str(tmp_path / name) for name in FILES.values())],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"SYSTEMD_LOG_LEVEL": "warning"},
    )
    assert done.returncode == 0 and done.stderr == ""


def test_the_watchdog_outlives_the_runner_in_its_control_group() -> None:
    """systemd.kill(5): `mixed` sends SIGTERM to the main process and SIGKILL to all the others,
    at once where the main process is dead already; `control-group` sends SIGTERM to each, which
    the watchdog ignores, and SIGKILL after TimeoutStopSec only.
    """
    unit = keys("service")
    assert unit["KillMode"] == ["control-group"]
    assert unit["KillSignal"] == ["SIGTERM"]
    longest_s = 2 * GONE_WITHIN_S + watchdog.LONGEST_TRY_S
    assert float(unit["TimeoutStopSec"][0]) > longest_s


def test_nothing_restarts_by_itself() -> None:
    assert keys("service")["Restart"] == keys("boot-service")["Restart"] == ["no"]
    assert keys("timer")["Persistent"] == ["false"]


def test_a_trip_or_an_output_left_on_is_a_failure_and_a_stop_is_none() -> None:
    success = {int(code) for code in keys("service")["SuccessExitStatus"][0].split()}
    assert success == {Stopped.exit_code}
    assert not success & {Tripped.exit_code, NotSafe.exit_code}


def test_the_run_waits_for_a_bench_that_was_made_safe() -> None:
    unit, boot = keys("service"), keys("boot-service")
    assert (
        FILES["boot-service"] in unit["Requires"][0] and FILES["boot-service"] in unit["After"][0]
    )
    assert (boot["Type"], boot["RemainAfterExit"]) == (["oneshot"], ["yes"])
    assert "make-safe" in boot["ExecStart"][0]
    assert "--unattended" in unit["ExecStart"][0]


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell")
def test_make_safe_follows_a_killed_run_and_not_one_that_found_the_bench_in_use() -> None:
    """systemd.exec(5): EXIT_CODE is `exited`, `killed` or `dumped` in ExecStopPost."""
    (command,) = keys("service")["ExecStopPost"]
    shell = command.removeprefix("/bin/sh -c ").strip("'").replace("$$", "$")
    shell = shell.replace("exec /opt/ampworth/bin/ampworth", "echo")
    for how, expected in (("exited", ""), ("killed", "make-safe mast_bench.toml\n")):
        done = subprocess.run(
            ["/bin/sh", "-c", shell], env={"EXIT_CODE": how}, capture_output=True, text=True
        )
        assert (done.stdout, done.returncode) == (expected, 0)
