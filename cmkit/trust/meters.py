"""A machine's meter readings from every record that carries one, and the running hours that follow from them.

A reading is a day and a number. Readings of one machine must not fall, and must not rise by more than 24 h a day. Where
some do not fit, the heaviest set that fits together is kept (each day has one vote, shared by how many records say the
same; the meter table counts double). A fall or jump that persists is a replaced meter: a new era, whose hours are
carried on from the last. A reading marked as the first of a new meter says that it was changed since the meter table's
reading before: readings in between may be of either meter. What is kept is the machine's **line**: running hours by
day, never falling.
"""

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names

LINE = names("meter_line")
DAY_H = 24.0  # hours in a day: no machine runs faster
SLACK_H = 1.0  # a reading may fall this much: bottles of one day are noted to the nearest hour
NEW_ERA_COST = 2.5  # own choice: days' votes an unannounced meter replacement must win before it is believed
FLAG_VOTES = 3.0  # own choice: a reading marked as the first of a new meter outweighs slips around it
METER_VOTES = 1.0  # own choice: the meter table counts a day more than a bottle's label
REACH = 80  # own choice: readings looked back over for the one before; bounds the time of a broken history
SD_PER_DAY = 5.0  # own choice: h per square-root day, the spread of daily use before the machine has shown its own
SD_VOTES = 3.0  # own choice: intervals' weight of that starting value
HIGHEST_H = 500_000.0  # own choice: no meter shows more


def meter_line(known: Fleet) -> pd.DataFrame:
    """Kept readings of every machine, sorted by machine and day (columns LINE).

    meter_h: as the meter showed; run_h: running hours, never falling; carried_h = run_h - meter_h of the era; era: 0,
    1.. counts meters; gap_h, gap_sd_h: hours run between two meters and their sd (0 elsewhere); per_day, sd_per_day:
    the machine's use, h a day (NaN with readings of one day only), and the spread of its daily use, h per square-root
    day.
    """
    nodes = _nodes(_readings(known))
    if nodes.empty:
        return empty("meter_line")
    kept = nodes[_kept(nodes)].reset_index(drop=True)
    return _running(kept)


def _readings(known: Fleet) -> pd.DataFrame:
    """All records with a meter reading: machine, on, meter_h, votes, new_meter, since (of a new meter: the meter
    table's reading before).
    """
    places = known.compartments.set_index("compartment")["machine"]
    parts = [_reading(known.meters["machine"], known.meters["read_on"], known.meters["meter_h"], 1.0 + METER_VOTES)]
    marked = known.meters["new_meter"].fillna(False).astype(bool)
    before = known.meters.sort_values("read_on", kind="stable").groupby("machine")["read_on"].shift()
    parts[0] = parts[0].assign(new_meter=marked.to_numpy(), since=before.where(marked))
    for name, day in (("samples", "drawn_on"), ("services", "done_on"), ("findings", "found_on")):
        frame = getattr(known, name)
        parts.append(_reading(frame["compartment"].map(places), frame[day], frame["meter_h"], 1.0))
    start = known.machines
    parts.append(_reading(start["machine"], start["in_service_on"], start["meter_h_at_start"], 1.0))
    out = pd.concat(parts, ignore_index=True)
    sound = out["machine"].isin(known.machines["machine"]) & out["on"].notna() & out["meter_h"].between(0, HIGHEST_H)
    return out[sound]


def _reading(machine: pd.Series, on: pd.Series, meter_h: pd.Series, votes: float) -> pd.DataFrame:
    out = pd.DataFrame({"machine": machine.astype("str"), "on": on, "meter_h": meter_h.astype("float64")})
    return out.assign(votes=votes, new_meter=False, since=pd.Series(pd.NaT, index=out.index, dtype="datetime64[us]"))


