"""Does the kit know what else to buy? Its advice beside a brute-force rehearsal of the very choices.

    python tests/benchmarks/efforts_by_force.py [trials] [plays] [first seed] [file]

Each trial is an invented development (`rehearse_worlds`) after one, two or three rounds. `compare_efforts` says what the
suggested round would bring, and what with a pour, melt or tester more, with a repeat, or tasted twice. Then every one of
these evenings is played many times with the same luck: truth and noise drawn from Gaussians of the kit's own
posterior, made straight about their means and without the waves of `Candidate.left_open` that the kit's own draws have
beside them (their effect on the means is kept); scores by every tester read to half points; the posterior brought up to
date exactly (each Gaussian as a conjugate normal, all weighed anew by how well they foretold the scores), and a formula
settled on anew; gained is what the new posterior expects there over what it expects of the formula settled on before.
The kit itself reckons by regression over draws.

The sign compared: is the effort worth more per unit of cost than the round as suggested, gain / cost - gain / cost; then
whether it pays, difference - what a unit must bring a unit of added cost. A trial and effort counts where the rehearsal itself can tell:
where its difference is over 1.64 of its standard errors. Beside it the same with the invented world as the truth, whose
luck is one draw only; and how far the exact update stands from a fit of the same scores by the kit.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import dataclasses
import json
import sys
import time

import numpy as np
import pandas as pd
from rehearse_worlds import STARTING, WORTH_REHEARSING, reached, trial_without, world_of

from labkit.core.importance import systematic
from labkit.rehearsal import best_possible, play_round
from labkit.surfaces import fit_surfaces
from labkit.surfaces.posterior import OWN, WAVE
from labkit.tweaks import suggest_next
from labkit.tweaks.efforts import FINE, compared_evenings, cost_of
from labkit.tweaks.outlook import desirability_of, wanted_part
from labkit.tweaks.trying import ANEW, Luck
from labkit.tweaks.worth import SHARED

TOLD = 1.64
COMPONENTS, NODES, TARGETS, BLOCK = 64, 5, 101, 20
AT, SHARE = np.polynomial.hermite_e.hermegauss(NODES)
SHARE = SHARE / SHARE.sum()


def trial_after(seed: int, rounds: int):
    """An invented development after some rounds of following the kit; None where it is not worth rehearsing."""
    trial, (world, testers) = trial_without(expect=True), world_of(seed)
    best, start = best_possible(trial, world, points=1024), reached(trial, world, trial.recipe.starting_factors)
    if not (WORTH_REHEARSING[0] <= best <= WORTH_REHEARSING[1] and STARTING[0] <= start / best <= STARTING[1]):
        return None
    from labkit.planning import plan_round

    round_ = plan_round(trial, pours=4, melts=2, seed=seed)
    for k in range(rounds):
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        if k + 1 < rounds:
            round_ = suggest_next(trial, seed=seed + k).round
    return trial, world


@dataclasses.dataclass(frozen=True, kw_only=True)
class Known:
    """One attribute over m formulas as Gaussians of equal weight, on its scale: means (K, m), lines (K, m, q), own (K,),
    kernel (m, m), and noise by source as standard deviations (K,)."""

    attribute: object
    means: np.ndarray
    lines: np.ndarray
    own: np.ndarray
    kernel: np.ndarray
    noise: dict

    @classmethod
    def of(cls, surface, points: pd.DataFrame) -> "Known":
        posterior, rows = surface.posterior, []
        columns = posterior.ground.columns(points)
        panel = float(surface.scores["score_se"].median())
        weights = np.concatenate([c.weight * c.mixture.weights for c in posterior.candidates])
        place = np.concatenate([[(k, j) for j in range(len(c.mixture.weights))]
                                for k, c in enumerate(posterior.candidates)])
        for k, j in place[systematic(weights, COMPONENTS)]:
            c = posterior.candidates[k]
            mixture, phi = c.mixture, columns[:, c.system.places]
            slope = c.link.slope(phi @ mixture.means[j])
            lines = slope[:, None] * (phi @ mixture.roots[j])
            lines = np.hstack([lines, np.zeros((len(points), 40 - lines.shape[1]))])
            mean = c.on_scale(columns)[0][:, j]
            sd = {s: float(np.sqrt(c.depart(s)[j])) for s in SHARED}
            rows.append((mean, lines, OWN * sd["pour"] ** 2, sd["round"], sd["melt"], np.sqrt(1 - OWN) * sd["pour"],
                         panel * mixture.scales.sampling[j]))
        means, lines, own, *noise = (np.array(part) for part in zip(*rows, strict=True))
        linear = columns[:, posterior.ground.linear]
        squares = ((linear[:, None] - linear[None]) ** 2).sum(axis=2)
        return cls(attribute=posterior.attribute, means=means, lines=lines, own=own,
                   kernel=np.exp(-0.5 * squares / WAVE**2),
                   noise=dict(zip((*SHARED, "panel"), noise, strict=True)))

    def covariance(self, first, second) -> np.ndarray:
        """(K, first, second)."""
        return (np.einsum("kaq,kbq->kab", self.lines[:, first], self.lines[:, second])
                + self.own[:, None, None] * self.kernel[np.ix_(first, second)])

    def truths(self, n: int, rng) -> tuple[np.ndarray, np.ndarray]:
        """n drawn truths at the m formulas, and the Gaussian each came from."""
        at = rng.integers(COMPONENTS, size=n)
        root = np.linalg.cholesky(self.kernel + 1e-8 * np.eye(len(self.kernel)))
        smooth = self.means[at] + np.einsum("nmq,nq->nm", self.lines[at], rng.standard_normal((n, 40)))
        own = np.sqrt(self.own[at])[:, None] * (rng.standard_normal((n, len(root))) @ root.T)
        return np.clip(smooth + own, self.attribute.low, self.attribute.high), at


def noise_covariance(evening, sd: dict, usual: int) -> np.ndarray:
    """(K, p, p): what round, melts, pours and tasting add to the means of an evening's pours, per Gaussian."""
    melts = np.array(evening.melts)
    p, one = len(melts), np.ones((len(melts), len(melts)))
    shared = (melts[:, None] == melts[None, :]).astype(float)
    more = usual / (usual + evening.testers)
    tasted = sd["panel"] ** 2 * (1 - ANEW + ANEW / evening.tastings)
    parts = [(sd["round"] ** 2, one), (sd["melt"] ** 2, shared), (sd["pour"] ** 2 + tasted * more, np.eye(p)),
             (tasted * (1 - more) / p, one)]
    return sum(size[:, None, None] * shape for size, shape in parts)


