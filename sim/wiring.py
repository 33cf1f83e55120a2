"""The live bench as one circuit: supply, leads, protection, module, leads, load, and heat.

The boxes call `world.touch()` before they change `world.supply` or `world.load`, may move
`world.ambient_temp_c` at any time, and read `world.now()`. What happens in time lives
here; where the circuit rests is operating.py's. Deterministic: time comes from the clock.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf
from typing import Literal

from sim.circuit import (
    Circuit,
    ModuleMode,
    OperatingPoint,
    SupplySetting,
    Terminals,
    Wiring,
)
from sim.clock import Clock
from sim.load_line import LoadMode, LoadSetting
from sim.module import Twin
from sim.operating import steady_forward, steady_starved, unfed
from sim.protection import Fuse, Protection
from sim.retry import Rest, Retry
from sim.reversal import steady_reversed
from sim.thermal import Rise, growth, warm

__all__ = ["LoadMode", "LoadSetting", "OperatingPoint", "SupplySetting", "Wiring", "World"]

LAG_S = 0.003
"""How fast terminals follow a change [s]; common practice, no source."""
DRAIN_OHM = 1000.0
"""What discharges a capacitor that nothing else does [ohm]; common practice, no source."""
SUPPLY_CAPACITANCE_F = 100e-6
"""Across a bench supply's terminals [F]; common practice, no source."""
CALM_S = 0.005
"""With only heat moving, a point stands for this long [s]: at 10 K/s it warms by 0.05 K."""
HELD_S = 1.0
"""Longest time for which the loss is held while the heat moves on [s]."""
DRIFT, FINE_DRIFT = 0.01, 0.001
"""How far loss may grow (1 = all of it) before the circuit is solved afresh; linear between.
The finer one holds near a limit, where the circuit answers less straight."""


