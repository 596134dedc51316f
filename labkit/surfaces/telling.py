"""A surface in words, in the order of the maker's questions."""

import math

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, decimals
from labkit.core.adequacy import Comparison
from labkit.core.posterior import DOUBT
from labkit.surfaces.classical import Classical
from labkit.surfaces.effects import POINTS
from labkit.surfaces.fitting import SHAPES_OF_PEAK, TRUST
from labkit.surfaces.ground import nested_shares
from labkit.surfaces.polynomial import polynomial_blocks
from labkit.surfaces.posterior import Posterior, normal_multiple
from labkit.wording import (
    Report,
    beside_stated,
    grid_of,
    heading,
    line,
    number_text,
    p_texts,
    plural,
    report,
    short_text,
    words_joined,
)

NOISE_COLUMNS = ("stated", "found", "low", "high", "says")
LINK_WORDS = {"straight": "the scale as it is", "both": "one that saturates at both ends (logit)",
              "floor": "one that tapers off towards the low end (log)",
              "ceiling": "one that tapers off towards the high end"}
PEAK_TO_ONE = SHAPES_OF_PEAK["floor"] / SHAPES_OF_PEAK["straight"]
WORDS = {"round": "rounds", "melt": "melts", "pour": "pours", "tester_pour": "tester x pour", "reading": "readings"}


def noise_row(posterior: Posterior, source: str) -> dict[str, object]:
    """stated and found medians of a source's standard deviation, its 90 % interval, and what the data say."""
    stated = posterior.stated[source]
    low, found, high = posterior.noise_quantiles(source, (0.05, 0.5, 0.95))
    return {"stated": stated, "found": found, "low": low, "high": high, "says": _says(stated, low, found, high, source)}


def single_source(tasting: pd.DataFrame) -> str:
    """The source of noise that is anew in every score or reading."""
    return "reading" if "reading" in tasting.index else "tester_pour"


def unsure_of(tasting: pd.DataFrame) -> float:
    """Standard deviation of the logarithm of the noise of a single score or reading, from its 90 % limits."""
    low, high = tasting.loc[single_source(tasting), ["low", "high"]]
    return float(np.log(high / low) / (2 * normal_multiple(0.9))) if high > low > 0 else 0.0


def tasting_rows(posterior: Posterior, tasting: pd.DataFrame) -> dict[str, dict[str, object]]:
    """The panel's two sources, or the instrument's one; that of a single value once more, now that pours and the shape
    of the surface are told apart."""
    rows, single = tasting.to_dict("index"), single_source(tasting)
    low, found, high = posterior.stretch_quantiles((0.05, 0.5, 0.95)) * tasting.at[single, "found"]
    stated, says = tasting.at[single, "stated"], tasting.at[single, "says"]
    if not says.startswith("the data say nothing") or not 0.75 < found / stated < 1.33:
        says = beside_stated(stated, low, found, high)
    return rows | {single: {"stated": stated, "found": found, "low": low, "high": high, "says": says}}


def _says(stated: float, low: float, found: float, high: float, source: str) -> str:
    prior_low, prior_high = stated * np.exp(DOUBT * normal_multiple(0.9) * np.array([-1, 1]))
    narrower = (high - low) / (prior_high - prior_low)
    if narrower > 0.75 and 0.75 < found / stated < 1.33:
        return f"the data say nothing yet about {WORDS[source]}"
    return beside_stated(stated, low, found, high)


def told_bends(surface) -> pd.DataFrame:
    """The bends of coordinates that seem to play a part: a bend of others shows through by chance."""
    bends = surface.bends
    return bends[~(surface.effects["no part"].reindex(bends.index) > 0.5)]


def standing(surface) -> str:
    """`load +3.1 from low to high, red_share +4.8 in the middle over the ends`, or that nothing can be told yet."""
    scale = surface.posterior.attribute
    moved, bent = moved_by(surface.effects, scale), moved_by(told_bends(surface), scale)
    parts = [f"{moved} from low to high"] * bool(moved) + [f"{bent} in the middle over the ends"] * bool(bent)
    return ", ".join(parts)


def moved_by(effects: pd.DataFrame, scale: Attribute) -> str:
    """`load +3.1 and wax -1.4`, with the unit of what is read: coordinates whose 90 % interval leaves 0 out, largest
    first."""
    sure = effects[(effects["low"] > 0) | (effects["high"] < 0)]
    sure = sure.reindex(sure["effect"].abs().sort_values(ascending=False, kind="stable").index)
    told = [f"{name} {scale.with_unit(scale.told(effect, sign='+'))}" for name, effect in sure["effect"].items()]
    return words_joined(told) if told else ""


