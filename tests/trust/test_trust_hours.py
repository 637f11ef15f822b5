"""Hours of bottles, services and machines. Expected values follow by arithmetic from the invented readings of each
case; that a meter cannot run faster than 24 h a day nor backwards is a fact of the trade, common practice, no
source."""

import numpy as np
import pandas as pd
import pytest

from cmkit.trust.hours import machine_use, screen_hours, service_hours
from cmkit.trust.meters import heaviest_chain, meter_line

PLACE = {"machines": [{"machine": "M1", "site": "A", "kind": "loader"}],
         "compartments": [{"compartment": c, "machine": "M1", "kind": "engine", "family": "f"} for c in ("M1/engine",
         "M1/drive")]}  # fmt: skip


def bottles(*rows):
    return [
        {
            "sample": f"S{i}",
            "compartment": r[2] if len(r) > 2 else "M1/engine",
            "drawn_on": r[0],
            "meter_h": r[1],
            "Fe_ppm": 9.0,
        }
        for i, r in enumerate(rows)
    ]


@pytest.fixture
def screened(make_fleet):
    def run(samples, **more):
        known = make_fleet(**{**PLACE, "samples": samples, **more}).as_of("2026-12-31")
        return screen_hours(known).set_index("sample")

    return run


MONTHS = [("2026-01-01", 1000), ("2026-01-31", 1300), ("2026-03-02", 1600), ("2026-04-01", 1900), ("2026-05-01", 2200)]


def test_sound_hours_are_taken_as_written(screened):
    out = screened(bottles(*MONTHS))
    assert out["usable"].all()
    assert (out["sd_h"] == 0).all()
    assert (out["reason"] == "").all()
    np.testing.assert_allclose(out["run_h"], [1000, 1300, 1600, 1900, 2200])


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        (16, "backwards"),
        (900, "backwards"),
        (2500, "beyond"),
        (9_000, "beyond"),
        (-5, "no meter reading"),
        (np.nan, "not recorded"),
    ],
)
def test_a_slip_in_the_middle_is_derived_from_its_neighbours(screened, slip, words):
    out = screened(bottles(*MONTHS[:2], ("2026-03-02", slip), *MONTHS[3:]))
    row = out.loc["S2"]
    assert row["usable"]
    assert words in row["reason"]
    assert row["run_h"] == pytest.approx(1600)
    assert 1 < row["sd_h"] < 60
    assert (out.drop("S2")["sd_h"] == 0).all()


def test_exchanged_digits_are_named_and_mended(screened):
    out = screened(bottles(*MONTHS[:2], ("2026-03-02", 6100), *MONTHS[3:]))
    assert out.loc["S2", "run_h"] == 1600
    assert "digits exchanged" in out.loc["S2", "reason"]
    assert 0 < out.loc["S2", "sd_h"] < 20


def test_the_first_and_the_last_reading_can_be_the_slip(screened):
    first = screened(bottles(("2026-01-01", 91_000), *MONTHS[1:]))
    assert first.loc["S0", "run_h"] == pytest.approx(1000)
    assert first.loc["S1", "sd_h"] == 0
    last = screened(bottles(*MONTHS[:4], ("2026-05-01", 22_000)))
    assert last.loc["S4", "run_h"] == pytest.approx(2200)
    assert "24 h a day" in last.loc["S4", "reason"]


def test_bottles_of_one_day_outvote_a_wrong_label(screened):
    rows = [*MONTHS, ("2026-03-02", 1600, "M1/drive"), ("2026-03-02", 1450, "M1/drive")]
    out = screened(bottles(*rows))
    assert out.loc["S2", "sd_h"] == 0
    assert out.loc["S6", "run_h"] == pytest.approx(1600)
    assert out.loc["S6", "sd_h"] > 0


def test_a_replaced_meter_is_carried_on(screened):
    meters = [{"machine": "M1", "read_on": "2026-03-02", "meter_h": 0, "new_meter": True}]
    later = [("2026-04-01", 300), ("2026-05-01", 600)]
    out = screened(bottles(*MONTHS[:2], *later), meters=meters)
    np.testing.assert_allclose(out["run_h"], [1000, 1300, 1900, 2200])
    np.testing.assert_allclose(out["meter_h"], [1000, 1300, 300, 600])
    assert "meter replaced" in out.loc["S2", "reason"]
    assert out.loc["S2", "sd_h"] > 0
    assert out.loc["S3", "reason"] == ""


