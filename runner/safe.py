"""The one way out: whatever ended a run, the bench is left through `leave`.

A normal end ramps the load down, switches it off, then the supply. An emergency, or a load
that does not do as it is told, switches the supply off first, it is the only source of energy,
then the load. A chamber comes last. Every command is tried though the one before failed; one
that was not acknowledged counts as not done; volts and amps are read back. Nothing may raise.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from drivers.errors import BoxError, LostInstrument
from drivers.roles import Chamber, Load, Supply
from runner.clock import Clock
from runner.errors import NotSafe

GONE_WITHIN_S = 20.0
FED_WITHIN_S = 2.0
"""Behind a supply that may be on volts do not go, whatever the load does: no long wait [s]."""
BACK_WITHIN_S, BACK_EVERY_S = 5.0, 0.5
"""A box that is away may be so long in coming back, after a dip of the mains or a reset [s]."""
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
    alive: Callable[[], None] = lambda: None
    attempts: list[Attempt] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)
    error: Exception | None = None

    @property
    def confirmed(self) -> bool:
        """True when every output was seen to be off."""
        return not self.unconfirmed

    def beat(self) -> None:
        """Say that the runner lives; that nobody hears it changes nothing."""
        with contextlib.suppress(Exception):
            self.alive()

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
    look_first: bool = False,
    alive: Callable[[], None] = lambda: None,
) -> Way:
    """Bring the bench to its safe state and say what was seen. Never raises.

    `iout_set_a` [A] is the load's last set point, from which a normal end ramps down;
    below `gone` a reading counts as nothing.
    `load` is None where resistors are the load: dead without the supply, nobody is waited for.
    With `look_first` the supply is read before it is touched, for the record. `alive` is called
    before whatever is tried, so that the watchdog does not step in while this goes on.
    """
    way = Way(emergency, alive)
    if look_first:
        _look(way, supply)
    if load is None:
        _switch_supply_off(way, supply)
    elif emergency or not _unloaded(way, load, clock, iout_set_a):
        _switch_supply_off(way, supply)
        _switch_load_off(way, load)
    else:
        _switch_supply_off(way, supply)
    _await_the_lost(way, clock, supply, load)
    if chamber is not None and not _try_with_reconnect(
        way, "chamber stopped", chamber, chamber.stop
    ):
        way.unconfirmed.append(f"chamber ({chamber.name})")
    _see_it_go(way, supply, clock, "supply output", gone)
    if load is not None:
        within_s = FED_WITHIN_S if way.unconfirmed else GONE_WITHIN_S
        _see_it_go(way, load, clock, "load input", gone, within_s)
    return way


def _look(way: Way, supply: Supply) -> None:
    try:
        reading = supply.measure()
    except Exception as error:  # noqa: BLE001 - what cannot be read is switched off all the same
        way.attempts.append(Attempt("supply output found", False, str(error)))
        return
    seen = f"{reading.v_v:.3f} V, {reading.i_a:.3f} A, {reading.mode}"
    way.attempts.append(Attempt("supply output found", True, seen))


def _switch_supply_off(way: Way, supply: Supply) -> None:
    if not _try_with_reconnect(
        way, "supply off", supply, lambda: supply.set_output(False)
    ) and not _says_off(way, "supply", supply.is_on):
        way.unconfirmed.append(f"supply output ({supply.name})")


def _switch_load_off(way: Way, load: Load) -> None:
    if not _try_with_reconnect(
        way, "load off", load, lambda: load.set_input(False)
    ) and not _says_off(way, "load", load.is_on):
        way.unconfirmed.append(f"load input ({load.name})")


def _says_off(way: Way, box: str, is_on: Callable[[], bool]) -> bool:
    """Ask a box that did not acknowledge: it may complain of something else, and be off."""
    if not isinstance(way.error, BoxError):
        return False

    def ask() -> None:
        if is_on():
            raise NotSafe("it says that it is on")

    return _try(way, f"{box} asked whether it is off", ask)


def _await_the_lost(way: Way, clock: Clock, supply: Supply, load: Load | None) -> None:
    """A box that could not be told may only be on its way back: it is told again for a while."""
    end_s = clock.now_s() + BACK_WITHIN_S
    while way.unconfirmed and clock.now_s() < end_s:
        way.beat()
        clock.sleep(BACK_EVERY_S)
        _be_patient(supply, load)
        lost, way.unconfirmed = way.unconfirmed, []
        if f"supply output ({supply.name})" in lost:
            _switch_supply_off(way, supply)
        if load is not None and f"load input ({load.name})" in lost:
            _switch_load_off(way, load)


def _be_patient(*boxes: Supply | Load | None) -> None:
    """A box that comes back may be slow to begin with; what could be had at once was tried."""
    for box in boxes:
        if box is not None:
            with contextlib.suppress(Exception):
                box.link.hurry(False)


def _unloaded(way: Way, load: Load, clock: Clock, iout_set_a: float) -> bool:
    """Ramp the load down and switch it off; False as soon as it does not do as it is told."""
    for level_a in _ramp(iout_set_a):
        if not _try(way, f"load at {level_a:.3g} A", partial(load.set_level, level_a)):
            return False
        clock.sleep(RAMP_STEP_S)
    return _try(way, "load off", lambda: load.set_input(False))


def _ramp(iout_set_a: float) -> Iterator[float]:
    if iout_set_a > 0.0:
        for step in range(RAMP_STEPS - 1, -1, -1):
            yield iout_set_a * step / RAMP_STEPS


def _see_it_go(
    way: Way,
    box: Supply | Load,
    clock: Clock,
    what: str,
    gone: Gone,
    within_s: float = GONE_WITHIN_S,
) -> None:
    """Read volts and amps until they are gone, or say that they are not."""
    label = f"{what} ({box.name})"
    end_s = clock.now_s() + within_s
    seen = "nothing could be read"
    while True:
        way.beat()
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
    if not _try(way, f"{box.name} reconnected", box.link.reopen) and not _has_restarted(way.error):
        return False
    return _try(way, action, command)


def _has_restarted(error: Exception | None) -> bool:
    """It is there again, but was without power: what it was told to do before does not count."""
    return isinstance(error, LostInstrument) and error.command == "*ESR?"


def _try(way: Way, action: str, command: Callable[[], None]) -> bool:
    way.beat()
    try:
        command()
    except Exception as error:  # noqa: BLE001 - the way out goes on, whatever a driver raises
        way.attempts.append(Attempt(action, False, str(error)))
        way.error = error
        return False
    way.attempts.append(Attempt(action, True))
    return True
