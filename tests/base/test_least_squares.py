"""Small least-squares problems in batches, against numpy and a minimum known in closed form."""

from dataclasses import dataclass

import numpy as np
import pytest

from acoustics.base.least_squares import Descent, levenberg, normal_equations, positive_inverse, solve_positive


@pytest.mark.parametrize("p", [1, 3, 6, 7, 20])
def test_positive_definite_systems_of_any_size_are_solved(p):
    rng = np.random.default_rng(p)
    root = rng.normal(size=(5, p, p + 3))
    matrix, vector, columns = root @ root.swapaxes(-1, -2), rng.normal(size=(5, p)), rng.normal(size=(5, p, 2))
    last = np.moveaxis(matrix, 0, -1)
    expected = np.linalg.solve(matrix, vector[..., None])[..., 0].T
    np.testing.assert_allclose(solve_positive(last, vector.T), expected, rtol=1e-6, atol=1e-9)
    several = np.moveaxis(np.linalg.solve(matrix, columns), 0, -1)
    np.testing.assert_allclose(solve_positive(last, np.moveaxis(columns, 0, -1)), several, rtol=1e-6, atol=1e-9)


def test_information_that_rounding_left_below_nothing_gives_a_number():
    """As of the depression along the horizon of a planar array: it is 0, and comes out as -2e-13. With a number for a
    step, if a poor one, a descent damps the next more; without one it took all its steps."""
    solved = solve_positive(np.array([[4.0, 1e-7], [1e-7, -2e-13]])[..., None], np.array([2.0, 0.0])[:, None])
    assert np.isfinite(solved).all()


@pytest.mark.parametrize("imaginary", [0.0, 1j])
def test_inverses_of_positive_definite_matrices(imaginary):
    rng = np.random.default_rng(1)
    root = rng.normal(size=(2, 3, 7, 9)) + imaginary * rng.normal(size=(2, 3, 7, 9))
    matrix = root @ root.swapaxes(-1, -2).conj()
    np.testing.assert_allclose(positive_inverse(matrix), np.linalg.inv(matrix), rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(positive_inverse(-matrix), np.linalg.inv(-matrix), rtol=1e-8, atol=1e-10)


@dataclass(frozen=True)
class Valley:
    """Residuals 10 (y - x^2) and a - x: the curved valley of Rosenbrock (1960), Computer Journal 3, 175-184."""

    a: np.ndarray

    def subset(self, rows):
        return Valley(self.a[rows])


def evaluate(valley, state):
    x, y = state
    residual = np.stack([10.0 * (y - x**2), valley.a - x])
    jacobian = np.stack([np.stack([-20.0 * x, np.full_like(x, 10.0)]), np.stack([-np.ones_like(x), np.zeros_like(x)])])
    return np.sum(residual**2, axis=0), *normal_equations(residual, jacobian)


@pytest.mark.parametrize("descent", [Descent(most_steps=120), Descent(damping=1e-2, floor=0.0, most_steps=120)])
def test_each_trial_reaches_its_minimum_whatever_the_others_do(descent):
    rng = np.random.default_rng(3)
    a, starts = rng.uniform(0.5, 2.0, 60), rng.uniform(-3.0, 3.0, (2, 60))

    def found(rows):
        return levenberg(Valley(a[rows]), starts[:, rows], evaluate, lambda _, at, step: at + step, descent=descent)

    together = found(np.arange(60))
    np.testing.assert_allclose(together, [a, a**2], atol=1e-6)
    alone = np.concatenate([found(np.array([k])) for k in range(60)], axis=-1)
    np.testing.assert_allclose(alone, together, rtol=0, atol=1e-13)


def test_a_trial_given_up_stays_where_it_is():
    a, starts = np.ones(4), np.full((2, 4), -1.0)
    found = levenberg(
        Valley(a), starts, evaluate, lambda _, at, step: at + step,
        give_up=lambda valley, at, normal, step, gain: np.full(at.shape[-1], True), descent=Descent(most_steps=9),
    )  # fmt: skip
    # Its first step is still taken if it helps; no other follows.
    assert np.all(np.abs(found[0] - 1.0) > 0.1)


@pytest.mark.parametrize("trials", [3, 1500])
def test_normal_equations_of_few_and_of_many_trials_are_products_of_matrices(trials):
    rng = np.random.default_rng(5)
    residual, jacobian = rng.standard_normal((6, trials)), rng.standard_normal((6, 4, trials))
    normal, gradient = normal_equations(residual, jacobian)
    for t in (0, trials - 1):
        np.testing.assert_allclose(normal[..., t], jacobian[..., t].T @ jacobian[..., t], rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(gradient[..., t], jacobian[..., t].T @ residual[:, t], rtol=1e-12, atol=1e-12)
