"""The classical reading: a polynomial by generalised least squares, for people who check (statsmodels inside).

    y = X b + e,   cov(e) = s2 V / v0,   V = S + round^2 R + melt^2 M + pour^2 I,   v0 = mean of V's diagonal

S is the covariance of the adjusted means, stretched as the hierarchical reading found it; the other variances are the
medians that it found.
Only the RATIOS in V are used as long as residual degrees of freedom are left: s2, the variance of an average pour, is
then estimated from the residuals as in ordinary least squares, to which everything reduces when all pours are alike
(one tester, own pots). Without residual degrees of freedom, or where the fit is exact, s2 is v0. A round or melt that
all pours share cannot be told from the constant, so no variance is added for it.

The model is the richest of quadratic, interaction, linear and constant whose terms the poured formulas can tell apart
with at least one degree of freedom to spare; the constant where all scores are alike. What the pours hardly differ in,
by no more than a balance may do, is taken to be as in them, and no term has it. Factors and settings are coded -1..1
over low..high; the parts of a blend are shares that add to one, in Scheffe's form, whose columns hold the constant: R
squared is centred all the same.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from labkit.checks import coordinates_in
from labkit.core import adequacy
from labkit.core.terms import MODELS, Terms, indistinct_terms, polynomial_terms
from labkit.errors import SurfaceError
from labkit.formula import Recipe
from labkit.handing import handed, hands_out_copies
from labkit.region import Region
from labkit.surfaces.asked import check_level
from labkit.surfaces.fitting import shared
from labkit.wording import plural

SAMPLE = 200  # points of the region at which terms are told apart
SAME = 0.02  # half ranges of every coordinate within which two weighed formulas count as one and the same


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Classical:
    """One attribute's polynomial: models the pours carry (richest first), their coordinates and scores, V / v0, v0.

    sources: which pours share a round and a melt, where these pours can tell. still: coordinates in which the pours
    hardly differ, and where they have them.
    """

    region: Region
    models: tuple[tuple[str, Terms], ...]
    made: pd.DataFrame
    means: pd.Series
    ratios: np.ndarray
    stated_variance: float
    sources: Mapping[str, np.ndarray]
    still: Mapping[str, float]

    def __repr__(self) -> str:
        pours = plural(len(self.made), "pour")
        return f"<Classical: {self.model}, {plural(len(self.terms.names), 'term')} for {pours}>"

    @property
    def recipe(self) -> Recipe:
        return self.region.recipe

    @property
    def model(self) -> str:
        return self.models[0][0]

    @property
    def terms(self) -> Terms:
        return self.models[0][1]

    def columns(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The model matrix at coordinates, a column a term."""
        return pd.DataFrame(self.terms.evaluate(self._values(frame)), index=frame.index,
                            columns=list(self.terms.names))

    def _values(self, frame: pd.DataFrame) -> np.ndarray:
        return coded_values(self.recipe, self.recipe.held_at(frame, self.still))

    @cached_property
    def results(self):
        """The results object of statsmodels: params, bse, pvalues, get_prediction and the rest."""
        from statsmodels.regression.linear_model import GLS

        columns = self.columns(self.made)
        model = GLS(self.means, columns, sigma=self.ratios, hasconst=True)
        if self.scale_df:
            return model.fit(method="qr")
        return model.fit(method="qr", cov_type="fixed scale", cov_kwds={"scale": self.stated_variance})

    @cached_property
    def fit(self) -> adequacy.LeastSquares:
        found = self.fit_of(self.terms)
        return replace(found, **{name: handed(value) for name, value in vars(found).items()})

    def fit_of(self, terms: Terms) -> adequacy.LeastSquares:
        """Least squares of other terms with the same scores and covariance."""
        values = terms.evaluate(self._values(self.made))
        return adequacy.least_squares(values, self.means.to_numpy(), self.ratios)

    @property
    def scale_df(self) -> int:
        """Degrees of freedom from which `scale` is found; 0 where none are left, or nothing is left in them."""
        return self.fit.df if self.fit.sum_of_squares else 0

    @property
    def scale(self) -> float:
        """Variance of an average pour: found in the residuals, or stated where nothing is left of them."""
        return self.fit.scale if self.scale_df else self.stated_variance

    @property
    def is_level(self) -> bool:
        """Whether all scores are alike."""
        return not adequacy.centred_total(self.means.to_numpy(), self.ratios)

    @cached_property
    def groups(self) -> np.ndarray:
        """Which pours repeat one formula."""
        return adequacy.repeats(2 * self.recipe.over_ranges(self.made), SAME)

    def predict(self, frame: pd.DataFrame, level: float) -> pd.DataFrame:
        """mean, se, low, high of the mean of many pours; t intervals, normal where the scale is stated."""
        columns = self.columns(frame).to_numpy()
        mean = columns @ self.fit.coefficients
        se = np.sqrt(self.scale * np.einsum("ij,jk,ik->i", columns, self.fit.covariance, columns))
        half = self.multiple(check_level(level)) * se
        return pd.DataFrame({"mean": mean, "se": se, "low": mean - half, "high": mean + half}, index=frame.index)

    @property
    def press(self) -> float:
        return adequacy.press(self.fit)

    @property
    def r_squared(self) -> float:
        return adequacy.r_squared(self.fit, self.means.to_numpy(), self.ratios)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """A row a term: estimate, se, low and high (90 %), p that it is nothing; as in `results`."""
        from scipy.special import ndtr, stdtr

        estimate, se = self.fit.coefficients, np.sqrt(self.scale * np.diag(self.fit.covariance))
        with np.errstate(divide="ignore", invalid="ignore"):
            away = -np.abs(estimate / se)
        p = 2 * (stdtr(self.scale_df, away) if self.scale_df else ndtr(away))
        half = self.multiple(0.9) * se
        table = {"estimate": estimate, "se": se, "low": estimate - half, "high": estimate + half, "p": p}
        return pd.DataFrame(table, index=pd.Index(self.terms.names, name="term"))

    def multiple(self, level: float) -> float:
        """Standard errors in half of an interval: t, or normal where the scale is stated."""
        from scipy.special import ndtri, stdtrit

        tail = 0.5 + level / 2
        return float(stdtrit(self.scale_df, tail) if self.scale_df else ndtri(tail))

    def by_reml(self) -> tuple["Classical", pd.Series]:
        """The same reading at variances from restricted maximum likelihood alone, and their standard deviations.

        Sources are those that these pours can tell apart: round and melt where some pours share one and not all do, and
        the rest, in which pour and tasting are together. At a kitchen's number of pours this is often far off. An
        exact fit has none, and stays as it is.
        """
        parts = [*self.sources.values(), np.eye(len(self.means))]
        values = self.columns(self.made).to_numpy()
        found = adequacy.restricted_variances(values, self.means.to_numpy(), np.array(parts))
        names = pd.Index([*self.sources, "rest"], name="source")
        told = pd.Series(np.sqrt(found), index=names, name="found")
        if not found.any():
            return self, told
        spread = np.tensordot(found, np.array(parts), axes=1)
        average = float(np.mean(np.diag(spread)))
        return replace(self, ratios=spread / average, stated_variance=average), told

    @cached_property
    def shapes(self) -> pd.DataFrame:
        """A row a model that the pours can carry: df, residual sd, R squared, left-out R squared, PRESS, lack of fit.

        All R squared are about the mean. predicted = 1 - PRESS / total, the total being ((n - 1) / n)^2 of the PRESS of
        the constant alone: the sum of squares about the mean where all pours are alike (Allen 1974), and where they
        share melts it is foretold from the same neighbours as PRESS.
        """
        rows = {}
        for name, terms in self.models:
            rows[name] = self._shape(self.fit_of(terms))
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("model")

    def _shape(self, fit: adequacy.LeastSquares) -> dict[str, float]:
        y = self.means.to_numpy()
        total = adequacy.centred_total(y, self.ratios)
        lack, pure = adequacy.lack_of_fit(fit, self.groups, y, self.ratios)
        left_out, many = adequacy.press(fit), len(y) > 1 and total > 0
        plain, nothing = self.fit_of(dict(self.models)["constant"]), float("nan")
        foretold = adequacy.press(plain) * (1 - 1 / len(y)) ** 2 if many else nothing
        return {
            "terms": len(y) - fit.df,
            "df": fit.df,
            "residual_sd": float(np.sqrt(fit.scale)),
            "r_squared": 1 - fit.sum_of_squares / total if many else nothing,
            "adjusted": 1 - fit.scale / (total / (len(y) - 1)) if many else nothing,
            "press": left_out,
            "predicted": 1 - left_out / foretold if many else nothing,
            "lack_of_fit_df": lack.df,
            "lack_of_fit_f": lack.f,
            "lack_of_fit_p": lack.p,
            "repeats_df": pure.df,
        }

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Where the variation of the pours lies, row by row: df, sum_of_squares, mean_square, f, p.

        linear and curved in sequence, model (both), residual, then what of it is lack of fit and repeats
        (pure error), total about the mean. Tests are against the residual, lack of fit against repeats. Sums are
        weighted by V / v0, so an average pour counts as one.
        """
        y, fit = self.means.to_numpy(), self.fit
        total = adequacy.centred_total(y, self.ratios)
        lack, pure = adequacy.lack_of_fit(fit, self.groups, y, self.ratios)
        rest = fit.sum_of_squares
        parts = {name: adequacy.f_test(ss, df, rest, fit.df) for name, (ss, df) in self._sequence(total).items()}
        parts |= {"residual": adequacy.Comparison(ss=rest, df=fit.df), "lack of fit": lack, "repeats": pure,
                  "total": adequacy.Comparison(ss=total, df=len(y) - 1)}
        table = {name: {"df": c.df, "sum_of_squares": c.ss, "mean_square": c.ss / c.df if c.df else float("nan"),
                        "f": c.f, "p": c.p} for name, c in parts.items()}
        return pd.DataFrame.from_dict(table, orient="index").rename_axis("part")

    def _sequence(self, total: float) -> dict[str, tuple[float, int]]:
        """Sums of squares and df that the linear terms bring, what the others add, and the whole model."""
        n, fit = len(self.means), self.fit
        straight = dict(self.models).get("linear")
        whole = {"model": (total - fit.sum_of_squares, n - 1 - fit.df)}
        if straight is None or self.model in ("linear", "constant"):
            return whole
        first = self.fit_of(straight)
        return {"linear": (total - first.sum_of_squares, n - 1 - first.df),
                "curved": (first.sum_of_squares - fit.sum_of_squares, first.df - fit.df)} | whole

    @cached_property
    def pours(self) -> pd.DataFrame:
        """A row a pour: fitted, residual, left_out (residual with the pour left out), leverage, influence (Cook)."""
        fit, columns = self.fit, self.columns(self.made).to_numpy()
        residual = self.means.to_numpy() - fit.fitted
        with np.errstate(invalid="ignore", divide="ignore"):
            moved = adequacy.influence(fit, columns, self.ratios) if self.scale_df else np.full(len(residual), np.nan)
        return pd.DataFrame({"fitted": fit.fitted, "residual": residual, "left_out": adequacy.left_out_residuals(fit),
                             "leverage": adequacy.leverage(fit, self.ratios), "influence": moved},
                            index=self.means.index)


def read_classically(
    region: Region,
    models: tuple[tuple[str, Terms], ...],
    made: pd.DataFrame,
    means: pd.Series,
    sampling: pd.DataFrame,
    found: Mapping[str, float],
) -> Classical:
    """Choose the model and the covariance; nothing is fitted before it is asked for."""
    spread, telling = sampling.to_numpy(dtype=float) + found["pour"] ** 2 * np.eye(len(made)), {}
    for source in ("round", "melt"):
        common = shared(made, source)
        if not common.all():
            spread = spread + found[source] ** 2 * common
            known = [np.eye(len(made)), *telling.values()]
            telling |= {} if any((common == other).all() for other in known) else {source: common}
    average = float(np.mean(np.diag(spread)))
    points = made[list(region.recipe.coordinates)]
    still = region.recipe.unmoved(points)
    models = carried(moved(region, models, still), coded_values(region.recipe, region.recipe.held_at(points, still)))
    found = Classical(region=region, models=models, made=points, means=means, ratios=spread / average,
                      stated_variance=average, sources=telling, still=still)
    return replace(found, models=models[-1:]) if found.is_level else found


@lru_cache(maxsize=4)
def models_of(region: Region) -> tuple[tuple[str, Terms], ...]:
    """Polynomials over the region, richest first, without terms that no formula of it can tell apart.

    Where an interaction adds nothing, as with one factor, it is the linear model; in a blend it is the quadratic one.
    """
    recipe, sample, found = region.recipe, region.sample(SAMPLE, seed=0), {}
    names = list(recipe.coordinates)
    places = tuple(tuple(names.index(c) for c in columns) for columns in recipe.blends.values())
    values = coded_values(recipe, sample)
    for model in sorted(MODELS, key="interaction".__eq__):          # last, so that it takes the name of no other
        terms = polynomial_terms(names, model=model, blends=places)
        twins = indistinct_terms(terms, values)
        terms = terms.subset([name for name in terms.names if name not in twins])
        if terms.names not in [other.names for other in found.values()]:
            found[model] = terms
    found = {model: found[model] for model in reversed(MODELS) if model in found}
    found["constant"] = Terms(columns=tuple(names), exponents=np.zeros((1, len(names)), dtype=int), blends=places)
    return tuple(found.items())


def moved(region: Region, models: tuple[tuple[str, Terms], ...], still: Mapping[str, float]):
    """The models without terms that nothing tells apart where some coordinates are still; each model once."""
    if not still:
        return models
    values, found = coded_values(region.recipe, region.recipe.held_at(region.sample(SAMPLE, seed=0), still)), {}
    for model, terms in models:
        twins = indistinct_terms(terms, values)
        terms = terms.subset([name for name in terms.names if name not in twins])
        found = {name: other for name, other in found.items() if len(other.names) > 1 and other.names != terms.names}
        found[model] = terms
    return tuple(found.items())


def carried(models: tuple[tuple[str, Terms], ...], values: np.ndarray) -> tuple[tuple[str, Terms], ...]:
    """Models whose terms the poured formulas tell apart with a degree of freedom to spare; always the constant."""
    fits = [len(t.exponents) < len(values) and adequacy.rank(t.evaluate(values)) == len(t.exponents) for _, t in models]
    return tuple(model for model, ok in zip(models, fits, strict=True) if ok or model is models[-1])


def coded_values(recipe: Recipe, frame: pd.DataFrame) -> np.ndarray:
    """Coordinates with factors and settings on -1..1 over low..high, and the parts of blends as shares."""
    parts = {c for columns in recipe.blends.values() for c in columns}
    values = coordinates_in(frame, recipe.coordinates, error=SurfaceError)
    free = np.array([name not in parts for name in recipe.coordinates])
    return np.where(free, 2 * recipe.over_ranges(frame) - 1, values)