CHANGED = [{"machine": "M1", "read_on": "2026-03-02", "meter_h": 1600},
    {"machine": "M1", "read_on": "2026-03-30", "meter_h": 180, "new_meter": True}]  # fmt: skip


@pytest.mark.parametrize("later", [[], [("2026-05-01", 500)]])
def test_bottles_on_both_sides_of_an_announced_change_count(screened, later):
    """The meter was changed between two weekly readings: the bottle before is on the old one, the bottle after on the
    new one.
    """
    out = screened(bottles(*MONTHS[:2], ("2026-03-10", 1680), ("2026-03-20", 80), *later), meters=CHANGED)
    assert out["usable"].all()
    np.testing.assert_allclose(out["meter_h"].iloc[:4], [1000, 1300, 1680, 80])
    assert out.loc["S2", "run_h"] == 1680
    assert out.loc["S3", "run_h"] == pytest.approx(1780, abs=25), "ten days at the machine's pace"
    assert "meter replaced since the bottle before" in out.loc["S3", "reason"]
    if later:
        assert out.loc["S4", "run_h"] - out.loc["S3", "run_h"] == pytest.approx(420), "one change, not two"


def test_a_slip_before_an_announced_change_is_still_one(screened):
    """900 h is neither the old meter's nor one that leads up to the new meter's 180: it is derived
    from its neighbours.
    """
    out = screened(bottles(*MONTHS[:2], ("2026-03-10", 900), ("2026-03-20", 80)), meters=CHANGED)
    assert "backwards" in out.loc["S2", "reason"]
    assert out.loc["S2", "sd_h"] > 0
    assert out.loc["S3", "meter_h"] == 80


def test_an_unannounced_new_meter_is_believed_only_when_it_persists(screened):
    new = [("2026-05-31", 200), ("2026-06-30", 500), ("2026-07-30", 800), ("2026-08-29", 1100)]
    out = screened(bottles(*MONTHS, *new))
    assert out["usable"].all()
    assert out["run_h"].is_monotonic_increasing
    np.testing.assert_allclose(out["run_h"].iloc[-1], 2200 + 4 * 300, atol=120)
    once = screened(bottles(*MONTHS, new[0]))
    assert once.loc["S5", "run_h"] == pytest.approx(2500)
    assert "backwards" in once.loc["S5", "reason"]


def test_hours_missing_without_neighbours_are_not_usable(screened):
    out = screened(bottles(("2026-01-01", np.nan), ("2026-02-01", np.nan)))
    assert not out["usable"].any()
    assert out["run_h"].isna().all()
    assert out["reason"].str.contains("not recorded; no other reading").all()
    far = screened(bottles(*MONTHS[:2], ("2026-12-30", np.nan)))
    assert not far.loc["S2", "usable"]
    assert "leave it open" in far.loc["S2", "reason"]


def test_missing_hours_are_taken_from_meter_readings_and_other_bottles(screened):
    meters = [{"machine": "M1", "read_on": d, "meter_h": h} for d, h in (("2026-01-01", 1000), ("2026-01-21", 1200))]
    out = screened(bottles(("2026-01-11", np.nan), ("2026-01-21", np.nan, "M1/drive")), meters=meters)
    np.testing.assert_allclose(out["run_h"], [1100, 1200])
    assert out.loc["S0", "sd_h"] == pytest.approx(5 * np.sqrt(10 * 10 / 20), rel=0.4)
    assert 0 < out.loc["S1", "sd_h"] < 5


def test_interval_of_derived_hours_covers(make_fleet):
    """Known truth: daily use is drawn at random; the stated sd must cover the hidden hour about as often as it says."""
    rng = np.random.default_rng(4)
    machines, places, samples, truth = [], [], [], []
    for m in range(150):
        use = np.clip(rng.normal(12, 5, 200), 0, 24).cumsum()
        machines.append({"machine": f"M{m}", "site": "A", "kind": "k"})
        places.append({"compartment": f"M{m}/e", "machine": f"M{m}", "kind": "engine", "family": "f"})
        for i, day in enumerate(range(10, 200, 20)):
            hidden = i == 5
            truth.append(use[day])
            samples.append({"sample": f"{m}-{i}", "compartment": f"M{m}/e",
            "drawn_on": pd.Timestamp("2026-01-01") + pd.Timedelta(days=day),
                            "Fe_ppm": 9.0, "meter_h": np.nan if hidden else round(use[day])})  # fmt: skip
    out = screen_hours(make_fleet(machines=machines, compartments=places, samples=samples).as_of("2027-01-01"))
    derived = (out["sd_h"] > 0).to_numpy()
    z = (out["run_h"].to_numpy() - np.array(truth))[derived] / out["sd_h"].to_numpy()[derived]
    assert derived.sum() == 150
    assert 0.84 < np.mean(np.abs(z) < 1.645) < 0.99


