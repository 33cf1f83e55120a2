"""How the parts of a run read as words: for the screen beside it and for who follows it.

Pure text from values; nothing here prints, or knows where the values come from.
"""

from __future__ import annotations

from runner.analysis.findings import words_of
from runner.settle import OWN_RULE
from runner.steps import (
    Ask,
    Draw,
    Follow,
    Found,
    Point,
    PowerUp,
    Resist,
    SetLine,
    Soak,
    Soaked,
    Start,
    Step,
)

_NAMES = {
    "vin_v": "line",
    "iin_a": "input current",
    "vout_v": "output voltage",
    "iout_a": "load current",
    "pin_w": "input power",
    "pout_w": "output power",
    "ploss_w": "loss",
    "ploss_jump_w": "jump of the loss",
    "hot_spot_rise_k_per_min": "rise of the hot spot",
    "case_rise_k_per_min": "rise of the case",
    "capacitor_rise_k_per_min": "rise of the capacitor",
    "hot_spot_temp_c": "hot spot",
    "case_temp_c": "case",
    "capacitor_temp_c": "capacitor",
    "ambient_temp_c": "ambient",
}
_UNITS = {"v": "V", "a": "A", "w": "W", "c": "°C", "s": "s", "min": "K/min"}


def name_of(quantity: str) -> str:
    """What a person calls a quantity."""
    return _NAMES.get(quantity, quantity)


def unit_of(quantity: str) -> str:
    """The unit a quantity's name ends in; empty where it names none."""
    return _UNITS.get(quantity.rpartition("_")[2], "")


def clock_text(duration_s: float) -> str:
    """h:mm:ss."""
    minutes, seconds = divmod(int(duration_s), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


def step_text(step: Step) -> str:
    """What the bench is doing."""
    match step:
        case PowerUp(line_v):
            return f"supply on at {line_v:g} V"
        case SetLine(line_v, rate_v_per_s):
            rate = f" at {rate_v_per_s:g} V/s" if rate_v_per_s else ""
            return f"line to {line_v:g} V{rate}"
        case Start(line_v, iout_a, load_ohm):
            load = f"{iout_a:g} A" if load_ohm is None else f"{load_ohm:g} ohm"
            return f"starting at {line_v:g} V into {load}"
        case Draw(iout_a):
            return f"drawing {iout_a:g} A"
        case Resist(load_ohm):
            return f"loading with {load_ohm:g} ohm"
        case Follow(duration_s):
            return f"watching for {duration_s:g} s"
        case Ask(text):
            return f"asking: {text}"
        case Found():
            return found_text(step)
        case Soak():
            if step.rule != OWN_RULE:
                return f"soaking by the rule {step.rule}"
            told = f" or its end is known to {step.predict_k:g} K" if step.predict_k > 0.0 else ""
            return f"soaking until {step.quantity} moves under {step.within_k:g} K{told}"
        case _:
            return type(step).__name__.lower()


def found_text(found: Found) -> str:
    """A result as one line: its name, its value and the bracket it was found in."""
    name, _ = words_of(found.quantity)
    value = found.text if found.value is None else f"{found.value:.4g} {found.unit}".strip()
    bracket = _bracket(found.low, found.high)
    read = ", as read, before the tare" if found.rests_on in ("iin_a", "iout_a") else ""
    return f"found {name}: {value}{bracket} at {found.line_v:g} V, {found.iout_a:.3g} A{read}"


def _bracket(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f" (above {low:.4g})" if low is not None else f" (below {high:.4g})"
    return f" ({low:.4g} to {high:.4g})"


def point_text(number: int, point: Point) -> str:
    """A point as one line of a log."""
    efficiency = f"{100 * point.efficiency:6.2f} %" if point.efficiency else "     -  "
    hot = f"  hot spot {point.hot_spot_temp_c:.1f} °C" if point.hot_spot_temp_c is not None else ""
    flags = "  " + " ".join(point.flags) if point.flags else ""
    return (
        f"{number:4d} {point.kind:6} {point.line_set_v:6.2f} V {point.iout_a:8.4f} A"
        f"  out {point.vout_v:8.4f} V  efficiency {efficiency}  loss {point.ploss_w:7.3f} W"
        f"{hot}{flags}"
    )


def soaked_text(soaked: Soaked) -> str:
    """How a soak ended."""
    how = "settled" if soaked.settled else "stopped" if soaked.stopped else "NOT settled"
    if soaked.end_rise_k is not None and soaked.end_u_k is not None:
        how = f"ends {soaked.end_rise_k:.1f} ± {2.0 * soaked.end_u_k:.1f} K up, known"
    return f"{how} after {clock_text(soaked.elapsed_s)}"
