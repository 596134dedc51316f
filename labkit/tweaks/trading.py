"""The trade-off in words: what a point more of one score costs of another, where nothing better is attainable."""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, decimals
from labkit.core.frontier import along, best_attainable, slopes
from labkit.handing import Tables, fixed, hands_out_copies
from labkit.tweaks.search import starting_points, steps_from
from labkit.tweaks.standing import Standing, standing_of
from labkit.wording import Report, decimal_text, grid_of, heading, line, plural, report, words_joined

AROUND = 0.2           # of the scale: how far from the settled formula's scores a trade is looked at
GIVE = 0.02            # of the scale: how far the other attributes may give way
STEEP = 10.0           # a tenth of a scale that costs more than the whole of another may not be had at all
LITTLE = 0.02          # of the scale: a move, or a distance from what is wanted, that is not worth a word
NEAR = 0.35            # of the range of every coordinate: how far from the settled formula a trade is looked for
SAMPLE, BROOD, SCALES = 1000, 300, (0.3, 0.2, 0.12, 0.07, 0.04, 0.02)
PLACES = 7             # formulas along a trade
DRAWS, MEANS = 1024, 256


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Tradeoffs:
    """What of the wants are in conflict around one formula, pair by pair.

    formula : one row of coordinates. scores : attribute -> the mean predicted there. table : a row a pair: attribute,
    other, conflict, then for each point that `attribute` comes nearer to what is wanted what it costs of `other`
    (median, low, high: 90 %), from which to which score of `attribute` that holds, and says. paths : (attribute, other)
    -> formulas along the trade: coordinates and predicted means. scales : attribute -> what trial.toml says of it.
    """

    formula: pd.DataFrame
    scores: pd.Series
    table: pd.DataFrame
    paths: Mapping[tuple[str, str], pd.DataFrame]
    scales: Mapping[str, Attribute]

    def __post_init__(self):
        object.__setattr__(self, "scales", fixed(self.scales))
        object.__setattr__(self, "paths", Tables(self.paths))

    def to_frame(self) -> pd.DataFrame:
        """A row a pair of attributes."""
        return self.table

    def _report(self) -> Report:
        told = [(name, self.scales[name], value) for name, value in self.scores.items()]
        at = words_joined([f"{name} {scale.with_unit(scale.told(value))}" for name, scale, value in told])
        blocks = [heading("What is traded against what"), line(f"Around the formula with {at} expected:")]
        blocks += [line(says) for says in self.table["says"]] or [line("Only one want, so nothing is traded.")]
        known = self.table[self.table["conflict"]]
        if len(known):
            shown = known.drop(columns=["conflict", "says"]).astype({"low": object, "high": object})
            blocks.append(grid_of(shown.replace([np.inf, -np.inf], "no limit"), digits=_places(known, self.scales),
                                  title="Cost of a point (90 % interval)"))
        return report(*blocks)

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Tradeoffs: {int(self.table['conflict'].sum())} of {plural(len(self.table), 'pair')} in conflict>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


@dataclass(frozen=True, kw_only=True, eq=False)
class Cloud:
    """Formulas, the first the one in question; how far each is from it (part of the range), and predicted means."""

    attributes: Mapping[str, Attribute]
    points: pd.DataFrame
    apart: np.ndarray
    means: Mapping[str, np.ndarray]

    def short(self, name: str) -> np.ndarray:
        return shortfall(self.attributes[name], self.means[name])

    def near(self, pair: tuple[str, str]) -> np.ndarray:
        """Where formula and scores are near those in question and no other attribute gives way."""
        kept = self.apart <= NEAR
        for name, values in self.means.items():
            width = self.attributes[name].width
            if name in pair:
                kept &= np.abs(values - values[0]) <= AROUND * width
            else:
                kept &= self.short(name) <= self.short(name)[0] + GIVE * width
        return kept


def shortfall(attribute: Attribute, values: np.ndarray) -> np.ndarray:
    """How far a score is from all one could want, in points of the scale: 0 where more would bring nothing."""
    best = attribute.wanted.best
    return {"rising": np.maximum(best - values, 0.0), "falling": np.maximum(values - best, 0.0),
            "peak": np.abs(values - best)}[attribute.wanted.kind]


