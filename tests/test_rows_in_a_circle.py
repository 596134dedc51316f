"""Three rows of a round or more, each in the place of the next; honest rounds are never taken for it."""
import numpy as np
import pytest
from definitions import HAZEL, TERRACOTTA
from recorded import POURS
from test_exchanged_rows import POT, STIRRED, melted, planned, refused  # noqa: F401

import labkit
from labkit.pours.exchanged import circle_with
from labkit.pours.meant import meant_rows
from labkit.rehearsal.playing import play_round
from labkit.rounds import round_from_factors

ADVICE = ("and each row fits the plan of the next of them, the last that of the first. Move the weights to the rows whose "
          "plan they fit, or write 'really so' in the note of one.")
ALL = ["base [g]", *STIRRED]


def moved(frame, rows, columns):
    """The weights of each row written a row further on, the last of them into the first."""
    frame = frame.astype(object)
    frame.loc[rows, columns] = frame.loc[[*rows[1:], rows[0]], columns].to_numpy()
    return frame


@pytest.mark.parametrize("columns", [STIRRED, ALL])
def test_three_pours(melted, columns):  # noqa: F811
    """P01, P02 and P03 are planned with 0.36, 1.44 and 0.72 g of red."""
    wrong = moved(POURS, [2, 3, 4], columns)
    assert wrong.loc[[2, 3, 4], "red paste [g]"].tolist() == [1.44, 0.72, 0.36]
    assert melted.with_tables({"pours": wrong}, files=True).doubts == (
        "pours.csv pour P01: red paste [g] of P01, P02 and P03 is 1.44, 0.72 and 0.36, but 0.36, 1.44 and 0.72 g were "
        f"planned, {ADVICE}",)
    assert melted.with_pours(POURS).doubts == ()
    for row in (2, 3, 4):
        note = wrong.assign(note="")
        note.loc[row, "note"] = "really so"
        assert not any("of the next of them" in why for why in melted.with_tables({"pours": note}, files=True).doubts)


def test_the_last_of_them_is_refused(melted):  # noqa: F811
    """Loads that differ by less than three times, so that none is gross by itself."""
    wrong = moved(POURS, [4, 3, 5], STIRRED)         # P03, P02 and P04: 0.72, 1.44 and 0.72 g of red, yellow 0.48, 0.96, 1.68
    assert refused(melted.with_pours, wrong.loc[[3, 4, 5]]) == (
        "pours row 5: yellow paste [g] of P04, P03 and P02 is 0.48, 0.96 and 1.68, but 1.68, 0.48 and 0.96 g were planned, "
        f"{ADVICE}")


def test_a_column_that_was_pasted_a_row_too_low(melted):  # noqa: F811
    wrong = moved(POURS, [2, 3, 4, 5], ALL)
    doubts = melted.with_tables({"pours": wrong}, files=True).doubts
    assert len(doubts) == 1 and doubts[0].endswith(ADVICE)
    assert "red paste [g] of P01, P02, P03 and P04 is" in doubts[0] or "yellow paste [g] of P01, P02, P03 and P04 is" in doubts[0]


@pytest.mark.parametrize("text", [TERRACOTTA, HAZEL], ids=["pots", "own pots"])
def test_honest_rounds_are_never_taken_for_it(text):
    """Of 40 rounds of eight pours none is (nor of 100); of as many in which three rows stand elsewhere, most are (.78)."""
    trial, told = labkit.Trial.from_toml(text), 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        at = trial.region.sample(8, seed=seed)
        for name in trial.recipe.per_melt:
            at[name] = at[name].to_numpy()[[0, 0, 0, 0, 1, 1, 1, 1]]
        melts = ["M01"] * 4 + ["M02"] * 4 if trial.recipe.pot else [f"M{k:02d}" for k in range(1, 9)]
        round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=melts, coordinates=at,
                                    pours=[f"P{k:02d}" for k in range(1, 9)])
        world = labkit.World(lambda points: points.assign(**dict.fromkeys(trial.attributes, 5.0))[list(trial.attributes)])
        plan = meant_rows(round_.to_frame(), trial.recipe, trial.batch, by="pour")
        made = play_round(trial, round_, world, testers=1, seed=seed).pours
        grams = ["base [g]", *(f"{name} [g]" for name in trial.recipe.ingredients)]
        rows = made.reindex(columns=["pour", *grams]).assign(note="").to_dict("records")
        assert all(circle_with(row, rows, trial.recipe, plan, trial.batch, "") is None for row in rows)
        three = rng.permutation(8)[:3]
        columns = [c for c in rows[0] if c.endswith(" [g]")]
        held = [{c: rows[k][c] for c in columns} for k in three]
        for k, weights in zip(np.roll(three, 1), held):
            rows[k] = rows[k] | weights
        told += any(circle_with(row, rows, trial.recipe, plan, trial.batch, "") for row in rows)
    assert told >= 28
