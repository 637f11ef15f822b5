"""Which running hour does a record belong to? Hours as written where they fit, from the machine's other readings where
they do not.

Nothing is guessed in silence: a derived hour carries its standard deviation and the reason in words; one that cannot be
derived is not usable and says why. Only what is known on the view's date is used.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cmkit.records.constants import HALF_NINETY
from cmkit.records.fleet import Fleet
from cmkit.records.once import once
from cmkit.tables.frames import names, typed
from cmkit.trust.bottle_arrays import doubt_rows
from cmkit.trust.meters import DAY_H, HIGHEST_H, SLACK_H, meter_line, pace

HOURS = names("hours")
SERVICE_HOURS = names("service_hours")
USE = names("use")
MOST_SD_H = 60.0  # own choice: a derived hour less certain than this says nothing about a 250 h interval
SAME_DAY_SD_H = 3.0  # own choice: where in the shift a reading of the same day was taken
SWAP_SHARE = 0.25  # own choice: two digits exchanged explain a reading this much better than the machine's pace alone
RECENT_D = 90  # own choice: days over which today's use is taken
IDLE_H_PER_DAY = 0.5  # own choice: below this over IDLE_D days a machine is not at work
IDLE_D = 21


@dataclass(frozen=True)
class Hours:
    """Every record on its machine's running hours. line: the meter line; samples, services, findings: running hour of
    each (columns HOURS, SERVICE_HOURS, finding first); use: pace of each machine (columns USE)."""

    line: pd.DataFrame
    samples: pd.DataFrame
    services: pd.DataFrame
    findings: pd.DataFrame
    use: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {"hours": self.samples, "use": self.use}


@once
def running_hours(known: Fleet) -> Hours:
    """Which running hour does each record belong to, and how fast does each machine run?"""
    line = meter_line(known)
    return Hours(
        line,
        screen_hours(known, line),
        service_hours(known, line),
        finding_hours(known, line),
        machine_use(known, line),
    )


def screen_hours(known: Fleet, line: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per sample (columns HOURS), in the order of `known.samples`.

    meter_h: hours on the meter, as written or derived (h); sd_h: 0 as written, above 0 derived; usable: False when no
    hour can be given; reason: words when derived, doubtful or not usable; run_h: running hours of the machine, carried
    on over replaced meters.
    line: :func:`cmkit.trust.meters.meter_line` of the same view, where it is at hand (so in all functions here).
    """
    events = _events(known, known.samples["compartment"], known.samples["drawn_on"], known.samples["meter_h"])
    line = meter_line(known) if line is None else line
    placed = _first_after_new_meter(place_hours(line, events), line, known.samples)
    placed.insert(0, "compartment", known.samples["compartment"].to_numpy())
    placed.insert(0, "sample", known.samples["sample"].to_numpy())
    return typed(placed[HOURS], "hours")


