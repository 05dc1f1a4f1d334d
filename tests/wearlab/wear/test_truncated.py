"""Moments in boxes against brute force: grids of the plain density, scipy's probabilities, known closed forms."""

from __future__ import annotations

import time

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import nquad
from scipy.special import log_ndtr
from scipy.stats import multivariate_normal, norm, truncnorm

from wearlab.errors import InputError
from wearlab.wear.interval_normal import interval_moments
from wearlab.wear.propagation import propagate
from wearlab.wear.truncated import truncated_moments

Array = NDArray[np.float64]
INF = np.inf


def brute(mean: Array, cov: Array, lower: Array, upper: Array, nodes: int) -> tuple[Array, Array, float]:
    """Mean, covariance and log probability from the density itself on a product of Gauss-Legendre nodes."""
    sd = np.sqrt(np.diag(cov))
    t, w = np.polynomial.legendre.leggauss(nodes)
    axes, weights = [], []
    for m, s, lo, hi in zip(mean, sd, lower, upper, strict=True):
        start, end = max(lo, m - 7 * s), min(hi, m + 7 * s)
        # bounds in the far tail: the density falls at least as fast as that of the coordinate alone
        if lo > m + 5 * s:
            end = min(hi, lo + 40 * s * s / (lo - m))
        if hi < m - 5 * s:
            start = max(lo, hi - 40 * s * s / (m - hi))
        axes.append((start + end) / 2 + (end - start) / 2 * t)
        weights.append((end - start) / 2 * w)
    x = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, mean.size)
    weight = weights[0]
    for more in weights[1:]:
        weight = np.multiply.outer(weight, more)
    off = x - mean
    log_density = -0.5 * np.einsum("ni,ij,nj->n", off, np.linalg.inv(cov), off)
    top = log_density.max()
    p = np.exp(log_density - top) * weight.reshape(-1)
    log_p = np.log(p.sum()) + top - 0.5 * np.linalg.slogdet(2 * np.pi * cov)[1]
    p /= p.sum()
    centre = p @ x
    return centre, np.einsum("n,ni,nj->ij", p, x - centre, x - centre), float(log_p)


def equal_correlation(c: int, rho: float) -> Array:
    return np.full((c, c), rho) + (1 - rho) * np.eye(c)


def agree(mean: Array, cov: Array, lower: Array, upper: Array, nodes: int, tolerance: float, exact: int = 4) -> None:
    answer = truncated_moments(mean[None], cov[None], lower[None], upper[None], exact=exact)
    e, v, log_p = brute(mean, cov, lower, upper, nodes)
    sd = np.sqrt(np.diag(v))
    assert np.abs((answer.mean[0] - e) / sd).max() < tolerance
    assert np.abs((answer.covariance[0] - v) / np.outer(sd, sd)).max() < 4 * tolerance
    assert answer.log_probability[0] == pytest.approx(log_p, abs=tolerance)


@pytest.mark.parametrize("rho", [-0.9, -0.4, 0.0, 0.6, 0.95])
@pytest.mark.parametrize(
    ("lower", "upper"),
    [
        ([0.5, -0.3], [INF, INF]),
        ([-INF, -0.3], [0.2, INF]),
        ([-INF, -INF], [-1.5, 1.0]),
        ([-0.5, 1.0], [0.8, INF]),
        ([-1.0, -2.0], [1.5, 0.5]),
    ],
)
def test_two_coordinates(rho: float, lower: list[float], upper: list[float]) -> None:
    cov = equal_correlation(2, rho) * np.outer([2.0, 0.5], [2.0, 0.5])
    mean = np.array([10.0, -3.0])
    scale = np.array([2.0, 0.5])
    agree(mean, cov, mean + scale * np.array(lower), mean + scale * np.array(upper), 300, 1e-4)


@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.5, 0.9])
def test_two_coordinates_in_the_far_tail(rho: float) -> None:
    agree(np.zeros(2), equal_correlation(2, rho), np.array([8.0, 7.0]), np.array([INF, INF]), 300, 2e-4)


@pytest.mark.parametrize(
    ("rho", "lower", "upper"),
    [
        (0.8, [0.5, 0.0, 1.5], [INF, INF, INF]),
        (0.8, [0.5, -INF, -1.0], [INF, 1.5, INF]),
        (-0.4, [0.5, 0.0, 1.0], [INF, INF, INF]),
        (0.5, [-1.0, -INF, 6.0], [0.5, 0.3, INF]),
    ],
)
def test_three_coordinates(rho: float, lower: list[float], upper: list[float]) -> None:
    agree(np.zeros(3), equal_correlation(3, rho), np.array(lower), np.array(upper), 90, 5e-4)


