"""What a round can tell: against textbook formulas and itself under changes whose direction is certain."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, TWO_SETTINGS
from played import hazel_rounds
from scipy import stats

import labkit
from labkit import Trial, plan_confirmation, plan_round
from labkit.errors import PlanError
from labkit.panel import appraise_panel
from labkit.planning import beforehand
from labkit.planning.beforehand import appraise_round
from labkit.planning.question import noise_of, scoring_parts, usual_testers
from labkit.rehearsal import play_round
from labkit.rounds import Round, round_from_factors
from labkit.tweaks.forecast import usual_judges

# Two settings, no other factor: the linear model is that of a 2 x 2 factorial.
SQUARE = TWO_SETTINGS + """
[noise]
round = 0.0001
melt = 0.0001
pour = 0.6
tester_pour = 0.8
"""


def factorial(repeats=1):
    trial = Trial.from_toml(SQUARE)
    corners = trial.region.corners()
    at = pd.concat([corners] * repeats, ignore_index=True)
    names = trial.next_pours(len(at))
    melts = trial.next_melts(len(at))
    return trial, round_from_factors(trial.recipe, trial.batch, number=1, melts=melts, pours=names, coordinates=at)


def seen(prospect, between, attribute="hardness"):
    rows = prospect.differences
    return rows.loc[(rows["between"] == between) & (rows["attribute"] == attribute), "seen from"].item()


def test_smallest_differences_of_a_factorial():
    """(z_.975 + z_.80) se: two means of variance v differ with se sqrt(2 v), a main effect of 4 runs has se sqrt(v)
    (Box, Hunter & Hunter, Statistics for Experimenters, ch. 5: 2 s / sqrt(n))."""
    prospect = appraise_round(*factorial(), testers=4)
    variance, times = 0.6**2 + 0.8**2 / 4, stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    assert seen(prospect, "two pours") == pytest.approx(times * np.sqrt(2 * (variance + 1e-8)), rel=1e-9)
    assert seen(prospect, "temp from low to high") == pytest.approx(times * np.sqrt(variance), rel=1e-6)
    assert seen(prospect, "time from low to high") == pytest.approx(times * np.sqrt(variance), rel=1e-6)


def test_the_difference_that_would_be_seen_is_seen_in_four_of_five_simulations():
    trial, round_ = factorial()
    effect = seen(appraise_round(trial, round_, testers=4), "temp from low to high")
    rng, sd = np.random.default_rng(1), np.sqrt(0.6**2 + 0.8**2 / 4)
    coded = trial.region.coded(round_.to_frame())[:, 0]
    scores = effect / 2 * coded + rng.normal(0, sd, size=(20_000, 4))
    found = scores @ coded / 2  # the difference of the means of two and two
    assert np.mean(np.abs(found) / sd > stats.norm.ppf(0.975)) == pytest.approx(0.80, abs=0.01)


def test_which_terms_become_estimable():
    """A 2 x 2 factorial estimates constant, both effects and their interaction, and no squares."""
    models = appraise_round(*factorial()).models.set_index("model")
    assert models["before"].tolist() == [0, 0, 0]
    assert models["after"].to_dict() == {"linear": 3, "interaction": 4, "quadratic": 3}
    assert models.loc["interaction", "newly estimable"] == "constant, temp, time, temp x time"
    assert models.loc["quadratic", "newly estimable"] == "temp, time, temp x time"


def test_more_of_the_same_pours_tells_more():
    once, twice = (appraise_round(*factorial(repeats=k)) for k in (1, 2))
    assert seen(twice, "temp from low to high") == pytest.approx(seen(once, "temp from low to high") / np.sqrt(2), rel=1e-4)
    assert (twice.terms["told"] >= once.terms["told"] - 1e-12).all()
    assert twice.guess["a guess"].iloc[1] <= once.guess["a guess"].iloc[1]


@pytest.mark.parametrize("text, melts", [(TERRACOTTA, 2), (HAZEL, 4)], ids=["terracotta", "hazel"])
def test_directions_that_are_certain(text, melts):
    trial = Trial.from_toml(text)
    prospect = appraise_round(trial, plan_round(trial, pours=4, melts=melts, seed=1))
    moves = prospect.changes.set_index("change")["moves by"]
    assert moves["one more tester"] <= 0 <= moves["one fewer tester"]
    assert moves["one more pour"] < 0 < moves["one fewer pour"]
    assert ((prospect.terms["told"] >= -1e-9) & (prospect.terms["told"] <= 1)).all()
    if trial.recipe.pot:
        assert seen(prospect, "two pours of one melt") < seen(prospect, "two pours of different melts")


def test_a_round_that_is_already_planned_is_not_counted_twice():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = plan_round(trial, pours=4, melts=2, seed=1)
    before, after = appraise_round(trial, round_), appraise_round(trial.with_round(round_), round_)
    assert str(before) == str(after)


def test_what_cannot_be_told_is_said():
    trial = Trial.from_toml(TERRACOTTA)
    text = str(appraise_round(trial, plan_round(trial, pours=4, melts=2, seed=1)))
    assert text.count("cannot be told") == 4 * 4  # four factors, four attributes
    assert ("Seen with 80 % power at the two-sided 5 % level, each for itself: to tell all pairs of pours apart together takes "
            "more. Noise as stated for this trial; no scores yet.") in " ".join(text.split())
    assert ("% after: more than half of the standard error that there was before any pour is left. It is worst at "
            in " ".join(text.split()))
    assert "Of what is unknown (as variance) the round removes most about " in text
    assert "Linear model: the pours alone can estimate 0 of its 5 terms before and 0 after." in text


def test_only_rounds_are_appraised():
    with pytest.raises(PlanError) as problem:
        appraise_round(Trial.from_toml(TERRACOTTA), "round 1")
    assert str(problem.value) == "the round is of type str. Give a Round, or the number of a planned one as a whole number."


def test_a_planned_round_is_appraised_by_its_number_poured_or_not(demo):
    newest = demo.plan["round"].max()
    rows = demo.plan[demo.plan["round"] == newest].reset_index(drop=True)
    found = appraise_round(demo, newest)
    assert found.round.pours == tuple(rows["pour"]) and found.round.number == newest
    assert str(found) == str(appraise_round(demo, Round(number=newest, frame=rows, recipe=demo.recipe)))
    tables = {name: table[~table["pour"].isin(rows["pour"])] for name, table in demo.tables.items() if name in (
        "pours", "scores", "servings", "readings")}
    before = appraise_round(replace(demo, tables={**demo.tables, **tables}), newest)
    assert found.differences.equals(before.differences) and found.guess.equals(before.guess)


@pytest.mark.parametrize("number, message", [(99, "round 99 is not planned. Give round 1, 2 or 3."), (
    True, "the round is of type bool. Give a Round, or the number of a planned one as a whole number.")])
def test_a_number_that_is_no_round(demo, number, message):
    for asked in (appraise_round, labkit.bench_sheet):
        with pytest.raises(PlanError) as problem:
            asked(demo, number)
        assert str(problem.value) == message


def test_without_a_pot_pours_share_no_melt():
    trial, round_ = factorial()
    assert not trial.recipe.pot and "of one melt" not in str(appraise_round(trial, round_))
    assert appraise_round(trial, round_).differences["between"].tolist()[0] == "two pours"


def test_a_number_of_testers_between_two_is_told_one_way_everywhere():
    """Two pours scored by 2 testers and two by 3: 2.5 of them count, and 2 to 3 are told of."""
    trial = hazel_rounds(1)[-1]
    scores = trial.standing_scores
    pours, testers = sorted(set(scores["pour"])), sorted(set(scores["tester"]))
    third = scores["tester"].eq(testers[2]) & scores["pour"].isin(pours[:len(pours) // 2])
    trial = replace(trial, tables={**trial.tables, "scores": trial.scores[:0]}).with_scores(
        scores[scores["tester"].isin(testers[:2]) | third])
    round_ = plan_round(trial, pours=3, seed=1)
    assert usual_testers(trial) == 2.5 and set(usual_judges(trial).values()) == {2.5}
    prospect = appraise_round(trial, round_)
    assert str(prospect).splitlines()[0] == f"What round {round_.number} can tell, scored by 2 to 3 testers"
    sd, found = trial.noise_of("hardness"), appraise_panel(trial).noise.set_index("source").at["tester_pour", "found"]
    times = stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    expected = times * np.sqrt(2 * (sd["pour"] ** 2 + found**2 / 2.5 + sd["melt"] ** 2))
    assert seen(prospect, "two pours", "hardness") == pytest.approx(expected)
    forecast = plan_confirmation(trial, pours=1, seed=1).forecast
    assert forecast.judged_by() == " (2 to 3 testers)"


def partial_ballots(counts):
    """Every pour of a factorial scored by so many testers for each attribute."""
    trial, round_ = Trial.from_toml(SQUARE + "[attributes.shade]\n[attributes.payoff]\n"), factorial()[1]
    rng = np.random.default_rng(3)
    return trial.with_round(round_).with_pours(round_.as_poured()).with_scores(pd.DataFrame([
        {"pour": pour, "tester": f"T{t}", "session": "1", "attribute": name, "score": int(rng.integers(3, 8))}
        for pour in round_.pours for name, count in counts.items() for t in range(count)]))


def test_each_attribute_counts_those_who_score_it():
    """Four testers a pour, all of whom score the hardness, three the shade and two the payoff."""
    counts = {"hardness": 4, "shade": 3, "payoff": 2}
    trial = partial_ballots(counts)
    new = plan_round(trial, pours=2, seed=1)
    prospect, asked = appraise_round(trial, new), appraise_round(trial, new, testers=4)
    found = appraise_panel(trial).noise.query("source == 'tester_pour'").set_index("attribute")["found"]
    times = stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    for name in counts:
        sd = trial.noise_of(name)
        for told, count in ((prospect, counts[name]), (asked, 4)):
            expected = times * np.sqrt(2 * (sd["pour"] ** 2 + found[name] ** 2 / count + sd["melt"] ** 2))
            assert seen(told, "two pours", name) == pytest.approx(expected, rel=1e-6)
    assert "scored for payoff by 2 testers and shade by 3 testers." in " ".join(str(prospect).split())
    assert "not all score everything" not in str(asked)


def test_a_round_is_planned_for_those_who_score_each_attribute():
    """Tester by pour is .8 for the hardness and 1 for the others; a pour's own .6; of ten points."""
    trial, full = partial_ballots({"hardness": 4, "shade": 3, "payoff": 2}), partial_ballots(
        {"hardness": 4, "shade": 4, "payoff": 4})
    sd = {name: trial.noise_of(name) for name in trial.attributes}

    def pour_variance(testers):
        return np.mean([sd[a]["pour"] ** 2 + sd[a]["tester_pour"] ** 2 / n for a, n in testers.items()]) / 100

    assert noise_of(trial).pour == pytest.approx(pour_variance({"hardness": 4, "shade": 3, "payoff": 2}))
    assert noise_of(full).pour == pytest.approx(pour_variance(dict.fromkeys(sd, 4)))
    round_ = plan_round(trial, pours=2, seed=1)
    whole = appraise_round(trial, round_, testers=4).changes.set_index("change")["standard error"]
    partly = appraise_round(trial, round_).changes.set_index("change")["standard error"]
    assert (whole < partly)[["as planned", "one more tester", "one fewer tester"]].all()
    one_more = noise_of(trial, 5, scoring_parts(trial))
    assert one_more.pour == pytest.approx(pour_variance({"hardness": 5, "shade": 3.75, "payoff": 2.5}))


