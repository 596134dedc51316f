"""Does a fitted polynomial hold? Generalised least squares, leaving one out, pure error, lack of fit.

    y = X b + e,  cov(e) = s2 V,      Q = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1

Everything here is read off Q: the residual sum of squares is y'Qy, and what is left of row i after a fit to
all the others (its correlated neighbours used too) is (Qy)_i / Q_ii, the classical e_i / (1 - h_i) when V is
a multiple of the identity (Dubrule 1983, Math. Geology 15:687-699; Cook & Weisberg 1982, section 2.2).

Arrays: X (n, p) of full column rank, y (n,), V (n, n) positive definite or None for the identity.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, qr, solve_triangular
from scipy.special import fdtrc

Spread = np.ndarray | None
ROUNDING = 1e-12  # of the length of y: residuals, and what a term adds, are under it what rounding leaves of nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class LeastSquares:
    """A fit by generalised least squares; `scale` is s2, nan when no residual degrees of freedom are left.

    b (p,), its unscaled covariance (X'V^-1X)^-1 (p, p), fitted (n,), Q (n, n), Qy (n,), y'Qy and its df.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    fitted: np.ndarray
    residual_maker: np.ndarray
    weighed_residual: np.ndarray
    sum_of_squares: float
    df: int

    @property
    def scale(self) -> float:
        return self.sum_of_squares / self.df if self.df else float("nan")


def whitened(array: np.ndarray, covariance: Spread) -> np.ndarray:
    """L^-1 array with V = L L': rows that least squares may treat as equal and independent."""
    if covariance is None:
        return np.asarray(array, dtype=float)
    return solve_triangular(cholesky(covariance, lower=True), array, lower=True)


def rank(columns: np.ndarray) -> int:
    """Number of independent columns, columns scaled to one length first."""
    length = np.linalg.norm(columns, axis=0)
    live = columns[:, length > 0] / length[length > 0]
    return int(np.linalg.matrix_rank(live, tol=1e-9 * len(columns) ** 0.5)) if live.size else 0


def least_squares(columns: np.ndarray, response: np.ndarray, covariance: Spread = None) -> LeastSquares:
    """Generalised least squares by QR of the whitened columns (Golub & Van Loan, section 5.3).

    What is left of an exact fit is rounding, and is put at 0: ratios of such sums of squares tell nothing. So is the
    coefficient of a term that adds nothing: divided by such a bend, a straight line turns at 1e15.
    """
    x, y = whitened(columns, covariance), whitened(response, covariance)
    length = np.linalg.norm(x, axis=0)
    q, r = qr(x / length, mode="economic")
    inverse = solve_triangular(r, np.eye(len(r))) / length[:, None]
    coefficients = inverse @ (q.T @ y)
    coefficients = np.where(np.abs(coefficients) * length > ROUNDING * np.linalg.norm(y), coefficients, 0.0)
    left = y - q @ (q.T @ y)
    left -= q @ (q.T @ left)
    left *= np.linalg.norm(left) > ROUNDING * np.linalg.norm(y)
    weighed, maker = _unwhitened(left, np.eye(len(y)) - q @ q.T, covariance)
    return LeastSquares(coefficients=coefficients, covariance=inverse @ inverse.T,
                        fitted=columns @ coefficients, residual_maker=maker, weighed_residual=weighed,
                        sum_of_squares=float(left @ left), df=len(y) - x.shape[1])


def _unwhitened(left: np.ndarray, maker: np.ndarray, covariance: Spread) -> tuple[np.ndarray, np.ndarray]:
    """Qy = L'^-1 (whitened residual) and Q = L'^-1 (I - H) L^-1."""
    if covariance is None:
        return left, maker
    root = cholesky(covariance, lower=True)
    half = solve_triangular(root, maker, lower=True, trans="T")
    whole = solve_triangular(root, half.T, lower=True, trans="T")
    return solve_triangular(root, left, lower=True, trans="T"), whole


def leverage(fit: LeastSquares, covariance: Spread = None) -> np.ndarray:
    """Diagonal of the hat matrix I - V Q, shape (n,): by how much each fitted value moves with its own response.

    With V the identity it lies in 0..1. Else the projection is oblique: a row that is foretold by its neighbours may
    have 1.4, or -.2, and the sum is p all the same. 1 is no sign that a row stands alone; `left_out_residuals` tells.
    """
    spread = np.eye(len(fit.fitted)) if covariance is None else covariance
    return 1.0 - np.einsum("ij,ji->i", spread, fit.residual_maker)


def left_out_residuals(fit: LeastSquares) -> np.ndarray:
    """(Qy)_i / Q_ii, shape (n,): each row against the fit to all the others; nan where it stands alone."""
    own = np.diag(fit.residual_maker)
    alone = own <= 1e-10 * np.abs(fit.residual_maker).max(initial=1e-300)
    return np.where(alone, np.nan, fit.weighed_residual / np.where(alone, 1.0, own))


def press(fit: LeastSquares) -> float:
    """Sum of squared left-out residuals (Allen 1974, Technometrics 16:125-127); nan if a row stands alone."""
    return float(np.sum(left_out_residuals(fit) ** 2))


def influence(fit: LeastSquares, columns: np.ndarray, covariance: Spread = None) -> np.ndarray:
    """Cook's distance (n,): how far leaving a row out moves all coefficients, d' (X'V^-1X) d / (p s2)."""
    x, pull = whitened(columns, covariance), np.asarray(columns, dtype=float).T
    if covariance is not None:
        pull = solve_triangular(cholesky(covariance, lower=True), x, lower=True, trans="T").T
    moved = fit.covariance @ (pull * left_out_residuals(fit))
    return np.sum((x @ moved) ** 2, axis=0) / (x.shape[1] * fit.scale)


def centred_total(response: np.ndarray, covariance: Spread = None) -> float:
    """Sum of squares about the (weighted) mean: the residual of the constant alone."""
    return least_squares(np.ones((len(response), 1)), response, covariance).sum_of_squares


def r_squared(fit: LeastSquares, response: np.ndarray, covariance: Spread = None) -> float:
    """1 - y'Qy / total about the mean.

    Centred also for a Scheffe polynomial, whose columns hold the constant without naming it.
    """
    total = centred_total(response, covariance)
    return 1.0 - fit.sum_of_squares / total if total > 0 else float("nan")


def repeats(points: np.ndarray, tolerance: float) -> np.ndarray:
    """Group number (n,) of rows of points (n, d): one number within `tolerance` of a group's first row."""
    groups, firsts = np.empty(len(points), dtype=int), []
    for i, point in enumerate(points):
        near = [g for g, first in enumerate(firsts) if np.abs(point - first).max(initial=0.0) <= tolerance]
        groups[i] = near[0] if near else len(firsts)
        if not near:
            firsts.append(point)
    return groups


def pure_error(groups: np.ndarray, response: np.ndarray, covariance: Spread = None) -> tuple[float, int]:
    """Sum of squares and df within groups of the same formula: the residual of a mean for each group."""
    cells = (groups[:, None] == np.unique(groups)).astype(float)
    fit = least_squares(cells, response, covariance)
    return fit.sum_of_squares, fit.df


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A sum of squares beside another: F = (ss / df) / (ss_against / df_against); nan without df."""

    ss: float
    df: int
    f: float = float("nan")
    p: float = float("nan")


def f_test(ss: float, df: int, ss_against: float, df_against: int) -> Comparison:
    """The upper tail of F (Fisher); nan where it cannot be formed."""
    if df <= 0 or df_against <= 0 or ss_against <= 0:
        return Comparison(ss=ss, df=df)
    f = (ss / df) / (ss_against / df_against)
    return Comparison(ss=ss, df=df, f=f, p=float(fdtrc(df, df_against, max(f, 0.0))))


def lack_of_fit(fit: LeastSquares, groups: np.ndarray, response: np.ndarray,
                covariance: Spread = None) -> tuple[Comparison, Comparison]:
    """What the residual holds beyond pure error, tested against it; then pure error (Draper & Smith, ch. 2).

    Formulas weighed nearly alike count as repeats, so a tiny negative difference may arise; it is nothing.
    """
    inside, df_inside = pure_error(groups, response, covariance)
    inside = min(inside, fit.sum_of_squares) if fit.df > df_inside else fit.sum_of_squares
    beyond = f_test(fit.sum_of_squares - inside, max(fit.df - df_inside, 0), inside, df_inside)
    return beyond, Comparison(ss=inside, df=min(df_inside, fit.df))


def restricted_deviance(columns: np.ndarray, response: np.ndarray, covariance: np.ndarray) -> float:
    """-2 log of the restricted likelihood (Patterson & Thompson 1971, Biometrika 58:545-554).

    (n - p) log 2 pi + log|V| + log|X'V^-1X| + y'Qy
    """
    fit = least_squares(columns, response, covariance)
    logs = np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(fit.covariance)[1]
    return float(fit.df * np.log(2 * np.pi) + logs + fit.sum_of_squares)


def restricted_variances(columns: np.ndarray, response: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Variances v (s,), none negative, of V = sum_s v_s C_s that maximise the restricted likelihood; C (s, n, n).

    Found from several starts on the logarithms of the ratios, the common factor profiled out: v = y'Qy / (n - p). A
    variance that shrinks below a millionth of the whole is told as 0; so are all where the fit is exact.
    """
    from scipy.optimize import minimize

    df = len(response) - columns.shape[1]
    if not least_squares(columns, response).sum_of_squares:
        return np.zeros(len(parts))
    if len(parts) == 1:
        return np.array([least_squares(columns, response, parts[0]).scale])

    def scaled(logs):
        spread = np.tensordot(np.exp(np.clip(logs, -30, 30)), parts, axes=1)
        return spread * least_squares(columns, response, spread).sum_of_squares / df

    def deviance(logs):
        return restricted_deviance(columns, response, scaled(np.append(logs, 0.0)))

    starts = [np.full(len(parts) - 1, start) for start in (-3.0, 0.0, 3.0)]
    exact = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000}
    tried = [minimize(deviance, start, method="Nelder-Mead", options=exact) for start in starts]
    best = min(tried, key=lambda found: found.fun)
    ratios = np.exp(np.clip(np.append(best.x, 0.0), -30, 30))
    spread = np.tensordot(ratios, parts, axes=1)
    variances = ratios * least_squares(columns, response, spread).sum_of_squares / df
    return np.where(variances < 1e-6 * variances.sum(), 0.0, variances)