@pytest.mark.parametrize(("rho", "lower"), [(0.6, [0.5, 0.0, 1.5, -1.0]), (-0.25, [0.5, 0.0, 0.2, -1.0])])
def test_four_coordinates(rho: float, lower: list[float]) -> None:
    upper = np.array([INF, INF, INF, 1.0])
    agree(np.zeros(4), equal_correlation(4, rho), np.array(lower), upper, 34, 2e-3)


def test_against_adaptive_integration() -> None:
    cov = np.array([[1.0, 0.7], [0.7, 2.0]])
    normal = multivariate_normal([0.0, 0.0], cov)
    ranges = [[0.4, 8.0], [-10.0, 0.1]]

    def moment(value: object) -> float:
        return float(nquad(lambda x, y: value(x, y) * normal.pdf([x, y]), ranges, opts={"epsabs": 1e-9})[0])  # type: ignore[operator]

    p = moment(lambda x, y: 1.0)
    e = np.array([moment(lambda x, y: x), moment(lambda x, y: y)]) / p
    cross = moment(lambda x, y: x * y) / p - e[0] * e[1]
    r = truncated_moments(np.zeros((1, 2)), cov[None], [[0.4, -INF]], [[INF, 0.1]])
    assert r.mean[0] == pytest.approx(e, abs=1e-4)
    assert r.covariance[0, 0, 1] == pytest.approx(cross, abs=1e-4)
    assert r.log_probability[0] == pytest.approx(np.log(p), abs=1e-5)


@pytest.mark.parametrize("c", [2, 3, 4, 6])
def test_probability_is_scipys(c: int) -> None:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(c, c + 2))
    cov = root @ root.T
    sd = np.sqrt(np.diag(cov))
    lower, upper = sd * rng.uniform(-2, 0.3, c), sd * rng.uniform(0.6, 2, c)
    lower[0], upper[1] = -INF, INF
    p = multivariate_normal(np.zeros(c), cov).cdf(upper, lower_limit=lower, rng=np.random.default_rng(1))
    r = truncated_moments(np.zeros((1, c)), cov[None], lower[None], upper[None])
    # six coordinates: expectation propagation
    assert r.log_probability[0] == pytest.approx(np.log(p), abs=5e-4 if c < 5 else 0.03)


@pytest.mark.parametrize(("a", "b"), [(-1, INF), (5, INF), (29, INF), (-INF, 2), (-1, 2), (10, 10.5), (3, 30), (-8, 9)])
def test_one_coordinate_is_the_truncated_normal(a: float, b: float) -> None:
    log_p, mean, var = interval_moments(np.array([a]), np.array([b]))
    known = truncnorm(a, b)
    assert mean[0] == pytest.approx(known.mean(), rel=1e-8, abs=1e-10)
    assert var[0] == pytest.approx(known.var(), rel=1e-6)
    r = truncated_moments([[3.0]], [[[4.0]]], [[3 + 2 * a]], [[3 + 2 * b]])
    assert r.mean[0, 0] == pytest.approx(3 + 2 * known.mean(), rel=1e-8)
    assert r.covariance[0, 0, 0] == pytest.approx(4 * known.var(), rel=1e-6)
    assert r.log_probability[0] == pytest.approx(log_p[0])


def test_one_coordinate_very_far_out_is_exponential() -> None:
    # above a far bound the excess is exponential with mean 1 / a, up to terms of order 1 / a^2
    for a in (31.0, 200.0, 1e5):
        _, mean, var = interval_moments(np.array([a]), np.array([INF]))
        assert (mean[0] - a) * a == pytest.approx(1.0, abs=3 / a**2 + 1e-5)
        assert var[0] * a * a == pytest.approx(1.0, abs=7 / a**2)
    # closed form and series meet
    _, mean, var = interval_moments(np.array([30 - 1e-9, 30 + 1e-9]), np.array([INF, INF]))
    assert mean[0] == pytest.approx(mean[1], rel=1e-9)
    assert var[0] == pytest.approx(var[1], rel=1e-7)


