"""Brings a bench back to where a run was cut: line, load, air and heat, or the world itself.

Called by the engine before a resumed sequence goes on. A real bench is set again step by
step through the performer, interlocks on; a simulated bench of this process, whose boxes died
with the run, does its recorded steps once more: that costs no time and must give the same.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace

from runner.errors import BadInput, BenchError
from runner.past import Past, PastStep, Standing, feed_back
from runner.perform import LOW, Performer
from runner.steps import Ask, Outcome, Reading, Step

WARM_WITHIN_K = 1.0
"""As warm again as it was, judged by the rise above ambient [K]."""
WARM_AT_MOST_S = 1800.0
HOPELESS_AFTER_S = 60.0
"""Without coming nearer for so long it is as warm as it gets [s]."""
NEARER_K = 0.2
LOOK_EVERY_S = 5.0
STILL = "the run goes on where it was cut. See that this is still so, do it only if it is not: "
ALIKE_WITHIN_S, LOOK_AGAIN_S = 3.0, 0.1
"""A module that hiccups comes and goes: so long it is looked at, so often [s]."""


def rewind(
    past: Past,
    after: Callable[[Outcome | None], Step | None],
    perform: Callable[[Step], Outcome],
    told: Callable[[int, Step, Outcome], None],
) -> Outcome | None:
    """Do the recorded steps once more on a new simulated bench; return the last outcome.

    Raises BadInput at the first step or outcome that is not the recorded one.
    """

    def again(one: PastStep, step: Step) -> Outcome:
        outcome = perform(step)
        _check_outcome(past, one, outcome)
        return outcome

    return feed_back(past, after, told, again)


def _check_outcome(past: Past, one: PastStep, outcome: Outcome) -> None:
    then, now = one.outcome["values"], json.loads(json.dumps(asdict(outcome)))
    changed = [key for key, value in then.items() if now.get(key) != value]
    if changed:
        key = changed[0]
        raise BadInput(
            f"{past.folder}: cannot be resumed: at step {one.step['index']} "
            f"({one.step['step']}) the simulated bench gave {key} {then[key]!r}, this version "
            f"gives {now.get(key)!r}. Resume with the version that made the run (run.json)"
        )


def restore(
    standing: Standing,
    past: Past,
    performer: Performer,
    say: Callable[[str], None],
    vout_set_v: float,
) -> None:
    """Set line, load and air as they were, and bring the heat back. Raises as steps do.

    `say` is told each thing before it is done. A soak that was over is soaked again: the
    module has cooled meanwhile. Without one it is kept at its load until its rise is what it
    was at the last reading, as far as that comes; a module that is overloaded is not. Raises
    BenchError where the output is held now and was not, or the other way: what is measured
    there would not be what was asked.
    """

    def again(*steps: Step | None) -> None:
        for step in steps:
            if step is not None:
                say(f"again: {step}")
                performer.perform(step)

    asked = standing.asked if standing.asked != standing.leads else None
    again(_still(standing.leads), _still(asked), standing.air, *standing.path)
    if not standing.path:
        return
    if standing.soak is None and past.last is not None and past.is_held:
        say(_warm_up(performer, past.last))
    again(standing.rest, standing.soak)
    if past.vout_v is not None:
        _check_held(performer, past.vout_v, LOW * vout_set_v)


def _still(asked: Ask | None) -> Ask | None:
    """What a person did before the cut may stand: leads that are swapped twice lie wrong."""
    return asked and replace(asked, text=f"{STILL}{asked.text}")


def _check_held(performer: Performer, then_v: float, held_v: float) -> None:
    """Raise BenchError unless the module runs where it ran, and does not where it did not."""
    clock, watch = performer.bench.clock, performer.watch
    end_s = clock.now_s() + ALIKE_WITHIN_S
    while (now_v := watch.look().vout_v) is not None and (now_v >= held_v) != (then_v >= held_v):
        if clock.now_s() >= end_s:
            raise BenchError(
                f"the module does not stand as it did: its output was {then_v:.3f} V when the run "
                f"was cut, it is {now_v:.3f} V with line and load as they were. Start a new run"
            )
        watch.wait(LOOK_AGAIN_S)


def _warm_up(performer: Performer, last: Reading) -> str:
    """Wait until the module is as warm as it was; say how near it came."""
    target_k = _rise_k(last)
    if target_k is None:
        return "no thermometer tells whether the module is as warm as it was"
    clock, watch = performer.bench.clock, performer.watch
    nearer_s = clock.now_s()
    end_s = nearer_s + WARM_AT_MOST_S
    cooler = (first_k := _rise_k(watch.look()) or 0.0) < target_k
    nearest_k = abs(target_k - first_k)
    while True:
        rise_k = _rise_k(watch.look()) or 0.0
        left_k = target_k - rise_k if cooler else rise_k - target_k  # below 0 once it is past
        if left_k < nearest_k - NEARER_K:
            nearest_k, nearer_s = left_k, clock.now_s()
        is_over = clock.now_s() >= min(end_s, nearer_s + HOPELESS_AFTER_S)
        if left_k <= WARM_WITHIN_K or is_over:
            return f"warmed up: {rise_k:.1f} K above ambient, it was {target_k:.1f} K"
        watch.wait(LOOK_EVERY_S)


def _rise_k(reading: Reading) -> float | None:
    """The warmest known part above ambient [K]; above nothing where no ambient is read."""
    temp_c = reading.hot_spot_temp_c if reading.hot_spot_temp_c is not None else reading.case_temp_c
    return None if temp_c is None else temp_c - (reading.ambient_temp_c or 0.0)
