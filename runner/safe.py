"""The one way out: whatever ended a run, the bench is left through `leave`.

A normal end ramps the load down, switches it off, then the supply. An emergency
switches the supply off first, it is the only source of energy, then the load. A chamber
comes last. Every command is tried though the one before failed; one that was not
acknowledged counts as not done; volts and amps are read back. Nothing here may raise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from drivers.roles import Chamber, Load, Supply
from runner.clock import Clock

GONE_WITHIN_S = 20.0
RAMP_STEPS = 4
RAMP_STEP_S = 0.1


@dataclass(frozen=True, slots=True)
class Gone:
    """Below these a reading counts as nothing [V], [A]; wider where a box's zero is stated so."""

    v_v: float = 1.0
    i_a: float = 0.05


GONE = Gone()


@dataclass(frozen=True, slots=True)
class Attempt:
    """One thing that was tried on the way out, and what came of it."""

    action: str
    done: bool
    detail: str = ""


@dataclass(slots=True)
class Way:
    """What was tried, and which outputs could not be confirmed off."""

    emergency: bool
    attempts: list[Attempt] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)

    @property
    def confirmed(self) -> bool:
        """True when every output was seen to be off."""
        return not self.unconfirmed

    def as_record(self) -> dict[str, Any]:
        """Plain values for the journal."""
        return {
            "emergency": self.emergency,
            "confirmed": self.confirmed,
            "unconfirmed": list(self.unconfirmed),
            "attempts": [
                {"action": a.action, "done": a.done, "detail": a.detail} for a in self.attempts
            ],
        }

    def instructions(self) -> str:
        """What a person must do by hand, naming each output that may still be on."""
        outputs = ", ".join(self.unconfirmed)
        return (
            f"COULD NOT CONFIRM OFF: {outputs}. Treat it as on. Switch the supply off at its own "
            "switch or at the mains, then what else is named; do not touch module, leads or "
            "resistors before you have measured that they are dead and let them cool"
        )


def leave(
    supply: Supply,
    load: Load | None,
    chamber: Chamber | None,
    clock: Clock,
    *,
    emergency: bool,
    iout_set_a: float = 0.0,
    gone: Gone = GONE,
) -> Way:
    """Bring the bench to its safe state and say what was seen. Never raises.

    `iout_set_a` [A] is the load's last set point, from which a normal end ramps down;
    below `gone` a reading counts as nothing.
    `load` is None where resistors are the load: dead without the supply, nobody is waited for.
    """
    way = Way(emergency)
    if load is None:
        _switch_supply_off(way, supply)
    elif emergency:
        _switch_supply_off(way, supply)
        _switch_load_off(way, load)
    else:
        _ramp_down(way, load, clock, iout_set_a)
        _switch_load_off(way, load)
        _switch_supply_off(way, supply)
    if chamber is not None and not _try_with_reconnect(
        way, "chamber stopped", chamber, chamber.stop
    ):
        way.unconfirmed.append(f"chamber ({chamber.name})")
    _see_it_go(way, supply, clock, "supply output", gone)
    if load is not None:
        _see_it_go(way, load, clock, "load input", gone)
    return way


def _switch_supply_off(way: Way, supply: Supply) -> None:
    if not _try_with_reconnect(way, "supply off", supply, lambda: supply.set_output(False)):
        way.unconfirmed.append(f"supply output ({supply.name})")


def _switch_load_off(way: Way, load: Load) -> None:
    if not _try_with_reconnect(way, "load off", load, lambda: load.set_input(False)):
        way.unconfirmed.append(f"load input ({load.name})")


def _ramp_down(way: Way, load: Load, clock: Clock, iout_set_a: float) -> None:
    for level_a in _ramp(iout_set_a):
        if not _try(way, f"load at {level_a:.3g} A", partial(load.set_level, level_a)):
            return
        clock.sleep(RAMP_STEP_S)


def _ramp(iout_set_a: float) -> Iterator[float]:
    if iout_set_a > 0.0:
        for step in range(RAMP_STEPS - 1, -1, -1):
            yield iout_set_a * step / RAMP_STEPS


def _see_it_go(way: Way, box: Supply | Load, clock: Clock, what: str, gone: Gone) -> None:
    """Read volts and amps until they are gone, or say that they are not."""
    label = f"{what} ({box.name})"
    end_s = clock.now_s() + GONE_WITHIN_S
    seen = "nothing could be read"
    while True:
        try:
            reading = box.measure()
        except Exception as error:  # noqa: BLE001 - an output that cannot be read may be on
            way.attempts.append(Attempt(f"{what} read back", False, str(error)))
            break
        seen = f"{reading.v_v:.3f} V, {reading.i_a:.3f} A"
        if abs(reading.v_v) < gone.v_v and abs(reading.i_a) < gone.i_a:
            way.attempts.append(Attempt(f"{what} read back", True, seen))
            return
        if clock.now_s() >= end_s:
            way.attempts.append(Attempt(f"{what} read back", False, f"still {seen}"))
            break
        clock.sleep(0.1)
    if label not in way.unconfirmed:
        way.unconfirmed.append(label)


def _try_with_reconnect(
    way: Way, action: str, box: Supply | Load | Chamber, command: Callable[[], None]
) -> bool:
    if _try(way, action, command):
        return True
    return _try(way, f"{box.name} reconnected", box.link.reopen) and _try(way, action, command)


def _try(way: Way, action: str, command: Callable[[], None]) -> bool:
    try:
        command()
    except Exception as error:  # noqa: BLE001 - the way out goes on, whatever a driver raises
        way.attempts.append(Attempt(action, False, str(error)))
        return False
    way.attempts.append(Attempt(action, True))
    return True