def one_line(surface) -> str:
    """`payoff: load +3.1 and wax -1.4 from low to high; a formula's mean is known to 0.8 (90 %) after 12 pours`."""
    told = standing(surface) or "nothing that varies can be told from nothing yet"
    scale = surface.posterior.attribute
    known = scale.with_unit(scale.told(typical_half_width(surface)))
    return f"{surface.attribute}: {told}; a formula's mean is known to {known} (90 %) after {_pours(surface)}"


def typical_half_width(surface) -> float:
    """Half of a 90 % interval for the mean at a formula of the region, root mean square."""
    ground = surface.posterior.ground
    spread = surface.posterior.moments(ground.columns(ground.sample.iloc[:POINTS]))[1]
    return normal_multiple(0.9) * float(np.sqrt(np.mean(spread**2)))


def _pours(surface) -> str:
    return plural(len(surface.scores), "pour")


def in_digits(more: int, *columns: str, digits: int = 2) -> dict[str, int]:
    """Decimals by column, `more` than usual."""
    return dict.fromkeys(columns, decimals(digits, more))


def report_of(surface) -> Report:
    """Anything? The shape? A new pour? Which pour decides?"""
    scale = surface.posterior.attribute
    by = f" {scale.shown_unit} of {scale.reading}" if scale.is_read else ""
    judged = "read" if scale.is_read else "scored"
    top = heading(f"{surface.attribute}, {scale.low:g} to {scale.high:g}{by}: {_pours(surface)} {judged}")
    checked = polynomial_blocks(surface.classical, scale)
    return report(top, *_anything(surface), *_shape(surface), *_new_pour(surface), *_deciding(surface), *checked)


def _anything(surface) -> list:
    stands, classical = standing(surface), surface.classical
    told = (f"On average over the region: {stands}." if stands
            else "Nothing that varies can be told from nothing yet: every 90 % interval below holds zero.")
    finer = surface.posterior.attribute.finer
    effects = grid_of(surface.effects, digits=in_digits(finer, "effect", "se", "low", "high"), index="from low to high")
    squares = in_digits(2 * finer, "sum_of_squares", "mean_square")
    anova = grid_of(surface.anova.assign(p=p_texts(surface.anova["p"])), digits=squares, index="part")
    return [heading("Is there anything?"), line(told), effects, line(_model_sentence(classical)), anova]


def _model_sentence(classical: Classical) -> str:
    rest = plural(classical.fit.df, "degree") + " of freedom left"
    if classical.is_level and classical.fit.df:
        return "Classical reading: all pours came out alike, so that it has no more than a constant."
    if classical.model == "constant":
        return f"Classical reading: these pours carry no more than a constant, with {rest}."
    parts = [c for columns in classical.recipe.blends.values() for c in columns]
    others = [c for c in classical.recipe.coordinates
              if c not in parts and c in classical.recipe.varying and c not in classical.still]
    parts = [] if set(parts) & classical.recipe.varying <= set(classical.still) else parts
    where = words_joined([f"{words_joined(others)} coded -1 to 1"] * bool(others)
                         + [f"{words_joined(parts)} as shares"] * bool(parts))
    r2 = number_text(classical.r_squared, 3)
    return (f"Classical reading: {classical.model} in {where}, {plural(len(classical.terms.names), 'term')}, {rest}. "
            f"It follows the pours with R squared {r2} (about the mean).{_still_words(classical)}")


def _still_words(classical: Classical) -> str:
    """What the model leaves out, since weighing alone moved it."""
    names = words_joined(classical.still)
    return f" In {names} the pours hardly differ, so what that does is not in it." * bool(classical.still)


def _shape(surface) -> list:
    classical = surface.classical
    told = _lack_of_fit(surface.lack_of_fit, classical.model, int(classical.shapes["repeats_df"].iloc[0]))
    shown = classical.shapes[["terms", "df", "residual_sd", "r_squared", "predicted", "press", "lack_of_fit_p"]]
    finer = surface.posterior.attribute.finer
    places = dict.fromkeys(shown.columns, 3) | in_digits(finer, "residual_sd", digits=3)
    shapes = grid_of(shown, digits=places | in_digits(2 * finer, "press", digits=3), index="model")
    return [heading("Is the shape right?"), line(told), shapes, line(_scales(surface)), *_expectations(surface)]


