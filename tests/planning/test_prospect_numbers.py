"""What a round can tell, by dense algebra: standard errors over the region, and the words for where they are largest."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, NEEDLE, TERRACOTTA, TINT, TWO_SETTINGS
from invented import poured
from scipy import stats

from labkit import Trial, plan_round
from labkit.planning import beforehand
from labkit.planning.beforehand import _place_words, _slope_errors, appraise_round, standard_error_at
from labkit.planning.prospect import _guess_blocks, _model_blocks
from labkit.planning.question import flat_question, noise_of, past_of, weak_question

SECOND = "[settings.warm]\nlow = 68\nhigh = 80\n[attributes.stain]"


def dense_error(trial, round_, testers):
    """Root mean square over the sample of the region: rows f, cov = (prior + X' V^-1 X)^-1, V = v_pour I + v_melt Z Z' +
    v_round, as all pours are of one round.

    As a part of the scale, at the stated noise, which is that of any attribute from 0 to 10.
    """
    sd = {source: trial.noise_of("hardness")[source] / 10 for source in ("round", "pour", "melt", "tester_pour")}
    question = weak_question(trial.region, trial.region, noise_of(trial), model="quadratic", kind="I")
    pours = round_.to_frame()
    rows, melt = question.rows(pours), pours["melt"].to_numpy()
    cover = (sd["pour"] ** 2 + sd["tester_pour"] ** 2 / testers) * np.eye(len(rows))
    cover = cover + sd["melt"] ** 2 * np.equal.outer(melt, melt) + sd["round"] ** 2
    prior = question.prior / noise_of(trial).pour                                 # kept there in units of one pour
    covariance = np.linalg.inv(prior + rows.T @ np.linalg.solve(cover, rows))
    over = question.rows(question.sample)
    return float(np.sqrt(np.mean(np.einsum("ij,jk,ik->i", over, covariance, over))))


@pytest.mark.parametrize("text, melts", [(TERRACOTTA, 2), (HAZEL, 4)], ids=["terracotta", "hazel"])
def test_errors_over_the_region_with_as_many_testers_one_more_and_one_fewer(text, melts):
    trial = Trial.from_toml(text)
    round_ = plan_round(trial, pours=4, melts=melts, seed=1)
    changes = appraise_round(trial, round_, testers=5).changes.set_index("change")
    for change, testers in (("as planned", 5), ("one more tester", 6), ("one fewer tester", 4)):
        expected = dense_error(trial, round_, testers)
        assert changes.at[change, "standard error"] == pytest.approx(expected, rel=2e-3)        # sampled functions
        assert changes.at[change, "moves by"] == pytest.approx(expected - dense_error(trial, round_, 5), abs=2e-5)


def test_the_worst_places_are_the_fiftieth_of_which_least_is_known(monkeypatch):
    trial, seen = Trial.from_toml(TERRACOTTA), []
    monkeypatch.setattr(beforehand, "_place_words", lambda question, points: seen.append((question, points)) or "there")
    round_ = plan_round(trial, pours=4, melts=2, seed=1)
    assert appraise_round(trial, round_).worst == "there"
    (question, worst), = seen
    rows = question.rows(question.sample)
    prior = np.sqrt(np.einsum("ij,jk,ik->i", rows, np.linalg.inv(question.prior / question.noise.pour), rows))
    left = pd.Series(standard_error_at(trial, question.sample, round_) / prior, index=question.sample.index)
    assert len(worst) == pytest.approx(len(left) / 50, abs=2)
    assert left[worst.index].min() >= left.drop(worst.index).max() - 1e-12


def test_one_more_pour_moves_the_error_as_a_round_with_one_more_would():
    """Both rounds planned and appraised by dense algebra; before the quick search refined its rounds it told -.0455, one
    melt more -.0101 and one fewer -.0135, where both are worth next to nothing."""
    trial = Trial.from_toml(TERRACOTTA)
    four, five = (plan_round(trial, pours=pours, melts=2, seed=1, control="none") for pours in (4, 5))
    changes = appraise_round(trial, four, testers=5).changes.set_index("change")
    expected = dense_error(trial, five, 5) - dense_error(trial, four, 5)
    assert expected < -0.04 and changes.at["one more pour", "moves by"] == pytest.approx(expected, rel=0.1)
    for change, melts in (("one more melt", 3), ("one fewer melt", 1)):
        other = plan_round(trial, pours=4, melts=melts, seed=1, control="none")
        expected = dense_error(trial, other, 5) - dense_error(trial, four, 5)
        assert abs(expected) < 0.002 and changes.at[change, "moves by"] == pytest.approx(expected, abs=0.002)


def test_one_melt_fewer_teaches_less_where_a_round_was_given_two_for_what_they_teach(demo):
    """From a single start the quick search found nothing in it, beside a proposal of two melts "for what they teach"."""
    two, one = (plan_round(demo, pours=4, melts=melts, seed=1) for melts in (2, 1))
    by_melts = [appraise_round(demo, round_).changes.set_index("change") for round_ in (two, one)]
    planned = [changes.at["as planned", "standard error"] for changes in by_melts]
    assert planned[1] - planned[0] > 0.0015
    assert by_melts[0].at["one fewer melt", "moves by"] == pytest.approx(planned[1] - planned[0], rel=0.2)
    assert by_melts[1].at["one more melt", "moves by"] == pytest.approx(planned[0] - planned[1], rel=0.2)


def test_of_each_term_the_part_of_its_variance_that_is_removed_is_told():
    """Coefficients of the polynomial by its values at six places; their covariance before and after, by dense algebra."""
    trial = Trial.from_toml(TWO_SETTINGS)
    round_, noise = plan_round(trial, pours=3, seed=1), noise_of(trial)
    question = weak_question(trial.region, trial.region, noise, model="quadratic", kind="I")
    places = trial.region.sample(6, seed=2)
    a, b = trial.region.coded(places).T
    names = ["constant", "temp", "time", "temp x time", "temp^2", "time^2"]
    turn = np.linalg.solve(np.column_stack([a**0, a, b, a * b, a * a, b * b]), question.rows(places))
    rows, prior = question.rows(round_.to_frame()), question.prior / noise.pour
    cover = noise.pour * np.eye(3) + noise.melt * np.eye(3)                        # each in a melt of its own
    before, after = (np.diag(turn @ np.linalg.inv(known) @ turn.T)
                     for known in (prior, prior + rows.T @ np.linalg.solve(cover, rows)))
    told = appraise_round(trial, round_).terms.set_index("term")["told"]
    assert list(told.index) == names
    np.testing.assert_allclose(told, 1 - after / before, rtol=1e-6)


@pytest.mark.parametrize("rounds", [0.0, 0.5, 2.0])
def test_slopes_of_several_rounds_are_those_of_generalised_least_squares(rounds):
    """statsmodels, at the same covariance: rounds share a part of it, and melts another."""
    import statsmodels.api as sm

    trial, rng = Trial.from_toml(TWO_SETTINGS), np.random.default_rng(3)
    pours = pd.DataFrame({"round": [1, 1, 1, 2, 2, 2, 3, 3], "melt": list("aabccdee"), "temp": rng.uniform(160, 220, 8),
                          "time": rng.uniform(300, 400, 8)})
    same = {name: np.equal.outer(pours[name].to_numpy(), pours[name].to_numpy()) for name in ("round", "melt")}
    cover = 0.49 * np.eye(8) + 0.3**2 * same["melt"] + rounds**2 * same["round"]
    fitted = sm.GLS(np.arange(8.0), sm.add_constant(trial.region.coded(pours)), sigma=cover).fit()
    found = _slope_errors(trial, pours, {"melt": 0.3, "round": rounds}, 0.49)
    expected = 2 * np.sqrt(np.diag(fitted.normalized_cov_params))[1:]
    np.testing.assert_allclose([found["temp"], found["time"]], expected, rtol=1e-9)


@pytest.mark.parametrize("pours, melts, there", [
    (4, 4, {"one more pour", "one fewer melt"}), (4, 1, {"one more pour", "one fewer pour", "one more melt"}),
    (1, 1, {"one more pour"}), (3, 2, {"one more pour", "one fewer pour", "one more melt", "one fewer melt"})])
def test_only_rounds_that_can_be_are_compared(pours, melts, there):
    """A melt has a pour, a round a melt; one tester has none to spare."""
    trial = Trial.from_toml(TERRACOTTA)
    changes = appraise_round(trial, plan_round(trial, pours=pours, melts=melts, seed=1), testers=1).changes["change"]
    assert set(changes) == {"as planned", "one more tester"} | there


def test_of_two_testers_one_can_be_spared():
    trial = Trial.from_toml(HAZEL)
    assert "one fewer tester" in set(appraise_round(trial, plan_round(trial, pours=2, seed=1), testers=2).changes["change"])


def test_what_an_instrument_reads_is_read_once_and_no_tester_counts():
    trial = Trial.from_toml(TERRACOTTA + NEEDLE)
    found = appraise_round(trial, plan_round(trial, pours=4, melts=2, seed=1), testers=3).differences
    seen = found.set_index(["attribute", "between"])["seen from"]
    sd, times = trial.noise_of("softness"), stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    one = sd["pour"] ** 2 + sd["reading"] ** 2
    assert seen["softness", "two pours of one melt"] == pytest.approx(times * np.sqrt(2 * one))
    assert seen["softness", "two pours of different melts"] == pytest.approx(times * np.sqrt(2 * (one + sd["melt"] ** 2)))


def test_errors_at_formulas_after_three_rounds_by_dense_algebra():
    """V = v_pour I + v_melt same melt + v_round same round. Without the rounds it would be up to 15 % less."""
    trial = poured(TERRACOTTA, rounds=3, seed=2)
    noise, made = noise_of(trial), trial.made
    question = weak_question(trial.region, trial.region, noise, model="quadratic", kind="I")
    melt, round_ = (np.equal.outer(made[name].to_numpy(), made[name].to_numpy()) for name in ("melt", "round"))
    cover = noise.pour * np.eye(len(made)) + noise.melt * melt + noise.round * round_
    rows = question.rows(made)
    covariance = np.linalg.inv(question.prior / noise.pour + rows.T @ np.linalg.solve(cover, rows))
    at = question.rows(points := trial.region.sample(20, seed=1))
    np.testing.assert_allclose(standard_error_at(trial, points) ** 2, np.einsum("ij,jk,ik->i", at, covariance, at), rtol=2e-3)
    without = np.linalg.inv(question.prior / noise.pour + rows.T @ np.linalg.solve(cover - noise.round * round_, rows))
    assert (np.einsum("ij,jk,ik->i", at, without, at) < 0.98 * np.einsum("ij,jk,ik->i", at, covariance, at)).any()


@pytest.mark.parametrize("scale", [20, 40])
def test_the_noise_of_a_pour_is_a_mean_over_attributes_in_parts_of_their_scales(scale):
    trial = Trial.from_toml((TERRACOTTA + NEEDLE).replace("scale = [0, 20]", f"scale = [0, {scale}]"))
    each = [(trial.noise_of(name), attribute.width) for name, attribute in trial.attributes.items()]
    pours = [(sd["pour"] ** 2 + (sd["reading"] ** 2 if "reading" in sd else sd["tester_pour"] ** 2 / 6)) / width**2
             for sd, width in each]
    found = noise_of(trial)
    assert trial.attributes["softness"].width == scale and found.testers == 6
    assert found.pour == pytest.approx(np.mean(pours), rel=1e-12)
    assert found.melt_ratio == pytest.approx(np.mean([(sd["melt"] / width) ** 2 for sd, width in each]) / np.mean(pours))


def test_the_classical_criterion_is_the_mean_variance_of_a_prediction():
    """Of a box: f' (F'F)^-1 f on average over it, by Gauss and Legendre's product rule, exact for a quadratic's squares."""
    trial = Trial.from_toml(TWO_SETTINGS)
    asked = flat_question(trial.region, trial.region, noise_of(trial), model="quadratic", kind="I")
    values = (trial.recipe.bounds.loc[["temp", "time"], ["low", "high"]]).to_numpy()
    coded = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0), (1, 0), (0, -0.5), (0.3, 1)])
    pours = pd.DataFrame(values.mean(axis=1) + coded * np.diff(values)[:, 0] / 2, columns=["temp", "time"])
    nodes, weights = np.polynomial.legendre.leggauss(3)
    design, over = (np.column_stack([a**0, a, b, a * b, a * a, b * b])
                    for a, b in (coded.T, np.array(np.meshgrid(nodes, nodes)).reshape(2, -1)))
    variance = np.einsum("ij,jk,ik->i", over, np.linalg.inv(design.T @ design), over)
    rows = asked.rows(pours)
    assert asked.criterion.value(rows.T @ rows) == pytest.approx(np.outer(weights, weights).ravel() @ variance / 4, rel=1e-9)


def test_of_an_earlier_round_what_was_never_poured_is_no_longer_expected():
    trial = Trial.from_toml(TERRACOTTA)
    for _ in range(2):
        trial = trial.with_round(plan_round(trial, pours=2, melts=1, seed=1))
    found = past_of(trial)
    assert list(found.pours.index) == ["P03", "P04"] and list(trial.plan["pour"]) == ["P01", "P02", "P03", "P04"]
    assert found.notes == ("Not yet poured and counted as if poured as planned: P03 and P04.",)


def test_a_planned_round_is_not_counted_twice_in_errors_at_formulas():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = plan_round(trial, pours=4, melts=2, seed=1)
    points = trial.region.sample(5, seed=1)
    once = standard_error_at(trial, points, round_)
    assert standard_error_at(trial.with_round(round_), points, round_) == pytest.approx(once, rel=1e-12)
    assert (once < standard_error_at(trial, points)).all()


@pytest.mark.parametrize("temp, time, words", [
    ([215, 218, 205], [310, 302, 330], "high temp and low time"), ([160, 220, 161, 219], [350, 340, 360, 350], "either end of temp"),
    ([190, 185, 195], [395, 390, 399], "high time"), ([190, 200, 180], [350, 340, 360], "no one corner more than others"),
    ([161, 170, 165], [300, 400, 305], "low temp and either end of time"),
    ([161, 219, 190, 160, 220], [350] * 5, "no one corner more than others")])
def test_a_place_is_told_by_what_is_high_or_low_there(temp, time, words):
    trial = Trial.from_toml(TWO_SETTINGS)
    question = weak_question(trial.region, trial.region, noise_of(trial), model="quadratic", kind="I")
    assert _place_words(question, pd.DataFrame({"temp": temp, "time": time}, dtype=float)) == words


class TestWords:
    def test_percents_of_the_region(self):
        guess = pd.DataFrame({"a guess": [0.8, 0.354]})
        assert _guess_blocks(guess, "wax 0.1")[0].text.startswith(
            "80 % of the region is a guess before and 35 % after: more than half")

    def test_terms_of_which_much_and_little_is_told(self):
        """The six of which most is told, highest first, none under a tenth; those under it apart."""
        models = pd.DataFrame([("linear", 8, 3, 5, "")], columns=["model", "terms", "before", "after", "newly estimable"])
        terms = pd.DataFrame({"term": list("abcdefgh"), "told": [0.1, 0.2, 0.9, 0.8, 0.5, 0.4, 0.3, 0.0999]})
        said = [block.text for block in _model_blocks(models, terms)]
        assert said == [
            "Linear model: the pours alone can estimate 3 of its 8 terms before and 5 after.",
            "Of what is unknown (as variance) the round removes most about c 90 %, d 80 %, e 50 %, f 40 %, g 30 % and b 20 %.",
            "It says next to nothing about h."]


@pytest.mark.parametrize("jitter", [1e-3, 1e-5, 1e-7])
def test_what_only_weighing_moved_is_told_from_next_to_nothing(jitter):
    """A slope on pours that are off by `jitter` of half a range: its error, by the residual of a regression on all else.

    var = 1 / (x' Q x) with Q of the other columns and equal, independent pours (Frisch & Waugh 1933).
    """
    trial, off = Trial.from_toml(TINT.replace("[attributes.stain]", SECOND)), np.array([1.0, -1, 2, 0, -1, 1])
    load, warm = np.array([0.02, 0.07, 0.12, 0.05, 0.1, 0.03]), 74 + 6 * jitter * off
    pours = pd.DataFrame({"round": 1, "melt": list("abcdef"), "load": load, "warm": warm})
    sd = dict.fromkeys(("round", "melt"), 0.0)
    others = np.column_stack([np.ones(6), trial.region.coded(pours)[:, 0]])
    left = off - others @ np.linalg.lstsq(others, off, rcond=None)[0]
    found = _slope_errors(trial, pours, sd, 0.49)["warm"]
    assert found == pytest.approx(2 * 0.7 / (jitter * np.linalg.norm(left)), rel=1e-6 / jitter**0.5)