def _nodes(readings: pd.DataFrame) -> pd.DataFrame:
    """One row per machine, day and reading, with its share of the day's votes as weight."""
    keyed = readings.assign(meter_h=readings["meter_h"].round(1), on=readings["on"].dt.normalize())
    out = keyed.groupby(["machine", "on", "meter_h"], as_index=False).agg(
        votes=("votes", "sum"), top=("votes", "max"), new_meter=("new_meter", "any"), since=("since", "min")
    )
    day = out.groupby(["machine", "on"])["votes"].transform("sum")
    out["weight"] = out["votes"] / day + (out["top"] - 1.0) + FLAG_VOTES * out["new_meter"]
    return out.sort_values(["machine", "on", "meter_h"], kind="stable").reset_index(drop=True)


def _kept(nodes: pd.DataFrame) -> np.ndarray:
    """Which readings fit together. Machines whose every step fits are passed at once; the rest are
    searched one by one.
    """
    day = _days(nodes["on"])
    hour, weight = (nodes[c].to_numpy() for c in ("meter_h", "weight"))
    code, _ = pd.factorize(nodes["machine"])
    flag = _may_be_first(nodes, code, day)
    same = code[1:] == code[:-1]
    fits = _follows(day[:-1], hour[:-1], day[1:], hour[1:]) | ~same
    faulty = np.unique(np.concatenate([code[1:][~fits], code[flag]]))
    keep = np.ones(len(nodes), dtype=bool)
    starts = np.searchsorted(code, faulty, side="left")
    ends = np.searchsorted(code, faulty, side="right")
    for a, b in zip(starts, ends, strict=True):
        keep[a:b] = heaviest_chain(day[a:b], hour[a:b], weight[a:b], flag[a:b])
    return keep