def test_services_get_running_hours_too(make_fleet):
    services = [{"service": "W1", "compartment": "M1/engine", "done_on": "2026-01-16", "meter_h": np.nan,
        "kind": "change"},
                {"service": "W2", "compartment": "M1/engine", "done_on": "2026-03-02", "meter_h": 1600,
                "kind": "top-up"}]  # fmt: skip
    known = make_fleet(**PLACE, samples=bottles(*MONTHS), services=services).as_of("2026-12-31")
    out = service_hours(known)
    assert list(out.columns) == ["service", "compartment", "run_h", "sd_h", "usable", "reason"]
    np.testing.assert_allclose(out["run_h"], [1150, 1600])
    assert out["sd_h"].iloc[0] > 0 == out["sd_h"].iloc[1]


def test_machine_use(make_fleet):
    machines = [{"machine": m, "site": "A", "kind": "k"} for m in ("Z9", "M1", "M2")]
    meters = [
        {"machine": "M2", "read_on": d, "meter_h": h}
        for d, h in (("2026-01-01", 0), ("2026-03-01", 590), ("2026-04-15", 590))
    ]
    known = make_fleet(
        machines=machines, compartments=PLACE["compartments"], samples=bottles(*MONTHS), meters=meters
    ).as_of("2026-12-31")
    out = machine_use(known).set_index("machine")
    assert list(out.index) == ["M1", "M2", "Z9"]
    assert out.loc["M1", "h_per_day"] == pytest.approx(10)
    assert out.loc["M1", "last_run_h"] == 2200
    assert not out.loc["M1", "idle"]
    assert out.loc["M2", "idle"]
    assert np.isnan(out.loc["Z9", "h_per_day"])
    assert not out.loc["Z9", "idle"]


def test_empty_records_give_empty_frames(make_fleet):
    known = make_fleet().as_of("2026-01-01")
    assert (
        len(screen_hours(known)) == len(service_hours(known)) == len(machine_use(known)) == len(meter_line(known)) == 0
    )


def test_nothing_later_is_seen(make_fleet):
    fleet = make_fleet(
        **PLACE, samples=bottles(*MONTHS[:2], ("2026-02-10", 5000), ("2026-12-01", 5100), ("2026-12-02", 5105))
    )
    cut = make_fleet(**PLACE, samples=bottles(*MONTHS[:2], ("2026-02-10", 5000)))
    pd.testing.assert_frame_equal(screen_hours(fleet.as_of("2026-03-01")), screen_hours(cut.as_of("2026-03-01")))


def test_chain_equals_the_best_subset_by_brute_force():
    """Against enumeration of every subset of small random histories without new meters: same total weight."""
    rng = np.random.default_rng(1)
    for _ in range(40):
        n = 8
        day = np.sort(rng.integers(0, 30, n)).astype(float)
        hour = np.round(rng.uniform(0, 300, n), 1)
        order = np.lexsort((hour, day))
        day, hour = day[order], hour[order]
        weight = rng.uniform(0.2, 1.0, n)
        best = 0.0
        for mask in range(1, 2**n):
            pick = [i for i in range(n) if mask >> i & 1]
            d, h = np.diff(day[pick]), np.diff(hour[pick])
            if np.all((h >= -1) & (h <= 24 * (d + 1))):
                best = max(best, weight[pick].sum())
        keep = heaviest_chain(day, hour, weight, np.zeros(n, bool))
        d, h = np.diff(day[keep]), np.diff(hour[keep])
        jumps = int(np.sum(~((h >= -1) & (h <= 24 * (d + 1)))))
        assert weight[keep].sum() - 2.5 * jumps >= best - 1e-9
        if jumps == 0:
            assert weight[keep].sum() == pytest.approx(best)
