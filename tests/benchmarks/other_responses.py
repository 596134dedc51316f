"""How the scores of an invented product come about: what a cosmetic chemist would suspect (see `other_worlds.py`).

A driver sets in (Hill, Weibull, Gompertz, logistic, a kink), grows without end (exponential, power), goes through an
optimum (eutectic of two waxes, pour temperature, match in the log ratio of colorants), and drivers act together (gates,
weakest link, displaced thresholds, a film of exponentially falling thickness). Then a score is spread over some points
of the scale, laid through one of the starting formula that leaves something to do, and bent smoothly into 0..10.
"""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
from other_products import Product

OWN = 0.65                     # how often a response is of the kind of its world
LAWS = ("additive", "gated", "weakest", "displaced", "film")


# ---- responses to one driver, 0 at its low and 1 at its high ---------------------------------------------------------

Shape = Callable[[np.ndarray], np.ndarray]


def _logistic(z: np.ndarray) -> np.ndarray:
    return 0.5 * (1 + np.tanh(z / 2))


def _softplus(z: np.ndarray) -> np.ndarray:
    return np.logaddexp(0.0, z)


def _from_zero(u: np.ndarray) -> np.ndarray:
    """A driver on a footing above zero, for powers; smooth, and harmless a little outside the limits."""
    return _softplus(12 * (u + 0.15)) / 12


def _saturating(rng: np.random.Generator) -> Shape:
    half, power, rate = rng.uniform(0.15, 0.6), rng.uniform(0.8, 2.5), rng.uniform(1.5, 5)
    return [lambda u: _from_zero(u) / (half + _from_zero(u)),                                     # Michaelis, Menten
            lambda u: _from_zero(u) ** power / (half ** power + _from_zero(u) ** power),          # Hill
            lambda u: -np.exp(-rate * u),                                                         # first order
            lambda u: np.log1p(rate * 2 * _from_zero(u)),                                         # Fechner
            lambda u: np.arctan(rate * (u + 0.1))][rng.integers(5)]


def _exponential(rng: np.random.Generator) -> Shape:
    rate, power = rng.uniform(1, 3.5), rng.uniform(1.6, 3.2)
    return [lambda u: np.exp(rate * u), lambda u: _from_zero(u) ** power,
            lambda u: 1 / (1.35 - 0.9 * np.tanh(u)), lambda u: np.sinh(rate * (u - 0.15))][rng.integers(4)]


def _threshold(rng: np.random.Generator) -> Shape:
    where, steep, power = rng.uniform(0.2, 0.8), rng.uniform(7, 20), rng.uniform(2.5, 6)
    return [lambda u: _logistic(steep * (u - where)),
            lambda u: -np.exp(-(_from_zero(u) / (where + 0.15)) ** power),                        # Weibull
            lambda u: np.exp(-np.exp(-0.6 * steep * (u - where))),                                # Gompertz
            lambda u: _softplus(1.5 * steep * (u - where)),                                       # a rounded kink
            lambda u: u / 3 + np.tanh(steep / 2 * (u - where))][rng.integers(5)]


def _overshooting(rng: np.random.Generator) -> Shape:
    """Up to an optimum and some way back."""
    top, left, right = rng.uniform(0.6, 1.0), rng.uniform(0.25, 0.6), rng.uniform(0.3, 0.7)
    return lambda u: _lopsided(u, top, left, right)


def _lopsided(u: np.ndarray, top: float, left: float, right: float) -> np.ndarray:
    """A smooth hump whose two sides are of different width."""
    width = left + (right - left) * _logistic(10 * (u - top))
    return np.exp(-0.5 * ((u - top) / width) ** 2)


RISING = {"saturating": _saturating, "exponential": _exponential, "threshold": _threshold, "ridge": _overshooting}


def _rising(rng: np.random.Generator, kind: str) -> Shape:
    own = kind in RISING and rng.random() < OWN
    shape = RISING[kind if own else list(RISING)[rng.choice(4, p=[0.33, 0.25, 0.32, 0.10])]](rng)
    span = np.linspace(0, 1, 41)
    low, high = shape(span).min(), shape(span).max()
    return lambda u: (shape(u) - low) / (high - low)


