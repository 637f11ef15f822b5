"""Learning rate, delay and detection from records: likelihood values, recovery of known truth, weight of the prior."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm

from cmkit.intervals.estimate import Prior, fit_defect_history, log_likelihood, mark_onsets, passage


def records(*steps: tuple[float, str], compartment: str = "a") -> pd.DataFrame:
    return pd.DataFrame({"compartment": compartment, "hours": [h for h, _ in steps], "kind": [k for _, k in steps]})


@pytest.mark.parametrize(
    ("steps", "value"),
    [
        ([(250, "nothing")] * 3 + [(130, "failure")], -10.11188919),
        ([(250, "nothing"), (250, "nothing"), (250, "defect")], -2.85459283),
    ],
)
def test_likelihood_values(steps: list[tuple[float, str]], value: float) -> None:
    """lam 1/3000, mu 900, p .6, two phases (design G; quadrature agreed to 1e-8)."""
    assert_allclose(log_likelihood(records(*steps), 1 / 3000, 900, 0.6), value, atol=1e-7)


@pytest.mark.parametrize("phases", [1, 2, 3])
@pytest.mark.parametrize("rate", [1 / 8000, 1 / 400])
def test_passage_is_the_matrix_exponential(phases: int, rate: float) -> None:
    """scipy.linalg.expm of the generator, also where defects start faster than they grow."""
    q = np.zeros((phases + 1, phases + 1))
    speed = phases / 900
    q[0, 0], q[0, 1] = -rate, rate
    for i in range(1, phases + 1):
        q[i, i] = -speed
        if i < phases:
            q[i, i + 1] = speed
    hours = np.array([0.0, 3.0, 250.0, 2500.0])
    got = passage(hours, rate, 900, phases)
    assert_allclose(got, [expm(q * h) for h in hours], atol=1e-12)


def test_renewal_and_other_kinds() -> None:
    """After a failure the compartment is as new; `sound` keeps the healthy state alone; kinds by hand for one phase."""
    twice = records((300, "failure"), (300, "failure"))
    once = log_likelihood(records((300, "failure")), 1 / 3000, 900, 0.6)
    assert_allclose(log_likelihood(twice, 1 / 3000, 900, 0.6), 2 * once)
    assert_allclose(log_likelihood(records((300, "sound")), 1 / 3000, 900, 0.6), -300 / 3000)
    assert_allclose(log_likelihood(records((300, "healthy")), 1 / 3000, 900, 0.6), -300 / 3000)
    lam, nu = 1 / 3000, 1 / 900
    ill = lam / (nu - lam) * (np.exp(-lam * 300) - np.exp(-nu * 300))
    assert_allclose(log_likelihood(records((300, "missed")), lam, 900, 0.6, phases=1), np.log(0.4 * ill))
    assert_allclose(log_likelihood(records((300, "defect")), lam, 900, 0.6, phases=1), np.log(0.6 * ill))
    alive = ill + np.exp(-lam * 300)
    assert_allclose(log_likelihood(records((300, "end")), lam, 900, 0.6, phases=1), np.log(alive))


def history(
    compartments: int, hours: float, rng: np.random.Generator, lam: float = 1 / 8000, mu: float = 1200, p: float = 0.6
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Records of compartments sampled every 250 h, and when each found defect or failure began."""
    out, onsets = [], []
    for c in range(compartments):
        t = 0.0
        start, life = rng.exponential(1 / lam), rng.gamma(2, mu / 2)
        while True:
            after = 250 * (np.floor(t / 250 + 1e-9) + 1)
            if min(after, start + life) > hours:
                out.append((c, hours, hours - t, "end"))
                break
            failed = start + life < after
            at = start + life if failed else after
            found = not failed and start < after and rng.random() < p
            kind = "failure" if failed else "defect" if found else "nothing"
            out.append((c, at, at - t, kind))
            t = at
            if kind != "nothing":
                onsets.append((c, at, start))
                start, life = t + rng.exponential(1 / lam), rng.gamma(2, mu / 2)
    return pd.DataFrame(out, columns=["compartment", "run_h", "hours", "kind"]), pd.DataFrame(
        onsets, columns=["compartment", "run_h", "onset_h"]
    )