def service_hours(known: Fleet, line: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per service (columns SERVICE_HOURS), in the order of `known.services`; as in :func:`screen_hours`."""
    placed = _placed(known, line, known.services, "service", "done_on")
    return typed(placed[SERVICE_HOURS], "service_hours")


def finding_hours(known: Fleet, line: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per finding (finding, compartment, run_h, sd_h, usable, reason), in the order of `known.findings`."""
    placed = _placed(known, line, known.findings, "finding", "found_on")
    return typed(placed[names("finding_hours")], "finding_hours")


def _placed(known: Fleet, line: pd.DataFrame | None, frame: pd.DataFrame, key: str, on: str) -> pd.DataFrame:
    events = _events(known, frame["compartment"], frame[on], frame["meter_h"])
    placed = place_hours(meter_line(known) if line is None else line, events)
    placed.insert(0, "compartment", frame["compartment"].to_numpy())
    placed.insert(0, key, frame[key].to_numpy())
    return placed


def machine_use(known: Fleet, line: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per machine (columns USE), sorted by machine.

    h_per_day: mean use over the last 90 days with readings (over all of them when they span less), NaN with readings of
    one day only; idle: stood still (under half an hour a day) over at least the last three weeks with readings, or
    retired.
    """
    line = meter_line(known) if line is None else line
    out = known.machines[["machine", "retired_on"]].sort_values("machine").reset_index(drop=True)
    last = line.drop_duplicates("machine", keep="last").set_index("machine")
    out["last_read_on"] = last["on"].reindex(out["machine"]).to_numpy()
    out["last_run_h"] = last["run_h"].reindex(out["machine"]).to_numpy()
    out["h_per_day"] = _pace(line, out, RECENT_D)
    stood = _pace(line, out, IDLE_D, whole=False)
    out["idle"] = (stood < IDLE_H_PER_DAY) | out["retired_on"].notna()
    return typed(out[USE], "use")


def _pace(line: pd.DataFrame, use: pd.DataFrame, days: int, whole: bool = True) -> np.ndarray:
    """Hours a day from the newest reading at least `days` before the last to the last; from the first when there is
    none and `whole`.
    """
    joined = line.merge(use[["machine", "last_read_on"]], on="machine")
    early = joined[joined["on"] <= joined["last_read_on"] - pd.Timedelta(days=days)].drop_duplicates(
        "machine", keep="last"
    )
    if whole:
        first = joined.drop_duplicates("machine")
        early = pd.concat([early, first[~first["machine"].isin(early["machine"])]])
    early = early.set_index("machine").reindex(use["machine"]).reset_index()
    span = (use["last_read_on"] - early["on"]).dt.days
    return np.asarray(((use["last_run_h"] - early["run_h"]) / span.where(span > 0)).to_numpy(dtype=float))


def _events(known: Fleet, compartment: pd.Series, on: pd.Series, meter_h: pd.Series) -> pd.DataFrame:
    places = known.compartments.set_index("compartment")["machine"]
    machine = compartment.map(places).fillna("").astype("str")
    return pd.DataFrame({"machine": machine, "on": on.dt.normalize(), "meter_h": meter_h.astype(float)}).reset_index(
        drop=True
    )


def place_hours(line: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Running hours of events (machine, on, meter_h) on a :func:`meter_line`: meter_h, sd_h, usable, reason, run_h,
    era, machine.

    An hour as written is kept when it is one of the line's readings of that day; else it is derived from the readings
    around.
    """
    exact = events.assign(meter_h=events["meter_h"].round(1)).merge(
        line[["machine", "on", "meter_h", "run_h", "era"]], on=["machine", "on", "meter_h"], how="left"
    )
    around = _around(line, events)
    written = events["meter_h"].to_numpy()
    fits = exact["run_h"].notna().to_numpy()
    swapped = _digits_exchanged(written, around, fits)
    is_swap = np.isfinite(swapped)
    meter = np.select([fits, is_swap], [written, swapped], around["run_h"] - around["carried_h"])
    run = np.select([fits, is_swap], [exact["run_h"], swapped + around["carried_h"]], around["run_h"])
    sd = np.select([fits, is_swap], [0.0, np.maximum(SWAP_SHARE * around["sd_h"], SLACK_H)], around["sd_h"])
    usable = fits | (np.isfinite(run) & (sd <= MOST_SD_H))
    return pd.DataFrame(
        {
            "meter_h": np.where(usable, meter, np.nan),
            "sd_h": np.where(usable, sd, np.nan),
            "usable": usable,
            "reason": pd.Series(_reasons(written, around, fits, swapped, usable), dtype="str"),
            "run_h": np.where(usable, run, np.nan),
            "era": exact["era"].fillna(around["era"]).to_numpy(),
            "machine": events["machine"],
        }
    )


def _around(line: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """The line at each event's day: low, high (readings around, run hours), run_h, sd_h, carried_h, era; NaN where it
    says nothing.
    """
    codes = pd.Index(line["machine"].unique())
    key = codes.get_indexer(line["machine"]) * _MACHINE + _day_number(line["on"])
    ask = codes.get_indexer(events["machine"]) * _MACHINE + _day_number(events["on"])
    table = _table(line, key)
    before = _rows(table, np.searchsorted(key, ask, side="right") - 1, ask)
    after = _rows(table, np.searchsorted(key, ask, side="left"), ask)
    since, until = ask - before["key"], after["key"] - ask
    span = since + until
    low, high = before["run_h"], after["run_h"]
    share = (since / span.where(span > 0)).fillna(0.5).where(span.notna())
    spread = before["sd_per_day"].fillna(after["sd_per_day"])
    inside = spread * np.sqrt(since * until / span.where(span > 0))
    inside = np.minimum(inside, (high - low) / np.sqrt(12)) + np.where(
        before["era"] < after["era"], after["gap_sd_h"], 0
    )
    same_day = SAME_DAY_SD_H + (high - low) / 2
    far = since.fillna(until)
    beyond = spread * np.sqrt(far + far**2 / before["span"].fillna(after["span"]))
    ahead = low + before["per_day"] * since
    back = (high - after["per_day"] * until).clip(lower=0)
    out = pd.DataFrame({"low": low, "high": high})
    out["run_h"] = (low + share * (high - low)).fillna(ahead).fillna(back)
    out["sd_h"] = inside.where(span > 0, same_day).fillna(beyond).clip(lower=SLACK_H)
    out["carried_h"] = before["carried_h"].fillna(after["carried_h"])
    out["era"] = before["era"].fillna(after["era"])
    return out


_MACHINE = 1e6  # days apart in the sorted key, so that no two machines meet


def _day_number(on: pd.Series) -> np.ndarray:
    """Days since 1900 (NaN for no date)."""
    return np.asarray(((on - pd.Timestamp("1900-01-01")) / pd.Timedelta(days=1)).to_numpy(dtype=float))


_OF_LINE = ["run_h", "carried_h", "era", "gap_sd_h", "per_day", "sd_per_day"]


def _table(line: pd.DataFrame, key: np.ndarray) -> np.ndarray:
    """Numbers of the line (columns _OF_LINE), its sorted key, and the days of the machine's whole line."""
    machine = key // _MACHINE
    first = np.searchsorted(machine, machine, side="left")
    last = np.searchsorted(machine, machine, side="right") - 1
    return np.column_stack([line[_OF_LINE].to_numpy(float), key, key[last] - key[first]])


def _rows(table: np.ndarray, position: np.ndarray, ask: np.ndarray) -> pd.DataFrame:
    """Rows of the table at `position`, NaN where there is none or it is another machine's."""
    out = np.full((len(position), len(_OF_LINE) + 2), np.nan)
    own = np.flatnonzero((position >= 0) & (position < len(table)))
    rows = table[position[own]]
    same = rows[:, -2] // _MACHINE == ask[own] // _MACHINE
    out[own[same]] = rows[same]
    return pd.DataFrame(out, columns=[*_OF_LINE, "key", "span"])


def _digits_exchanged(written: np.ndarray, around: pd.DataFrame, fits: np.ndarray) -> np.ndarray:
    """Per row the one reading that two exchanged neighbouring digits of `written` would explain, NaN where none or
    several would.
    """
    out = np.full(len(written), np.nan)
    expected = (around["run_h"] - around["carried_h"]).to_numpy()
    reach = np.maximum(2.0 * around["sd_h"].to_numpy(), SLACK_H)
    for i in np.flatnonzero(~fits & (written >= 10) & (written < HIGHEST_H) & np.isfinite(expected)):
        digits = str(int(written[i]))
        swaps = {digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :] for k in range(len(digits) - 1)} - {digits}
        near = [float(s) for s in swaps if abs(float(s) - expected[i]) <= reach[i]]
        if len(near) == 1:
            out[i] = near[0]
    return out


def _reasons(
    written: np.ndarray, around: pd.DataFrame, fits: np.ndarray, swapped: np.ndarray, usable: np.ndarray
) -> list[str]:
    """Words for every row that was not taken as written."""
    out = [""] * len(written)
    run, sd = around["run_h"].to_numpy(), around["sd_h"].to_numpy()
    low, high, carried = (around[c].to_numpy() for c in ("low", "high", "carried_h"))
    for i in np.flatnonzero(~fits):
        found = _found(written[i], low[i] - carried[i], high[i] - carried[i])
        if np.isfinite(swapped[i]):
            out[i] = f"{found}; two digits exchanged would make it {swapped[i]:,.0f} h, which fits and is used"
        elif usable[i]:
            out[i] = (
                f"{found}; {run[i] - carried[i]:,.0f} h (give or take {HALF_NINETY * sd[i]:,.0f}) from the machine's "
                f"other readings"
            )
        elif np.isfinite(run[i]):
            out[i] = f"{found}; the machine's other readings leave it open by {HALF_NINETY * sd[i]:,.0f} h either way"
        else:
            out[i] = f"{found}; no other reading of the machine to go by"
    return out


def _found(written: float, low: float, high: float) -> str:
    """What is wrong with the hours as written."""
    if not np.isfinite(written):
        return "hours not recorded"
    if written < 0 or written > HIGHEST_H:
        return f"{written:,.0f} h is no meter reading"
    if np.isfinite(low) and written < low - SLACK_H:
        return f"{written:,.0f} h runs backwards from {low:,.0f} h read before"
    if np.isfinite(high) and written > high + SLACK_H:
        return f"{written:,.0f} h lies beyond {high:,.0f} h read later"
    if np.isfinite(low):
        return f"{written:,.0f} h would mean more than {DAY_H:.0f} h a day since {low:,.0f} h was read"
    return f"{written:,.0f} h does not fit the machine's other readings"


def _first_after_new_meter(placed: pd.DataFrame, line: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """The first bottle of each compartment on a new meter says so, and carries the sd of the hours run between the two
    meters.
    """
    order = (
        samples[["compartment", "drawn_on"]].reset_index(drop=True).assign(era=placed["era"], machine=placed["machine"])
    )
    order = order[placed["usable"]].sort_values(["compartment", "drawn_on", "era"], kind="stable")
    first = order[order["era"] > order.groupby("compartment")["era"].shift()]
    gap = line[line["gap_sd_h"] > 0].set_index(["machine", "era"])["gap_sd_h"]
    sd = gap.reindex(pd.MultiIndex.from_frame(first[["machine", "era"]].astype({"era": "int64"}))).fillna(0).to_numpy()
    out = placed.copy()
    words = "meter replaced since the bottle before; hours between the two meters taken from the machine's own pace"
    out.loc[first.index, "reason"] = [f"{old}; {words}" if old else words for old in out.loc[first.index, "reason"]]
    out.loc[first.index, "sd_h"] = np.hypot(out.loc[first.index, "sd_h"], sd)
    return out


def hours_doubts(known: Fleet, hours: pd.DataFrame, line: pd.DataFrame | None = None) -> pd.DataFrame:
    """Doubts `hours`: hours derived, not available, or written but far off the machine's own pace since its last
    reading.

    hours: :func:`screen_hours` of the same view.
    """
    rule = known.settings.trust
    derived = hours[hours["usable"] & (hours["reason"] != "")]
    missing = hours[~hours["usable"]]
    return pd.concat(
        [
            doubt_rows(
                derived,
                "hours",
                "sd of the hours, h",
                derived["sd_h"].to_numpy(),
                threshold=0.0,
                probability=rule.hours_derived_probability,
                reason=derived["reason"].tolist(),
                todo="Write the meter's hours on the label; record a correction if the right hours are known.",
            ),
            doubt_rows(
                missing,
                "hours",
                "usable hours",
                np.zeros(len(missing)),
                threshold=1.0,
                probability=rule.hours_missing_probability,
                reason=missing["reason"].tolist(),
                todo="Find the meter reading of that day and record a correction; "
                "the bottle cannot count in a trend without it.",
            ),
            _pace_doubts(known, hours, meter_line(known) if line is None else line),
        ],
        ignore_index=True,
    )


def _pace_doubts(known: Fleet, hours: pd.DataFrame, line: pd.DataFrame) -> pd.DataFrame:
    """Newest readings that fit in order but came too fast for the machine: nothing after them says yet whether they are
    slips.
    """
    rule = known.settings.trust
    step_d = line.groupby("machine")["on"].diff().dt.days
    step_h = line.groupby("machine")["run_h"].diff()
    before = pace(line[line.duplicated("machine", keep="last")]).reindex(line["machine"]).set_axis(line.index)
    z = (step_h - before["per_day"] * step_d) / (before["sd_per_day"] * np.sqrt(step_d.where(step_d > 0)))
    last = ~line.duplicated("machine", keep="last") & (z >= rule.hours_pace_z) & (line["gap_sd_h"] == 0)
    places = known.compartments.set_index("compartment")["machine"]
    found = line[["machine", "on"]].assign(z=z, step_h=step_h, step_d=step_d, per_day=before["per_day"])[last]
    drawn = known.samples[["sample", "compartment", "drawn_on"]].assign(
        machine=known.samples["compartment"].map(places)
    )
    sound = set(hours.loc[hours["usable"] & (hours["sd_h"] == 0), "sample"])
    hit = drawn[drawn["sample"].isin(sound)].merge(found, left_on=["machine", "drawn_on"], right_on=["machine", "on"])
    reason = [
        f"{r.step_h:,.0f} h in {r.step_d:.0f} days is not this machine's pace ({r.per_day:.0f} h a day); nothing "
        f"later confirms it yet"
        for r in hit.itertuples()
    ]
    return doubt_rows(
        hit,
        "hours",
        "departure from the machine's pace, sd",
        hit["z"].to_numpy(dtype=float),
        threshold=rule.hours_pace_z,
        probability=rule.hours_pace_probability,
        reason=reason,
        todo="Read the meter again and compare.",
    )
