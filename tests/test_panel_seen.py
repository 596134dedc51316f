"""What the letters of a panel see: against scipy, statsmodels, and simulated sittings and tables."""
import numpy as np
import pytest
from panels import panel_of
from scipy.stats import nct, studentized_range
from scipy.stats import t as student

from labkit.core import levels
from labkit.panel import seen


@pytest.mark.parametrize("pours, df", [(2, 1.0), (2, 30), (3, 2), (4, 4.02), (4, 15), (11, 51.3), (24, 300)])
def test_multiple_is_the_studentised_range(pours, df):
    """scipy.stats.studentized_range; of two pours it is Student's t."""
    found = seen.tukey_multiple(pours, df)
    assert found == pytest.approx(studentized_range.ppf(0.95, pours, df) / np.sqrt(2), rel=1e-3 if df < 4 else 3e-4)
    assert pours > 2 or found == pytest.approx(student.ppf(0.975, df), rel=1e-9)


@pytest.mark.parametrize("testers, df", [(2, 1), (3, 2), (6, 15), (12, 33)])
def test_least_seen_is_seen_four_times_in_five(testers, df):
    """scipy.stats.nct, noncentral t, both tails."""
    se, multiple = 0.8 * np.sqrt(2 / testers), studentized_range.ppf(0.95, 4, df) / np.sqrt(2)
    found = seen.least_seen(se=se, df=df, multiple=multiple)
    assert nct.sf(multiple, df, found / se) == pytest.approx(0.8, abs=1e-6)


def test_power_of_two_pours_is_statsmodels():
    """A paired t-test of two pours by six testers: TTestPower with the standard deviation of the differences."""
    from statsmodels.stats.power import TTestPower
    found = seen.power_of_pair(1.0, se=0.8 * np.sqrt(2 / 6), df=5, multiple=student.ppf(0.975, 5))
    assert found == pytest.approx(TTestPower().power(1 / (0.8 * np.sqrt(2)), 6, 0.05), abs=1e-9)


@pytest.mark.parametrize("testers, pours, difference", [(4, 4, 2.9), (6, 4, 1.6), (10, 3, 0.9), (5, 8, 2.0)])
def test_formula_agrees_with_tukeys_test_of_simulated_sittings(testers, pours, difference):
    """4000 sittings, two of the pours apart, by scipy's studentised range: three standard errors."""
    rng, df = np.random.default_rng(2), (testers - 1) * (pours - 1)
    scores = rng.normal(0, 0.8, (4000, pours, testers)) + rng.normal(0, 1, (4000, 1, testers))
    scores[:, 0] += difference
    rest = scores - scores.mean(axis=1, keepdims=True) - scores.mean(axis=2, keepdims=True)
    rest += scores.mean(axis=(1, 2), keepdims=True)
    noise = np.sqrt(np.sum(rest**2, axis=(1, 2)) / df)
    q = (scores[:, 0].mean(axis=1) - scores[:, 1].mean(axis=1)) / (noise / np.sqrt(testers))
    told = np.mean(np.abs(q) > studentized_range.ppf(0.95, pours, df))
    se, multiple = 0.8 * np.sqrt(2 / testers), seen.tukey_multiple(pours, df)
    assert told == pytest.approx(seen.power_of_pair(difference, se=se, df=df, multiple=multiple), abs=0.024)


@pytest.mark.parametrize("pours, difference, worth", [(2, 1.0, 0.0), (4, 1.0, 0.0), (11, 1.0, 0.0), (2, 2.0, 4.0),
                                                      (4, 2.5, 2.0), (4, 6.0, 2.0)])
def test_fewest_testers(pours, difference, worth):
    """The prior of the noise brings degrees of freedom of its own; of two pours far apart two testers are enough."""
    def power(testers):
        df = (pours - 1) * (testers - 1) + worth
        if testers == 1:
            return 0.0
        multiple = studentized_range.ppf(0.95, pours, df) / np.sqrt(2)
        return nct.sf(multiple, df, difference / (0.8 * np.sqrt(2 / testers)))

    found = seen.testers_needed(difference, noise=0.8, pours=pours, worth=worth)
    assert power(found) >= 0.8 > power(found - 1)
    assert np.isnan(seen.testers_needed(0.001, noise=0.8, pours=pours))


