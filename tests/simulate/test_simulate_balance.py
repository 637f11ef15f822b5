"""The step-by-step mass balance against an ordinary differential equation solver (scipy.integrate.solve_ivp) and
against bookkeeping.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cmkit.simulate.balance import add, advance, drain_and_fill

HOURS = 400.0
RELEASE = np.array([[2.0, 0.5, 6.0], [0.3, 0.0, 1.0]])
START = np.array([[100.0, 20.0, 8000.0], [10.0, 5.0, 0.0]])
VOLUME = np.array([100.0, 8.0])
LOSS = np.array([0.05, 0.004])
REMOVAL = np.array([[0.0, 1e-4, 6e-3], [0.0, 1e-3, 4e-3]])


def solved() -> tuple[np.ndarray, np.ndarray]:
    """Amount and volume after HOURS by an adaptive Runge-Kutta of order 8 at a relative tolerance of 1e-12."""

    def rhs(_, y):
        amount, volume = y[:6].reshape(2, 3), y[6:]
        return np.concatenate([(RELEASE - amount * ((LOSS / volume)[:, None] + REMOVAL)).ravel(), -LOSS])

    y = solve_ivp(rhs, (0, HOURS), np.concatenate([START.ravel(), VOLUME]), method="DOP853", rtol=1e-12, atol=1e-12).y[
        :, -1
    ]
    return y[:6].reshape(2, 3), y[6:]


def test_balance_agrees_with_an_ode_solver():
    """Source: scipy.integrate.solve_ivp, DOP853; the recipe's step of 8 h. Metals hardly leave; water (last column)
    evaporates fast.
    """
    amount, volume, _ = advance(START, VOLUME, RELEASE, LOSS, REMOVAL, hours=HOURS, step_h=8.0)
    expected, litres = solved()
    np.testing.assert_allclose(amount[:, 0], expected[:, 0], rtol=5e-6)
    np.testing.assert_allclose(amount, expected, rtol=5e-4)
    np.testing.assert_allclose(volume, litres, rtol=1e-12)


def test_halving_the_step_quarters_the_error():
    """The midpoint rule is of second order: its error falls fourfold when the step is halved."""
    expected, _ = solved()
    errors = [
        np.abs(advance(START, VOLUME, RELEASE, LOSS, REMOVAL, hours=HOURS, step_h=step)[0] - expected).max()
        for step in (16.0, 8.0, 4.0)
    ]
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.1)


def test_nothing_is_made_or_lost():
    """What was there plus what was released equals what is there plus what left, through work, top-up and change."""
    amount, volume, gone = advance(START, VOLUME, RELEASE, LOSS, REMOVAL, hours=HOURS, step_h=8.0)
    np.testing.assert_allclose(START + RELEASE * HOURS, amount + gone, rtol=1e-12)
    fresh = np.array([1.0, 0.0, 1200.0])
    topped, litres = add(amount[0], volume[0], 20.0, fresh)
    np.testing.assert_allclose(topped, amount[0] + 20.0 * fresh, rtol=1e-12)
    assert litres == pytest.approx(volume[0] + 20.0)
    changed, full = drain_and_fill(topped, litres, 0.1, fresh, 100.0)
    np.testing.assert_allclose(changed, 0.1 * topped + fresh * (100.0 - 0.1 * litres), rtol=1e-12)
    assert full == 100.0


def test_carry_over_of_a_change():
    """80 ppm and a residual of 15 % leave 12 ppm: a worked example of the trade press (Machinery Lubrication, on
    residual oil).
    """
    amount, litres = drain_and_fill(np.array([80.0 * 50]), 50.0, 0.15, np.array([0.0]), 50.0)
    assert amount[0] / litres == pytest.approx(12.0)


def test_a_leak_never_empties_below_nothing():
    amount, volume, _ = advance(START, VOLUME, RELEASE, np.array([10.0, 10.0]), REMOVAL, hours=100.0, step_h=8.0)
    assert (volume > 0).all()
    assert np.isfinite(amount).all()