class World:
    """One bench, alive between two looks at it."""

    def __init__(
        self,
        twin: Twin,
        protection: Protection,
        wiring: Wiring,
        clock: Clock,
        *,
        ambient_temp_c: float = 25.0,
    ) -> None:
        self.supply = SupplySetting()
        self.load = LoadSetting()
        self.ambient_temp_c = ambient_temp_c
        self.dead: Literal["open", "short"] | None = None
        self.fuse = Fuse(protection)
        self._circuit = Circuit(twin, protection, wiring, self.supply, self.load)
        self._clock = clock
        self._rise = Rise()
        self._running = False
        self._hot = False
        self._latched = False
        self._retry: Retry | None = None
        self._resume_s = inf
        self._at_s = clock.now_s()
        self._changed_s = self._at_s
        self._from = Terminals()
        self._lags_s = (LAG_S, LAG_S)
        self._rest = Rest(unfed(self._circuit, "idle"))
        self._fixed_w = self._growing_w = 0.0
        self._stale = True
        self._seen: tuple[float, float] | None = None
        self._point: OperatingPoint | None = None
        self._calm = False

    # ------------------------------------------------------------- what the boxes call

    def touch(self, at_s: float = inf) -> None:
        """Bring the world to the present, or to `at_s` [s] if that is earlier.

        Call it before changing a setting, or a part of the bench.
        """
        self._advance(min(self._clock.now_s(), at_s))
        self._turn()

    @property
    def twin(self) -> Twin:
        """What the module is made of now; a fault may change it."""
        return self._circuit.twin

    @twin.setter
    def twin(self, twin: Twin) -> None:
        self._circuit = replace(self._circuit, twin=twin)

    def now(self) -> OperatingPoint:
        """Every true quantity at the clock's present."""
        t_s = self._clock.now_s()
        if self._point is None or not self._still_stands(t_s):
            self._advance(t_s)
            self._point = self._look()
            self._seen = (t_s, self.ambient_temp_c)
        return self._point

    def _still_stands(self, t_s: float) -> bool:
        """Whether the last point holds at `t_s` [s]: nothing set, nothing on its way."""
        if self._stale or self._seen is None or self._seen[1] != self.ambient_temp_c:
            return False
        passed_s = t_s - self._seen[0]
        return passed_s <= 0.0 or (self._calm and passed_s < CALM_S)

    # ------------------------------------------------------------------- time and heat

    @property
    def _hot_spot_temp_c(self) -> float:
        return self.ambient_temp_c + self._rise.both_k

    @property
    def _growth(self) -> float:
        return growth(self._circuit.twin.heat, self._hot_spot_temp_c)

    def _advance(self, t_s: float) -> None:
        """Let heat, fuse and retries run until `t_s` [s], event by event."""
        if self._stale:
            self._settle()
        while self._at_s < t_s:
            until_s = min(t_s, self._at_s + HELD_S, self._next_event_s())
            step_s = until_s - self._at_s
            heat = self._circuit.twin.heat
            loss_w = self._fixed_w + self._growing_w * self._growth
            self._rise = warm(heat, self._rise, loss_w, step_s)
            self._at_s = until_s
            if self.fuse.carry(self._rest.steady.at.iin_a, step_s):
                self._turn()
            self._notice()

    def _next_event_s(self) -> float:
        """When the fuse opens or a rest ends, if nothing changes [s]."""
        return min(self._resume_s, self._at_s + self.fuse.opens_in_s(self._rest.steady.at.iin_a))

    def _weigh_losses(self) -> None:
        """What heats the module, over whole retries: a fixed and a growing part."""
        shares = [(1.0, self._rest)]
        if self._retry is not None:
            tried = self._retry.share
            shares = [(tried, self._retry.trying), (1.0 - tried, self._retry.resting)]
        self._fixed_w = self._growing_w = 0.0
        for share, rest in shares:
            loss_w = share * sum(rest.steady.module.losses_w.values())
            if rest.grows:
                self._growing_w += loss_w
            else:
                self._fixed_w += loss_w

    def _notice(self) -> None:
        """Look for what the passing of time has brought about, and settle anew if so."""
        twin, hot_c = self._circuit.twin, self._hot_spot_temp_c
        if hot_c > twin.heat.destroyed_temp_c and self.dead is None:
            self._die()
        if not self._hot and hot_c >= twin.shutdown.stop_temp_c:
            self._hot = True
            self._turn()
        elif self._hot and hot_c <= twin.shutdown.start_temp_c:
            self._hot = False
            self._turn()
        if self._at_s >= self._resume_s:
            self._turn()
            self._retry, self._resume_s = None, inf
        if self._stale or (
            self._rest.grows and abs(self._growth - self._rest.growth) > self._rest.drift
        ):
            self._settle()

    # --------------------------------------------------------------- where it is heading

    def _turn(self) -> None:
        """From here on the bench heads elsewhere: keep where it is."""
        self._from = self._terminals(self._growth)
        self._changed_s = self._at_s
        self._stale = True

    def _die(self) -> None:
        self.dead = self._circuit.twin.dies
        self._turn()

    def _mode(self) -> ModuleMode:
        """What the module is, whatever its input."""
        if self.dead is not None:
            return "dead-open" if self.dead == "open" else "dead-short"
        return "idle" if self._hot or self._latched else "on"

    def _settle(self) -> None:
        """Find where the bench rests with its present settings; a death is followed through."""
        self._stale = False
        outcome = self._resting()
        at = outcome.steady.at
        if self.dead is None and at.v_module_v > self._circuit.twin.line_destroys_v:
            self._die()
            self._settle()
            return
        self._rest = outcome
        self._lags_s = self._lags()
        self._weigh_losses()

    def _resting(self) -> Rest:
        supply, circuit, mode = self.supply, self._circuit, self._mode()
        if not supply.on or self.fuse.open:
            self._latched = False
            return self._forget(Rest(unfed(circuit, mode)))
        if supply.polarity == "reversed":
            return self._forget(self._backwards())
        if mode != "on":
            off = "latched" if self._latched and not self._hot else "thermal-shutdown"
            state = off if mode == "idle" else mode
            return self._forget(self._named(self._forward(mode), state))
        return self._fed()

    def _forget(self, rest: Rest) -> Rest:
        """A module that is off starts from the beginning."""
        self._running, self._retry, self._resume_s = False, None, inf
        return rest

    def _backwards(self) -> Rest:
        steady, own_a = steady_reversed(self._circuit, self._mode())
        if self.dead is None and own_a > self._circuit.twin.reverse_destroys_a:
            self._die()
            self._stale = False
            steady, _ = steady_reversed(self._circuit, self._mode())
        return Rest(steady)

    def _forward(self, mode: ModuleMode, from_v: float | None = None) -> Rest:
        """At rest with a module that is not switching: there is always such a place."""
        start_v = max(self._terminals(self._growth).v_module_v, 0.0) if from_v is None else from_v
        steady = steady_forward(self._circuit, mode, 1.0, start_v, 0.0)
        if steady is None:
            raise ArithmeticError(f"no balance of the line with the module {mode}")
        return Rest(steady)

    def _fed(self) -> Rest:
        """A live module on a live line: locked out, running, or trying and failing."""
        lockout = self._circuit.twin.lockout
        here = self._terminals(self._growth)
        from_v, vout_from_v = max(here.v_module_v, 0.0), max(here.vout_v, 0.0)
        if not self._running:
            idle = self._forward("idle")
            from_v = idle.steady.at.v_module_v
            if from_v < lockout.start_v:
                return self._forget(idle)
            self._running = True
        g = self._growth
        steady = steady_forward(self._circuit, "on", g, from_v, vout_from_v)
        if steady is None:
            return self._starved()
        if steady.module.state == "latched":
            self._latched = True
            return self._forget(self._named(self._forward("idle"), "latched"))
        if steady.module.state == "hiccup":
            limit = self._circuit.twin.limit
            resting = self._named(self._forward("idle", self.supply.v_set_v), "hiccup")
            trying = Rest(steady, growth=g, grows=True)
            return self._retrying(trying, resting, limit.burst_s, limit.rest_s)
        if self._retry is not None:
            return self._waiting(self._retry)
        at = steady.at
        straight = (steady.module.state, steady.supply_mode) == ("regulating", "CV")
        drift = DRIFT if straight and at.clamp_a == 0.0 else FINE_DRIFT
        grown = steady_forward(self._circuit, "on", g + drift, at.v_module_v, at.vout_v)
        if grown is None:
            return Rest(steady, growth=g, grows=True, drift=drift)
        pairs = zip(steady.at, grown.at, strict=True)
        slope = Terminals._make((after - before) / drift for before, after in pairs)
        return Rest(steady, slope, g, True, drift)

    def _starved(self) -> Rest:
        """The line cannot carry the module: it pulls its input down to lockout, over and over."""
        lockout = self._circuit.twin.lockout
        self._running = False
        idle = self._forward("idle", self.supply.v_set_v)
        if idle.steady.at.v_module_v < lockout.start_v:
            return self._forget(idle)
        self._running = True
        trying = Rest(steady_starved(self._circuit, self._growth))
        return self._retrying(trying, idle, lockout.attempt_s, lockout.restart_s)

    def _retrying(self, trying: Rest, resting: Rest, try_s: float, rest_s: float) -> Rest:
        since_s = self._at_s if self._retry is None else self._retry.since_s
        self._retry = Retry(since_s, try_s, rest_s, trying, resting)
        self._resume_s = inf
        return trying

    def _waiting(self, retry: Retry) -> Rest:
        """The cause is gone, but a module that rests does not know before it tries."""
        self._retry = replace(retry, trying=retry.resting)
        self._resume_s = min(self._resume_s, retry.next_try_s(self._at_s))
        return retry.resting

    @staticmethod
    def _named(rest: Rest, state: str) -> Rest:
        module = replace(rest.steady.module, state=state)
        return replace(rest, steady=replace(rest.steady, module=module))

    # ------------------------------------------------------------------- what it looks like

    def _lags(self) -> tuple[float, float]:
        """How fast input and output voltages move [s]: a capacitor is discharged by a current.

        Upwards, and while something draws, within a few ms; else by what little drains it.
        """
        to, was, twin = self._rest.steady.at, self._from, self._circuit.twin
        lag_in_s = lag_out_s = LAG_S
        if abs(to.vin_v) < abs(was.vin_v):
            drain_a = max(was.iin_a, to.iin_a, abs(was.vin_v) / DRAIN_OHM)
            capacitance_f = twin.input_capacitance_f + SUPPLY_CAPACITANCE_F
            lag_in_s = max(capacitance_f * abs(was.vin_v) / drain_a, LAG_S)
        if to.vout_v < was.vout_v:
            drawn_a = max(was.iout_a, to.iout_a) if self.load.on else 0.0
            drain_a = max(drawn_a, was.vout_v / DRAIN_OHM)
            lag_out_s = max(twin.output_capacitance_f * was.vout_v / drain_a, LAG_S)
        return lag_in_s, lag_out_s

    def _terminals(self, grown: float) -> Terminals:
        """The terminal quantities at the world's time, on their way to where they rest.

        `grown` is how much the losses have grown with the heat, a factor.
        """
        rest, since_s, start = self._rest, self._changed_s, self._from
        lag_in_s, lag_out_s = self._lags_s
        if self._retry is not None:
            rest, before, since_s = self._retry.turn(self._at_s)
            start, lag_in_s, lag_out_s = before.steady.at, LAG_S, LAG_S
        to = rest.moved(grown)
        age_s = self._at_s - since_s
        self._calm = self._retry is None and age_s > 30.0 * max(lag_in_s, lag_out_s)
        if self._calm:
            return to
        slow, out, fast = exp(-age_s / lag_in_s), exp(-age_s / lag_out_s), exp(-age_s / LAG_S)
        left = (slow, fast, slow, slow, out, fast, out, fast)
        blend = zip(start, to, left, strict=True)
        return Terminals._make(there + (here - there) * part for here, there, part in blend)

    def _look(self) -> OperatingPoint:
        rest = self._rest if self._retry is None else self._retry.turn(self._at_s)[0]
        steady, module = rest.steady, rest.steady.module
        growth_now = self._growth
        v_supply_v, iin_a, vin_v, v_module_v, vout_v, iout_a, v_load_v, clamp_a = self._terminals(
            growth_now
        )
        grown = growth_now if rest.grows else 1.0
        losses_w = {part: lost * grown for part, lost in module.losses_w.items()}
        losses_w["supply_lead"] = (v_supply_v - abs(vin_v)) * iin_a
        dropped_w = (abs(vin_v) - abs(v_module_v)) * iin_a
        losses_w["protection"] = dropped_w + abs(v_module_v) * clamp_a + module.ripple_w
        losses_w["load_lead"] = (vout_v - v_load_v) * iout_a
        return OperatingPoint(
            v_supply_v,
            abs(vin_v) if self.supply.remote_sense else v_supply_v,
            iin_a,
            vin_v,
            v_module_v,
            vout_v,
            v_load_v,
            iout_a,
            steady.supply_mode,
            module.load_regulated,
            module.state,
            self.ambient_temp_c + self._rise.both_k,
            self.ambient_temp_c + self._rise.case_k,
            self.ambient_temp_c + self._circuit.twin.heat.capacitor_share * self._rise.case_k,
            self.ambient_temp_c,
            losses_w,
        )