def test_played_knows_the_noise_from_repeats():
    """Two pours by two testers ten times each: noncentral t on 1 + 36 degrees of freedom, by scipy."""
    noise, se = levels.Noise(tester=1.0, score=0.8, stays=0.0), 0.8 * np.sqrt(2 / 20)
    found = seen.power_played(1.4, pair=(0, 1), count=np.full((2, 2), 10), noise=noise, worth=0, multiple=4.0)
    assert found == pytest.approx(nct.sf(4.0, 37, 1.4 / se), abs=0.024)


def test_played_counts_missing_scores_and_repeats():
    """A table with gaps and repeats: the formula with the standard error of the adjusted means."""
    count = np.array([[1, 1, 1, 0, 1, 1], [1, 1, 0, 1, 1, 1], [2, 1, 1, 1, 0, 1], [0, 1, 2, 1, 1, 1]], dtype=float)
    noise = levels.Noise(tester=1.0, score=0.8, stays=0.6)
    cells = levels.Cells(mean=np.zeros_like(count), count=count, squares=np.zeros_like(count))
    covariance = levels.adjusted_means(cells, noise).covariance
    se, df = np.sqrt(covariance[0, 0] + covariance[3, 3] - 2 * covariance[0, 3]), cells.df + 1
    found = seen.power_played(1.5, pair=(0, 3), count=count, noise=noise, worth=1, multiple=2.9, plays=20_000)
    assert found == pytest.approx(seen.power_of_pair(1.5, se=se, df=df, multiple=2.9), abs=0.012)


def test_power_of_what_is_seen_for_certain_is_one():
    """Where next to nothing is left the noncentral t underflows, in a band of differences to NaN (scipy 1.17)."""
    away = np.arange(20.0, 70.0, 0.25)
    for df, multiple in [(33, 3.0), (1000, 3.04), (7000, 3.04), (3000, 6.0)]:
        found = [seen.power_of_pair(each, se=1.0, df=df, multiple=multiple) for each in away]
        assert np.allclose(found, 1.0, rtol=0, atol=1e-4), df


@pytest.mark.parametrize("pours", [4, 8, 12])
def test_a_number_of_testers_is_found_at_any_noise(pours):
    """A tenth of the scale: more noise takes no fewer testers, and 999 do at any of these."""
    found = [seen.testers_needed(1.0, noise=noise, pours=pours, worth=2.0) for noise in np.arange(0.4, 1.2, 0.01)]
    assert np.isfinite(found).all() and (np.diff(found) >= 0).all()


def test_what_could_not_be_seen_on_the_whole_scale_is_told_as_that():
    """Two testers who disagree, one of whom scored half of the pours, would see over ten points of ten."""
    panel = panel_of(np.array([[2, 8], [9, 1], [5, np.nan], [7, np.nan]]))
    assert panel.power["sees"].item() > 10 and "  more than the scale    1.00  " in str(panel)


def test_testers_without_levels_of_their_own_leave_the_means_as_they_are():
    """scipy.stats.nct: the difference of two plain means of 4 and 3 scores, s^2 about pours and testers (df 5)."""
    count = np.array([[1, 1, 1, 1, 0], [0, 1, 1, 1, 0], [1, 0, 1, 1, 1]])
    noise, se = levels.Noise(tester=0.0, score=0.8, stays=0.5), 0.8 * np.sqrt(1 / 4 + 1 / 3)
    df = count.sum() - 3 - 5 + 1
    multiple = student.ppf(0.975, df)
    found = seen.power_played(2.0, pair=(0, 1), count=count, noise=noise, worth=0.0, multiple=multiple)
    assert found == pytest.approx(nct.sf(multiple, df, 2.0 / se) + nct.cdf(-multiple, df, 2.0 / se), abs=0.024)


def test_a_panel_whose_levels_are_alike_is_appraised_from_its_scores_alone():
    """Restricted likelihood puts the variance of these testers' levels at exactly 0 (their means are all the same)."""
    lean = np.array([[0.5, -0.5, 0], [-0.5, 0.5, 0], [0, 0, 0], [0.5, 0, -0.5]])
    panel = panel_of(np.arange(3.0, 7)[:, None] + lean, prior="flat")
    assert panel.noise.set_index("source").at["tester", "found"] == 0.0
    assert panel.power["played"].item() == pytest.approx(0.8, abs=0.024)
