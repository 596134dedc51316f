"""Straighter scales: y = h(eta) with eta in units of the scale, h(middle) = middle and slope one there.

    straight  h = eta
    floor     h = low + (w/2) exp(u)              scores that double with each step (log above the low end)
    ceiling   h = high - (w/2) exp(-u)            scores that saturate (log below the high end)
    both      h = low + w / (1 + exp(-2u))        scores that saturate at both ends (logit)

with u = (eta - middle) / (w/2), w = high - low. Slope one in the middle lets one prior in units of the scale
serve all of them (Box & Cox 1964, JRSS B 26:211-252, scale transformations by their Jacobian for the same reason).
Where an exponential has left the scale by half its width it goes on straight, so that it cannot run away. What leaves
the scale all the same counts as its end (`cut`).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtr

LINKS = ("straight", "floor", "ceiling", "both")
STEEPEST = 1.1  # u beyond which an exponential goes on straight: e^1.1 half widths, half a width off the scale


@dataclass(frozen=True, kw_only=True)
class Link:
    """One of LINKS on the scale low..high."""

    name: str
    low: float
    high: float

    @property
    def half(self) -> float:
        return 0.5 * (self.high - self.low)

    @property
    def middle(self) -> float:
        return 0.5 * (self.low + self.high)

    def height(self, eta: np.ndarray) -> np.ndarray:
        """y = h(eta), as precise as eta is."""
        eta = np.asarray(eta)
        if self.name == "straight":
            return eta
        u = (eta - self.low) / self.half - 1.0
        if self.name == "floor":
            return self.low + self.half * _exp(u)
        if self.name == "ceiling":
            return self.high - self.half * _exp(-u)
        return self.low + self.half * (1 + np.tanh(u))

    def slope(self, eta: np.ndarray) -> np.ndarray:
        """h'(eta)."""
        eta = np.asarray(eta, dtype=float)
        if self.name == "straight":
            return np.ones_like(eta)
        u = (eta - self.low) / self.half - 1.0
        if self.name == "both":
            return 4 * expit(2 * u) * expit(-2 * u)
        return np.exp(np.minimum(u if self.name == "floor" else -u, STEEPEST))

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


def _exp(u: np.ndarray) -> np.ndarray:
    """e^u, straight on beyond STEEPEST."""
    inside = np.minimum(u, STEEPEST)
    return np.exp(inside) * (1 + u - inside)


def cut(mean: np.ndarray, sd: np.ndarray, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of X = min(max(Y, low), high), Y ~ N(mean, sd^2), of the shape of both.

    With a and b the ends in standard deviations from the mean, P = Phi(b) - Phi(a):
        E X   = low Phi(a) + high Phi(-b) + mean P + sd (phi(a) - phi(b))
        E X^2 = low^2 Phi(a) + high^2 Phi(-b) + (mean^2 + sd^2) P + sd ((mean + low) phi(a) - (mean + high) phi(b))
    The censored normal: Tobin 1958, Econometrica 26:24-36. Taken about the middle of the scale, to lose no digits.
    """
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    m, s = np.asarray(mean, dtype=float) - middle, np.maximum(sd, 1e-12 * half)
    a, b = (-half - m) / s, (half - m) / s
    below, above, at_a, at_b = ndtr(a), ndtr(-b), normal_density(a), normal_density(b)
    between = 1.0 - below - above
    first = half * (above - below) + m * between + s * (at_a - at_b)
    second = half**2 * (above + below) + (m**2 + s**2) * between + s * ((m - half) * at_a - (m + half) * at_b)
    return middle + first, np.sqrt(np.maximum(second - first**2, 0.0))


def normal_density(z: np.ndarray) -> np.ndarray:
    """phi(z), the standard normal density."""
    return np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
