"""The parameters of the simulated module: what is really inside the device under test.

The fields of `Twin` are the keys of `[twin]` in a module file; every nested table is a
dataclass of its own. The runner checks the table against these types and constraints;
the formulas that use them live in losses.py, limit.py, thermal.py and operating.py.
Plain values only: nothing here computes more than a corrected set point.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Interval, Le

from sim.diode import Diode

Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What the module does when more is drawn than it can give.

    `constant-current` holds `current_a` [A] down to a short; `foldback` falls linearly
    with the output voltage to `short_circuit_a` [A]; `hiccup` tries for `burst_s` [s]
    and rests for `rest_s` [s]; `none` has no limit at all.
    """

    kind: Literal["constant-current", "foldback", "hiccup", "none"] = "constant-current"
    current_a: Positive = 5.0
    short_circuit_a: Positive = 1.0
    burst_s: Positive = 0.02
    rest_s: Positive = 0.2

    def __post_init__(self) -> None:
        if self.kind == "foldback" and self.short_circuit_a > self.current_a:
            raise ValueError(
                f"short_circuit_a = {self.short_circuit_a!r} is above current_a = "
                f"{self.current_a!r}; foldback gives less into a short"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lockout:
    """Under-voltage lockout: starts above `start_v`, stops below `stop_v` [V].

    After a stop by its own input collapse the module waits `restart_s` [s] and tries
    again for `attempt_s` [s]; locked out it draws `idle_a` [A].
    """

    start_v: NotNegative = 4.5
    stop_v: NotNegative = 4.2
    idle_a: NotNegative = 0.001
    restart_s: Positive = 0.2
    attempt_s: Positive = 0.02

    def __post_init__(self) -> None:
        if self.stop_v > self.start_v:
            raise ValueError(
                f"stop_v = {self.stop_v!r} is above start_v = {self.start_v!r}; "
                "a lockout stops at or below the voltage it starts at"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutdown:
    """Thermal shutdown of the hot spot, and the temperature at which it starts again [°C]."""

    stop_temp_c: float = 150.0
    start_temp_c: float = 130.0

    def __post_init__(self) -> None:
        if self.start_temp_c > self.stop_temp_c:
            raise ValueError(
                f"start_temp_c = {self.start_temp_c!r} is above stop_temp_c = "
                f"{self.stop_temp_c!r}; a module starts again cooler than it stopped"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Two-stage Foster network from hot spot to ambient, and how loss grows with heat.

    The hot spot is above ambient by both stages, the case (board) by the second alone.
    Loss is that at `reference_temp_c` [°C] times 1 + `loss_growth_per_k` [1/K] for each
    kelvin the hot spot is above it. Above `destroyed_temp_c` [°C] the module is dead.
    """

    hot_spot_k_per_w: NotNegative = 10.0
    hot_spot_time_constant_s: Positive = 20.0
    case_k_per_w: NotNegative = 20.0
    case_time_constant_s: Positive = 400.0
    loss_growth_per_k: NotNegative = 0.003
    reference_temp_c: float = 25.0
    destroyed_temp_c: float = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """One module as the simulator builds it. Defaults of zero mean an ideal part."""

    topology: Literal["buck", "synchronous-buck"]
    vout_v: Positive
    switching_frequency_hz: Positive
    inductance_h: Positive

    vout_tolerance_pct: NotNegative = 0.0
    vout_place: Annotated[float, Interval(ge=-1, le=1)] = 0.0
    output_resistance_ohm: NotNegative = 0.0
    greatest_duty: Annotated[float, Gt(0), Le(1)] = 1.0
    light_load: Literal["diode-emulation", "forced-ccm"] = "diode-emulation"

    quiescent_a: NotNegative = 0.0
    switch_drop_v: NotNegative = 0.0
    switch_resistance_ohm: NotNegative = 0.0
    switch_off_resistance_ohm: Positive = 1e9
    switch_rise_s: NotNegative = 0.0
    switch_fall_s: NotNegative = 0.0
    diode: Diode = field(default_factory=Diode)
    low_side_resistance_ohm: NotNegative = 0.0
    dead_time_s: NotNegative = 0.0
    body_diode: Diode = field(default_factory=lambda: Diode(saturation_a=1e-12, emission=1.1))
    inductor_dcr_ohm: NotNegative = 0.0
    inductor_core_ohm: Positive = 1e9
    output_capacitance_f: Positive = 220e-6
    output_esr_ohm: NotNegative = 0.0
    input_capacitance_f: NotNegative = 0.0
    input_esr_ohm: NotNegative = 0.0

    limit: Limit = field(default_factory=Limit)
    lockout: Lockout = field(default_factory=Lockout)
    shutdown: Shutdown = field(default_factory=Shutdown)
    heat: Heat = field(default_factory=Heat)

    line_destroys_v: Positive = 40.0
    reverse_destroys_a: Positive = 0.5
    dies: Literal["open", "short"] = "open"

    @property
    def vout_true_v(self) -> float:
        """This unit's own set point [V]: the nominal one moved within its tolerance."""
        return self.vout_v * (1.0 + self.vout_place * self.vout_tolerance_pct / 100.0)