def test_propagation_errors_are_what_is_stated() -> None:
    rng = np.random.default_rng(11)
    for c, worst in ((2, 0.04), (3, 0.05), (4, 0.05)):
        root = rng.normal(size=(60, c, c))
        cov = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(c)
        sd = np.sqrt(np.einsum("mii->mi", cov))
        lower = sd * rng.uniform(-2, 3, (60, c))
        upper = np.full((60, c), INF)
        fine = truncated_moments(np.zeros((60, c)), cov, lower, upper)
        rough = truncated_moments(np.zeros((60, c)), cov, lower, upper, exact=0)
        within = np.sqrt(np.einsum("mii->mi", fine.covariance))
        assert np.abs((rough.mean - fine.mean) / within).max() < worst
        assert np.abs(rough.log_probability - fine.log_probability).max() < 0.06
        assert np.abs(np.sqrt(np.einsum("mii->mi", rough.covariance)) / within - 1).max() < 0.14


def test_five_coordinates_against_many_draws() -> None:
    rng = np.random.default_rng(3)
    cov = equal_correlation(5, 0.5)
    lower = np.array([0.0, -0.5, 0.3, -1.0, -0.2])
    x = rng.multivariate_normal(np.zeros(5), cov, size=1_000_000, method="cholesky")
    inside = x[(x > lower).all(axis=1)]
    r = truncated_moments(np.zeros((1, 5)), cov[None], lower[None], np.full((1, 5), INF))
    assert r.mean[0] == pytest.approx(inside.mean(axis=0), abs=0.02)
    assert r.covariance[0] == pytest.approx(np.cov(inside.T), abs=0.03)
    assert r.log_probability[0] == pytest.approx(np.log(len(inside) / len(x)), abs=0.02)


def test_sampled_moments_against_integrated_ones() -> None:
    rng = np.random.default_rng(12)
    root = rng.normal(size=(20, 4, 4))
    cov = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(4)
    sd = np.sqrt(np.einsum("mii->mi", cov))
    lower, upper = sd * rng.uniform(-2, 3, (20, 4)), np.full((20, 4), INF)
    lower[:5, 0], upper[:5, 0] = -INF, -sd[:5, 0]
    fine = truncated_moments(np.ones((20, 4)), cov, 1 + lower, 1 + upper)
    drawn = truncated_moments(np.ones((20, 4)), cov, 1 + lower, 1 + upper, exact=0, points=4096)
    within = np.sqrt(np.einsum("mii->mi", fine.covariance))
    assert np.abs((drawn.mean - fine.mean) / within).max() < 0.015
    assert np.abs((drawn.covariance - fine.covariance) / (within[:, :, None] * within[:, None, :])).max() < 0.04
    assert np.abs(drawn.log_probability - fine.log_probability).max() < 0.002
    again = truncated_moments(np.ones((20, 4)), cov, 1 + lower, 1 + upper, exact=0, points=4096)
    assert (again.mean == drawn.mean).all()


def test_sampling_corrects_a_part_wholly_beyond_the_scale() -> None:
    # seven readings of one part above one scale end: a shared level plus independent noise, so that the probability
    # is a one-dimensional integral over the level
    c, rho, bound = 7, 0.95, 0.8
    x, w = np.polynomial.legendre.leggauss(400)
    level, w = 9 * x, 9 * w
    beyond = np.exp(log_ndtr((np.sqrt(rho) * level - bound) / np.sqrt(1 - rho)) * c)
    truth = float(np.log((w * norm.pdf(level) * beyond).sum()))
    args = (np.zeros((1, c)), equal_correlation(c, rho)[None], np.full((1, c), bound), np.full((1, c), INF))
    assert truncated_moments(*args, points=2048).log_probability[0] == pytest.approx(truth, abs=0.02)
    # the bias that sampling is there for, as large as stated
    bias = truncated_moments(*args).log_probability[0] - truth
    assert 0.05 < abs(bias) < 0.25


def test_free_coordinates_move_with_the_bounded_ones() -> None:
    cov = np.array([[1.0, 0.6, 0.3], [0.6, 2.0, -0.2], [0.3, -0.2, 1.5]])
    lower = np.array([-INF, 1.0, -INF])
    agree(np.array([1.0, 0.0, -1.0]), cov, lower, np.full(3, INF), 90, 1e-4)