def test_notes_of_a_round_tell_of_partial_ballots(demo):
    """Half of the testers say nothing of the payoff."""
    left = demo.scores["tester"].isin(sorted(set(demo.scores["tester"]))[::2]) & demo.scores["attribute"].eq("payoff")
    partly = replace(demo, tables={**demo.tables, "scores": demo.scores[~left].reset_index(drop=True)})
    notes = [" ".join(plan_round(t, pours=3, melts=2, seed=1).notes) for t in (demo, partly)]
    assert "testers ([noise])" in notes[0] and "not by all" not in notes[0]
    assert "testers, not by all for everything ([noise])" in notes[1]


def test_a_difference_beyond_the_scale_is_told_as_that():
    """Pours that scatter by 3 points: two of them 12.0 apart would be seen, of ten that there are."""
    prospect = appraise_round(Trial.from_toml(SQUARE.replace("pour = 0.6", "pour = 3")), factorial()[1])
    table = prospect.differences.set_index("between")["seen from"]
    wide = table[table > 10]
    assert 0 < len(wide) < len(table) and np.isfinite(wide).all()
    lines = {line.strip().rsplit("  ", 1)[0].strip(): line.rsplit("  ", 1)[-1].strip() for line in str(prospect).splitlines()}
    assert all(lines[name] == ("more than the scale" if value > 10 else f"{value:.1f}") for name, value in table.items())