def _lack_of_fit(lack: Comparison, model: str, repeats: int) -> str:
    """Whether repeats speak against the model; else what is missing: repeats (df), other formulas, or their spread."""
    if not math.isnan(lack.f):
        verdict = "does not hold" if lack.p < 0.05 else "is not contradicted"
        return (f"Against the spread of repeats, the {model} model {verdict} "
                f"(F {number_text(lack.f)} on {lack.df} df, p {number_text(lack.p, 3)}).")
    if not repeats:
        return ("No two pours came out alike to a hundredth of every range: lack of fit cannot be told. A repeat as "
                "near as that would tell.")
    if not lack.df:
        return (f"The {model} model has a term for every formula that was poured, so beside repeats there is nothing "
                "to check it against: lack of fit cannot be told. More different formulas would tell.")
    return ("The repeats came out exactly alike: lack of fit cannot be told against no spread. Another repeat would "
            "tell.")


def _scales(surface) -> str:
    shapes = pd.DataFrame([(c.link.name, c.system.name, c.weight) for c in surface.posterior.candidates],
                          columns=["link", "system", "weight"])
    weights = shapes.groupby("link")["weight"].sum().sort_values(ascending=False, kind="stable")
    words = [f"{LINK_WORDS[name]} {100 * weight:.0f} %" for name, weight in weights.items()]
    form = {2: "quadratic", 4: "quartic"}[surface.posterior.ground.degree]
    told = f"The hierarchical reading bends as a {form} on one of these scales, by evidence: {words_joined(words)}."
    if not math.isnan(surface.posterior.hill_trust):
        tapered = "peaks tapers off on all sides, so the log" if surface.posterior.turn > 0 else (
            "dips tapers off on all sides, so the scale that tapers off towards the high end")
        told += f" What {tapered} began with {PEAK_TO_ONE:.0f} times the weight of each of the others."
    nested = nested_shares(surface.posterior.ground.trial.recipe)
    if nested:
        share = 100 * shapes.loc[shapes["system"] == "masses", "weight"].sum()
        masses = words_joined(f"{inner} x {outer}" for inner, outer in nested)
        told += f" With {masses} in the place of {words_joined(inner for inner, _ in nested)}: {share:.0f} %."
    return told + _idle_words(surface.effects["no part"])


def _idle_words(idle: pd.Series) -> str:
    """Which coordinates seem to play no part, for those of whom it is more likely than not."""
    words = [f"{name} {100 * share:.0f} %" for name, share in idle.items() if share > 0.5]
    return f" Chance that a coordinate plays no part at all: {words_joined(words)}." if words else ""


def _expectations(surface) -> list:
    effects = surface.effects
    asked = effects[(effects["expected"] != 0) & effects["trust"].notna()]
    ways = {1: "up", -1: "down"}
    words = [f"{name} {ways[int(row.expected)]} {100 * row.trust:.0f} %" for name, row in asked.iterrows()]
    begun = f"begun at {100 * TRUST:.0f} %"
    if words:
        return [line(f"Expected directions, each {begun}, now stand at: {words_joined(words)}.")]
    hill = surface.posterior.hill_trust
    turns = f"it {'peaks' if surface.posterior.turn > 0 else 'dips'} within the region"
    told = f"No direction is expected here, as it is elsewhere. That {turns}, {begun}, now stands at"
    return [] if math.isnan(hill) else [line(f"{told}: {100 * hill:.0f} %.")]


def _new_pour(surface) -> list:
    mean_half = typical_half_width(surface)
    pour_half = float(np.hypot(mean_half, normal_multiple(0.9) * math.sqrt(surface.posterior.variance_of_pour())))
    scale = surface.posterior.attribute
    mean, pour = (scale.with_unit(scale.told(half)) for half in (mean_half, pour_half))
    told = (f"At a formula of the region the long-run mean is known to {mean} and one new pour falls within "
            f"{pour} of it, were it judged many times (half of a 90 % interval, typical).")
    shapes = surface.classical.shapes
    left_out = shapes.iloc[0]["predicted"]
    checked = "Some pour cannot be left out, because it alone decides a term of the classical reading."
    if surface.classical.is_level and len(surface.scores) > 1:
        checked = "All pours came out alike, so leaving one out tells nothing of how well others are foretold."
    if not math.isnan(left_out):
        part = f"{number_text(100 * left_out, 0)} % of the variation" if left_out >= 0.005 else "little or nothing"
        share = part if surface.press < shapes["press"].iloc[-1] else "no better than the plain average"
        checked = (f"Leaving one pour out at a time, the classical reading foretells {share} "
                   f"(PRESS {number_text(surface.press, decimals(2, 2 * scale.finer))}).")
    return [heading("How far off will a new pour be?"), line(told), line(checked),
            grid_of(surface.noise, digits=in_digits(scale.finer, *NOISE_COLUMNS[:-1]), index="standard deviation of")]