def test_padding_changes_nothing() -> None:
    rng = np.random.default_rng(8)
    root = rng.normal(size=(5, 3, 3))
    cov = root @ root.transpose(0, 2, 1) + 0.2 * np.eye(3)
    mean, lower, upper = rng.normal(size=(5, 3)), rng.normal(size=(5, 3)), np.full((5, 3), INF)
    plain = truncated_moments(mean, cov, lower, upper)
    wide = np.zeros((5, 5, 5))
    wide[:, 1:4, 1:4] = cov
    wide[:, 0, 0] = 1.0  # a padding coordinate with and one without variance
    pad = lambda v, x: np.pad(v, ((0, 0), (1, 1)), constant_values=x)  # noqa: E731
    padded = truncated_moments(pad(mean, 0.0), wide, pad(lower, -INF), pad(upper, INF))
    assert padded.mean[:, 1:4] == pytest.approx(plain.mean, rel=1e-10)
    assert padded.covariance[:, 1:4, 1:4] == pytest.approx(plain.covariance, rel=1e-8)
    assert padded.covariance[:, 0, 0] == pytest.approx(np.ones(5))
    assert padded.log_probability == pytest.approx(plain.log_probability, rel=1e-10)
    assert not padded.covariance[:, 0, 1:].any()


@pytest.mark.parametrize("c", [2, 3, 7])
@pytest.mark.parametrize("rho", [0.9999, 1 - 1e-8, 1.0])
@pytest.mark.parametrize("far", [0.0, 30.0, 1000.0])
def test_copies_of_one_coordinate_stay_sane(c: int, rho: float, far: float) -> None:
    rng = np.random.default_rng(2)
    lower = far + rng.uniform(-2, 2, (20, c))
    cov = np.broadcast_to(equal_correlation(c, rho), (20, c, c))
    r = truncated_moments(np.zeros((20, c)), cov, lower, np.full((20, c), INF))
    assert np.isfinite(r.log_probability).all()
    assert np.linalg.eigvalsh(r.covariance).min() >= -1e-12
    if rho == 1.0:
        # one coordinate above the highest of the bounds
        log_p, e, v = interval_moments(lower.max(axis=1), np.full(20, INF))
        assert np.abs((r.mean - e[:, None]) / np.sqrt(v)[:, None]).max() < (0.02 if c < 5 else 0.15)
        assert np.abs(r.log_probability - log_p).max() < (0.01 if c < 5 else 0.3)


def test_fast_enough_for_a_fleet() -> None:
    rng = np.random.default_rng(1)
    m, c = 10_000, 3
    root = rng.normal(size=(m, c, c))
    cov = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(c)
    lower = np.sqrt(np.einsum("mii->mi", cov)) * rng.uniform(-2, 3, (m, c))
    start = time.process_time()
    truncated_moments(np.zeros((m, c)), cov, lower, np.full((m, c), INF))
    assert time.process_time() - start < 5  # measured 0.6 s; room for slow machines


def test_all_vectors_settle() -> None:
    rng = np.random.default_rng(4)
    root = rng.normal(size=(200, 8, 8))
    cov = root @ root.transpose(0, 2, 1)
    sd = np.sqrt(np.einsum("mii->mi", cov))
    corr = cov / sd[:, :, None] / sd[:, None, :]
    assert propagate(corr, rng.uniform(-2, 4, (200, 8)), np.full((200, 8), INF)).settled.all()


def test_nothing_bounded_is_the_normal_itself() -> None:
    cov = equal_correlation(3, 0.4)
    r = truncated_moments(np.ones((1, 3)), cov[None], np.full((1, 3), -INF), np.full((1, 3), INF))
    assert r.mean[0] == pytest.approx(np.ones(3))
    assert r.covariance[0] == pytest.approx(cov)
    assert r.log_probability[0] == 0.0


@pytest.mark.parametrize(
    ("cov", "lower", "upper", "words"),
    [
        (np.eye(2)[None], [[0.0, 1.0]], [[1.0, 1.0]], "below its upper"),
        (np.eye(2)[None], [[np.nan, 1.0]], [[1.0, 2.0]], "below its upper"),
        (np.eye(3)[None], [[0.0, 1.0]], [[1.0, 2.0]], "of shape"),
        (np.diag([0.0, 1.0])[None], [[0.0, 1.0]], [[1.0, 2.0]], "variance above zero"),
        (np.full((1, 2, 2), np.nan), [[0.0, 1.0]], [[1.0, 2.0]], "finite"),
    ],
)
def test_wrong_input_is_named(cov: Array, lower: list[list[float]], upper: list[list[float]], words: str) -> None:
    with pytest.raises(InputError, match=words):
        truncated_moments(np.zeros((1, 2)), cov, lower, upper)