@pytest.mark.parametrize("melts, before", [([""] * 4, 1), (["X-M1"] * 4, 3)])
def test_an_unplanned_melt_is_a_round_of_its_own_to_what_is_estimable(melts, before):
    """The corners of the factorial, each from a pot of its own at a time of its own (the constant), or all from one."""
    trial, round_ = factorial()
    names = ["X-01", "X-02", "X-03", "X-04"]
    poured = round_.as_poured().assign(pour=names, melt=melts, note="really so")
    trial = trial.with_pours(poured)
    models = appraise_round(trial, plan_round(trial, pours=1, seed=1, control="none")).models.set_index("model")
    assert models.at["linear", "before"] == before


def test_of_what_is_pinned_there_is_nothing_to_be_told():
    """Two coordinates that vary have 3, 4 and 6 terms, whatever else trial.toml names with one value."""
    text = TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.15\nhigh = 0.15").replace(
        "low = 0.02\nhigh = 0.08", "low = 0.04\nhigh = 0.04")
    trial = Trial.from_toml(text)
    found = appraise_round(trial, plan_round(trial, pours=8, melts=2, seed=1))
    assert found.models.set_index("model")["terms"].to_dict() == {"linear": 3, "interaction": 4, "quadratic": 6}
    assert found.models["after"].tolist() == [3, 4, 6] and found.terms["told"].between(0, 1).all()
    assert "can estimate 0 of its 3 terms before and 3 after" in " ".join(str(found).split())


