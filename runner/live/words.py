"""How the parts of a run read as words: for the screen beside it and for who follows it.

Pure text from values; nothing here prints, or knows where the values come from.
"""

from __future__ import annotations

from runner.settle import OWN_RULE
from runner.steps import Draw, Point, PowerUp, SetLine, Soak, Step

_NAMES = {
    "vin_v": "line",
    "iin_a": "input current",
    "vout_v": "output voltage",
    "iout_a": "load current",
    "pin_w": "input power",
    "ploss_w": "loss",
    "hot_spot_temp_c": "hot spot",
    "case_temp_c": "case",
    "ambient_temp_c": "ambient",
}
_UNITS = {"v": "V", "a": "A", "w": "W", "c": "°C", "s": "s"}


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
        case SetLine(line_v):
            return f"line to {line_v:g} V"
        case Draw(iout_a):
            return f"drawing {iout_a:g} A"
        case Soak():
            if step.rule != OWN_RULE:
                return f"soaking by the rule {step.rule}"
            return f"soaking until {step.quantity} moves under {step.within_k:g} K"
        case _:
            return type(step).__name__.lower()


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


def soaked_text(*, settled: bool, stopped: bool, elapsed_s: float) -> str:
    """How a soak ended."""
    how = "settled" if settled else "stopped" if stopped else "NOT settled"
    return f"{how} after {clock_text(elapsed_s)}"
