"""The chance of failing: against integration on a grid, penalised regression, and simulation with known truth."""
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, log_expit, logsumexp

from labkit.core.failing import WIDER, FailingPrior, _about_the_mode, failing_posterior

PRIOR = FailingPrior(level=-2.9, spread=1.5, slope=2.5)


def on_a_grid(functions, failed, prior, at):
    """E p(at), its standard deviation and log p(y) by brute force over (a, b) with one or two slopes."""
    axes = [np.linspace(-6, 6, 91)] * (1 + functions.shape[1])
    theta = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    scales = np.append(prior.spread, np.full(functions.shape[1], prior.slope / np.sqrt(functions.shape[1])))
    b = theta * scales + np.append(prior.level, np.zeros(functions.shape[1]))
    chances = expit(b[:, :1] + b[:, 1:] @ functions.T)
    logs = np.log(np.where(failed, chances, 1 - chances)).sum(axis=1) - 0.5 * (theta**2).sum(axis=1)
    weights = np.exp(logs - logsumexp(logs))
    there = expit(b[:, :1] + b[:, 1:] @ at.T)
    mean = weights @ there
    volume = np.log(axes[0][1] - axes[0][0]) - 0.5 * np.log(2 * np.pi)
    return mean, np.sqrt(weights @ (there - mean) ** 2), logsumexp(logs) + len(axes) * volume


class TestPosterior:
    @pytest.mark.parametrize("functions, failed", [
        ([[-1.5], [-0.5], [0.5], [1.5]], [True, True, False, False]),             # told apart by a cut
        ([[-1.5], [-0.5], [0.5], [1.5]] * 5, [False] * 20),                        # nothing failed
        ([[-1.5, 0.3], [-0.5, 1.2], [0.5, -1.0], [1.5, 0.7], [0.1, -1.5], [-1.0, -0.2]],
         [True, False, False, False, True, False]),
        ([[-1.5, 0.3], [-0.5, 1.2], [0.5, -1.0], [1.5, 0.7]] * 8, [True, False, True, False] * 8),
    ])
    def test_chance_spread_and_evidence_are_those_of_integration_on_a_grid(self, functions, failed):
        functions, failed = np.array(functions), np.array(failed)
        at = np.array([[-1.7, 0.0, 0.9, 1.7], [1.0, 0.0, -1.0, 0.4]])[:functions.shape[1]].T
        mean, spread, evidence = on_a_grid(functions, failed, PRIOR, at)
        found = failing_posterior(functions, failed, PRIOR)
        assert found.effective > 1000
        assert_allclose(found.chance(at), mean, atol=0.004)
        assert_allclose(found.draws(at, 2000, 0).std(axis=0), spread, atol=0.01)
        assert_allclose(found.log_evidence, evidence, atol=0.02)

    def test_draws_begin_about_the_mode(self):
        """Of log p(y | theta) - |theta|^2 / 2, by scipy; its covariance there is the inverse of the curvature, widened."""
        rng = np.random.default_rng(6)
        columns = np.column_stack([np.ones(40), rng.normal(size=(40, 2))]) * [1.5, 2.0, 2.0]
        failed = rng.uniform(size=40) < expit(-1 + columns @ [0.2, 0.8, -0.5])
        sign = np.where(failed, 1.0, -1.0)
        other = minimize(lambda theta: 0.5 * theta @ theta - log_expit(sign * (-2.9 + columns @ theta)).sum(), np.zeros(3),
                         options={"gtol": 1e-9})
        found = _about_the_mode(columns, sign, -2.9)
        chance = expit(-2.9 + columns @ other.x)
        curvature = (columns * (chance * (1 - chance))[:, None]).T @ columns + np.eye(3)
        assert_allclose(found.middle, other.x, atol=1e-5)
        assert_allclose(found.root @ found.root.T, WIDER * np.linalg.inv(curvature), rtol=1e-4)

    def test_with_many_trials_it_is_penalised_regression(self):
        """scikit-learn's logistic regression with penalty |b|^2 / (2 C), C = slope^2 / P, and a free intercept; its
        spread is the inverse of the Fisher information plus that penalty."""
        from sklearn.linear_model import LogisticRegression

        rng = np.random.default_rng(4)
        functions = rng.uniform(-1, 1, (1500, 3)) * np.sqrt(3)
        failed = rng.uniform(size=1500) < expit(-1.0 + functions @ [1.0, -0.5, 0.0])
        prior = FailingPrior(level=0.0, spread=10.0, slope=0.6)
        found = failing_posterior(functions, failed, prior)
        model = LogisticRegression(C=0.6**2 / 3, tol=1e-10, max_iter=1000).fit(functions, failed)
        mean = found.weights @ found.coefficients
        columns = np.column_stack([np.ones(1500), functions])
        chance = model.predict_proba(functions)[:, 1]
        information = (columns * (chance * (1 - chance))[:, None]).T @ columns + np.diag([0, *[3 / 0.6**2] * 3])
        expected_sd = np.sqrt(np.diag(np.linalg.inv(information)))
        sd = np.sqrt(found.weights @ (found.coefficients - mean) ** 2)
        assert_allclose((mean - [model.intercept_[0], *model.coef_[0]]) / expected_sd, 0, atol=0.08)
        assert_allclose(sd, expected_sd, rtol=0.05)

    def test_turning_the_functions_changes_nothing(self):
        rng = np.random.default_rng(1)
        functions, turn = rng.normal(size=(12, 3)), np.linalg.qr(rng.normal(size=(3, 3)))[0]
        failed = functions[:, 0] < -0.5
        plain, turned = (failing_posterior(f, failed, PRIOR).chance(f) for f in (functions, functions @ turn))
        assert_allclose(plain, turned, atol=0.015)

    def test_without_functions_only_the_level_is_learned(self):
        found = failing_posterior(np.zeros((6, 0)), np.array([True] + [False] * 5), PRIOR)
        level = np.linspace(-9, 9, 4001)
        likelihood = expit(PRIOR.level + 1.5 * level) * expit(-PRIOR.level - 1.5 * level) ** 5 * np.exp(-level**2 / 2)
        expected = (likelihood * expit(PRIOR.level + 1.5 * level)).sum() / likelihood.sum()
        assert_allclose(found.chance(np.zeros((2, 0))), expected, atol=0.002)


