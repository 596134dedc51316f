"""The reason for each pour and the advice: whole sentences, and numbers against a surface whose draws are known."""
import dataclasses
import types

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from invented import poured
from scipy.stats import norm

import labkit
from labkit.rounds import round_from_factors
from labkit.tweaks import words
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.price import Bargain
from labkit.tweaks.worth import Worth
from labkit.wording import words_joined

NAMES = ["wax", "red_share", "load", "pour_temperature"]
WANT = "[attributes.payoff]\nwanted = { rising = [0, 10] }\n"
SETTLED = [0.16, 0.5, 0.05, 74.0]
POURED = [[0.16, 0.5, 0.05, 74.0], [0.16, 0.5, 0.08, 74.0]]
NEW = [[0.16, 0.5, 0.05, 74.0],                          # the settled formula, poured already
       [0.16, 0.5, 0.0515, 73.5],                        # and all but that: a twentieth of no range
       [0.16, 0.5, 0.044, 77.0],                         # less load, warmer: expected to be about as good
       [0.21, 0.5, 0.053, 74.0],                         # more wax; a twentieth of the range of load is not worth a word
       [0.12, 0.62, 0.05, 74.0]]                         # less wax, more red: bad, and well known to be


class Known:
    """Payoff 6 - 12 |wax - .16| / .12 + 5 (load - .05), by draw with a normal part along the wax and one along the load.

    Draws carry rounding of the size of single precision, as the kit's own do.
    """

    ground = types.SimpleNamespace(columns=lambda points: points[NAMES].to_numpy(dtype=float))
    middle = staticmethod(lambda at: 6 - 12 * np.abs(at[:, 0] - 0.16) / 0.12 + 5 * (at[:, 2] - 0.05))
    spread = staticmethod(lambda at: np.where(at[:, 0] > 0.16, 8, 0.05) * np.abs(at[:, 0] - 0.16) / 0.05
                          + 30 * np.abs(at[:, 2] - 0.05))

    def draws_at(self, columns, n, seed):
        rng = np.random.default_rng(seed)
        drawn = self.middle(columns) + self.spread(columns) * rng.standard_normal((n, 1))
        return drawn + 1e-6 * np.random.default_rng(1).standard_normal(drawn.shape)


def round_at(trial, points, number):
    melts = trial.next_melts(len(points))
    return round_from_factors(trial.recipe, trial.batch, number=number, melts=melts, pours=trial.next_pours(len(points)),
                              coordinates=pd.DataFrame(points, columns=NAMES))


@pytest.fixture(scope="module")
def trial():
    known = labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0] + WANT)
    first = round_at(known, POURED, 1)
    return known.with_round(first).with_pours(first.as_poured())


@pytest.fixture(scope="module")
def table(trial):
    outlook = Outlook(attributes=trial.attributes, surfaces={"payoff": Known()}, seed=3, n=4000)
    worth = Worth(gain=0.0, before=np.array([0.1, 0.2, 0.3, 0.4, 0.5]), after=np.array([0.1, 0.15, 0.2, 0.25, 0.3]))
    round_ = round_at(trial, NEW, 2)
    return words.reasons(trial, round_, outlook, round_.frame[NAMES].iloc[[0]], worth)


