"""Which limits a run is watched by: the stricter of two files, else the stated default."""

from __future__ import annotations

from typing import Any

import pytest

from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.files.toml_file import read, resolve
from runner.interlocks import Least, Limit
from runner.limits import interlocks, leasts, rises_after_s

BENCH = read(resolve("demo", "bench"))
MODULE = {key: value for key, value in read(resolve("demo", "module")).items() if key != "twin"}


def files(
    bench: dict[str, Any] | None = None, module: dict[str, Any] | None = None
) -> tuple[BenchFile, ModuleFile]:
    """The demo files with more in their [limits]."""
    bench_limits, module_limits = BENCH["limits"] | (bench or {}), MODULE["limits"] | (module or {})
    return (
        BenchFile.model_validate(BENCH | {"limits": bench_limits}),
        ModuleFile.model_validate(MODULE | {"limits": module_limits}),
    )


def of(quantity: str, limits: tuple[Limit, ...]) -> Limit:
    return next(limit for limit in limits if limit.quantity == quantity)


@pytest.mark.parametrize(
    ("key", "quantity"),
    [
        ("vout_max_v", "vout_v"),
        ("ploss_max_w", "ploss_w"),
        ("ploss_jump_max_w", "ploss_jump_w"),
        ("hot_spot_rise_max_k_per_min", "hot_spot_rise_k_per_min"),
        ("case_rise_max_k_per_min", "case_rise_k_per_min"),
    ],
)
def test_of_two_files_the_stricter_limit_counts(key: str, quantity: str) -> None:
    for of_bench, of_module in ((9.5, 9.8), (9.8, 9.5)):
        found = of(quantity, interlocks(*files({key: of_bench}, {key: of_module})))
        whose = "bench" if of_bench < of_module else "module"
        assert (found.most, found.source) == (9.5, f"[limits] of the {whose} file")


def test_what_the_module_may_carry_is_no_interlock_of_its_own() -> None:
    found = of("hot_spot_temp_c", interlocks(*files({}, {"hot_spot_max_temp_c": 105.0})))
    assert found.most == 125.0  # the bench file's; the module's 105 °C is what derating looks for


def test_the_jump_follows_the_greatest_loss_allowed() -> None:
    found = of("ploss_jump_w", interlocks(*files({"ploss_max_w": 12.0})))
    assert found == Limit("ploss_jump_w", 6.0, "half of the greatest loss allowed")


def test_nothing_has_a_least_value_unless_a_file_gives_one() -> None:
    assert leasts(*files()) == ()
    assert leasts(*files({"vin_min_v": 15.0, "vout_min_v": 4.0}, {"vout_min_v": 5.0})) == (
        Least("vin_v", 15.0, "[limits] of the bench file"),
        Least("vout_v", 5.0, "[limits] of the module file"),
    )


def test_a_rise_is_judged_after_the_shorter_time_of_two() -> None:
    assert rises_after_s(*files()) == 300.0
    after = {"rise_judged_after_s": 60.0}
    assert rises_after_s(*files(after, {"rise_judged_after_s": 900.0})) == 60.0