def test_what_weighing_does_to_what_is_pinned_costs_no_slope():
    """Weighed by hand, wax and load differ a little from pour to pour; the same pours where no factor names the two."""
    text = TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.15\nhigh = 0.15").replace(
        "low = 0.02\nhigh = 0.08", "low = 0.04\nhigh = 0.04")
    text = "\n".join(row for row in text.splitlines() if not row.startswith("expect"))
    trial = Trial.from_toml(text)
    round_ = plan_round(trial, pours=5, melts=3, seed=1, control="none")
    world = labkit.World(lambda points: pd.DataFrame({name: 5.0 for name in trial.attributes}, index=points.index))
    trial = play_round(trial, round_, world, testers=6, seed=1).onto(trial, round_)
    bare = re.sub(r"\[factors\.(wax|load)\].*?(?=\n\[)", "", text, flags=re.S)
    tables = {**trial.tables, "plan": trial.tables["plan"].drop(columns=["wax", "load"])}
    found = []
    for each in (trial, Trial.from_toml(bare).with_tables(tables, files=True)):
        found.append(appraise_round(each, plan_round(each, pours=1, seed=1)).differences)
    assert found[0]["between"].tolist() == found[1]["between"].tolist()
    np.testing.assert_allclose(found[0]["seen from"], found[1]["seen from"], rtol=0.03)


@pytest.mark.parametrize("sign", [1, -1])
def test_more_never_knows_less(monkeypatch, sign):
    """A quick search found a fifth pour to raise the standard error by .003."""
    monkeypatch.setattr(beforehand, "_searched_error", lambda brief, pours, melts: 0.3 - sign * 0.01 * (pours + melts / 2))
    trial = Trial.from_toml(TERRACOTTA)
    moves = appraise_round(trial, plan_round(trial, pours=4, melts=2, seed=1)).changes.set_index("change")["moves by"]
    known = [moves[f"one {way} {what}"] for way in ("more", "fewer") for what in ("pour", "melt")]
    assert known == pytest.approx([-0.01, -0.005, 0.01, 0.005] if sign > 0 else [0, 0, 0, 0])