def _hump(rng: np.random.Generator) -> Shape:
    """An optimum or (a eutectic) a dip within the range, 0..1."""
    top, left, right = rng.uniform(0.2, 0.8), rng.uniform(0.15, 0.4), rng.uniform(0.15, 0.4)
    form = [lambda u: _lopsided(u, top, left, right),
            lambda u: 1 / (1 + ((u - top) / left) ** 2),
            lambda u: np.exp(-(np.hypot(u - top, 0.1) - 0.1) / left),
            lambda u: 1 / np.cosh((u - top) / right)][rng.integers(4)]
    return form if rng.random() < 0.6 else lambda u: 1 - form(u)


# ---- attributes ------------------------------------------------------------------------------------------------------


def _acting(product: Product, attribute: str, here: tuple[str, ...], flipped: set, kind: str,
            rng: np.random.Generator) -> list[tuple[str, float, Shape]]:
    """(driver, weight, response 0..1) of every driver that acts on an attribute."""
    found = []
    for driver, role in product.roles[attribute].items():
        if driver not in here:
            continue
        if role == "odd" and rng.random() < 0.4:
            continue
        weight = {"odd": rng.uniform(0.15, 0.55), "hump": rng.uniform(0.35, 1.0)}.get(role, rng.uniform(0.6, 1.2))
        shape = _hump(rng) if role == "hump" or (role == "odd" and rng.random() < 0.25) else _rising(rng, kind)
        down = (role == "down") != ((attribute, driver) in flipped) or (role == "odd" and rng.random() < 0.5)
        found.append((driver, weight, _turned(shape) if down else shape))
    return found


def _turned(shape: Shape) -> Shape:
    return lambda u: shape(1 - u)


def _joined(acting: list, law: str, rng: np.random.Generator) -> Callable[[Mapping[str, np.ndarray]], np.ndarray]:
    """How the responses to several drivers make one: the chief, and those that come to it."""
    (first, _, chief), others = acting[0], acting[1:]
    gate, twist = rng.uniform(0.25, 0.6), rng.normal(0, 0.35, len(others))
    rate, tight = rng.uniform(1.2, 3), rng.uniform(3, 7)

    def additive(u):
        own = chief(u[first])
        return own + sum(w * f(u[d]) * (1 + t * own) for (d, w, f), t in zip(others, twist, strict=True))

    def gated(u):
        found = chief(u[first]) + 0.1
        for d, w, f in others:
            found = found * (gate + (1 - gate) * min(w + 0.3, 1.2) * f(u[d]))
        return found

    def weakest(u):
        reached = [chief(u[first])] + [1 - min(w, 1) * (1 - f(u[d])) for d, w, f in others]
        return -np.log(sum(np.exp(-tight * r) for r in reached)) / tight

    def displaced(u):
        return chief(u[first] + sum(0.45 * w * (f(u[d]) - 0.5) for d, w, f in others)) + \
            0.3 * sum(w * f(u[d]) for d, w, f in others)

    def film(u):
        thick = (0.15 + chief(u[first])) * np.exp(sum((w * (f(u[d]) - 0.5) for d, w, f in others), 0.0) * rate / 2)
        return 1 - np.exp(-rate * thick)

    return {"additive": additive, "gated": gated, "weakest": weakest, "displaced": displaced, "film": film}[law]


def _likeness(product: Product, attribute: str, here: tuple[str, ...], rng: np.random.Generator):
    """Nearness to a card: a ridge in log ratio and log load that other drivers move, with sides of different width."""
    humps = [d for d, role in product.roles[attribute].items() if d in here and role == "hump"]
    odd = [d for d, role in product.roles[attribute].items() if d in here and role == "odd" and rng.random() < 0.7]
    tops, push = rng.uniform(0.15, 0.85, len(humps)), rng.normal(0, 0.3, (len(humps), len(odd)))
    sides, lean = rng.uniform(0.22, 0.6, (len(humps), 2)), rng.uniform(-0.5, 0.5)
    fade, form = rng.uniform(0, 0.35, len(odd)) * rng.choice([-1, 1], len(odd)), rng.integers(3)

    def near(u):
        away, before = 0.0, 0.0
        for k, d in enumerate(humps):
            off = u[d] - tops[k] - sum(push[k, j] * (u[o] - 0.5) for j, o in enumerate(odd)) - lean * before
            width = sides[k, 0] + (sides[k, 1] - sides[k, 0]) * _logistic(10 * off)
            away, before = away + (off / width) ** 2, off
        close = (np.exp(-away / 2), 1 / (1 + away / 1.5), np.exp(-(np.sqrt(away + 0.3) - np.sqrt(0.3))))[form]
        return close + sum(fade[j] * (u[o] - 0.5) for j, o in enumerate(odd))

    return near


