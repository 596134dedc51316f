"""Priors of a surface in units of its scale, and the shapes that compete for it by evidence."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.core.importance import systematic
from labkit.core.links import Link
from labkit.core.posterior import (
    GAUSSIANS,
    Functions,
    Integral,
    Model,
    Observed,
    Prior,
    Scales,
    conditional,
    integrate,
    log_likelihoods_at,
)
from labkit.handing import fixed
from labkit.surfaces.ground import Ground, System, taken_to_turn
from labkit.surfaces.posterior import SOURCES, Candidate, Posterior
from labkit.weighed import round_labels

# Prior medians as parts of the scale's width (half-t, 4 df; the root mean square of a part over the region), from
# rehearsals of invented developments: over what a maker lets vary, a score moves by a fifth of its scale
# (3.5 points from end to end for one factor of four on 0..10), and bends by a third of that. Tails are heavy, so a
# score that bends much more is believed when the pours say so. Each higher degree bends by a third of the one before.
CONSTANT = 0.25  # standard deviation of the average level about the middle of the scale
BY_DEGREE = (0.20, 0.06, 0.02, 0.007)
PEAKED = (0.20, 0.09, 0.03, 0.01)  # where it is taken to peak or to dip (`taken_to_turn`)
SHIFT, TRUST = 2.0, 0.7  # an expected direction moves its slope by two prior sd; prior chance that it does
HILL = 0.6  # a peak moves the quadratic part by so much of its root mean square, at the same chance
SHAPES = MappingProxyType({"straight": 1.0, "both": 1.0, "floor": 1.0})  # prior weights of the links
# A response that peaks tapers off on all sides: log y is a quadratic (the Gaussian response, ter Braak & Looman 1986,
# Vegetatio 65:3-11). A parabola would leave the scale.
SHAPES_OF_PEAK = MappingProxyType({"straight": 0.1, "both": 0.1, "floor": 1.0})
SHAPES_OF_DIP = MappingProxyType({"straight": 0.1, "both": 0.1, "ceiling": 1.0})  # the same in a mirror
WEIGHTS = MappingProxyType({"shares": 1.0, "masses": 0.5})  # and of the systems of coordinates
IDLE = 0.4  # prior odds that a factor, a setting or a whole blend plays no part in an attribute
SCREENED, COUNTED = 8, 3  # choices of scales at which systems are compared; systems that are kept
WORTH_KEEPING = 1e-3  # of the weight
ALL_GAUSSIANS, FEW_GAUSSIANS = 512, 32  # of all shapes together, by weight; of one that hardly counts
RELIABLE = 20.0  # effective draws below which the evidence of a curved shape is not trusted, and the shape left out
TELLS_NOTHING = 1e4  # widths of a scale: the standard deviation of a score that tells nothing
NEWTON, CLOSE = 6, 2e-3  # steps at most, and half widths within which they have settled


def read_hierarchically(
    ground: Ground, attribute: Attribute, means: pd.Series, sampling: pd.DataFrame, unsure: float
) -> Posterior:
    """Fit one attribute from its adjusted means by pour and their covariance.

    unsure : how well the panel knows the standard deviation behind that covariance (sd of its logarithm). A pour with a
        single score cannot tell the panel how scattered scores are; repeats and a smooth surface can.
    """
    made = ground.trial.made.loc[means.index]
    observed = Observed(
        means=means.to_numpy(dtype=float),
        sampling=sampling.to_numpy(dtype=float),
        sources=np.array([shared(made, s) for s in SOURCES]),
    )
    return _read(ground, attribute, observed, made, unsure)


def read_nothing(ground: Ground, attribute: Attribute) -> Posterior:
    """What is believed of one attribute before anything is scored: the prior alone, draws and all.

    The same integral with a single score that is so unsure that it tells nothing.
    """
    observed = Observed(
        means=np.array([(attribute.low + attribute.high) / 2]),
        sampling=np.array([[(TELLS_NOTHING * attribute.width) ** 2]]),
        sources=np.ones((len(SOURCES), 1, 1)),
    )
    return _read(ground, attribute, observed, ground.sample.iloc[[0]], unsure=0.0)


def _read(ground: Ground, attribute: Attribute, observed: Observed, made: pd.DataFrame, unsure: float) -> Posterior:
    trial, width = ground.trial, attribute.width
    stated, turn = trial.noise_of(attribute.name), taken_to_turn(trial, attribute)
    degrees, shapes = PEAKED if turn else BY_DEGREE, {0: SHAPES, 1: SHAPES_OF_PEAK, -1: SHAPES_OF_DIP}[turn]
    prior = Prior(
        centre=(attribute.low + attribute.high) / 2,
        constant=CONSTANT * width,
        degrees=tuple(part * width for part in degrees[:ground.degree]),
        sources=tuple(stated[s] for s in SOURCES),
        unsure=unsure,
        trust=TRUST,
    )
    columns = ground.columns(made[list(trial.recipe.coordinates)])
    models = {
        system: Model(observed=observed, prior=prior, functions=Functions(
            columns=system.of(columns), degrees=system.degrees,
            expected=turn * _hill_of(system) if turn else SHIFT * system.expected(attribute),
        ))
        for system in (*ground.systems, *ground.narrowed)
    }
    whole, foretold = _foretold(models)
    counted = sorted(foretold, key=foretold.get, reverse=True)[:COUNTED]
    plain = [integrate(models[s], whole[s.first].sampled.proposals[-1:]) if s.idle else whole[s.first] for s in counted]
    candidates = compared(attribute, dict(zip(counted, plain, strict=True)), shapes)
    return Posterior(attribute=attribute, ground=ground, candidates=candidates, stated=stated,
                   passed_over=_passed_over(foretold, counted))


def _hill_of(system: System) -> np.ndarray:
    """The hill in prior standard deviations of the p_2 quadratic functions, each t_2 / sqrt p_2, (1, q)."""
    return HILL * np.sqrt((system.degrees == 2).sum()) * system.hill[None]


def compared(
    attribute: Attribute, counted: Mapping[System, Integral], shapes: Mapping[str, float]
) -> tuple[Candidate, ...]:
    """The posterior under each of `shapes` in the systems of coordinates that count, by evidence times prior weight.

    counted : their posteriors on the straight scale; shapes : prior weights of links. Which coordinates play no part is
    averaged over as well (George & McCulloch 1993, JASA 88:881-889).
    """
    found = []
    for system, plain in counted.items():
        for name, weight in shapes.items():
            link = Link(name=name, low=attribute.low, high=attribute.high)
            integral = plain if name == "straight" else curved(link, plain)
            if name == "straight" or integral.sampled.effective >= RELIABLE:
                found.append((system, link, integral, weight * _believed(system)))
    logs = np.array([integral.sampled.log_evidence + np.log(weight) for _, _, integral, weight in found])
    share = np.exp(logs - logs.max())
    share = np.where(share < WORTH_KEEPING * share.sum(), 0.0, share)
    share = share / share.sum()
    return tuple(_candidate(system, link, integral, float(w))
                 for (system, link, integral, _), w in zip(found, share, strict=True) if w > 0)


def _candidate(system: System, link: Link, integral: Integral, weight: float) -> Candidate:
    mixture = integral.mixture(most=int(np.clip(ALL_GAUSSIANS * weight, FEW_GAUSSIANS, GAUSSIANS)))
    return Candidate(system=system, link=link, weight=weight,
                     mixture=mixture.lifted(system.lift) if system.idle else mixture)


def _believed(system: System) -> float:
    """Prior weight of a system: each factor, setting and whole blend plays no part at odds of IDLE."""
    return WEIGHTS[system.name] * IDLE ** len(system.absent)


def _foretold(models: Mapping[System, Model]) -> tuple[dict[int, Integral], dict[System, float]]:
    """The posteriors of the whole systems on the straight scale, by place; the log weight of each system, foretold.

    The evidence of a narrowed system is foretold at some of the scales that its whole one found likely, relative to
    that of the whole one there; only for those that count is it integrated.
    """
    whole, foretold, start = {}, {}, ()
    for system, model in models.items():
        if not system.idle:
            whole[system.first] = integrate(model, start)
            start = whole[system.first].sampled.proposals[-1:]
    for first, plain in whole.items():
        at = plain.scales(systematic(plain.by_draw, SCREENED))
        seen = {s: _seen(at, model) for s, model in models.items() if s.first == first}
        base = next(value for system, value in seen.items() if not system.idle)
        foretold |= {s: plain.sampled.log_evidence + value - base + np.log(_believed(s)) for s, value in seen.items()}
    return whole, foretold


def _passed_over(foretold: Mapping[System, float], counted: Sequence[System]) -> Mapping[tuple[str, ...], float]:
    """The weight among all systems of those that are not counted, by what is idle in them."""
    found, whole = defaultdict(float), np.logaddexp.reduce(list(foretold.values()))
    for system, weight in foretold.items():
        if system not in counted:
            found[system.idle] += float(np.exp(weight - whole))
    return fixed(found)


def _seen(scales: Scales, model: Model) -> float:
    return float(np.logaddexp.reduce(log_likelihoods_at(scales, model), axis=None))


def curved(link: Link, plain: Integral) -> Integral:
    """The posterior with a curved link, taken as straight at the fitted values (Gauss-Newton, Laplace).

    y - h(eta) + h'(eta) eta = h'(eta) phi'b + e.  The fitted values are those at the scales under the straight link.
    """
    model = plain.model
    eta, scales = link.back(model.observed.means, margin=0.05), _middle(plain)
    b, best = None, np.inf
    for _ in range(NEWTON):
        parts, _ = conditional(scales, _straightened(link, eta, model))
        aim = parts[0, 0] + model.prior.trust * parts[0, 1:].sum(axis=0)
        b, best = _stepped(b, aim, best, lambda b: _misfit(b, link, model, scales))
        before, eta = eta, model.functions.columns @ b
        if np.abs(eta - before).max() < CLOSE * link.half:
            break
    return integrate(_straightened(link, eta, model), start=plain.sampled.proposals[-1:])


def _stepped(b, aim, best: float, misfit) -> tuple[np.ndarray, float]:
    """From b towards aim, half as far as long as the misfit does not fall."""
    if b is None:
        return aim, misfit(aim)
    for share in (1.0, 0.5, 0.25, 0.1):
        there = b + share * (aim - b)
        found = misfit(there)
        if found <= best:
            return there, found
    return b, best


def _misfit(b, link: Link, model: Model, scales: Scales) -> float:
    """-2 log p(y | b) - 2 log p(b) up to a constant, at one choice of scales, each expectation by its trust."""
    left = model.observed.means - link.height(model.functions.columns @ b)
    away = b - model.prior_mean(scales)
    noise = model.noise_covariances(scales)[0]
    return float(left @ np.linalg.solve(noise, left) + away**2 @ (1 / model.prior_variances(scales)[0]))


def _middle(integral: Integral) -> Scales:
    """The root mean squares of the scales, as one choice."""
    scales = integral.scales(np.arange(len(integral.by_draw)))
    squares = [integral.by_draw @ part**2 for part in (scales.degrees, scales.sources, scales.sampling)]
    degrees, sources, sampling = (np.sqrt(np.atleast_1d(part)) for part in squares)
    return Scales(degrees=degrees[None], sources=sources[None], sampling=sampling)


def _straightened(link: Link, eta: np.ndarray, model: Model) -> Model:
    slope, observed, functions = link.slope(eta), model.observed, model.functions
    return replace(model, observed=replace(observed, means=observed.means - link.height(eta) + slope * eta),
                   functions=replace(functions, columns=functions.columns * slope[:, None]))


def shared(made: pd.DataFrame, source: str) -> np.ndarray:
    """1.0 where two pours share a round (see `round_labels`), a melt, or are the same, (n, n)."""
    if source == "pour":
        return np.eye(len(made))
    key = round_labels(made) if source == "round" else made["melt"].astype(str).to_numpy()
    return (key[:, None] == key[None, :]).astype(float)