def _windows(nodes: pd.DataFrame, code: np.ndarray, day: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """For every reading marked as the first of a new meter: its place, and those of the machine's readings since the
    one before it.
    """
    since = np.where(nodes["since"].isna(), day, _days(nodes["since"]))  # none before it: the marked reading alone
    out = []
    for k in np.flatnonzero(nodes["new_meter"].to_numpy()):
        a, b = np.searchsorted(code, [code[k], code[k] + 1])
        inside = np.flatnonzero((day[a:b] > since[k]) & (day[a:b] <= day[k])) + a
        out.append((int(k), inside))
    return out


def _may_be_first(nodes: pd.DataFrame, code: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Readings that may be the first of an announced new meter: the marked one, and those since the reading before that
    lead up to it.
    """
    hour, out = nodes["meter_h"].to_numpy(), nodes["new_meter"].to_numpy(dtype=bool).copy()
    for k, inside in _windows(nodes, code, day):
        out[inside] |= _follows(day[inside], hour[inside], day[k], hour[k])
    return np.asarray(out)


def _days(on: pd.Series) -> np.ndarray:
    """Days since 1970 as float."""
    return np.asarray(on.to_numpy().astype("datetime64[D]").astype(np.float64))


def _follows(day0: np.ndarray, hour0: np.ndarray, day1: np.ndarray | float, hour1: np.ndarray | float) -> np.ndarray:
    """Whether a reading may follow another on the same meter."""
    step = hour1 - hour0
    return (step >= -SLACK_H) & (step <= DAY_H * (day1 - day0 + 1.0))


def heaviest_chain(day: np.ndarray, hour: np.ndarray, weight: np.ndarray, flag: np.ndarray) -> np.ndarray:
    """Which of one machine's readings (sorted by day, then hour) belong to the heaviest chain that fits together.

    A step that does not follow on the same meter is a new meter: free onto a reading that may be the first of an
    announced one (`flag`), else at NEW_ERA_COST.
    Dynamic programming over the last REACH readings: O(n * REACH).
    """
    n = len(day)
    best, came = weight.astype(float).copy(), np.full(n, -1)
    for j in range(1, n):
        a = max(0, j - REACH)
        new_meter = np.where(day[a:j] < day[j], 0.0 if flag[j] else NEW_ERA_COST, np.inf)
        gain = best[a:j] - np.where(_follows(day[a:j], hour[a:j], day[j], hour[j]), 0.0, new_meter)
        top = len(gain) - 1 - int(np.argmax(gain[::-1]))
        if gain[top] > 0:
            best[j] += gain[top]
            came[j] = a + top
    keep = np.zeros(n, dtype=bool)
    at = n - 1 - int(np.argmax(best[::-1]))
    while at >= 0:
        keep[at] = True
        at = came[at]
    return keep


def _running(kept: pd.DataFrame) -> pd.DataFrame:
    """Running hours along the kept readings, carried across replaced meters by the machine's own use."""
    out = kept[["machine", "on", "meter_h"]].copy()
    day, hour = _days(out["on"]), out["meter_h"].to_numpy()
    code, _ = pd.factorize(out["machine"])
    first = np.r_[True, code[1:] != code[:-1]]
    step_d, step_h = np.diff(day, prepend=day[0]), np.diff(hour, prepend=hour[0])
    new = ~first & ((step_h < -SLACK_H) | (step_h > DAY_H * (step_d + 1.0)))
    for k, inside in _windows(kept, code, day):
        new[k] |= not (
            first[k] or new[inside[inside < k]].any()
        )  # else the new meter showed itself before the marked reading
    inside = ~first & ~new
    use, spread = _use(code, step_d, step_h, inside)
    low = np.where(kept["new_meter"] | (step_h > 0) | (hour > DAY_H * (step_d + 1.0)), 0.0, hour)
    gap = np.where(new, np.maximum(np.nan_to_num(use[code]) * step_d, low), 0.0)
    carried = np.cumsum(np.where(new, gap - step_h, 0.0))
    carried -= carried[first][code] if len(carried) else 0.0
    out["carried_h"] = carried
    out["run_h"] = (out["meter_h"] + carried).groupby(code).cummax()
    out["era"] = pd.Series(new.astype(int)).groupby(code).cumsum()
    out["gap_h"] = gap
    out["gap_sd_h"] = np.where(new, np.maximum(spread[code] * np.sqrt(np.maximum(step_d, 0.0)), SLACK_H), 0.0)
    out["per_day"], out["sd_per_day"] = use[code], spread[code]
    return out[LINE]


def pace(line: pd.DataFrame) -> pd.DataFrame:
    """Use of each machine of a line (or of part of one): per_day (h a day) and sd_per_day (h per square-root day), by
    machine.
    """
    code, names = pd.factorize(line["machine"])
    if not len(names):
        return pd.DataFrame({"per_day": pd.Series(dtype=float), "sd_per_day": pd.Series(dtype=float)})
    day, run = _days(line["on"]), line["run_h"].to_numpy()
    inside = np.r_[False, (code[1:] == code[:-1])] & (line["gap_sd_h"].to_numpy() == 0)
    use, spread = _use(code, np.diff(day, prepend=day[0]), np.diff(run, prepend=run[0]), inside)
    return pd.DataFrame({"per_day": use, "sd_per_day": spread}, index=names)


def _use(code: np.ndarray, step_d: np.ndarray, step_h: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Hours a day of each machine over all steps on one meter, and the spread of its daily use (h
    per square-root day).
    """
    n = int(code.max()) + 1
    hours = np.bincount(code[inside], np.maximum(step_h[inside], 0.0), n)
    days = np.bincount(code[inside], step_d[inside], n)
    use = np.divide(hours, days, out=np.full(n, np.nan), where=days > 0)
    apart = inside & (step_d > 0)
    misfit = (step_h[apart] - use[code[apart]] * step_d[apart]) ** 2 / step_d[apart]
    count = np.bincount(code[apart], minlength=n)
    total = np.bincount(code[apart], misfit, n)
    return use, np.sqrt((total + SD_VOTES * SD_PER_DAY**2) / (count + SD_VOTES))
