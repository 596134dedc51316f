"""What a round is asked to teach: the functions of the model, what is known of them before, and the criterion."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.aside import pours_aside, without_aside
from labkit.core.optimal import Criterion, information, round_contrasts
from labkit.core.terms import (
    DegreeBasis,
    Terms,
    basis_of_terms,
    degree_basis,
    indistinct_columns,
    polynomial_terms,
    product_moments,
    sample_moments,
)
from labkit.definition import NOISE
from labkit.errors import PlanError
from labkit.formula import AS_HELD
from labkit.region import Region
from labkit.trial import Trial
from labkit.weighed import round_labels
from labkit.wording import words_joined

DENSE = 2048  # points of the region that stand for its uniform measure
TESTERS = 6  # a handful, until scores say how many there are
# Weak prior: root mean square, as a part of the scale's width, of the constant about the middle of the scale, of all
# linear functions together, and of all curved ones together: about those of the hierarchical reading of the surfaces,
# whose half-t scales of 4 degrees of freedom have medians .20 and .06 and root mean squares 1.91 times that.
WEAK = MappingProxyType({0: 0.35, 1: 0.29, 2: 0.13})


@dataclass(frozen=True, kw_only=True)
class Variances:
    """Variances of one pour's mean score, of melts and of rounds, in squared widths of the scale.

    testers : how many score a pour, as counted in the first.
    """

    pour: float
    melt: float
    round: float
    testers: float

    @property
    def melt_ratio(self) -> float:
        """eta: the variance of melts over that of one pour's mean score."""
        return self.melt / self.pour


def noise_of(trial: Trial, testers: float | None = None, scoring: Mapping[str, float] | None = None) -> Variances:
    """The stated noise, averaged over the attributes; a pour's holds that of tester x pour over those who score it.

    testers : how many score a pour; as usual so far. scoring : attribute -> the part of them that scores it, 1 where it
    is left out; as so far. An attribute that an instrument reads counts with one reading a pour.
    """
    testers = usual_testers(trial) if testers is None else testers
    scoring = scoring_parts(trial) if scoring is None else scoring
    widths = [(name, trial.noise_of(name), attribute.width) for name, attribute in trial.attributes.items()]
    parts = [{source: (sd[source] / width) ** 2 for source in NOISE} | {"reading": _read_variance(sd, width)}
             | {"tester_pour": (sd["tester_pour"] / width) ** 2 / scoring.get(name, 1.0)}
             for name, sd, width in widths] or [
        {source: part**2 for source, part in NOISE.items()} | {"reading": 0.0}
    ]
    mean = {source: float(np.mean([part[source] for part in parts])) for source in (*NOISE, "reading")}
    pour = max(mean["pour"] + mean["tester_pour"] / testers + mean["reading"], 1e-12)
    return Variances(pour=pour, melt=mean["melt"], round=mean["round"], testers=testers)


def _read_variance(sd: dict[str, float], width: float) -> float:
    return (sd.get("reading", 0.0) / width) ** 2


def usual_testers(trial: Trial) -> float:
    """How many testers score a pour: the median so far, which may lie between two whole numbers."""
    scores = trial.standing_scores
    return float(scores.groupby("pour")["tester"].nunique().median()) if len(scores) else float(TESTERS)


def testers_by_attribute(trial: Trial) -> dict[str, float]:
    """The same for each attribute that was scored: fewer, where not everybody scores everything."""
    scores = trial.standing_scores
    counts = scores.groupby(["attribute", "pour"])["tester"].nunique() if len(scores) else pd.Series(dtype=float)
    return counts.groupby("attribute").median().astype(float).to_dict() if len(counts) else {}


def scoring_parts(trial: Trial) -> dict[str, float]:
    """Attribute -> the part of the usual testers that scores it, for each that was scored."""
    usual = usual_testers(trial)
    return {name: count / usual for name, count in testers_by_attribute(trial).items()}


@dataclass(frozen=True, kw_only=True, eq=False)
class Question:
    """Functions of the model, their prior precision (p, p) in units of one pour, and what is asked of them.

    `whole` is the region of the trial, whose coding all coordinates use; `held` the part of it that is planned in,
    and `sample` stands for the uniform measure over that part.
    """

    whole: Region
    held: Region
    sample: pd.DataFrame
    columns: tuple[str, ...]
    functions: DegreeBasis
    prior: np.ndarray
    criterion: Criterion
    noise: Variances

    @property
    def size(self) -> int:
        """How many functions the model has."""
        return len(self.prior)

    @property
    def is_flat(self) -> bool:
        return not self.prior.any()

    def rows(self, coordinates: pd.DataFrame) -> np.ndarray:
        """The model matrix (m, p) at coordinates."""
        return self.functions.evaluate(model_values(self.whole, coordinates, self.columns))


