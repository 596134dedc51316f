"""Where the lines are drawn between what is told of an earlier trial.toml and what is not: each by hand, on both sides."""
import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.outgrown import outside_now, told_far, told_scales, told_steps, told_undescribed, undescribed

RED_AND_TWO = """
[formula]
"red" = 10
"a" = 45
"b" = 40
"c" = 5
[factors.load]
of = ["red"]
low = 0.05
high = 0.15
[settings.heat]
unit = "degC"
low = 68
high = 80
[attributes.shade]
scale = [0, 20]
"""


def made(text=RED_AND_TWO, heat=70.0, **fractions):
    """A pour of 20 g a row, none of them planned; `fractions` by ingredient, each a number or one a pour."""
    trial = labkit.Trial.from_toml(text)
    given = {"red": 0.10, "a": 0.45, "b": 0.40, "c": 0.05} | fractions
    cells = np.broadcast_arrays(*(20 * np.atleast_1d(part) for part in given.values()), np.atleast_1d(heat))
    frame = pd.DataFrame(dict(zip([*(f"{name} [g]" for name in given), "heat"], cells, strict=True)))
    return trial.with_pours(frame.assign(pour=[f"X-{k:02d}" for k in range(1, len(frame) + 1)], outcome="ok"))


@pytest.mark.parametrize("off, told", [(0.0472, False), (0.0478, True), (-0.0472, False), (-0.0478, True)])
def test_of_what_no_factor_describes_a_tenth_and_five_steps_are_little(off, told):
    """At a load of .1 the others keep 45 to 40 to 5; a tenth of .45 and 5 x .01 g of 20 g are .0475."""
    trial = made(a=0.45 + off, c=0.05 - off, b=0.40)
    far = undescribed(trial, trial.made_formulas)[1]
    assert (far["a"].item() != 0) == told and far["a"].item() == pytest.approx(off * told) and far["red"].item() == 0
    paste = trial.made_formulas
    other = labkit.Trial.from_toml(RED_AND_TWO + '[made_of]\n"a" = { "a1" = 0.5, "a2" = 0.5 }\n')
    assert (undescribed(other, paste)[1]["a1"].item() != 0) == told                     # half of either side of it


def test_what_most_pours_are_off_in_is_told_of_all_of_them():
    """The second is off in c by all of it, which is a larger part than .08 of .45; a is off in both."""
    assert told_undescribed(made(a=[0.53, 0.53], b=[0.32, 0.37], c=[0.05, 0.0])) == [
        "X-01 and X-02 hold up to 8.0 % of the batch more a than their factors say. No factor describes that, and they stay "
        "in the fit as if they did not: let a factor describe it, or set aside what can no longer be compared."]
    told, = told_undescribed(made(a=[0.53, 0.35], b=[0.32, 0.50]))
    assert told.startswith("X-01 and X-02 hold up to 10.0 % of the batch more or less a than their factors say.")


@pytest.mark.parametrize("ends, heat, says", [
    ((68, 80), 81.1, "by 1.1 °C"), ((68, 80), 81.3, ""), ((70, 70), 76.9, "by 6.9 °C"), ((70, 70), 77.1, "")])
def test_a_tenth_of_a_range_or_of_what_a_setting_is_pinned_at_may_be_a_thermometers(ends, heat, says):
    trial = made(RED_AND_TWO.replace("low = 68\nhigh = 80", "low = {}\nhigh = {}".format(*ends)), heat)
    told = told_steps(trial, trial.made[~trial.made["inside"]])
    assert [line.split(" alone, ")[1].split(". ")[0] for line in told] == [says] * bool(says)
    assert told_far(trial) == []                              # what is pinned has no range to be far outside of


def test_what_is_set_aside_is_not_told_to_lie_far_outside():
    trial = made(heat=[70.0, 120.0])
    assert told_far(trial)[0].startswith("X-02 lies more than twice its range outside heat from 68 to 80.")
    aside = pd.DataFrame([{"action": "set aside", "pour": "X-02", "reason": "the kettle was off"}])
    assert told_far(trial.with_set_aside(aside)) == []


def test_within_a_step_of_the_balance_a_limit_is_kept():
    """.01 g of 20 g are .0005 of the batch."""
    trial = made()
    points = pd.DataFrame({"load": [0.1504, 0.1506], "heat": 70.0})
    assert outside_now(trial, points).tolist() == [False, True]


@pytest.mark.parametrize("count, at_end, fives, told", [
    (24, 2, 0, True), (23, 2, 0, False), (24, 1, 0, False), (24, 2, 9, True), (24, 2, 10, False)])
def test_twenty_four_scores_up_to_the_old_end_and_not_in_fives(count, at_end, fives, told):
    """On a scale from 0 to 20: two at 10 or more; less than half of them multiples of five, 10 itself among these."""
    trial = made(a=[0.45] * 4)
    scores = [10.0] * at_end + [5.0] * fives + [7.0] * (count - at_end - fives)
    rows = [{"pour": f"X-0{k % 4 + 1}", "tester": f"T{k // 4 + 1:02d}", "session": "1", "attribute": "shade", "score": score}
            for k, score in enumerate(scores)]
    found = told_scales(trial.with_scores(pd.DataFrame(rows)))
    assert [line[:36] for line in found] == ["All 24 scores of shade in session 1 "] * told