def tell_tradeoffs(trial, surfaces=None, at: pd.DataFrame | None = None, seed: int = 0) -> Tradeoffs:
    """Which wants are in conflict around a formula, and what a point of one costs of the other.

    at : one row of coordinates; None for the formula that suggest_next(trial, seed=seed) would settle on. surfaces :
    what fit_surfaces(trial) gave; fitted here where it is left out.

    For each pair, the best attainable set of the two predicted means (nothing nearer to both wants), among formulas at
    which no other attribute is further off than at `at`. The rate is the slope along it, in each of many draws.
    """
    standing = standing_of(trial, at, seed=seed, surfaces=surfaces)
    pairs = list(itertools.combinations(standing.surfaces, 2))
    cloud = _cloud(standing, pairs)
    outlook, rows, paths = standing.outlook(DRAWS), [], {}
    for pair in pairs:
        row, places, sides = _row(cloud, pair, outlook)
        rows.append(row)
        if row["conflict"]:
            path = cloud.points.iloc[places].reset_index(drop=True)
            path = path.assign(**_predicted(standing, path))
            paths[row["attribute"], row["other"]] = path
            rows[-1] = _with_words(row, path[row["attribute"]].iloc[[0, -1]], sides, cloud.attributes)
    columns = ["attribute", "other", "conflict", "cost", "low", "high", "from", "to", "says"]
    return Tradeoffs(formula=standing.settled, table=pd.DataFrame(rows, columns=columns), paths=paths,
                     scales=trial.attributes,
                     scores=pd.Series({name: float(values[0]) for name, values in cloud.means.items()}))


def _cloud(standing: Standing, pairs) -> Cloud:
    """A sample of the region, and ever smaller steps from what is best attainable for each pair."""
    region, rng = standing.trial.region, np.random.default_rng([standing.seed, 73])
    start = starting_points(standing.trial, standing.hold, size=SAMPLE, seed=standing.seed)
    cloud = _joined(standing, _only(standing), start)
    pool = start.to_numpy(dtype=float)
    for scale in SCALES:
        parents = np.concatenate([[0], *(_front(cloud, pair) for pair in pairs)])
        at = np.resize(rng.permutation(np.unique(parents)), BROOD)
        children = steps_from(region, cloud.points.iloc[at], scale=scale, rng=rng, hold=standing.hold, pool=pool)
        cloud = _joined(standing, cloud, children) if len(children) else cloud
    return cloud


def _predicted(standing: Standing, points: pd.DataFrame) -> dict[str, np.ndarray]:
    """By attribute the means that are shown wherever these formulas are."""
    return {name: surface.predict(points)["mean"].to_numpy() for name, surface in standing.surfaces.items()}


def _only(standing: Standing) -> Cloud:
    """The formula in question alone."""
    return Cloud(attributes=standing.trial.attributes, points=standing.settled, apart=np.zeros(1),
                 means=_predicted(standing, standing.settled))


def _joined(standing: Standing, cloud: Cloud, points: pd.DataFrame) -> Cloud:
    """With more formulas: their means in some draws, moved by what these are off by at the formula in question."""
    apart = standing.trial.recipe.apart(points, standing.settled)[:, 0]
    drawn = standing.outlook(MEANS).scores(pd.concat([standing.settled, points], ignore_index=True))
    means = {name: np.append(values, values[0] + drawn[name][:, 1:].mean(axis=0) - drawn[name][:, 0].mean())
             for name, values in cloud.means.items()}
    return replace(cloud, points=pd.concat([cloud.points, points], ignore_index=True),
                   apart=np.append(cloud.apart, apart), means=means)


def _front(cloud: Cloud, pair: tuple[str, str], side: tuple[int, int] | None = None) -> np.ndarray:
    """Places of what is best attainable near the formula; side : on which side of a peak each score is looked at."""
    kept = cloud.near(pair)
    for name, way in zip(pair, side or (), strict=False):
        attribute = cloud.attributes[name]
        if attribute.wanted.kind == "peak":
            kept &= way * (attribute.wanted.best - cloud.means[name]) >= -LITTLE * attribute.width
    places = np.flatnonzero(kept)
    return places[best_attainable(cloud.short(pair[0])[places], cloud.short(pair[1])[places])]


