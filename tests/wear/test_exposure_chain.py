"""The exposure chain against numerical integration of the mass balance, and worked values.

Sources: the mass balance dC/dt = w/V - (q/V)(kappa C - c_f) - r C is a linear ordinary differential equation; expected
values are those of the guide how_it_is_computed, part A (derived there), and are integrated again here with
scipy.integrate.solve_ivp. The 80 ppm x 15 % = 12 ppm example of residual oil is from a trade article on factoring
residual oil into the wear rate.
"""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from cmkit.wear.exposure import Exposure, effective_hours, exposure_chain


def run(hours: float, q: float = 0.0, r: float = 0.0) -> dict[str, object]:
    return {"compartment": "c", "kind": "run", "hours": hours, "amount": 0.0, "make_up_l_per_h": q, "removal_per_h": r}


def event(kind: str, amount: float = 0.0) -> dict[str, object]:
    return {
        "compartment": "c",
        "kind": kind,
        "hours": 0.0,
        "amount": amount,
        "make_up_l_per_h": 0.0,
        "removal_per_h": 0.0,
    }


SAMPLE = event("sample")


def first(done: Exposure) -> tuple[float, float, float]:
    return done.phi[0], done.psi[0], done.chi[0]


def integrate(rhs: object, c0: float, hours: float) -> float:
    return solve_ivp(rhs, (0, hours), [c0], rtol=1e-12, atol=1e-12, method="DOP853").y[0, -1]


@pytest.mark.parametrize(
    ("q", "r", "c_f", "kappa", "c0", "d", "phi", "psi", "chi", "level"),
    [
        (0.1, 0, 0, 1, 5, 250, 0.778801, 221.1992, 0, 8.317988),
        (0, 0, 0, 1, 5, 250, 1, 250, 0, 10),
        (1e-9, 0, 0, 1, 5, 250, 1.000000, 250.0000, 0, 10.000000),
        (0.2, 0, 2, 0, 30, 500, 1, 500, 2, 42),
    ],
)
def test_one_run_as_in_the_design_table(
    q: float, r: float, c_f: float, kappa: float, c0: float, d: float, phi: float, psi: float, chi: float, level: float
) -> None:
    done = exposure_chain(pd.DataFrame([run(d, q, r), SAMPLE]), 100, kappa, c_f)
    assert_allclose(first(done), (phi, psi, chi), rtol=5e-7, atol=1e-9)
    got = c0 * done.phi[0] + 0.02 * done.psi[0] + done.chi[0]
    assert_allclose(got, level, rtol=1e-7)
    exact = integrate(lambda _t, c: 0.02 - q / 100 * (kappa * c - c_f) - r * c, c0, d)
    assert_allclose(got, exact, rtol=1e-9)