def _read_drivers(product: Product, factors: int, points: pd.DataFrame) -> dict[str, np.ndarray]:
    found = {}
    for driver in product.present(factors):
        column, low, high, scale = product.drivers[driver]
        values = np.clip(points[column].to_numpy(dtype=float), low - 0.2 * (high - low), high + 0.2 * (high - low))
        if scale == "log":
            values, low, high = np.log(np.maximum(values, low / 3)), np.log(low), np.log(high)
        if scale == "logit":
            values = np.clip(values, low / 3, 1 - (1 - high) / 3)
            values, low, high = (np.log(v / (1 - v)) for v in (values, low, high))
        found[driver] = (values - low) / (high - low)
    return found


def _bent(rng: np.random.Generator) -> Callable[[np.ndarray], np.ndarray]:
    """Smoothly into 0..10: nearly straight with rounded ends, or bent all the way."""
    sharp = rng.uniform(0.8, 2)
    return [lambda z: (_softplus(sharp * z) - _softplus(sharp * (z - 10))) / sharp,
            lambda z: 10 * _logistic((z - 5) / 2.5),
            lambda z: 5 + 5 * np.tanh((z - 5) / 5),
            lambda z: 5 + (z - 5) / (1 + (np.abs(z - 5) / 5) ** 3) ** (1 / 3)][rng.integers(4)]


def _unbent(bend: Callable, score: float) -> float:
    line = np.linspace(-6, 16, 4401)
    return float(line[np.argmin(np.abs(bend(line) - score))])


def _wished(kind: str, points: tuple[float, ...], rng: np.random.Generator) -> float:
    """A score that the starting formula could have: of some use, with something left to do."""
    part = rng.uniform(-0.1, 0.85)                  # below 0: of no use at all, and no development
    if kind == "rising":
        return points[0] + part * (points[1] - points[0])
    if kind == "falling":
        return points[1] - part * (points[1] - points[0])
    end = points[0] if rng.random() < 0.5 else points[2]
    return end + part * (points[1] - end)


def truth_of(product: Product, factors: int, trial, wanted: Mapping, flipped: set, kind: str, sample: pd.DataFrame,
           rng: np.random.Generator) -> Callable[[pd.DataFrame], pd.DataFrame]:
    here, made = product.present(factors), {}
    start = _read_drivers(product, factors, trial.recipe.starting_factors)
    over = _read_drivers(product, factors, sample)
    for attribute in product.judged[factors]:
        if attribute in product.match:
            form, spread = _likeness(product, attribute, here, rng), rng.uniform(4.5, 7.5)
        else:
            acting = _acting(product, attribute, here, flipped, kind, rng)
            law = LAWS[rng.choice(5, p=[0.3, 0.2, 0.15, 0.2, 0.15])]
            form, spread = _joined(acting, law, rng), rng.uniform(3.2, 7)
        low, high = np.quantile(form(over), [0.03, 0.97])
        gain, bend = spread / max(high - low, 1e-9), _bent(rng)
        if attribute in product.match:              # the card is nearly met at the best place, not more than met
            shift = _unbent(bend, rng.uniform(7.2, 9.4)) - gain * form(over).max()
        else:
            target = _wished(product.wanted[attribute][0], wanted[attribute], rng)
            shift = _unbent(bend, np.clip(target, 0.5, 9.5)) - gain * float(form(start)[0])
        made[attribute] = (form, gain, shift, bend)

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        u = _read_drivers(product, factors, points)
        return pd.DataFrame({a: bend(gain * form(u) + shift) for a, (form, gain, shift, bend) in made.items()},
                            index=points.index)

    return truth
