"""Two thermal resistances and time constants from the temperatures of whole runs.

Each stage is a resistance with a time constant, driven by the measured loss: the case is
above the air by the second, the hot spot above the case by the first (the Foster form of
JEDEC JESD51-14, 2010; from memory), as in the simulator. Pure; what was assumed before is
a prior, so that a stage nobody measured stays near it and as uncertain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, log, sqrt

import numpy as np
from scipy.optimize import least_squares
from scipy.signal import lfilter

from runner.analysis.thermal import REFERENCE_TEMP_C
from runner.analysis.twin_fit import Array, LossFit, Prior, Term
from runner.analysis.uncertainty import Source, Uncertain

PRIORS = (
    Prior("hot_spot_k_per_w", 10.0, 1.5),
    Prior("case_k_per_w", 20.0, 1.5),
    Prior("hot_spot_time_constant_s", 20.0, 1.2),
    Prior("case_time_constant_s", 400.0, 1.2),
)
"""Before anything is known: middle, and standard uncertainty of its logarithm (common practice, no
source; a factor of 3 to 4 either way)."""

MOST_CELLS = 20_000
WINDOWS = 600
COLD_K = 2.0
"""A run that begins with its spots this near to the air begins cold."""
WARM_START_K = 30.0
LEAST_MISFIT_K = 0.02
FORM_SHARE = 0.01
"""What two ideal stages miss of a module, of each resistance and time constant (common practice,
no source)."""
LONG_ENOUGH, LEAST_SPAN_S, MOST_U_SHARE = 1.0, 200.0, 0.1
"""A run has to last this many time constants of the case, and so long, and its fit has to know
that constant to this part of it; a shorter run tells the heat capacity alone (by calibration on
made-up modules: half of those sweeps without a soak foretold a case too cool by more than U)."""
LEAST_RISE_K = 1.0
"""A run that never warms by this tells nothing of heat."""


@dataclass(frozen=True, slots=True)
class HeatTrace:
    """One run: times [s], loss [W], air, case and hot spot [°C]; nan where one was not read.

    At `changes_s` [s] the loss jumped, between two readings.
    `hot_u_k` and `case_u_k` are the standard uncertainties of the rises above the air [K], of
    what the thermometers are off by throughout.
    """

    t_s: Array
    loss_w: Array
    changes_s: Array
    ambient_c: Array
    case_c: Array
    hot_c: Array
    case_u_k: float
    hot_u_k: float


@dataclass(frozen=True, slots=True)
class HeatFit:
    """Resistances [K/W] and time constants [s], in the order of PRIORS, and what is left [K].

    Where no run was `long_enough` the case's time constant is assumed, and its resistance follows
    from the heat capacity that was seen.
    """

    terms: tuple[Term, ...]
    residual_k: float
    hot_seen: bool
    case_seen: bool
    long_enough: bool

    def soaked(
        self, loss: LossFit, vin_v: float, iout_a: float, ambient_c: float
    ) -> tuple[Uncertain, Uncertain] | None:
        """Hot spot and case [°C] once soaked at line and load; None where that runs away.

        T = T_amb + R P (1 + growth (T - 25)), solved for T.
        """
        hot, case = self.terms[0].value, self.terms[1].value
        base, growth = loss.base(vin_v, iout_a), loss.growth.value
        gain = (hot + case) * base * growth
        if gain.value >= 1.0:
            return None
        above = ambient_c - REFERENCE_TEMP_C + (hot + case) * base
        at = REFERENCE_TEMP_C + above / (1.0 - gain)
        lost = base * (1.0 + growth * (at - REFERENCE_TEMP_C))
        left = Uncertain(0.0, {MISFIT: self.residual_k})
        return at + left, ambient_c + case * lost + left


MISFIT = Source("what two time constants miss", "module")


@dataclass(frozen=True, slots=True)
class _Cells:
    """One trace cut into equal cells, its loss averaged in each, its readings in windows."""

    trace: HeatTrace
    edges_s: Array
    loss_w: Array
    window: Array
    cold: bool

    def rises_k(self, k_per_w: float, time_constant_s: float, start_k: float) -> Array:
        """The rise of one stage at the readings [K], stepped exactly through the cells."""
        kept = exp(-(self.edges_s[1] - self.edges_s[0]) / time_constant_s)
        steps, _ = lfilter(
            [k_per_w * (1.0 - kept)], [1.0, -kept], self.loss_w, zi=np.array([kept * start_k])
        )
        return np.interp(self.trace.t_s, self.edges_s, np.concatenate(([start_k], steps)))

    def windowed(self, values: Array) -> Array:
        """Means over the windows, those without a reading left out."""
        here = np.isfinite(values)
        counts = np.bincount(self.window[here])
        sums = np.bincount(self.window[here], values[here])
        return np.asarray(sums[counts > 0] / counts[counts > 0])


def _cells(trace: HeatTrace) -> _Cells:
    t_s = trace.t_s
    span_s = float(t_s[-1] - t_s[0])
    count = int(min(max(span_s, 10.0), MOST_CELLS))
    edges_s = np.linspace(t_s[0], t_s[-1], count + 1)
    energy_s, energy_j = _energy(trace)
    loss_w = np.diff(np.interp(edges_s, energy_s, energy_j)) / (edges_s[1] - edges_s[0])
    window = np.minimum((t_s - t_s[0]) / span_s * WINDOWS, WINDOWS - 1).astype(int)
    first_k = [
        float(spot[0] - trace.ambient_c[0])
        for spot in (trace.case_c, trace.hot_c)
        if np.isfinite(spot[0])
    ]
    cold = all(abs(rise_k) < COLD_K for rise_k in first_k)
    return _Cells(trace, edges_s, loss_w, window, cold)


def _energy(trace: HeatTrace) -> tuple[Array, Array]:
    """Times [s] and the energy lost by then [J]: straight between readings, but for jumps."""
    t_s, loss_w = trace.t_s, trace.loss_w
    jumps_s = trace.changes_s[(trace.changes_s > t_s[0]) & (trace.changes_s < t_s[-1])]
    after = np.searchsorted(t_s, jumps_s, side="left")
    times_s = np.concatenate((t_s, jumps_s, jumps_s))
    powers_w = np.concatenate((loss_w, loss_w[after - 1], loss_w[after]))
    order = np.argsort(times_s, kind="stable")  # before a jump comes before after it
    times_s, powers_w = times_s[order], powers_w[order]
    steps_j = np.diff(times_s) * (powers_w[1:] + powers_w[:-1]) / 2.0
    return times_s, np.concatenate(([0.0], np.cumsum(steps_j)))


def fit_heat(traces: Sequence[HeatTrace], loss: Uncertain) -> HeatFit | None:
    """Both stages from one or more runs; None where no run warmed up beside a known air.

    `loss` is a loss [W] these runs were heated by, with its uncertainty: what is wrong with it
    is wrong with each resistance, the other way round, so that their product is better known.
    """
    useful = [_cells(trace) for trace in traces if _tells(trace)]
    if not useful:
        return None
    guess, spread = _start(useful)
    noise_k = 0.1
    for _ in range(2):
        found = least_squares(_misses, guess, args=(useful, guess, spread, noise_k))
        left = _residuals(found.x, useful)
        inner = np.concatenate(left)
        noise_k = max(sqrt(float(np.mean(inner**2))), LEAST_MISFIT_K)
    slack = sqrt(_correlation(left))
    weighed = np.asarray(found.jac)[: len(inner)] / slack
    covariance = np.linalg.inv(weighed.T @ weighed + np.diag(spread**-2.0))
    terms = _terms(found.x, np.asarray(covariance, dtype=np.float64), loss)
    span_s = max(float(cells.edges_s[-1] - cells.edges_s[0]) for cells in useful)
    case_s = terms[3].value
    long_enough = span_s > max(LEAST_SPAN_S, LONG_ENOUGH * case_s.value)
    long_enough = long_enough and case_s.u < MOST_U_SHARE * case_s.value
    return HeatFit(
        terms if long_enough else _with_assumed_case(terms),
        noise_k,
        any(np.isfinite(cells.trace.hot_c).any() for cells in useful),
        any(np.isfinite(cells.trace.case_c).any() for cells in useful),
        long_enough,
    )


def _with_assumed_case(terms: tuple[Term, ...]) -> tuple[Term, ...]:
    """The usual time constant for the case, and the resistance that its heat capacity then has."""
    hot, case, hot_s, case_s = terms
    usual = PRIORS[3]
    doubt = {Source("the case's time constant, assumed", "module"): usual.u}
    assumed_s = usual.value * Uncertain(1.0, doubt)
    k_per_w = case.value.value / case_s.value.value * assumed_s
    return (hot, replace(case, value=k_per_w), hot_s, replace(case_s, value=assumed_s))


def _tells(trace: HeatTrace) -> bool:
    """Whether a run has air and a spot, and the spot was warm at some time."""
    rises = [spot - trace.ambient_c for spot in (trace.case_c, trace.hot_c)]
    seen = [float(np.nanmax(rise)) for rise in rises if np.isfinite(rise).any()]
    return len(trace.t_s) > len(PRIORS) and max(seen, default=0.0) > LEAST_RISE_K


def _start(useful: Sequence[_Cells]) -> tuple[Array, Array]:
    """Where the search begins, and how far it may go: stages, then each run's offsets and start."""
    guess = [log(prior.value) for prior in PRIORS]
    spread = [prior.u for prior in PRIORS]
    for cells in useful:
        start_k = 1e-3 if cells.cold else WARM_START_K
        guess += [0.0] * 4
        spread += [max(cells.trace.hot_u_k, 1e-3), max(cells.trace.case_u_k, 1e-3)]
        spread += [start_k, start_k]
    return np.array(guess), np.array(spread)