def weak_question(whole: Region, held: Region, noise: Variances, *, model: str, kind: str) -> Question:
    """Functions of the region by degree, each degree with its stated scale; independent of how factors are coded.

    The variance of a degree is divided among its functions. Their measure is uniform on coded factors in `held`.
    """
    columns, inside = whole.recipe.coordinates, whole.sample(DENSE)
    sample = model_values(whole, inside, columns)
    if model == "interaction":
        functions = basis_of_terms(sample, terms_of(whole, columns, model).exponents)
    else:
        functions = degree_basis(sample, degree=1 if model == "linear" else 2)
    share = np.array([WEAK[k] ** 2 / np.sum(functions.degrees == k) for k in functions.degrees])
    moments = np.eye(functions.size)
    if held is not whole:
        inside = held.sample(DENSE)
        moments = sample_moments(functions.evaluate(model_values(whole, inside, columns)))
    return Question(
        whole=whole,
        held=held,
        sample=inside,
        columns=columns,
        functions=functions,
        prior=np.diag(noise.pour / share),
        criterion=Criterion(kind=kind, moments=moments),
        noise=noise,
    )


def flat_question(whole: Region, held: Region, noise: Variances, *, model: str, kind: str) -> Question:
    """The polynomial itself: factors coded -1 to 1, Scheffe terms in blends, nothing known before.

    The terms are made orthonormal over a dense sample, which changes neither criterion but by a constant and keeps
    all digits where a blend has narrow ranges. The moment matrix is exact where the region is a box of factors or a
    whole blend, else that of the sample.
    """
    columns = free_columns(held)
    terms, inside = terms_of(held, columns, model), held.sample(DENSE)
    values = model_values(whole, inside, columns)
    _check_distinct(terms, terms.evaluate(values), model)
    functions = basis_of_terms(values, terms.exponents)
    moments = np.eye(functions.size)
    if _is_product(held, columns, terms):
        exact = product_moments(replace(terms, exponents=functions.exponents))
        moments = functions.weights.T @ exact @ functions.weights
    return Question(
        whole=whole,
        held=held,
        sample=inside,
        columns=columns,
        functions=functions,
        prior=np.zeros_like(moments),
        criterion=Criterion(kind=kind, moments=moments),
        noise=noise,
    )


def _check_distinct(terms: Terms, matrix: np.ndarray, model: str) -> None:
    """The region can tell all terms apart."""
    for name, others in indistinct_columns(matrix, terms.names).items():
        raise PlanError(
            f"the {model} model is richer than the region: {name} cannot be told from {words_joined(others)} there. "
            "Choose a smaller model, or prior='weak'."
        )


def model_values(region: Region, coordinates: pd.DataFrame, columns: tuple[str, ...]) -> np.ndarray:
    """What terms are written in (m, d): the parts of blends as shares, factors and settings coded from -1 to 1."""
    bounds = region.recipe.bounds.loc[list(columns)]
    parts = {part for blend in region.recipe.blends.values() for part in blend}
    in_blend = np.array([c in parts for c in columns])
    middle = np.where(in_blend, 0.0, (bounds["low"] + bounds["high"]) / 2)
    half = np.where(in_blend, 1.0, (bounds["high"] - bounds["low"]) / 2)
    values = coordinates[list(columns)].to_numpy(dtype=float)
    return (values - middle) / np.where(half > 0, half, 1.0)


def terms_of(region: Region, columns: tuple[str, ...], model: str) -> Terms:
    """The polynomial in some columns; the parts of a blend among them fill it."""
    places = {c: k for k, c in enumerate(columns)}
    blends = [tuple(places[c] for c in blend if c in places) for blend in region.recipe.blends.values()]
    return polynomial_terms(columns, model=model, blends=[blend for blend in blends if blend])


def free_columns(region: Region) -> tuple[str, ...]:
    """Coordinates that can vary; a blend of which a single part is left has nothing to vary."""
    bounds = region.recipe.bounds
    free = [c for c in region.recipe.coordinates if bounds.at[c, "high"] > bounds.at[c, "low"]]
    for blend in region.recipe.blends.values():
        if sum(c in free for c in blend) == 1:
            free = [c for c in free if c not in blend]
    return tuple(free)


def _is_product(region: Region, columns: tuple[str, ...], terms: Terms) -> bool:
    """Whether the corners are all those of a box of factors times whole blends."""
    values = np.unique(np.round(model_values(region, region.corners(), columns), 9), axis=0)
    in_blend = {place for blend in terms.blends for place in blend}
    factors = [place for place in range(len(columns)) if place not in in_blend]
    ends = np.isin(np.abs(values[:, factors]), 1.0).all() and np.isin(values[:, sorted(in_blend)], (0.0, 1.0)).all()
    return bool(ends) and len(values) == 2 ** len(factors) * int(np.prod([len(blend) for blend in terms.blends]))


@dataclass(frozen=True, kw_only=True, eq=False)
class Past:
    """Pours that are counted before a round: coordinates, with the columns round and melt first; and notes."""

    pours: pd.DataFrame
    notes: tuple[str, ...] = ()