def said(evening, truth: np.ndarray, sd: dict, usual: int, luck: Luck, k: int, scale) -> np.ndarray:
    """Means (n, p) of what every tester says of every pour, read to half points; sd by source (n,)."""
    level = sd["round"][:, None] * luck.of(k, 0, ["round"]) + sd["melt"][:, None] * luck.of(k, 2, evening.melts)
    made = truth + level + sd["pour"][:, None] * luck.of(k, 3, evening.places)
    single, means = (sd["panel"] * np.sqrt(usual))[:, None], []
    for t in range(usual + evening.testers):
        lasting = np.sqrt(1 - ANEW) * luck.of(k, 10 + t, evening.places)
        for again in range(evening.tastings):
            fresh = np.sqrt(ANEW) * luck.of(k, 40 + 2 * t + again, evening.places)
            value = np.clip(made + single * (lasting + fresh), scale.low, scale.high)
            means.append(np.round(2 * value) / 2)
    means = np.array(means)
    if evening.testers:                      # a newcomer's leaning is told by these pours alone: it compares, no more
        old = means[:usual].mean(axis=0)
        new = means[usual] - means[usual].mean(axis=1, keepdims=True) + old.mean(axis=1, keepdims=True)
        return (usual * old + new) / (usual + 1)
    return means.mean(axis=0)