@pytest.mark.parametrize("kappa", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("removal", [0.0, 3e-4])
@pytest.mark.parametrize("q", [0.0, 0.02, 0.3])
def test_held_level_against_integration(kappa: float, removal: float, q: float) -> None:
    done = exposure_chain(pd.DataFrame([run(400, q, removal), SAMPLE]), 60, kappa, 1.5)
    got = 12 * done.phi[0] + 0.05 * done.psi[0] + done.chi[0]
    exact = integrate(lambda _t, c: 0.05 - q / 60 * (kappa * c - 1.5) - removal * c, 12.0, 400)
    assert_allclose(got, exact, rtol=1e-9)


@pytest.mark.parametrize("kappa", [0.0, 0.4, 1.0])
def test_falling_level_against_integration_then_topped_up(kappa: float) -> None:
    """Mass and volume are integrated apart; the top-up restores the volume and brings fresh fluid of 3 ppm."""
    v, q, d, w = 60.0, 0.1, 100.0, 2.4
    done = exposure_chain(pd.DataFrame([run(d, q), event("top_up", q * d), SAMPLE]), v, kappa, 3.0, level="falling")
    mass = solve_ivp(
        lambda t, m: w - kappa * q * m / (v - q * t), (0, d), [20.0 * v], rtol=1e-12, atol=1e-10, method="DOP853"
    ).y[0, -1]
    exact = (mass + 3.0 * q * d) / v
    assert_allclose(20 * done.phi[0] + w / v * done.psi[0] + done.chi[0], exact, rtol=1e-9)


def test_falling_level_figure() -> None:
    """q = 0.1 l/h from 60 l over 100 h: exact 109.39293 effective hours (the mid-level rule gives 109.09091)."""
    done = exposure_chain(pd.DataFrame([run(100, 0.1), SAMPLE]), 60, level="falling")
    assert_allclose(first(done), (1.0, 109.39293, 0.0), rtol=1e-7)
    assert_allclose(done.psi[0], 109.09091, rtol=0.1**2 * 100**2 / (12 * 60**2) * 1.2)


def test_event_list_of_two_bottles() -> None:
    r = 1e-4
    events = [run(100, r=r), event("top_up", 3), run(80, r=r), event("top_up", 5), run(70, r=r), SAMPLE,
        event("change", 0.12),
              run(120, r=r), event("top_up", 4), run(130, r=r), SAMPLE]  # fmt: skip
    done = exposure_chain(pd.DataFrame(events), 60, fresh_ppm=0.5)
    assert_allclose(done.phi, (0.849332, 0.109235), atol=5e-7)
    assert_allclose(done.psi, (227.64617, 239.0514), atol=5e-5)
    assert_allclose(done.chi, (0.063952, 0.433430), atol=5e-7)
    c1 = 8 * done.phi[0] + 0.04 * done.psi[0] + done.chi[0]
    assert_allclose([c1, c1 * done.phi[1] + 0.04 * done.psi[1] + done.chi[1]], (15.9644575, 11.7393589), rtol=1e-8)


def test_residual_oil_keeps_its_metal() -> None:
    """80 ppm, 15 % left at the change: 12 ppm at once; ten hours on, without wear, a naive rate is 1.2 ppm/h and the
    corrected one 0.
    """
    done = exposure_chain(pd.DataFrame([event("change", 0.15), run(10), SAMPLE]), 40)
    level = 80 * done.phi[0]
    assert_allclose(level, 12.0, rtol=1e-12)
    assert_allclose(level / 10, 1.2, rtol=1e-12)
    assert_allclose((level - 80 * done.phi[0]) / done.psi[0], 0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("per_h", "shares"), [(3e-4, (0.963, 0.929, 0.864, 0.752)), (1e-3, (0.885, 0.787, 0.632, 0.432))]
)
def test_bias_of_plain_hours(per_h: float, shares: tuple[float, ...]) -> None:
    hours = np.array([250, 500, 1000, 2000])
    assert_allclose(effective_hours(per_h, hours) / hours, shares, atol=5e-4)


def test_make_up_closed_form_of_a_mixed_sump() -> None:
    """V 40 l, make-up 0.02 l/h, release 8 mg/h: levels and the factor x/(1 - e^-x) back to the true wear (derived;
    numerical integration agrees).
    """
    hours = np.array([50, 100, 250, 500])
    psi = effective_hours(0.02 / 40, hours)
    level = 8 / 40 * psi
    assert_allclose(level, (9.8760352, 19.5082302, 47.0012390, 88.4796868), rtol=1e-8)
    assert_allclose(level * hours / psi, (10, 20, 50, 100), rtol=1e-12)


def test_steady_state_and_approach() -> None:
    """C_ss = (w + q c_f)/(kappa q + r V); 90 % of the way after 2.303/a hours."""
    w, q, c_f, kappa, r, v = 2.0, 0.05, 1.0, 0.8, 1e-4, 80.0
    a = kappa * q / v + r
    target = (w + q * c_f) / (kappa * q + r * v)
    for hours, share in ((np.log(10) / a, 0.9), (1e6, 1.0)):
        done = exposure_chain(pd.DataFrame([run(hours, q, r), SAMPLE]), v, kappa, c_f)
        assert_allclose(w / v * done.psi[0] + done.chi[0], share * target, rtol=1e-6)


@pytest.mark.parametrize("x", [0.0, 1e-12, 1e-7, 9.9e-6, 1.01e-5, 1e-3, 0.5, 30.0, -0.3])
def test_effective_hours_near_and_far_from_zero(x: float) -> None:
    """Against -expm1(-x)/x, whose own limit at 0 is 1; relative 1e-13 on both sides of the series."""
    want = 1.0 if x == 0 else -np.expm1(-x) / x
    assert_allclose(effective_hours(x / 250, 250.0) / 250, want, rtol=1e-13)


def test_uncertain_events_carry_variance() -> None:
    """Change: f cv_f; a top-up not recorded: phi sd(u/V); later factors shrink what came before."""
    events = pd.DataFrame([event("change", 0.2), run(100), event("top_up", 6), SAMPLE]).assign(sd=[0.05, 0, 0, 0.03])
    done = exposure_chain(events, 60)
    phi = 0.2 * 0.9
    assert_allclose(done.sd_phi[0], np.hypot(0.05 * 0.9, 0.03 * phi), rtol=1e-12)
    assert_allclose(done.sd_psi[0], 0.03 * 90, rtol=1e-12)


def test_unknown_volume_leaves_top_ups_out_but_not_changes() -> None:
    done = exposure_chain(pd.DataFrame([run(100, 0.1), event("top_up", 9), event("change", 0.1), SAMPLE]), np.nan)
    assert_allclose(first(done), (0.1, 10.0, 0.9), rtol=1e-12)


def test_compartments_do_not_touch_each_other() -> None:
    """Two lists of different length in one pass give what each gives alone."""
    a = pd.DataFrame([run(100, 0.1), SAMPLE, event("change", 0.2), run(50), SAMPLE, run(10), SAMPLE])
    b = pd.DataFrame([run(70), event("top_up", 2), SAMPLE]).assign(compartment="d")
    both = exposure_chain(pd.concat([a, b]), 50)
    alone = [exposure_chain(part, 50) for part in (a, b)]
    for name in ("phi", "psi", "chi", "sd_phi", "sd_psi"):
        assert_allclose(getattr(both, name), np.concatenate([getattr(e, name) for e in alone]), rtol=0, atol=0)


@pytest.mark.parametrize(
    ("rows", "level", "words"),
    [
        ([event("top_up", 70)], "held", "top-up of 70 l into a charge of 60 l"),
        ([run(-1)], "held", "-1 hours"),
        ([event("spill")], "held", "event kind"),
        ([run(1)], "rising", "level 'rising'"),
    ],
)
def test_impossible_events_are_refused(rows: list[dict[str, object]], level: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        exposure_chain(pd.DataFrame(rows), 60, level=level)