def _misses(
    x: Array, useful: Sequence[_Cells], guess: Array, spread: Array, noise_k: float
) -> Array:
    inner = np.concatenate(_residuals(x, useful)) / noise_k
    return np.concatenate((inner, (x - guess) / spread))


def _residuals(x: Array, useful: Sequence[_Cells]) -> list[Array]:
    """Windowed readings less the model, spot by spot [K]."""
    hot_k_per_w, case_k_per_w, hot_s, case_s = np.exp(np.clip(x[:4], -9.0, 14.0))
    found = []
    for k, cells in enumerate(useful):
        hot_off, case_off, hot_start, case_start = x[4 + 4 * k : 8 + 4 * k]
        case_k = cells.rises_k(case_k_per_w, case_s, case_start)
        hot_k = case_k + cells.rises_k(hot_k_per_w, hot_s, hot_start)
        trace = cells.trace
        for spot_c, rise_k, off_k in (
            (trace.hot_c, hot_k, hot_off),
            (trace.case_c, case_k, case_off),
        ):
            found.append(cells.windowed(spot_c - trace.ambient_c - rise_k - off_k))
    return [residual for residual in found if len(residual)]


def _correlation(left: Sequence[Array]) -> float:
    """By how much neighbours that err alike make the residuals tell less: (1 + r) / (1 - r)."""
    above = sum(float(one[1:] @ one[:-1]) for one in left)
    whole = sum(float(one @ one) for one in left)
    r = min(max(above / whole, 0.0), 0.98) if whole > 0.0 else 0.0
    return (1.0 + r) / (1.0 - r)


def _terms(x: Array, covariance: Array, loss: Uncertain) -> tuple[Term, ...]:
    """Values with their doubts: what the traces leave open, together, and what the loss does."""
    values = np.exp(x[:4])
    roots = np.linalg.cholesky(covariance[:4, :4] + 1e-18 * np.eye(4))
    terms = []
    for k, prior in enumerate(PRIORS):
        value = float(values[k])
        parts = {
            Source(f"heat, open direction {j + 1}", "module"): value * float(roots[k, j])
            for j in range(4)
        }
        parts[Source(f"form of {prior.name}", "module")] = FORM_SHARE * value
        if k < 2:
            relative = 1.0 / loss.value
            parts |= {source: -value * relative * part for source, part in loss.parts.items()}
        before = Prior(prior.name, prior.value, prior.value * prior.u)
        terms.append(Term(prior.name, Uncertain(value, parts), before))
    return tuple(terms)