def _ways(cloud: Cloud, name: str) -> tuple[int, ...]:
    """Whether a score has to rise (+1) or to fall (-1) to come nearer to what is wanted; both at a peak's target."""
    attribute = cloud.attributes[name]
    if attribute.wanted.kind != "peak":
        return (1,) if attribute.wanted.kind == "rising" else (-1,)
    off = attribute.wanted.best - cloud.means[name][0]
    return (1, -1) if abs(off) <= LITTLE * attribute.width else (1,) if off > 0 else (-1,)


def _row(cloud: Cloud, pair: tuple[str, str], outlook) -> tuple[dict, np.ndarray, tuple[int, int]]:
    """One pair, the attribute that is further off first; formulas along the trade; which way each score goes there."""
    width = {name: cloud.attributes[name].width for name in pair}
    pair = tuple(sorted(pair, key=lambda name: -cloud.short(name)[0] / width[name]))
    plain, nowhere = {"attribute": pair[0], "other": pair[1], "conflict": False}, np.empty(0, dtype=int)
    if cloud.short(pair[0])[0] <= LITTLE * width[pair[0]]:
        return plain | {"says": f"{pair[0]} and {pair[1]} are both as wanted."}, nowhere, (1, 1)
    sides = list(itertools.product(*(_ways(cloud, name) for name in pair)))
    fronts = [_front(cloud, pair, side) for side in sides]
    trades = [_costly(cloud, pair, front) for front in fronts]
    k = int(np.argmax([np.ptp(cloud.short(pair[0])[trade]) if len(trade) else 0.0 for trade in trades]))
    whole, spans = ([np.ptp(cloud.short(name)[places]) / width[name] if len(places) else 0.0 for name in pair]
                    for places in (fronts[k], trades[k]))
    if min(spans) <= LITTLE:
        cheap = whole[0] > LITTLE >= spans[1]
        return plain | {"says": _peace(pair, len(trades[k]) > 1, cheap)}, nowhere, sides[k]
    places = along(trades[k], cloud.short(pair[0]), PLACES)[::-1]
    rates = exchange_rate(outlook.scores(cloud.points.iloc[places]), pair, sides[k])
    steep = np.abs(rates) * width[pair[0]] > STEEP * width[pair[1]]
    cost, low, high = np.where(steep, np.copysign(np.inf, rates), rates)
    return plain | {"conflict": True, "cost": cost, "low": low, "high": high}, places, sides[k]


def _with_words(row: dict, ends: pd.Series, side: tuple[int, int], attributes: Mapping[str, Attribute]) -> dict:
    """From where to where of the first attribute the trade goes, and the sentence about it."""
    first, other = attributes[row["attribute"]], attributes[row["other"]]
    row = row | {"from": float(ends.iloc[0]), "to": float(ends.iloc[1])}
    finer, unit = (first.finer, other.finer), f"{other.shown_unit} " * other.is_read
    return row | {"says": _says(row, side, _step(first), unit, finer=finer)}


def _step(attribute: Attribute) -> str:
    """`point`, `mm`; on a scale from 0 to 1 `0.1`, on one from 0 to 1000 mm `10 mm`."""
    size = f"{10.0 ** -attribute.finer:g}"
    if not attribute.finer:
        return attribute.shown_unit if attribute.is_read else "point"
    return f"{size} {attribute.shown_unit}" if attribute.is_read else size if attribute.finer > 0 else f"{size} points"


def _places(table: pd.DataFrame, scales: Mapping[str, Attribute]) -> dict[str, list[int]]:
    """Decimals row by row: a cost is in points of the other a point of the attribute."""
    own, other = (np.array([scales[name].finer for name in table[column]]) for column in ("attribute", "other"))
    cost = (2 + other - own).clip(min=0).tolist()
    return dict.fromkeys(("cost", "low", "high"), cost) | dict.fromkeys(("from", "to"), (2 + own).clip(min=0).tolist())


