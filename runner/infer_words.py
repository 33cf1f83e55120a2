"""What an inference says, in sentences: what is decided, what is not, and what to do.

Called by the `infer` command. Only text is made here, from findings; no arithmetic that
the analysis has not done, no printing.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal

from runner.analysis.consistency import Explanation
from runner.analysis.inference import AssumptionCheck, Findings, Result
from runner.analysis.next_measurement import Prospect
from runner.infer import Inference

CAUTIONS = (
    "Load resistors at their rating reach 150 to 250 °C: they burn skin and light paper, "
    "foam and wood. Mount them on metal or stone, with air around them, nothing flammable "
    "near, and do not leave the room.",
    "Switch the supply off before you move a lead, and let the resistors cool.",
    "Resistors start a module gently and hide its current limit: what is found here says "
    "nothing about overload, start-up or a short.",
)

LABELS = {
    "vin_v": ("input voltage", "V", 1.0),
    "iin_a": ("input current", "A", 1.0),
    "pin_w": ("input power", "W", 1.0),
    "vout_v": ("output voltage", "V", 1.0),
    "iout_a": ("output current", "A", 1.0),
    "pout_w": ("output power", "W", 1.0),
    "ploss_w": ("loss", "W", 1.0),
    "efficiency": ("efficiency", "%", 100.0),
    "bank_ohm": ("resistors, hot", "ohm", 1.0),
    "body_temp_c": ("resistors' body", "°C", 1.0),
}
"""Name, unit and factor each quantity is shown with."""

MOSTLY = 0.5
HOT_SHARE = 0.5  # of a resistor's rating: above it a caution names the figure


def value_and_u(result: Result) -> tuple[str, str]:
    """Value and expanded uncertainty as text, to two significant digits of the latter."""
    factor = LABELS[result.quantity][2]
    return rounded(factor * result.value, factor * result.expanded_u)


def rounded(value: float, expanded_u: float) -> tuple[str, str]:
    """Both to the place of the second significant digit of the uncertainty."""
    doubt = Decimal(repr(expanded_u))
    if not doubt.is_finite() or doubt == 0:
        return f"{value:.6g}", f"{expanded_u:.2g}"
    place = Decimal(1).scaleb(doubt.adjusted() - 1)
    exact = (Decimal(repr(value)), doubt)
    shown = [number.quantize(place, rounding=ROUND_HALF_EVEN) for number in exact]
    return f"{shown[0]:f}", f"{shown[1]:f}"


def interval_text(result: Result) -> str:
    """The 95 % interval to the same place."""
    factor = LABELS[result.quantity][2]
    low, _ = rounded(factor * result.low, factor * result.expanded_u)
    high, _ = rounded(factor * result.high, factor * result.expanded_u)
    return f"{low} to {high}"


# --------------------------------------------------------------------- do they agree?


def agreement(findings: Findings) -> Iterator[str]:
    """Whether the observations contradict each other, and which is to blame."""
    found = findings.consistency
    if found.agree is None:
        yield (
            "Nothing is redundant: every reading is needed, none checks another. An error in "
            "any of them would not show here."
        )
    else:
        numbers = (
            f"chi-squared {found.chi_squared:.2f}, {found.degrees_of_freedom} "
            f"redundant, {found.critical:.2f} allowed at 5 %"
        )
        if found.agree:
            yield f"They agree ({numbers})."
            yield from _unchecked(findings)
        else:
            yield f"They CONTRADICT each other ({numbers}); no result above holds."
            yield _blame(findings)
    for result in findings.impossible:
        value, u = value_and_u(result)
        yield (
            f"The efficiency at {result.situation!r} would be {value} ± {u} %: more out than in. "
            "A reading, a wire or a stated value is wrong, and the efficiency does not hold."
        )


def _blame(findings: Findings) -> str:
    found = findings.consistency
    if found.suspect is not None:
        return (
            f"Suspect: {_would_be(found.explanations[0])}. Without it the rest agree, and no "
            "other single one explains the contradiction. Repeat that reading, or correct "
            "what is stated."
        )
    if found.explanations:
        return (
            "Which one is wrong cannot be told: any one of these alone would explain it: "
            f"{'; '.join(map(_would_be, found.explanations))}. "
            "One more independent measurement would tell."
        )
    return "No single one explains it: at least two of them are wrong, or a relation does not hold."


def _would_be(explanation: Explanation) -> str:
    found, others_say = explanation.found, explanation.others_say
    return f"{explanation.name} ({found:.5g}, but the others say {others_say:.5g})"


def _unchecked(findings: Findings) -> Iterator[str]:
    names = [check.name for check in findings.consistency.checks if check.test is None]
    if names:
        yield f"Checked by nothing, an error would not show: {', '.join(names)}."


# ------------------------------------------------------------------- what is decided?


def decisions(inference: Inference) -> Iterator[str]:
    """What the data can decide, and what they cannot."""
    findings = inference.findings
    if findings.consistency.agree is False:
        return
    for situation in inference.bench.situations:
        result = findings.result(situation.name, "efficiency")
        if result is None:
            yield f"{situation.name}: the efficiency is not determined by what was measured."
        elif result not in findings.impossible:
            yield _decision(result)
            yield _budget(result)
    for result in (*findings.results, *findings.inferred):
        if not result.is_linear and result.quantity in ("efficiency", "iout_a"):
            label = LABELS[result.quantity][0]
            yield (
                f"{result.situation}: the distribution of the {label} is not close to normal; "
                f"trust the interval {interval_text(result)} {LABELS[result.quantity][1]}, not U."
            )


def _decision(result: Result) -> str:
    low = 100.0 * (result.value - result.expanded_u)
    high = 100.0 * (result.value + result.expanded_u)
    place = 100.0 * result.expanded_u
    low_text, high_text = rounded(low, place)[0], rounded(high, place)[0]
    return (
        f"{result.situation}: a claim of at most {low_text} % efficiency is met, one of more than "
        f"{high_text} % is not; between the two these data cannot decide (guard band U)."
    )


def _budget(result: Result) -> str:
    """Who makes the doubt."""
    variance = sum(u * u for u in result.contributions.values())
    shares = [(u * u / variance, name) for name, u in result.contributions.items()]
    shown = [f"{name} {100 * share:.0f} %" for share, name in shares[:3] if share >= 0.05]
    return f"{result.situation}: its doubt comes from {', '.join(shown)}."


# ------------------------------------------------------------------------ assumptions


def assumptions(inference: Inference) -> Iterator[str]:
    """What each assumption can and cannot give."""
    sources = {point.name: point.assumed.source for point in inference.file.points if point.assumed}
    for check in inference.findings.assumptions:
        label, unit, factor = LABELS[check.quantity]
        value, u = rounded(factor * check.assumed.value, 2.0 * factor * check.assumed.u)
        yield (
            f"{check.situation}: {label} assumed {value} {unit}, U {u} "
            f"({sources[check.situation]})."
        )
        if check.measured is not None:
            yield _checked(check, check.measured)
        elif check.quantity == "efficiency":
            yield from _assumed_efficiency(inference.findings, check)
        else:
            yield from _assumed_voltage(inference, check)


def _checked(check: AssumptionCheck, measured: Result) -> str:
    label, unit, _ = LABELS[check.quantity]
    value, u = value_and_u(measured)
    verdict = "agrees with" if check.agrees else "CONTRADICTS"
    return (
        f"  It {verdict} what was measured without it, {value} ± {u} {unit}, and is not used: "
        f"the {label} above rests on no assumption."
    )


def _assumed_efficiency(findings: Findings, check: AssumptionCheck) -> Iterator[str]:
    yield (
        "  Circular: an assumed efficiency cannot confirm an efficiency. None is given, and the "
        "powers that follow from it say nothing about the module."
    )
    inferred = findings.inferred_result(check.situation, "iout_a")
    inferred = inferred or findings.inferred_result(check.situation, "pout_w")
    if inferred is None:
        return
    label = LABELS[inferred.quantity][0]
    share, own = (200.0 * u / inferred.value for u in (inferred.u, inferred.instruments_u))
    yield (
        f"  The {label} that follows is known to {share:.1f} %, of which all that was "
        f"read and stated makes {own:.1f} %"
        + (": better meters do not help." if own < MOSTLY * share else ".")
    )
    reach = check.assumed.u * (3.0**0.5 if check.assumed.shape == "rectangular" else 2.0)
    low = check.assumed.value - reach
    if low > 0.0:
        over = 100.0 * (check.assumed.value / low - 1.0)
        yield (
            f"  A bad module looks good: were the efficiency {100 * low:.0f} %, this {label} would "
            f"be overstated by {over:.0f} %."
        )


def _assumed_voltage(inference: Inference, check: AssumptionCheck) -> Iterator[str]:
    situations = {situation.name: situation for situation in inference.bench.situations}
    if situations[check.situation].bank is not None:
        yield (
            "  Circular: a resistor's current follows from its voltage, I = V / R, and its power "
            "from the square. With the voltage assumed, both only repeat the assumption: measure "
            "the output voltage instead."
        )
    else:
        yield "  Measure the output voltage instead: a voltmeter takes nothing from the circuit."
    yield "  No efficiency is given: one of its four inputs is assumed."


# ---------------------------------------------------------------------- what is next?


def prospect_words(prospect: Prospect) -> str:
    """What would be measured, and how well."""
    return " AND ".join(f"{one.words} ({one.accuracy})" for one in prospect.candidates)


def cautions(inference: Inference) -> Iterator[str]:
    """Heat first, with this bench's figures."""
    banks = inference.file.banks
    for situation in inference.bench.situations:
        bank, name = inference.bench.bank_of(situation), situation.name
        current = inference.findings.result(name, "iout_a")
        hot = inference.findings.result(name, "bank_ohm")
        if bank is None or situation.bank is None or current is None or hot is None:
            continue
        each_w = current.value**2 * hot.value / bank.pieces
        rated_w = banks[situation.bank].rated_w
        rating = f" of its {rated_w:g} W" if rated_w else ""
        if rated_w and each_w > rated_w:
            yield f"{name}: each resistor takes {each_w:.1f} W{rating}: OVERLOADED, stop."
        elif not rated_w or each_w > HOT_SHARE * rated_w:
            yield f"{name}: each resistor takes {each_w:.1f} W{rating}."
    yield from CAUTIONS if banks else CAUTIONS[1:2]