class TestDraws:
    def test_a_draw_is_one_function_wherever_it_is_asked(self):
        rng = np.random.default_rng(2)
        found = failing_posterior(rng.normal(size=(10, 2)), rng.uniform(size=10) < 0.4, PRIOR)
        at = rng.normal(size=(7, 2))
        whole = found.draws(at, 64, 5)
        assert_allclose(whole[:, [4]], found.draws(at[[4]], 64, 5), rtol=1e-12)
        assert_allclose(found.draws(at, 4000, 5).mean(axis=0), found.chance(at), atol=0.01)
        assert whole.shape == (64, 7) and ((whole > 0) & (whole < 1)).all()
        none = np.zeros((0, at.shape[1]))
        assert found.chance(none).shape == (0,) and found.draws(none, 64, 5).shape == (64, 0)


@pytest.fixture(scope="module")
def played():
    rng, rows = np.random.default_rng(3), []
    for _ in range(250):
        functions, at = (rng.uniform(-1, 1, (count, 3)) * np.sqrt(3) for count in (12, 4))
        a, b = PRIOR.level + PRIOR.spread * rng.normal(), PRIOR.slope / np.sqrt(3) * rng.normal(size=3)
        failed = rng.uniform(size=12) < expit(a + functions @ b)
        found, truth = failing_posterior(functions, failed, PRIOR), expit(a + at @ b)
        low, high = np.quantile(found.draws(at, 400, 0), [0.05, 0.95], axis=0)
        rows += list(zip(found.chance(at), truth, (low <= truth) & (truth <= high), strict=True))
    return np.array(rows)


class TestCalibration:
    """Truths drawn from the prior: what is said to happen in so many cases happens in so many."""

    def test_of_the_chance(self, played):
        """In each quarter of the predictions the mean truth is the mean prediction, within 3 standard errors."""
        order = np.argsort(played[:, 0])
        for part in np.array_split(order, 4):
            gap = played[part, 1] - played[part, 0]
            assert abs(gap.mean()) < 3 * gap.std() / np.sqrt(len(part)) + 0.003

    def test_of_the_interval(self, played):
        """1000 intervals, four by four of one truth: the standard error of their share is under .02."""
        assert abs(played[:, 2].mean() - 0.9) < 0.04