class TestReasons:
    def test_numbers_are_those_of_the_normal_distribution(self, trial, table):
        """Desirability is a tenth of payoff here; 4,000 draws: a mean is off by .005, a chance or quantile by .008, give or take."""
        at = round_at(trial, NEW, 2).frame[NAMES].to_numpy(dtype=float)
        mean, sd = Known.middle(at), Known.spread(at)
        np.testing.assert_allclose(table["desirability"], np.clip([
            norm.expect(lambda y: np.clip(y, 0, 10), loc=m, scale=s) if s > 0.01 else m for m, s in zip(mean, sd)], 0, 10) / 10, atol=0.015)
        for level, name in ((0.05, "low"), (0.95, "high")):
            np.testing.assert_allclose(table[name], np.clip(mean + norm.ppf(level) * sd, 0, 10) / 10, atol=0.003)
        np.testing.assert_allclose(table["chance of beating the best"][2:], norm.sf((mean[0] - mean[2:]) / sd[2:]), atol=0.03)

    def test_the_formula_itself_beats_itself_by_nothing(self, table):
        """Its draws differ by rounding; half of them would come out above."""
        assert table["chance of beating the best"][0] == 0

    def test_nearest_pour_and_how_far_it_is_as_a_part_of_the_range(self, trial, table):
        assert list(table["nearest pour"]) == ["P01", "P01", "P01", "P01", "P01"]
        np.testing.assert_allclose(table["distance"], [0, 0.5 / 12, 3 / 12, 0.05 / 0.12, 0.04 / 0.12], atol=0.002)
        assert words._nearest(trial, pd.DataFrame([[0.16, 0.5, 0.07, 74.0]], columns=NAMES))[0] == ["P02"]

    def test_each_pour_says_what_it_is_for(self, table):
        chance = [f"{100 * chance:.0f} % chance of beating it" for chance in table["chance of beating the best"]]
        assert list(table["why"]) == [
            "P01 again, because one more pour of it tells more than a new formula",
            f"hardly any change against the formula below, and as good as far as is known: {chance[1]}",
            f"less load and more pour_temperature against the formula below, and as good as far as is known: {chance[2]}",
            f"more wax against the formula below, with a {chance[3]}",
            "less wax and more red_share against the formula below, where less is known: the uncertainty of 0.50 (0.00 at the "
            "formula below) becomes 0.30"]

    @pytest.mark.parametrize("at, says", [(73.0, " but for a step of pour_temperature"), (74.0, ""), (74.2, "")])
    def test_a_step_of_a_setting_is_told_though_it_is_no_difference(self, at, says):
        """1 of 12 degC, as it can be read: more than a fiftieth of the range, .2 degC is less."""
        text = TERRACOTTA.replace("low = 68\nhigh = 80", "low = 68\nhigh = 80\nstep = 1")
        trial = labkit.Trial.from_toml(text)
        first = round_at(trial, POURED[:1], 1)
        made = first.as_poured().assign(pour_temperature=at)
        trial = trial.with_round(first).with_pours(made)
        outlook = Outlook(attributes=trial.attributes, surfaces={"payoff": Known()}, seed=3, n=400)
        again = round_at(trial, POURED[:1], 2)
        worth = Worth(gain=0.0, before=np.array([0.1]), after=np.array([0.1]))
        told = words.reasons(trial, again, outlook, again.frame[NAMES], worth)
        assert list(told["why"]) == [f"P01 again{says}, because one more pour of it tells more than a new formula"]
        assert "stepped" not in told

    def test_of_pours_a_step_apart_the_one_that_was_set_alike_is_named(self):
        """P01 at 73 degC was named "again but for a step" for a pour at 74 degC that P02 had been."""
        text = TERRACOTTA.replace("low = 68\nhigh = 80", "low = 68\nhigh = 80\nstep = 1")
        trial = labkit.Trial.from_toml(text)
        first = round_at(trial, [POURED[0], POURED[0], POURED[1]], 1)
        trial = trial.with_round(first).with_pours(first.as_poured().assign(pour_temperature=[73.0, 74.0, 74.0]))
        points = round_at(trial, POURED[:1], 2).frame[NAMES]
        nearest, distance = words._nearest(trial, points)
        assert nearest == ["P02"] and distance[0] < words.AGAIN and words._stepped(trial, points, nearest) == [""]

    def test_it_is_not_said_that_less_is_known_where_more_is(self):
        row = {"distance": 0.3, "nearest pour": "P01", "desirability": 0.4, "chance of beating the best": 0.04,
               "sd before": 0.03, "sd after": 0.02}
        assert words._why(row, "less wax", 0.6, 0.05) == (
            "less wax against the formula below, for what it adds to the others of the round: a 4 % chance of beating it")
        assert words._why(row, "less wax", 0.6, 0.02) == (
            "less wax against the formula below, where less is known: the uncertainty of 0.03 (0.02 at the formula below) "
            "becomes 0.02")

    @pytest.mark.parametrize("chance, says", [(0.004, "under 1 %"), (0.08, "an 8 %"), (0.11, "an 11 %"), (0.12, "a 12 %"),
                                              (0.18, "an 18 %")])
    def test_a_chance_is_told_as_it_is_said(self, chance, says):
        row = {"distance": 0.3, "nearest pour": "P01", "desirability": 0.4, "chance of beating the best": chance,
               "sd before": 0.03, "sd after": 0.02}
        assert words._why(row, "less wax", 0.6, 0.05).endswith(f"the others of the round: {says} chance of beating it")
        assert words._why(row | {"chance of beating the best": 0.84}, "less wax", 0.6, 0.05) == (
            "less wax against the formula below, with an 84 % chance of beating it")

    def test_the_formula_below_is_told_as_itself_and_beats_itself_by_nothing(self, trial):
        """Nothing near it was poured yet: there is no chance to tell, and no change."""
        outlook = Outlook(attributes=trial.attributes, surfaces={"payoff": Known()}, seed=3, n=400)
        round_ = round_at(trial, [[0.16, 0.5, 0.06, 74.0], [0.16, 0.5, 0.0665, 74.0]], 2)
        worth = Worth(gain=0.0, before=np.array([0.1, 0.2]), after=np.array([0.1, 0.15]))
        told = words.reasons(trial, round_, outlook, round_.frame[NAMES].iloc[[0]], worth)
        assert told["why"][0] == "the formula below itself, because a pour of it tells more than one of another"
        assert told["chance of beating the best"][0] == 0 and told["why"][1].startswith("more load against the formula below")

    @pytest.mark.parametrize("chance, says", [(0.0, "under 1 %"), (0.0049, "under 1 %"), (0.006, "1 %"), (0.999, "over 99 %")])
    def test_no_chance_of_beating_it_is_a_certainty(self, chance, says):
        row = {"distance": 0.3, "nearest pour": "P01", "desirability": 0.6, "chance of beating the best": chance}
        assert words._why(row, "less wax", 0.6, 0.05) == (
            f"less wax against the formula below, and as good as far as is known: {says} chance of beating it")

    def test_how_far_off_a_blend_is_follows_the_range_of_each_part(self):
        """Wax may be .06 to .16 of the base, butter .10 to .40: .02 of wax is a fifth of its range."""
        hazel = poured(HAZEL, rounds=1, pours=3)
        point = hazel.made[list(hazel.recipe.coordinates)].iloc[[0]].copy()
        point["base: sunflower wax"] += 0.02
        point["base: castor oil"] -= 0.02
        pours, distance = words._nearest(hazel, point)
        assert pours == [hazel.made.index[0]] and distance == pytest.approx([0.2])

    def test_before_anything_was_poured_nothing_is_near(self, trial):
        bare = labkit.Trial.from_toml(TERRACOTTA)
        pours, distance = words._nearest(bare, pd.DataFrame([SETTLED] * 2, columns=NAMES))
        assert pours == ["", ""] and np.isnan(distance).all()

    def test_a_move_is_told_from_a_tenth_of_the_range(self, trial):
        settled = pd.DataFrame([SETTLED], columns=NAMES)
        points = pd.DataFrame([[0.1735, 0.43, 0.05, 75.0], [0.1705, 0.45, 0.05, 75.0]], columns=NAMES)
        assert words._moves(trial, points, settled) == ["more wax and less red_share", "hardly any change"]