def past_of(trial: Trial) -> Past:
    """Pours made and not failed (or judged all the same), and planned ones that are still to be poured.

    A pour that was planned and never poured is expected only in the last planned round. One that is set aside as a
    whole tells nothing, however well it held.
    """
    made, plan = without_aside(trial.made, trial.set_aside), trial.plan
    judged = set(trial.judged["pour"])
    counts = made["ok"] | made.index.isin(judged)
    waiting = plan[(plan["round"] == plan["round"].max()) & ~plan["pour"].isin(trial.pours["pour"])]
    columns = ["round", "melt", *trial.recipe.coordinates]
    parts = [part for part in (made.loc[counts, columns], waiting.set_index("pour")[columns]) if len(part)]
    pours = pd.concat(parts) if parts else made.loc[counts, columns]
    return Past(pours=pours, notes=_past_notes(trial, pours, waiting))


def _past_notes(trial: Trial, pours: pd.DataFrame, waiting: pd.DataFrame) -> tuple[str, ...]:
    notes = []
    if len(waiting):
        names = words_joined(waiting["pour"])
        notes.append(f"Not yet poured and counted as if poured as planned: {names}.")
    missing = [name for name in trial.failed if name not in pours.index]
    if missing:
        notes.append(f"Failed and therefore not counted: {words_joined(missing)}.")
    if aside := [name for name in pours_aside(trial.set_aside) if name in trial.made.index and name not in missing]:
        notes.append(f"Set aside and therefore not counted: {words_joined(aside)}.")
    return tuple(notes)


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """Precision (p + b, p + b) before a round, and the columns (b,) that its pours carry beside the model's.

    With earlier rounds b is 1: the new round against the mean of the earlier ones, a block. rounds : how many there
    are, the new one among them. A surface is of many rounds, but all pours tell of it together with the mean of theirs.
    """

    precision: np.ndarray
    block: np.ndarray
    rounds: int = 1

    def of_rounds(self, noise: Variances, *, before: bool = False) -> float:
        """Variance of the mean of the rounds, in units of one pour; nothing before any pour."""
        return 0.0 if before and not len(self.block) else noise.round / noise.pour / self.rounds

    def rows(self, model_rows: np.ndarray) -> np.ndarray:
        """What pours of a round tell of the model and of the round, (m, p + b)."""
        return np.hstack([model_rows, np.tile(self.block, (len(model_rows), 1))])

    def after(self, question: Question, pours: pd.DataFrame) -> np.ndarray:
        """Precision (p + b, p + b) once a round of these pours is made, melts as whole plots."""
        rows = self.rows(question.rows(pours))
        return self.precision + information(rows, melts=pours["melt"].to_numpy(), ratio=question.noise.melt_ratio)

    def criterion(self, asked: Criterion) -> Criterion:
        """The criterion with nothing asked about the block."""
        size = len(self.precision)
        moments = np.zeros((size, size))
        moments[: len(asked.moments), : len(asked.moments)] = asked.moments
        return Criterion(kind=asked.kind, moments=moments)


def known_before(question: Question, past: pd.DataFrame) -> Known:
    """Prior and earlier pours together; melts as whole plots, rounds as blocks with their stated variance.

    Differences among the earlier rounds are integrated out: S = A - B C^-1 B'.
    """
    counted = _comparable(question, past)
    if not len(counted):
        return Known(precision=question.prior, block=np.empty(0))
    rounds = round_labels(counted)
    contrasts = round_contrasts(np.append(rounds, np.inf))
    rows = np.hstack([question.rows(counted), contrasts[:-1]])
    p, blocks = question.size, contrasts.shape[1]
    precision = information(rows, melts=counted["melt"].to_numpy(), ratio=question.noise.melt_ratio)
    precision[:p, :p] += question.prior
    precision[p:, p:] += np.eye(blocks) * question.noise.pour / max(question.noise.round, 1e-12)
    kept, gone = [*range(p), p + blocks - 1], [*range(p, p + blocks - 1)]
    within = precision[np.ix_(kept, kept)]
    if gone:
        beside = precision[np.ix_(kept, gone)]
        within = within - beside @ np.linalg.solve(precision[np.ix_(gone, gone)], beside.T)
    return Known(precision=within, block=contrasts[-1, -1:], rounds=blocks + 1)


def _comparable(question: Question, past: pd.DataFrame) -> pd.DataFrame:
    """Earlier pours that the model can speak of: with a flat prior and a hold, only those at the held values."""
    bounds, held = question.whole.recipe.bounds, question.held.recipe.bounds
    steps = dict(zip(question.whole.recipe.coordinates, question.whole.recipe.steps, strict=True))
    fixed = [c for c in bounds.index if question.is_flat and held.at[c, "low"] == held.at[c, "high"]]
    near = np.ones(len(past), dtype=bool)
    for c in fixed:
        room = max(AS_HELD * max(bounds.at[c, "high"] - bounds.at[c, "low"], 1e-9), steps[c])
        near &= (np.abs(past[c] - held.at[c, "low"]) <= room).to_numpy()
    return past[near]
