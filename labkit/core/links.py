"""Straighter scales: y = h(eta) with eta in units of the scale, h(middle) = middle and slope one there.

    straight  h = eta
    floor     h = low + (w/2) exp(u)              scores that double with each step (log above the low end)
    ceiling   h = high - (w/2) exp(-u)            scores that saturate (log below the high end)
    both      h = low + w / (1 + exp(-2u))        scores that saturate at both ends (logit)

with u = (eta - middle) / (w/2), w = high - low. Slope one in the middle lets one prior in units of the scale
serve all of them (Box & Cox 1964, JRSS B 26:211-252, scale transformations by their Jacobian for the same reason).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

LINKS = ("straight", "floor", "ceiling", "both")
STEEPEST = 4.0  # |u| beyond which a curved link is taken as flat: e^4 half widths


@dataclass(frozen=True, kw_only=True)
class Link:
    """One of LINKS on the scale low..high."""

    name: str
    low: float
    high: float

    @property
    def half(self) -> float:
        return 0.5 * (self.high - self.low)

    def _u(self, eta: np.ndarray) -> np.ndarray:
        return np.clip((np.asarray(eta, dtype=float) - self.low) / self.half - 1.0, -STEEPEST, STEEPEST)

    def height(self, eta: np.ndarray) -> np.ndarray:
        """y = h(eta)."""
        if self.name == "straight":
            return np.asarray(eta, dtype=float)
        u = self._u(eta)
        if self.name == "floor":
            return self.low + self.half * np.exp(u)
        if self.name == "ceiling":
            return self.high - self.half * np.exp(-u)
        return self.low + 2 * self.half * expit(2 * u)

    def slope(self, eta: np.ndarray) -> np.ndarray:
        """h'(eta)."""
        if self.name == "straight":
            return np.ones_like(np.asarray(eta, dtype=float))
        u = self._u(eta)
        if self.name == "both":
            return 4 * expit(2 * u) * expit(-2 * u)
        return np.exp(u if self.name == "floor" else -u)

    def back(self, y: np.ndarray, margin: float = 0.02) -> np.ndarray:
        """eta = h^-1(y), with y kept `margin` of the scale away from an end that h never reaches."""
        y = np.asarray(y, dtype=float)
        if self.name == "straight":
            return y
        share = np.clip((y - self.low) / (2 * self.half), margin, 1 - margin)
        if self.name == "both":
            u = 0.5 * logit(share)
        elif self.name == "floor":
            u = np.log(2 * np.maximum((y - self.low) / (2 * self.half), margin))
        else:
            u = -np.log(2 * np.maximum((self.high - y) / (2 * self.half), margin))
        return self.low + self.half * (1 + u)
