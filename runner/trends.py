"""What the last readings say together: a rise, a jump of the loss, a thermometer come off.

Kept by the watch, which holds the values against limits; nothing here acts or raises.
A reading a second is kept for `WINDOW_S`; one mad reading moves none of the medians.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, isnan

from runner.analysis.robust_slope import median, robust_slope
from runner.errors import Tripped
from runner.steps import Reading

WINDOW_S = 20.0
"""Readings of so long are judged together [s]."""
SPACING_S = 0.9
"""Least time between two that are kept [s]: looks come up to fifty times a second."""
LEAST_SPAN_S, LEAST_READINGS = 10.0, 3
"""A rise is judged over at least so much: a thermometer's noise of 0.2 K is 1 K/min there."""
COVERAGE = 2.0
"""A rise counts as far as it is sure: its standard uncertainty is taken off so often."""
RISE_JUDGED_AFTER_S = 300.0
"""A set point stands so long before a rise is held against its limit [s], unless the files say
otherwise. A module that takes up its load heats fast and is healthy: a hot spot of 20 s and 3.5 W
on 6 K/W begins with 60 K/min. After 300 s one that ends 100 K above the air moves less than
10 K/min whatever its time constant: 100 K / 300 s / e is 7.4 K/min at the worst (first order)."""
LOSS_STANDS_S = 2.0
"""The loss at new set points is taken as known after this [s]."""
RISES = {
    "hot_spot_rise_k_per_min": "hot_spot_temp_c",
    "case_rise_k_per_min": "case_temp_c",
    "capacitor_rise_k_per_min": "capacitor_temp_c",
}
PARTS = tuple(RISES.values())
JUMP = "ploss_jump_w"
LEARN_EVERY_S = 5.0

FALL_LEAST_K, FALL_SHARE = 5.0, 0.25
"""A thermometer has come off when it falls by more than both within `WINDOW_S`: kelvins, and a
share of how far it was above the air. A module whose loss stays cannot cool at all; a fan that
starts or a chamber that cools moves it less. Common practice, no source."""
SUDDEN_SHARE, SUDDEN_S = 0.1, 2.5
"""Less of a fall is enough where it comes between two looks so near to each other [s]: even a
hot spot of 5 s does not follow a fan as fast."""
ROOM_C = 25.0
WARM_K = 10.0
"""Nearer to the air than this nothing can be said of a thermometer [K]."""
LOSS_STAYS, LOSS_LEAST_W = 0.9, 0.5
"""The loss stays while it is this share of the greatest of late; below so many watts who knows."""
LATE_S = 600.0
"""The greatest loss of late fades with this time constant [s]: a case may cool as slowly."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One reading as far as trends go: `temps_c` [°C] of `PARTS`, None for what is not measured."""

    t_s: float
    temps_c: tuple[float | None, ...]
    air_c: float | None
    loss_w: float | None


def _known(temp_c: float | None) -> float | None:
    """A temperature; what a lost thermometer gives instead is none."""
    return None if temp_c is None or isnan(temp_c) else temp_c