def test_known_truth_is_recovered_with_onset_marks() -> None:
    """About 140 events: rate within 2 sd of the truth's log (sd .09), delay within .45, detection by the data and not
    the prior.
    """
    table, onsets = history(100, 12_000, np.random.default_rng(6))
    marked = mark_onsets(table, onsets)
    assert set(marked["kind"]) > {"healthy", "missed"}
    fit = fit_defect_history(marked, Prior(detection=0.4, detection_sd=1.5))
    assert abs(np.log(fit.defect_rate_per_h * 8000)) < 0.2
    assert abs(np.log(fit.delay_mean_h / 1200)) < 0.45
    assert fit.prior_weight[2] < 0.1
    assert abs(fit.detection - 0.6) < 0.12
    assert fit.rate_interval[0] < 1 / 8000 < fit.rate_interval[1]
    assert fit.delay_to_use_h == fit.delay_mean_h


def test_rate_and_delay_do_not_need_marks_for_the_rate() -> None:
    """Rate to 1/sqrt(events) without marks (design G: .14 at 55 events)."""
    table, _ = history(40, 12_000, np.random.default_rng(3))
    fit = fit_defect_history(table)
    assert fit.n_events == table["kind"].isin(["defect", "failure"]).sum()
    assert abs(np.log(fit.defect_rate_per_h * 8000)) < 2.6 / np.sqrt(fit.n_events)
    sd = np.sqrt(fit.covariance[0, 0])
    assert_allclose(sd, 1 / np.sqrt(fit.n_events), rtol=0.15)
    assert_allclose(fit.rate_interval, fit.defect_rate_per_h * np.exp([-1.6449 * sd, 1.6449 * sd]), rtol=1e-4)


def test_few_events_lean_on_the_prior_and_say_so() -> None:
    few = records((250, "nothing"), (250, "nothing"), (250, "defect"), *[(250, "nothing")] * 20, (100, "end"))
    prior = Prior(rate_per_h=1 / 5000, rate_events=2, delay_mean_h=1300, delay_sd=0.7)
    fit = fit_defect_history(few, prior)
    assert fit.delay_to_use_h == 1300
    assert "too few to learn the delay" in fit.words
    assert_allclose(fit.prior_weight[0], 10_000 / (10_000 + fit.hours))
    assert fit.prior_weight[1] > 0.7
    assert_allclose(fit.defect_rate_per_h, 3 / (10_000 + fit.hours), rtol=0.05)  # Gamma prior and one event
    more = fit_defect_history(few, replace(prior, rate_events=200))
    assert_allclose(more.defect_rate_per_h, 1 / 5000, rtol=0.02)


def test_no_event_and_no_prior_is_said() -> None:
    fit = fit_defect_history(records((250, "nothing"), (4750, "end")))
    assert np.isnan(fit.defect_rate_per_h)
    assert "cannot be fitted" in fit.words
    assert "0.0006 per h" in fit.words  # the rule of three: 3/5000


def test_bad_records_are_named() -> None:
    with pytest.raises(ValueError, match="kind: found 'broken'"):
        fit_defect_history(records((250, "broken")))
    with pytest.raises(ValueError, match="defect or failure with no hours"):
        fit_defect_history(records((250, "nothing"), (250, "defect"), (0, "failure")), Prior(1 / 5000, 2.0))
    with pytest.raises(ValueError, match="missing or negative"):
        fit_defect_history(records((-1, "nothing")))


def test_impossible_records_have_no_likelihood() -> None:
    """Certain detection cannot miss a defect."""
    assert log_likelihood(records((250, "missed")), 1 / 3000, 900, 1.0) == -np.inf