def hoped(known: Known, share: float, places: np.ndarray, evening, scores: np.ndarray, usual: int) -> np.ndarray:
    """E d^share at every formula (n, m) once an evening's means (n, p) are known."""
    every = np.arange(known.means.shape[1])
    cross = known.covariance(every, places)
    total = cross[:, places] + noise_covariance(evening, known.noise, usual)
    gains = np.swapaxes(np.linalg.solve(total, np.swapaxes(cross, 1, 2)), 1, 2)
    variance = (known.lines**2).sum(axis=2) + known.own[:, None] - np.einsum("kmp,kmp->km", gains, cross)
    spread = np.sqrt(np.maximum(variance, 1e-9))
    off = scores[:, None] - known.means[None][:, :, places]
    logs = -0.5 * np.einsum("nkp,kpq,nkq->nk", off, np.linalg.inv(total), off) - 0.5 * np.linalg.slogdet(total)[1]
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    weights /= weights.sum(axis=1, keepdims=True)
    found = []
    for part in np.array_split(np.arange(len(scores)), max(1, len(scores) // BLOCK)):
        middle = known.means + np.einsum("kmp,nkp->nkm", gains, off[part])
        values = np.clip(middle[..., None] + spread[..., None] * AT, known.attribute.low, known.attribute.high)
        d = wanted_part(known.attribute.wanted, values) ** share @ SHARE
        found.append(np.einsum("nk,nkm->nm", weights[part], d))
    return np.concatenate(found)


def played(trial, compared, plays: int, seed: int, world=None) -> dict[str, np.ndarray]:
    """By evening the gain of each play: of the formula settled on anew over the one settled on before.

    world : the truth and its noise instead of draws of the posterior; paid is then what it really gives.
    """
    outlook, rng = compared.standing.known, np.random.default_rng([seed, 89])
    evenings, usual = compared.evenings, round(compared.usual)             # here all testers score every pour
    points = pd.concat([compared.targets.iloc[:TARGETS], *(e.points for e in evenings.values())], ignore_index=True)
    places = np.split(np.arange(TARGETS, len(points)), np.cumsum([len(e.points) for e in evenings.values()])[:-1])
    known = {name: Known.of(surface, points) for name, surface in outlook.surfaces.items()}
    weight = {name: trial.attributes[name].importance for name in known}
    truths, noise = {}, {}
    for name, k in known.items():
        truths[name], at = k.truths(plays, rng)
        noise[name] = {source: sd[at] for source, sd in k.noise.items()}
    if world is not None:
        found = world.truth_at(points, list(known))
        truths = {name: np.tile(found[name].to_numpy(), (plays, 1)) for name in known}
        fixed = {"round": world.sd_round, "melt": world.sd_melt, "pour": world.sd_pour,
                 "panel": world.sd_tester_pour / np.sqrt(usual)}
        noise = {name: {source: np.full(plays, sd) for source, sd in fixed.items()} for name in known}
    paid, luck = desirability_of(trial.attributes, truths), Luck(n=plays, seed=seed)
    gains = {}
    for (name, evening), there in zip(evenings.items(), places, strict=True):
        desired = 1.0
        for k, (attribute, one) in enumerate(known.items()):
            scores = said(evening, truths[attribute][:, there], noise[attribute], usual, luck, k, one.attribute)
            desired = desired * hoped(one, weight[attribute] / sum(weight.values()), there, evening, scores, usual)
        choice = desired.argmax(axis=1)
        rows = np.arange(plays)
        own = (desired if world is None else paid)
        gains[name] = own[rows, choice] - own[:, 0]
        gains[f"{name} paid"] = paid[rows, choice] - paid[:, 0]
    return gains


def beside_a_fit(trial, compared, seed: int) -> tuple[float, float]:
    """Correlation and root mean square difference of E D at the targets: exact update against the kit's own fit."""
    outlook, round_ = compared.standing.known, compared.round
    rng, names = np.random.default_rng([seed, 97]), list(outlook.surfaces)
    evening = compared.evenings["round"]
    points = pd.concat([compared.targets.iloc[:TARGETS], evening.points], ignore_index=True)
    there, weight, luck = np.arange(TARGETS, len(points)), 1 / len(names), Luck(n=1, seed=seed)
    usual = round(compared.usual)
    panel = fit_panel(trial)
    desired, rows = 1.0, []
    for k, name in enumerate(names):
        one = Known.of(outlook.surfaces[name], points)
        truth, at = one.truths(1, rng)
        sd = {source: value[at] for source, value in one.noise.items()}
        scores = said(evening, truth[:, there], sd, usual, luck, k, one.attribute)
        desired = desired * hoped(one, weight, there, evening, scores, usual)
        levels = panel[name]
        rows += [{"pour": pour, "tester": t, "session": "9", "position": "1", "attribute": name,
                  "score": float(np.clip(value + level, 0, 10))}
                 for pour, value in zip(round_.pours, scores[0], strict=True) for t, level in levels.items()]
    after = trial.with_round(round_).with_pours(round_.as_poured()).with_scores(pd.DataFrame(rows))
    fitted = dataclasses.replace(outlook, surfaces=fit_surfaces(after), n=1024).mean(points)
    before = dataclasses.replace(outlook, n=1024).mean(points)
    return (float(np.corrcoef(desired[0] - before, fitted - before)[0, 1]),
            float(np.sqrt(np.mean((desired[0] - fitted) ** 2))))


def fit_panel(trial) -> dict[str, dict[str, float]]:
    from labkit.panel import appraise_panel

    table = appraise_panel(trial).testers
    found = {}
    for name, rows in table.groupby("attribute"):
        found[name] = dict(zip(rows["tester"], rows["level"] - rows["level"].mean(), strict=True))
    return found


def judged(trial, world, plays: int, seed: int) -> list[dict]:
    """A row an effort: kit and rehearsal, by both signs."""
    compared = compared_evenings(trial, 4, 2, seed=seed)
    evenings, names = compared.evenings, list(compared.evenings)
    kit = dict(zip(names, compared.paid(list(evenings.values()), 1024, 4, FINE), strict=True))
    force, true = played(trial, compared, plays, seed), played(trial, compared, plays, seed, world)
    cost = {name: cost_of(trial, e, compared.usual) for name, e in evenings.items()}
    near = beside_a_fit(trial, compared, seed)
    rows = []
    for name in names[1:]:
        row = {"seed": seed, "effort": name, "rounds": len(trial.plan["round"].unique()), "alike": near[0],
               "apart": near[1]}
        for source, gains in (("kit", kit), ("force", force), ("world", true)):
            extra = cost[name] - cost["round"]
            unit = gains[name] / cost[name] - gains["round"] / cost["round"]
            more = gains[name] - gains["round"]
            row[source] = {"gain": float(gains["round"].mean()), "more": float(more.mean()),
                           "unit": float(unit.mean()), "unit se": float(unit.std() / np.sqrt(len(unit))),
                           "pays": float(more.mean() - compared.bargain.unit * extra),
                           "pays se": float(more.std() / np.sqrt(len(more)))}
        row["force"]["paid"] = float((force[f"{name} paid"] - force["round paid"]).mean())
        row["force"]["round paid"] = float(force["round paid"].mean())
        rows.append(row)
    return rows


def told(rows: list[dict]) -> None:
    """Agreement in sign, where the rehearsal can tell."""
    for against in ("force", "world"):
        for sign, words in (("unit", "worth more per unit of cost"), ("pays", "pays for itself")):
            sure = [r for r in rows if abs(r[against][sign]) > TOLD * r[against][f"{sign} se"]]
            same = [np.sign(r["kit"][sign]) == np.sign(r[against][sign]) for r in sure]
            every = [np.sign(r["kit"][sign]) == np.sign(r[against][sign]) for r in rows]
            clear = [s for s, r in zip(same, sure, strict=True)
                     if abs(r["kit"][sign]) > TOLD * r["kit"][f"{sign} se"]]
            print(f"{against:6s} {words:28s} same sign {np.mean(same):.2f} of {len(sure)} that it can tell "
                  f"(of {len(rows)}; {np.mean(every):.2f} of all); where the kit is sure too {np.mean(clear):.2f} of "
                  f"{len(clear)}")
    for name in dict.fromkeys(r["effort"] for r in rows):
        own = [r for r in rows if r["effort"] == name]
        sure = [r for r in own if abs(r["force"]["unit"]) > TOLD * r["force"]["unit se"]]
        same = [np.sign(r["kit"]["unit"]) == np.sign(r["force"]["unit"]) for r in sure]
        print(f"  {name:8s} adds: kit {np.mean([r['kit']['more'] for r in own]):+.4f} rehearsed "
              f"{np.mean([r['force']['more'] for r in own]):+.4f} (paid by the drawn truth "
              f"{np.mean([r['force']['paid'] for r in own]):+.4f}, by the world "
              f"{np.mean([r['world']['more'] for r in own]):+.4f}); same sign per unit {np.mean(same):.2f} of {len(sure)}")
    first = [r for k, r in enumerate(rows) if not k or rows[k - 1]["seed"] != r["seed"]]
    print(f"  the round itself: kit {np.mean([r['kit']['gain'] for r in first]):.4f} rehearsed "
          f"{np.mean([r['force']['gain'] for r in first]):.4f} paid by the drawn truth "
          f"{np.mean([r['force']['round paid'] for r in first]):.4f} by the world "
          f"{np.mean([r['world']['gain'] for r in first]):.4f}")
    print(f"  change of E D by the exact update and by a fit of the same scores: correlation "
          f"{np.nanmedian([r['alike'] for r in first]):.2f}, apart {np.median([r['apart'] for r in first]):.3f} (medians)")


def main(trials: int = 50, plays: int = 200, first: int = 1, file: str | None = None) -> None:
    started, rows, count, seed = time.perf_counter(), [], 0, first
    while count < trials:
        made = trial_after(seed, 1 + count % 3)
        if made is not None:
            found = judged(*made, plays, seed)
            rows, count = rows + found, count + 1
            if file:
                with open(file, "a", encoding="utf-8") as kept:
                    kept.write("".join(json.dumps(row) + "\n" for row in found))
        seed += 1
    print(f"{trials} trials (seeds {first} to {seed - 1}), {plays} plays of each evening, "
          f"{time.perf_counter() - started:.0f} s")
    told(rows)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]), *sys.argv[4:5])