class TestAdvice:
    @pytest.mark.parametrize("gain, having, known, says", [
        (0.05, 0.80, 0.3, "Pour this round. This round would cost 8 and is expected to raise desirability (0 to 1) by 0.050, "
         "0.0063 a unit of cost; with 0.80 of it in hand a unit must bring 0.005."),
        (0.02, 0.38, 0.3, "Pour this round. This round would cost 8 and is expected to raise desirability (0 to 1) by 0.020, "
         "0.0025 a unit of cost; with 0.38 of it in hand a unit must bring 0.0024."),
        (0.02, 0.62, 0.3, "Pour this round. This round would cost 8 and is expected to raise desirability (0 to 1) by 0.020, "
         "0.0025 a unit of cost; with 0.62 of it in hand a unit must bring 0.0039. Alone it brings too little, but with "
         "everything known 0.300 could be gained, more than three such rounds must bring: it may take them."),
        (0.02, 0.62, 0.09, "Stop here. This round would cost 8 and is expected to raise desirability (0 to 1) by 0.020, "
         "0.0025 a unit of cost; with 0.62 of it in hand a unit must bring 0.0039. Were everything known, 0.090 could be "
         "gained. Settle.")])
    def test_go_on_or_stop_with_the_numbers(self, gain, having, known, says):
        bargain = Bargain(gain=gain, cost=8.0, worth=0.005, having=having, known=known)
        assert words._pay(bargain, "Settle.") == says

    def test_what_was_poured_again_is_not_to_be_poured_again(self, demo):
        """The round of a confirmation, judged: it is asked how it came out, as long as one would settle on the same."""
        best = labkit.suggest_next(demo, pours=4, melts=2, seed=2).best
        plan = labkit.plan_confirmation(demo, best, seed=2)
        number, pours = plan.round.number, plan.round.pours
        poured = demo.with_round(plan.round).with_pours(plan.round.as_poured())
        said = pd.DataFrame([{"pour": pour, "tester": "T01", "session": "9", "attribute": "payoff", "score": 6}
                             for pour in pours])
        judged = poured.with_scores(said)
        assert tuple(words.poured_alone(judged).index) == pours
        for other in (poured, demo, judged.from_toml(TERRACOTTA)):
            assert not len(words.poured_alone(other))
        outlook = Outlook.of(judged, labkit.fit_surfaces(judged), seed=2)
        then = f"appraise_confirmation(trial, {number}) says whether it did what was expected of it."
        assert words._settling(judged, outlook, best) == (
            f"Settle on the formula below. Round {number} poured it again: {then}")
        further = labkit.plan_round(judged, pours=2, melts=1, seed=1)
        waiting = judged.with_round(further)                                                       # kept, not poured
        assert words._settling(waiting, outlook, best) == words._settling(judged, outlook, best)
        went_on = waiting.with_pours(further.as_poured())
        assert words._settling(went_on, outlook, best) == words._settling(judged, outlook, best)   # it was confirmed before
        near = best.assign(load=best["load"] + 0.03 * 0.06)                                        # 3 % of the range
        assert words._settling(judged, outlook, near) == (
            f"Settle on what round {number} poured ({words_joined(pours)}): the formula below is not expected to be better "
            f"by 0.005. {then}")
        anew = "Settle on the formula below, and pour it again to confirm it."
        assert words._settling(demo, outlook, best) == words._settling(poured, outlook, near) == anew
        for waits in (poured, demo.with_round(plan.round)):
            assert words._settling(waits, outlook, best) == (
                f"Settle on the formula below, and confirm it by round {number}, which is planned to pour it again.")
        assert words._settling(judged, outlook, near, ("load",)) == anew               # asked to hold another load
        assert words._settling(judged, outlook, near, ("wax",)) == words._settling(judged, outlook, near)
        assert labkit.appraise_confirmation(judged, number, seed=2).verdict == "not clear"         # three are not judged yet

    def test_where_what_was_poured_again_failed_that_comes_first(self, demo):
        """Not where the pour is set aside, nor where one would settle elsewhere, nor where it was one of several formulas."""
        plan = labkit.plan_confirmation(demo, demo.made.loc[["P10"], NAMES], pours=2, seed=2)
        number, pours, best = plan.round.number, plan.round.pours, plan.round.frame[NAMES].iloc[[0]]
        made = plan.round.as_poured().assign(outcome=["ok", "failed: broke"])
        failed, outlook = demo.with_round(plan.round).with_pours(made), Outlook.of(demo, labkit.fit_surfaces(demo), seed=2)
        assert words._settling(failed, outlook, best) == (
            f"Find out why {pours[1]} failed before you settle on the formula below: round {number} poured it again. Then "
            "pour it once more to confirm it.")
        anew = "Settle on the formula below, and pour it again to confirm it."
        assert words._settling(failed, outlook, best.assign(load=best["load"] - 0.02)) == anew
        row = dict.fromkeys(failed.set_aside, "") | {"action": "set aside", "pour": pours[1], "reason": "dropped"}
        aside = dataclasses.replace(failed, tables={**failed.tables, "set_aside": pd.DataFrame([row])})
        assert words._settling(aside, outlook, best) == anew
        other = labkit.plan_round(demo, pours=2, melts=1, seed=1)
        made = other.as_poured().assign(outcome=["ok", "failed: broke"])
        there = other.frame.set_index("pour").loc[[other.pours[1]], NAMES]
        assert words._settling(demo.with_round(other).with_pours(made), outlook, there) == anew

    def test_a_better_formula_than_the_one_confirmed_is_to_be_confirmed_itself(self, demo):
        """The round was poured where P01 was; by how much the best is better and how surely: counted over the draws."""
        again = pd.concat([demo.made.loc[["P01"], NAMES]] * 2, ignore_index=True)
        round_ = round_from_factors(demo.recipe, demo.batch, number=4, coordinates=again, melts=["M07", "M07"],
                                    pours=["P13", "P14"])
        poured = demo.with_round(round_).with_pours(round_.as_poured())
        said = pd.DataFrame([{"pour": pour, "tester": "T01", "session": "9", "attribute": "payoff", "score": 6}
                             for pour in round_.pours])
        judged = poured.with_scores(said)
        best = labkit.suggest_next(judged, pours=4, melts=2, seed=2).best[NAMES]
        outlook = Outlook.of(judged, labkit.fit_surfaces(judged), seed=2).with_draws(1024, 4)
        ours, theirs = outlook.draws(pd.concat([best, again.iloc[[0]]], ignore_index=True)).T
        sure = (ours > theirs + 1e-4).mean()
        assert words._settling(judged, outlook, best) == (
            f"Settle on the formula below: it is expected to be better by {(ours - theirs).mean():.3f} than what round 4 "
            f"poured ({'over 99' if sure > 0.995 else f'{100 * sure:.0f}'} % sure). Pour it again to confirm it.")
        lead = (ours - theirs).mean()
        assert words._settling(judged, outlook, best, due=lead - 1e-4) == words._settling(judged, outlook, best)
        assert words._settling(judged, outlook, best, due=lead + 1e-4) == (
            f"Settle on what round 4 poured (P13 and P14): the formula below is not expected to be better by {lead + 1e-4:.2g}, "
            "what pouring it again must bring. appraise_confirmation(trial, 4) says whether it did what was expected of it.")

    @pytest.mark.parametrize("worth, due", [(0.0055, 0.03575), (0.0, 0.005)])
    def test_what_is_poured_again_must_bring_its_price(self, demo, monkeypatch, worth, due):
        """A round of one melt and one pour, 6.5 at the usual costs, where .8 is in hand; and more than nothing."""
        given = []
        monkeypatch.setattr(words, "_settling", lambda *arguments: given.append(arguments[-1]) or "")
        outlook = Outlook.of(demo, labkit.fit_surfaces(demo), seed=2)
        best = demo.made.loc[["P01"], NAMES]
        bargain = Bargain(gain=0.0, cost=9.0, worth=worth or 1e-9, having=0.8)
        words.advice(demo, types.SimpleNamespace(hold={}, fixed={}), outlook, best, bargain)
        assert given == [pytest.approx(due)]

    @pytest.mark.parametrize("cooling, says", [("15", True), ("17", True), ("19", False)])
    def test_a_setting_that_was_added_and_never_varied(self, demo, cooling, says):
        """From 5 to 30: two of that are 8 % of the range, four are 16 %. With low and high alike it does not vary."""
        text = TERRACOTTA + "[settings.cooling]\nlow = 5\nhigh = 30\n[settings.stirring]\nlow = 3\nhigh = 3\n"
        tables = {name: table.assign(**({"cooling": "15", "stirring": "3"} if name in ("plan", "pours") else {}))
                  for name, table in demo.tables.items()}
        tables["pours"].loc[0, "cooling"] = cooling
        trial = labkit.Trial.from_toml(text).with_tables(tables, files=True)
        assert words._unvaried(trial, {}) == [
            "The pours so far hardly differ in cooling: what that does is not known. A round of plan_round would tell before "
            "you settle."] * says
        assert words._unvaried(trial, {"cooling": 15}) == [] == words._unvaried(demo, {})

    @pytest.mark.parametrize("shift, told", [(-0.005, True), (0.005, False)])
    def test_stopping_at_little_is_told_as_that(self, shift, told):
        """Uniform over .3 and .7, moved by a little: the mean is .5, and 90 % of it lies within .32 and .68."""
        outlook = types.SimpleNamespace(draws=lambda points: np.linspace(0.3, 0.7, 1001)[:, None] + shift)
        assert words._little(outlook, None) == [
            f"That is for want of a round that pays: the formula below is expected to give {0.5 + shift:.2f} of all that is "
            "wanted (0.32 to 0.67). If that is too little, pour the round all the same, or widen the limits or what is "
            "wanted."] * told

    def test_only_who_stops_is_told_of_little(self, demo):
        """What is wanted of the payoff is out of reach, so little of all is: dear rounds are told to stop, cheap ones not."""
        stops = []
        for price in (1, 60):
            text = TERRACOTTA.replace("rising = [4, 8]", "rising = [6.5, 10]") + f"[cost]\nround = {price}\n"
            trial = labkit.Trial.from_toml(text).with_tables(demo.tables, files=True)
            tweak = labkit.suggest_next(trial, pours=4, melts=2, seed=2)
            mean = tweak.predictions.set_index("attribute").at["desirability", "mean"]
            assert mean < words.LITTLE
            assert (f"expected to give {mean:.2f} of all that is wanted" in tweak.advice) == tweak.stop
            stops.append(tweak.stop)
        assert stops == [False, True]

    def test_what_is_furthest_off_is_named(self):
        trial = labkit.Trial.from_toml(TERRACOTTA)
        rows = {"desirability": 0.03, "payoff": 6.0, "hardness": 7.8, "sheerness": 5.0, "shade": 9.0, words.HOLDS: 0.9}
        table = pd.DataFrame({"attribute": list(rows), "mean": list(rows.values())})
        assert words.nothing_found(trial, table) == (
            "No formula within the limits is expected to give what you want: the best known comes to a desirability of 0.03. "
            "hardness is furthest off: 7.8 expected, wanted peak 4, 6 to 8. This round is planned to teach the most instead. If "
            "its scores say the same, widen the limits, or what is wanted.")