class Trends:
    """Follows the readings. `limits` gives the limit on each rise [K/min] that is asked for."""

    def __init__(
        self, limits: Mapping[str, float], judged_after_s: float = RISE_JUDGED_AFTER_S
    ) -> None:
        self._limits = {rise: most for rise, most in limits.items() if rise in RISES}
        self._judged_after_s = judged_after_s
        self._kept: deque[Kept] = deque()
        self._changed_s = self._air_moved_s = -1.0
        self._learns_s = 0.0
        self._usual_w: float | None = None
        self._greatest_w = 0.0
        self._rises: dict[str, float] = {}
        self._last: Kept | None = None

    def add(self, reading: Reading, loss_w: float | None, changed_s: float) -> None:
        """Take a reading; `changed_s` [s] is when a set point was moved last."""
        if changed_s != self._changed_s:
            self._changed_s, self._usual_w = changed_s, None
            self._rises = {}
        temps_c = tuple(_known(getattr(reading, part)) for part in PARTS)
        self._last = now = Kept(reading.t_s, temps_c, _known(reading.ambient_temp_c), loss_w)
        kept = self._kept
        if kept and now.t_s - kept[-1].t_s < SPACING_S:
            return
        if now.t_s >= self._learns_s:
            self._learn(now.t_s)
        kept.append(now)
        while kept[0].t_s < now.t_s - WINDOW_S:
            kept.popleft()
        for rise, most in self._limits.items():
            self._rises[rise] = self._rise(PARTS.index(RISES[rise]), most / 60.0)

    def air_moves(self, t_s: float) -> None:
        """A chamber changes the air at `t_s` [s]: what rises with it is not held against it."""
        self._air_moved_s = t_s

    def value_of(self, quantity: str) -> float | None:
        """A rise [K/min] or the jump of the loss [W] at the last reading; None while unknown."""
        if quantity == JUMP:
            loss_w = self._last.loss_w if self._last else None
            return None if loss_w is None or self._usual_w is None else loss_w - self._usual_w
        return self._rises.get(quantity)

    def come_off(self) -> Tripped | None:
        """The thermometer that fell as no module cools while its loss stays, or None."""
        now, kept = self._last, self._kept
        if now is None or now.loss_w is None or len(kept) < LEAST_READINGS:
            return None
        if now.loss_w < max(LOSS_LEAST_W, LOSS_STAYS * self._greatest_w):
            return None
        for part, temp_c in enumerate(now.temps_c):
            near = (kept[0].temps_c[part], kept[len(kept) // 2].temps_c[part])
            if temp_c is None or all(c is None or c - temp_c < FALL_LEAST_K for c in near):
                continue
            was_c = median([c for one in kept if (c := one.temps_c[part]) is not None])
            share = SUDDEN_SHARE if self._is_sudden(part, temp_c) else FALL_SHARE
            has_fallen = self._has_fallen(was_c, temp_c, now.air_c, share)
            if has_fallen and self._has_heated_all_along(now.loss_w):
                return Tripped(
                    PARTS[part],
                    temp_c,
                    f"near {was_c:.1f} while the loss stays at {now.loss_w:.2f} W",
                    "no module cools like that: the thermometer has come off",
                )
        return None

    def _has_heated_all_along(self, loss_w: float) -> bool:
        """A module that shut down meanwhile has cooled; one mad reading does not say so."""
        least_w = LOSS_STAYS * min(loss_w, self._greatest_w)  # a load may just have grown
        return sum(1 for one in self._kept if one.loss_w is None or one.loss_w < least_w) <= 1

    def _is_sudden(self, part: int, temp_c: float) -> bool:
        """Whether the readings just before this one were all above it by enough."""
        now_s = self._last.t_s if self._last else 0.0
        before = [one for one in self._kept if one.t_s < now_s - 0.5 * SPACING_S][-LEAST_READINGS:]
        if len(before) < LEAST_READINGS or now_s - before[-1].t_s > SUDDEN_S:
            return False
        return all(
            (c := one.temps_c[part]) is not None and c - temp_c > FALL_LEAST_K for one in before
        )

    def _has_fallen(self, was_c: float, temp_c: float, air_c: float | None, share: float) -> bool:
        """More than a module can; with the air it may fall, a chamber that cools does that."""
        airs_c = [one.air_c for one in self._kept if one.air_c is not None]
        # Without a thermometer in the air: above that of a room.
        above_k = was_c - (median(airs_c) if airs_c else ROOM_C)
        fell_k = was_c - temp_c
        if air_c is not None:
            fell_k = min(fell_k, above_k - (temp_c - air_c))
        return above_k >= WARM_K and fell_k > max(FALL_LEAST_K, share * above_k)

    def _learn(self, now_s: float) -> None:
        """What the loss usually is; its slow growth with the heat is followed and is no jump."""
        self._learns_s = now_s + LEARN_EVERY_S
        stands_s = self._changed_s + LOSS_STANDS_S
        losses = [(one.t_s, one.loss_w) for one in self._kept if one.loss_w is not None]
        at_rest_w = [loss_w for t_s, loss_w in losses if t_s >= stands_s]
        if len(at_rest_w) >= LEAST_READINGS:  # the second greatest: one may be mad
            self._usual_w = max(sorted(at_rest_w)[-2], self._usual_w or 0.0)
        if losses:
            recent_w = median([loss_w for _, loss_w in losses[-3:]])
            self._greatest_w = max(self._greatest_w * exp(-LEARN_EVERY_S / LATE_S), recent_w)

    def _rise(self, part: int, most_k_per_s: float) -> float:
        """The sure part of the rise [K/min]; nothing while it is far from its limit [K/s]."""
        kept = self._kept
        if kept[-1].t_s - max(self._changed_s, self._air_moved_s) < self._judged_after_s:
            return 0.0
        seen = [
            (one.t_s, c)
            for one in kept
            if (c := one.temps_c[part]) is not None and one.t_s >= self._changed_s
        ]
        span_s = seen[-1][0] - seen[0][0] if seen else 0.0
        if len(seen) < LEAST_READINGS or span_s < LEAST_SPAN_S:
            return 0.0
        if seen[-1][1] - seen[0][1] < 0.5 * most_k_per_s * span_s:
            return 0.0
        slope, slope_u = robust_slope(*zip(*seen, strict=True))
        return 60.0 * max(0.0, slope - COVERAGE * slope_u)
