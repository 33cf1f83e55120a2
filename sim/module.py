"""The parameters of the simulated module: what is really inside the device under test.

The fields of `Twin` are the keys of `[twin]` in a module file; every nested table is a
dataclass of its own. The runner checks the table against these types and constraints;
the formulas that use them live in losses.py and the files it names, limit.py, thermal.py
and operating.py. Plain values only: nothing here computes more than a corrected set point.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
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
    and rests for `rest_s` [s]; `latch-off` stays off until the line was off; `none` has no
    limit at all. In a boost the currents are the
    peaks of its switch: what is left at the output depends on the line.
    """

    kind: Literal["constant-current", "foldback", "hiccup", "latch-off", "none"] = (
        "constant-current"
    )
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
class Unloaded:
    """An output that rises by up to `rise_pct` [%] while less than `below_a` [A] is drawn."""

    rise_pct: NotNegative = 0.0
    below_a: Positive = 0.05


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

    The hot spot is above ambient by both stages, the case (board) by the second alone, the can of
    the electrolytic capacitor by `capacitor_share` of that (common practice, no source).
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
    capacitor_share: NotNegative = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class LossMap:
    """Loss as measured at line V [V] and load I [A], see loss_map.py for the terms."""

    a0_w: float = 0.0
    a1_a: float = 0.0
    b0_v: float = 0.0
    b1: float = 0.0
    b2_v2: float = 0.0
    c0_ohm: float = 0.0
    c1_ohm_v: float = 0.0
    c2_ohm_v2: float = 0.0
    r0_v_root_a: float = 0.0
    r1_root_a: float = 0.0


_CYCLE = (
    "switching_frequency_hz",
    "inductance_h",
    "greatest_duty",
    "light_load",
    "switch_drop_v",
    "switch_resistance_ohm",
    "switch_off_resistance_ohm",
    "switch_rise_s",
    "switch_fall_s",
    "low_side_resistance_ohm",
    "dead_time_s",
    "inductor_dcr_ohm",
    "inductor_core_ohm",
    "output_esr_ohm",
    "input_esr_ohm",
)
_NEEDED = {
    "buck": _CYCLE[:2],
    "synchronous-buck": _CYCLE[:2],
    "boost": _CYCLE[:2],
    "linear": (),
    "measured": ("loss_map",),
}
_OTHERS = {
    "buck": ("dropout_v", "dropout_ohm", "loss_map"),
    "synchronous-buck": ("dropout_v", "dropout_ohm", "loss_map"),
    "boost": (
        "dropout_v",
        "dropout_ohm",
        "loss_map",
        "light_load",
        "low_side_resistance_ohm",
        "dead_time_s",
    ),
    "linear": (*_CYCLE, "diode", "loss_map"),
    "measured": (*_CYCLE, "diode", "quiescent_a"),
}
"""What each topology needs, and the keys of other topologies that it has no use for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """One module as the simulator builds it. Defaults of zero mean an ideal part.

    `vout_v` [V] is the set point at a line of `regulated_at_v` [V]; it moves by
    `line_regulation_v_per_v` for each volt the line is above that.
    """

    topology: Literal["buck", "synchronous-buck", "boost", "linear", "measured"]
    vout_v: Positive
    switching_frequency_hz: NotNegative = 0.0
    inductance_h: NotNegative = 0.0

    vout_tolerance_pct: NotNegative = 0.0
    vout_place: Annotated[float, Interval(ge=-1, le=1)] = 0.0
    output_resistance_ohm: NotNegative = 0.0
    line_regulation_v_per_v: float = 0.0
    regulated_at_v: NotNegative = 0.0
    dropout_v: NotNegative = 0.0
    dropout_ohm: NotNegative = 0.0
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
    loss_map: LossMap = field(default_factory=LossMap)

    limit: Limit = field(default_factory=Limit)
    unloaded: Unloaded = field(default_factory=Unloaded)
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

    def set_point_v(self, vin_v: float) -> float:
        """This unit's own set point at a line [V]."""
        moved_v = self.line_regulation_v_per_v * (vin_v - self.regulated_at_v)
        return max(self.vout_true_v + moved_v, 0.0)

    @property
    def steps_up(self) -> bool:
        """True of a measured module whose output is above the line it was measured at."""
        return self.topology == "measured" and 0.0 < self.regulated_at_v < self.vout_v

    def __post_init__(self) -> None:
        default = _defaults()
        for key in _NEEDED[self.topology]:
            if getattr(self, key) == default[key]:
                raise ValueError(f"topology = {self.topology!r} needs the key {key}")
        for key in _OTHERS[self.topology]:
            if getattr(self, key) != default[key]:
                raise ValueError(
                    f"topology = {self.topology!r} has no use for {key}; take the key out"
                )
        if self.topology == "linear":
            self._keep_loss()

    def _keep_loss(self) -> None:
        """A pass element's loss is (vin - vout) iout, however hot it is."""
        grown = self.heat.loss_growth_per_k
        if grown not in (0.0, Heat().loss_growth_per_k):
            raise ValueError(
                f"heat.loss_growth_per_k = {grown!r}: the loss of a linear regulator does not "
                "grow with heat; take the key out"
            )
        object.__setattr__(self, "heat", replace(self.heat, loss_growth_per_k=0.0))


@cache
def _defaults() -> dict[str, object]:
    """What each key of a twin is when it is left out."""
    return {
        one.name: one.default if one.default_factory is MISSING else one.default_factory()
        for one in fields(Twin)
    }