def _costly(cloud: Cloud, pair: tuple[str, str], front: np.ndarray) -> np.ndarray:
    """The part of a best attainable set along which the second gives way: up to where it has given a little."""
    if not len(front):
        return front
    lost = cloud.short(pair[1])[front] - cloud.short(pair[1])[front[-1]]
    begins = int(np.flatnonzero(lost >= LITTLE * cloud.attributes[pair[1]].width).max(initial=0))
    return front[:begins + 1]


def exchange_rate(drawn: Mapping[str, np.ndarray], pair: tuple[str, str], side: tuple[int, int]) -> np.ndarray:
    """Median and 90 % limits of what a point of the first costs of the second along some formulas.

    drawn : attribute -> draws (n, formulas); side : +1 where more of it is wanted there, -1 where less. In each draw
    the first gains g and the second loses l along the way; the rate is l / g. Its limits are those of the angle between
    the two, so that a draw in which the first hardly gains makes the rate large and not negative: inf, where the limit
    is a way on which it gains nothing (as with ratios of means: Fieller 1954, JRSS B 16:175-185).
    """
    steps = np.broadcast_to(side[0] * drawn[pair[0]].mean(axis=0), drawn[pair[0]].shape)
    gain, loss = slopes(steps, side[0] * drawn[pair[0]]), -slopes(steps, side[1] * drawn[pair[1]])
    angles = np.quantile(np.arctan2(loss, gain), [0.5, 0.05, 0.95])
    return np.where(np.abs(angles) < np.pi / 2, np.tan(angles), np.copysign(np.inf, angles))


def _peace(pair: tuple[str, str], traded: bool, cheap: bool) -> str:
    """Why there is no conflict: one gains next to nothing, or loses as little (`cheap`), or gains as the other does."""
    if traded and cheap:
        return (f"{pair[0]} and {pair[1]} are not in conflict here: to bring {pair[0]} nearer to what is wanted costs "
                f"next to nothing of {pair[1]}.")
    if traded:
        return (f"{pair[0]} and {pair[1]} are not in conflict here: giving up {pair[1]} would hardly bring {pair[0]} "
                "nearer to what is wanted.")
    return f"{pair[0]} and {pair[1]} are not in conflict here: what serves the one does not harm the other."


def _says(row: Mapping, side: tuple[int, int], unit: str, of_other: str = "", finer: tuple[int, int] = (0, 0)) -> str:
    """`Each point of payoff beyond 6.0 costs 0.8 of hardness, up to 7.3 (90 %: 0.4 to 1.3).`

    unit : what of the first is bought at a time; finer : decimals beyond the usual one of the first and of the other.
    """
    beyond, until = ("beyond", "up to") if side[0] > 0 else ("under", "down to")
    own, other = (decimals(1, more) for more in finer)
    a_unit = 10.0 ** -finer[0]
    cost, low, high = (row[name] * a_unit for name in ("cost", "low", "high"))
    other += 0 < cost * 10.0**other < 2               # a point of 100 costs little: `0.11`, not `0.1`
    span = _span(low, high, other)
    begin, end = (decimal_text(row[name], own) for name in ("from", "to"))
    begun = f"{row['attribute']} {beyond} {begin}"
    if np.isinf(cost):
        return f"{begun} can only be bought with {row['other']}, and may not be had at all (90 %: {span} a {unit})."
    text = (f"Each {unit} of {begun} costs {decimal_text(cost, other)} {of_other}of {row['other']}, {until} {end} "
            f"(90 %: {span})")
    return f"{text}; as little is known, it may cost nothing." if row["low"] <= 0 else f"{text}."


def _span(low: float, high: float, places: int) -> str:
    """`0.4 to 1.3`; an end that no draw bounds is left out."""
    least, most = (decimal_text(end, places) for end in (low, high))
    if np.isinf(low) and np.isinf(high):
        return "anything"
    if np.isinf(low):
        return f"{most} or less"
    return f"{least} or more" if np.isinf(high) else f"{least} to {most}"