def _deciding(surface) -> list:
    table = surface.to_frame().set_index("pour")
    columns = ["score", "score_se", "mean", "low", "high", "left_out"]
    shown, places = table[[*columns, "leverage", "influence"]], in_digits(surface.posterior.attribute.finer, *columns)
    if surface.posterior.attribute.is_read:
        names = {"score": "read", "score_se": "read_se"}
        shown, places = shown.rename(columns=names), {names.get(name, name): k for name, k in places.items()}
    blocks = [heading("Which pour decides?"), line(_influence_sentence(table))]
    if not table["leverage"].between(-0.005, 1.005).all():
        own = "reading" if surface.posterior.attribute.is_read else "score"
        blocks.append(line(f"Leverage: how far a pour's fitted value goes along with its own {own}. Where pours share "
                           "rounds or melts, that may be more than all of the way, or a little against it."))
    return [*blocks, grid_of(shown, digits=places, index="pour"), *(line(text) for text in disagreements(surface))]


def _influence_sentence(table: pd.DataFrame) -> str:
    """What decides a term alone has no Cook's distance, so that is said first; leverage, where no pour has one."""
    moved, alone, weight = table["influence"], table.index[table["left_out"].isna()], table["leverage"]
    if not moved.notna().any():
        told, pour = number_text(weight.max()), weight.idxmax()
        alike = len(table) > 1 and np.ptp(weight) < 0.005
        return (f"All pours weigh alike in their own fitted values (leverage {told})." if alike
                else f"{pour} weighs most in its own fitted value (leverage {told}).")
    pour = moved.idxmax()
    far = number_text(moved[pour]) if moved[pour] < 10 else short_text(moved[pour])
    told = f"(Cook's distance {far}"
    if len(alone):
        decide = "decides" if len(alone) == 1 else "each decide"
        return (f"{words_joined(alone)} {decide} a term of the classical reading alone; of the other pours {pour} "
                f"moves it most {told}).")
    strong = "above 1, so it decides almost alone" if moved[pour] > 1 else "below 1, so no pour decides alone"
    if others := [name for name in table.index[moved > 1] if name != pour]:
        strong = f"above 1, as for {words_joined(others)}, so single pours decide, and none of them alone"
    return f"{pour} moves the classical reading most {told}: {strong})."


def disagreements(surface, frame: pd.DataFrame | None = None) -> list[str]:
    """Where the classical 90 % interval leaves out the hierarchical mean: the pour, both numbers, the likely cause."""
    points = surface.classical.made if frame is None else frame
    ours, theirs = surface.predict(points), surface.classical.predict(points, 0.9)
    apart = (ours["mean"] < theirs["low"]) | (ours["mean"] > theirs["high"])
    sentences, scale = [], surface.posterior.attribute
    for at in np.flatnonzero(apart.to_numpy()):
        cause = _cause(surface, points.iloc[[at]])
        ends = (theirs["low"].iloc[at], theirs["high"].iloc[at], ours["mean"].iloc[at])
        low, high, mean = (scale.told(value, 2) for value in ends)
        sentences.append(f"{points.index[at]}: the classical 90 % interval {low} to {high} leaves out the hierarchical "
                         f"mean {mean}. Likely cause: {cause}.")
    return sentences


def _cause(surface, point: pd.DataFrame) -> str:
    """The first that applies: few degrees of freedom, beyond the pours, a plainer model, a false hope, a steep fit."""
    classical = surface.classical
    if not classical.fit.df:
        return "no residual degrees of freedom, so the classical interval rests on stated variances alone"
    if not classical.scale_df:
        return "nothing is left in the residuals, so the classical interval rests on stated variances alone"
    if classical.fit.df <= 3 and classical.scale < 0.5 * classical.stated_variance:
        return (f"with {plural(classical.fit.df, 'degree')} of freedom the residuals came out small by luck, and the "
                "classical interval with them")
    columns = classical.columns(point).to_numpy()
    if (columns @ classical.fit.covariance @ columns.T).item() > 1:
        return "the formula lies beyond the pours, where the classical polynomial runs away and the prior holds back"
    if classical.model != "quadratic":
        return f"these pours carry only the {classical.model} model, and the hierarchical reading allows for bending"
    trust = surface.effects["trust"].min()
    if trust < 0.2:
        seen = "readings" if surface.posterior.attribute.is_read else "scores"
        return f"an expected direction that the {seen} contradict still pulls a little"
    return "the hierarchical reading takes part of a steep or bent fit for noise; a repeat of this pour would settle it"
