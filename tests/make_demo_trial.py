"""Write trials/terracotta-stick: an invented trial, three rounds of four pours in two melts before six testers.

    python tests/make_demo_trial.py [folder]     the folder is written anew; trial.toml is copied from the repository
    python tests/make_demo_trial.py --rounds     what the kit of today would have planned, for ROUNDS below

The scores come from `labkit.rehearsal`, played in the world stated here with a fixed seed, so that the files are
reproduced byte for byte. The rounds are written down as the kit planned them (the first by `plan_round`, the others by
`suggest_next`), so that a better plan of tomorrow, or another processor, does not rewrite yesterday's records.
"""

import pathlib
import shutil
import sys
from dataclasses import replace

import numpy as np
import pandas as pd

import labkit
from labkit.rehearsal import Played, play_round
from labkit.rounds import Round, round_from_factors
from labkit.trial import Trial

ROOT = pathlib.Path(__file__).resolve().parent.parent
DEMO = ROOT / "trials" / "terracotta-stick"
SEED = 10
TESTERS = ("T01", "T02", "T03", "T04", "T05", "T06")
EVENINGS = {1: ("2026-02-06", "2026-02-08"), 2: ("2026-02-20", "2026-02-22"), 3: ("2026-03-06", "2026-03-08")}
FAILED = {"P06": "failed: broke on unmoulding"}
NOT_SCORED = ("P10", "T05", "shade")
COLUMNS = ("melt", "wax", "red_share", "load", "pour_temperature")
ROUNDS = {
    1: [
        ("M01", 0.1916, 0.331, 0.0302, 75.1),
        ("M01", 0.1916, 0.598, 0.0648, 75.9),
        ("M02", 0.1345, 0.674, 0.0345, 74.5),
        ("M02", 0.1345, 0.364, 0.0633, 71.0),
    ],
    2: [
        ("M03", 0.1547, 0.77, 0.0413, 76.0),
        ("M03", 0.1547, 0.61, 0.0668, 76.9),
        ("M04", 0.1809, 0.731, 0.0438, 77.6),
        ("M04", 0.1809, 0.797, 0.0395, 75.9),
    ],
    3: [
        ("M05", 0.1713, 0.772, 0.0592, 76.1),
        ("M05", 0.1713, 0.508, 0.0498, 74.1),
        ("M06", 0.1752, 0.563, 0.044, 80.0),
        ("M06", 0.1752, 0.523, 0.0482, 70.2),
    ],
}


def truth(points: pd.DataFrame) -> pd.DataFrame:
    """The invented long-run mean scores: smooth, saturating, none of them a polynomial.

    Wax stiffens the stick along an S (logistic) and hinders payoff; payoff saturates with load; light passes the film as
    exp(-sum of pigment masses times their hiding); the shade misses the card by the red share, a little less of
    which is wanted at a higher load.
    """
    wax, red, load, heat = (points[name].to_numpy(dtype=float) for name in (
        "wax", "red_share", "load", "pour_temperature"))
    hardness = 10 / (1 + np.exp(-(wax - 0.155) / 0.025 + 0.02 * (heat - 74)))
    payoff = 10 * (1 - np.exp(-load / 0.03)) * np.exp(-(wax - 0.10) / 0.25)
    sheerness = 10 * np.exp(-1.6 * load * (15 * red + 9 * (1 - red)))
    shade = 9.5 * np.exp(-((red - 0.56 + 1.0 * (load - 0.05)) / 0.22) ** 2)
    return pd.DataFrame({"payoff": payoff, "hardness": hardness, "sheerness": sheerness, "shade": shade},
                        index=points.index)


def world() -> labkit.World:
    """Where the demo was played: T03 leans high, T05 uses less of the scale, scores are read to half points."""
    return labkit.World(truth=truth, sd_round=0.25, sd_melt=0.25, sd_pour=0.3, sd_tester_pour=0.7, step=0.5,
                        levels={"T01": -0.3, "T02": 0.1, "T03": 1.6, "T04": -0.6, "T05": 0.0, "T06": -0.5},
                        slopes={"T05": 0.7})


def planned(trial: Trial, number: int) -> Round:
    """One round as it was planned."""
    rows = pd.DataFrame(ROUNDS[number], columns=list(COLUMNS))
    return round_from_factors(trial.recipe, trial.batch, number=number, melts=list(rows["melt"]),
                              pours=trial.next_pours(len(rows)), coordinates=rows.drop(columns="melt"))


def played(trial: Trial, round_: Round) -> Played:
    """One round as it was weighed and scored, with its dates, the pour that failed and the score that is missing."""
    failed = {pour: why for pour, why in FAILED.items() if pour in round_.pours}
    found = play_round(trial, round_, world(), TESTERS, SEED, failed=failed)
    poured, judged = EVENINGS[round_.number]
    pours = found.pours.assign(date=poured, defects=["cracked" if p in failed else "" for p in found.pours["pour"]])
    scores = found.scores.copy()
    pour, tester, attribute = NOT_SCORED
    missing = (scores["pour"] == pour) & (scores["tester"] == tester) & (scores["attribute"] == attribute)
    scores.loc[missing, "score"] = np.nan
    return replace(found, melts=found.melts.assign(date=poured), pours=pours, scores=scores,
                   servings=found.servings.assign(date=judged))


def write(folder: pathlib.Path) -> None:
    """The whole trial on disk, through the same door as any other."""
    text = (DEMO / "trial.toml").read_text(encoding="utf-8")
    shutil.rmtree(folder, ignore_errors=True)
    trial = labkit.new_trial(folder, text)
    for number in sorted(ROUNDS):
        round_ = planned(trial, number)
        found = played(trial, round_)
        labkit.append_round(folder, round_)
        labkit.append_melts(folder, found.melts)
        labkit.append_pours(folder, found.pours)
        labkit.append_servings(folder, found.servings)
        trial = labkit.append_scores(folder, found.scores)


def rounds_of_today() -> None:
    """What `plan_round` and `suggest_next` would plan in this world now, written as ROUNDS above."""
    trial = Trial.from_toml((DEMO / "trial.toml").read_text(encoding="utf-8"))
    for number in EVENINGS:
        round_ = labkit.plan_round(trial, pours=4, melts=2, seed=SEED) if number == 1 else labkit.suggest_next(
            trial, pours=4, melts=2, seed=SEED).round
        rows = round_.to_frame()[list(COLUMNS)].round({"wax": 4, "red_share": 3, "load": 4, "pour_temperature": 1})
        print(f"    {number}: [", *(f"        {tuple(row)}," for row in rows.astype(object).to_numpy()), "    ],", sep="\n")
        trial = played(trial, round_).onto(trial, round_)


if __name__ == "__main__":
    if sys.argv[1:] == ["--rounds"]:
        rounds_of_today()
    else:
        write(pathlib.Path(sys.argv[1]) if sys.argv[1:] else DEMO)
