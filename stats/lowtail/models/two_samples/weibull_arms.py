"""Weibull fits of two arms side by side on a batch axis: one shape for both, one each, or equal medians.

Rows are series (B), columns specimens. ``u`` is log load; the distribution is the smallest extreme value with
``location`` and ``spread`` (1 / shape). Log-likelihoods leave out the term that does not depend on the parameters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arm", "ArmFit", "common_shape", "equal_medians", "own_shape", "usable"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_LN2 = float(np.log(2.0))
_STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Arm:
    """Log loads and break flags of one arm, both of shape (B, n)."""

    u: Array
    broke: Flags

    def join(self, second: Arm) -> Arm:
        """Both arms as one."""
        return Arm(np.concatenate([self.u, second.u], axis=1), np.concatenate([self.broke, second.broke], axis=1))

    def rows(self, keep: Flags) -> Arm:
        """The series marked by ``keep``."""
        return Arm(self.u[keep], self.broke[keep])


@dataclass(frozen=True, slots=True, eq=False)
class ArmFit:
    """Location (arms, B), spread (B,) or (arms, B), and log-likelihood (B,)."""

    location: Array
    spread: Array
    loglik: Array


def usable(arm: Arm) -> Flags:
    """Rows with at least two breaks, not all of them tied with the largest load."""
    top = arm.u.max(axis=1, keepdims=True)
    below = (arm.broke & (arm.u < top - 1e-12)).any(axis=1)
    return np.asarray((arm.broke.sum(axis=1) >= 2) & below)


def common_shape(arms: Sequence[Arm]) -> ArmFit:
    """Fit one shape and a scale for every arm, by Newton's method on the log of the shape."""
    breaks = [arm.broke.sum(axis=1) for arm in arms]
    total = np.sum(breaks, axis=0)
    top = [arm.u.max(axis=1, keepdims=True) for arm in arms]
    gap = [arm.u - t for arm, t in zip(arms, top, strict=True)]
    fallen = np.sum([np.where(arm.broke, g, 0.0).sum(axis=1) for arm, g in zip(arms, gap, strict=True)], axis=0)
    square = np.sum([(g**2).sum(axis=1) for g in gap], axis=0)
    k = 1.0 / np.sqrt(np.maximum(square / np.sum([g.shape[1] for g in gap]), 1e-20))
    for _ in range(_STEPS):
        pull, stiff = np.zeros_like(k), np.zeros_like(k)
        for g, r in zip(gap, breaks, strict=True):
            weight = np.exp(k[:, None] * g)
            mass = weight.sum(axis=1)
            mean = (weight * g).sum(axis=1) / mass
            pull += r * mean
            stiff += r * ((weight * g * g).sum(axis=1) / mass - mean**2)
        step = (total + k * (fallen - pull)) / (np.maximum(total, 1) + k**2 * stiff)
        k = np.clip(k * np.exp(np.clip(step, -1.0, 1.0)), 1e-6, 1e9)
        if np.abs(step).max(initial=0.0) < 1e-11:
            break
    loglik = total * np.log(k) + k * fallen
    location = []
    for g, r, t in zip(gap, breaks, top, strict=True):
        mass = np.exp(k[:, None] * g).sum(axis=1)
        safe = np.maximum(r, 1)
        location.append(t[:, 0] + np.log(mass / safe) / k)
        loglik = loglik - np.where(r > 0, r * np.log(mass / safe) + r, 0.0)
    return ArmFit(np.stack(location), 1.0 / k, loglik)


def own_shape(arm: Arm) -> ArmFit:
    """Fit one arm by itself."""
    return common_shape([arm])


def _shape_at_median(arm: Arm, median: Array, start: Array) -> Array:
    gap = arm.u - median[:, None]
    r = arm.broke.sum(axis=1)
    fallen = np.where(arm.broke, gap, 0.0).sum(axis=1)
    k = start
    for _ in range(_STEPS):
        weight = _LN2 * np.exp(np.minimum(k[:, None] * gap, 300.0))
        slope = r + k * (fallen - (weight * gap).sum(axis=1))
        step = slope / (np.maximum(r, 1) + k**2 * (weight * gap * gap).sum(axis=1) + np.maximum(-slope, 0.0))
        k = np.clip(k * np.exp(np.clip(step, -1.0, 1.0)), 1e-6, 1e9)
        if np.abs(step).max(initial=0.0) < 1e-9:
            break
    return k


def _at_median(arm: Arm, median: Array, k: Array) -> tuple[Array, Array, Array]:
    """Log-likelihood at a median and shape, its slope in the median, and the curvature of its profile there."""
    gap = arm.u - median[:, None]
    r = arm.broke.sum(axis=1)
    weight = _LN2 * np.exp(np.minimum(k[:, None] * gap, 300.0))
    mass, moment, square = weight.sum(axis=1), (weight * gap).sum(axis=1), (weight * gap * gap).sum(axis=1)
    fallen = np.where(arm.broke, gap, 0.0).sum(axis=1)
    curvature = -(k**2) * mass + (mass - r + k * moment) ** 2 / (r / k**2 + square)
    return r * np.log(k * _LN2) + k * fallen - mass, k * (mass - r), curvature


def equal_medians(first: Arm, second: Arm, own_first: ArmFit, own_second: ArmFit) -> ArmFit:
    """Fit two arms that share the median, each with its own shape.

    Newton's method on the profile of the median, kept between the two arms' own medians by bisection.
    """
    shift = np.log(_LN2)
    arms = (first, second)
    own = [fit.location[0] + shift * fit.spread for fit in (own_first, own_second)]
    low, high = np.minimum(*own), np.maximum(*own)
    shapes = [1.0 / own_first.spread, 1.0 / own_second.spread]
    middle = (low + high) / 2
    for _ in range(_STEPS):
        slope, curvature = np.zeros_like(middle), np.zeros_like(middle)
        for i, arm in enumerate(arms):
            shapes[i] = _shape_at_median(arm, middle, shapes[i])
            _, tilt, bend = _at_median(arm, middle, shapes[i])
            slope, curvature = slope + tilt, curvature + bend
        low, high = np.where(slope > 0, middle, low), np.where(slope > 0, high, middle)
        target = middle - slope / np.where(curvature < 0, curvature, -1.0)
        inside = (curvature < 0) & (target >= low) & (target <= high)
        target = np.where(inside, target, (low + high) / 2)
        moved = np.abs(target - middle) * np.maximum(shapes[0], shapes[1])
        middle = target
        if moved.max(initial=0.0) < 1e-8:
            break
    loglik = np.zeros_like(middle)
    location, spread = [], []
    for arm, start in zip(arms, shapes, strict=True):
        k = _shape_at_median(arm, middle, start)
        loglik += _at_median(arm, middle, k)[0]
        location.append(middle - shift / k)
        spread.append(1.0 / k)
    return ArmFit(np.stack(location), np.stack(spread), loglik)
