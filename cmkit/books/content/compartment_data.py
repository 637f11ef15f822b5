"""What the compartment pages draw: results, limits and forecasts of one compartment, joined from the assessment's
tables.
"""

from collections.abc import Iterable
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from cmkit.books.content.book import Book
from cmkit.books.content.figures.results import Ahead
from cmkit.books.content.wording import analyte_unit
from cmkit.judge.faults import UNNAMED
from cmkit.judge.hypotheses import patterns_of
from cmkit.records.analytes import analyte_register
from cmkit.records.censoring import flags
from cmkit.wear.pace import Newest, next_at_pace

PANELS = 3
LEAST_BELIEVED = 0.5  # own choice: a bottle more doubted than believed tells no pace
LEVEL, MAKEUP = "fluid_level", "makeup"  # what speaks for a leak beside results
FIXED = ("maker", "practice")  # methods of limits that are not the family's
LEAST_ODDS = float(np.log(1.5))  # own choice: what weighs less than 1.5 to 1 is not named
BOTTLES = 30  # a figure shows the newest; older ones are in the tables


def telling(book: Book, compartment: str, most: int = PANELS) -> list[str]:
    """The results that tell the story: what speaks for the likeliest fault, then what passed a limit on the newest
    bottle, then the largest departures of it."""
    fired, past = book.of("evidence", compartment), book.of("history", compartment)
    newest = book.of("verdicts", compartment)["sample"]
    now = fired[fired["sample"].isin(newest)]
    now = now.assign(alarm=now["state"] == "alarm").sort_values(["alarm", "value"], ascending=False)
    last = past[past["sample"].isin(newest)].sort_values("z", ascending=False)
    names = [*speaking_for(book, compartment)["analyte"], *now["analyte"], *last["analyte"]]
    measured = book.tables.samples.select_dtypes("number").columns  # a fluid level found low cannot be drawn
    return [a for a in dict.fromkeys(names) if a in measured][:most]


def leading_fault(book: Book, compartment: str) -> str:
    """The fault or limit its order is about, else its likeliest fault; empty for none."""
    orders, verdicts = book.of("orders", compartment), book.of("verdicts", compartment)
    causes = [*orders["cause"], *verdicts["cause"]]
    return next((c for c in causes if c in set(book.of("reasons", compartment)["hypothesis"])), "")


def speaking_for(book: Book, compartment: str, hypothesis: str = "") -> pd.DataFrame:
    """Reasons of some weight that speak for a hypothesis (empty: the leading fault), the strongest first; of results
    only those that stand away from what was expected."""
    named = hypothesis or leading_fault(book, compartment)
    return book.once(("speaking for", compartment, named), lambda: _speaking_for(book, compartment, named))


def _speaking_for(book: Book, compartment: str, hypothesis: str) -> pd.DataFrame:
    rows = book.of("reasons", compartment)
    rows = rows[(rows["hypothesis"] == hypothesis) & (rows["side"] == "for")]
    acts_on = moved_by(str(book.places.loc[compartment, "kind"]), hypothesis)
    rows = rows[(rows["log_odds"] >= LEAST_ODDS) & ~within_scatter(rows)]
    rows = rows[rows["analyte"].isin(acts_on) | (rows["analyte"] == "")] if acts_on else rows
    return rows.sort_values("log_odds", ascending=False, kind="stable")


def moved_by(kind: str, cause: str) -> frozenset[str]:
    """Results that a named fault acts on (reference/hypotheses.csv), as reasons for it that a reader can follow; empty
    for an unnamed change, which can act on any, and for what is in no pattern."""
    if cause == UNNAMED:
        return frozenset()
    own = [p for p in patterns_of(kind) if p.cause == cause]
    groups = {group for p in own for group in p.groups}
    register = analyte_register()
    levels = {LEVEL, MAKEUP} if any(p.low for p in own) else set()
    return frozenset({a for p in own for a in p.signs} | set(register.index[register["group"].isin(groups)]) | levels)


def within_scatter(reasons: pd.DataFrame) -> pd.Series:
    """Which results lie no further from what was expected than one result's usual scatter (register: noise_floor,
    noise_share), so that no reader would call them above or below it, whatever they weigh."""
    scatter = np.array([_scatter().get(a, (np.nan, np.nan)) for a in reasons["analyte"]], float).reshape(-1, 2)
    value, usual = reasons["value"].to_numpy(float), reasons["usual"].to_numpy(float)
    return pd.Series(np.abs(value - usual) <= scatter[:, 0] + scatter[:, 1] * np.abs(usual), index=reasons.index)


@cache
def _scatter() -> dict[str, tuple[float, float]]:
    """Result -> its noise_floor and noise_share in the register."""
    register = analyte_register()
    pairs = zip(register["noise_floor"].astype(float), register["noise_share"].astype(float), strict=True)
    return dict(zip(register.index, pairs, strict=True))


def fresh_of_drawn(book: Book, compartment: str, analytes: Iterable[str]) -> dict[str, float]:
    """Those results whose scale is drawn about the fresh fluid and not from nothing, viscosities and the pH, with what
    they are in it (NaN where that is not known).
    """
    register = analyte_register()
    group = register["group"].to_dict()
    about = [a for a in dict.fromkeys(analytes) if group.get(a) == "viscosity" or a == "pH"]
    return {a: fresh_value(book, compartment, a) for a in about}


def fresh_value(book: Book, compartment: str, analyte: str) -> float:
    """What a result is in the compartment's fresh fluid, as its limits are set against; NaN where that is not known."""
    return book.fresh_of(compartment).get(analyte, np.nan)


_OF_BOTTLES = ["sample", "life", "order", "drawn_on", "meter_h", "run_h", "fluid_h", "changed"]


def result_points(book: Book, compartment: str, analytes: list[str], newest: int = BOTTLES) -> pd.DataFrame:
    """One row a bottle and result: as `figures.results` wants it, of the `newest` bottles. Machine hours are the
    meter's, running hours after a change of meter."""
    bottles = book.of("exposure", compartment)[_OF_BOTTLES].sort_values(["life", "order"])
    changed = bottles["changed"].astype(bool)
    trust = book.of("trust", compartment).set_index("sample")["believed"]
    bottles = bottles.assign(
        hours=machine_hours(bottles),
        charge=changed.cumsum() + 1000 * bottles["life"],
        changed=changed,
        since_change=bottles["fluid_h"].where(changed).fillna(0.0),
        believed=trust.reindex(bottles["sample"]).fillna(1.0).to_numpy(),
    )
    bottles = bottles[["sample", "drawn_on", "hours", "fluid_h", "charge", "changed", "since_change", "believed"]].tail(
        newest
    )
    measured = book.tables.samples.columns
    wanted = [c for a in analytes for c in (a, f"{a}_below", f"{a}_above") if c in measured]
    samples = book.of("samples", compartment, ["sample", *wanted]).set_index("sample").reindex(bottles["sample"])
    value = samples.reindex(columns=analytes).to_numpy(float)
    if np.isnan(value).all():
        return pd.DataFrame()
    which, at = np.nonzero(~np.isnan(value.T))  # result after result, its bottles in their order
    expected, spread = _forecasts(book, compartment, bottles["sample"].tolist(), analytes)
    out = bottles.iloc[at].reset_index(drop=True)
    return _before_the_fault(
        book,
        compartment,
        out.assign(
            analyte=np.array(analytes, object)[which],
            value=value[at, which],
            below=flags(samples, analytes, "below")[at, which],
            above=flags(samples, analytes, "above")[at, which],
            unit=np.array([analyte_unit(a) for a in analytes], object)[which],
            expected=expected[at, which],
            expected_sd=spread[at, which],
        ),
    )


def _forecasts(book: Book, compartment: str, bottles: list[str], analytes: list[str]) -> NDArray[np.float64]:
    """What was expected of each bottle and result, and its standard deviation: (2, bottles, results); NaN where there
    was no forecast.
    """
    row, column = ({name: n for n, name in enumerate(names)} for names in (bottles, analytes))
    out = np.full((2, len(bottles), len(analytes)), np.nan)
    history = book.of("history", compartment)
    columns = (history[c].tolist() for c in ("sample", "analyte", "expected", "expected_sd"))
    for sample, analyte, expected, spread in zip(*columns, strict=True):
        if sample in row and analyte in column:
            out[:, row[sample], column[analyte]] = expected, spread
    return out


def _before_the_fault(book: Book, compartment: str, points: pd.DataFrame) -> pd.DataFrame:
    """Points without forecasts that have learnt a suspected fault: from the first bottle of an alarm or alert on only
    what the judgement expected of the newest (no expected_sd)."""
    since = book.of("verdicts", compartment)["since"].max()
    if pd.isna(since):
        return points
    late = points["drawn_on"] >= since
    judged = judged_expectation(book, compartment)
    of_one = dict(zip(zip(judged["sample"], judged["analyte"], strict=True), judged["usual"], strict=True))
    usual = [of_one.get(one, np.nan) for one in zip(points["sample"], points["analyte"], strict=True)]
    expected = np.where(late, np.array(usual, float), points["expected"])
    return points.assign(expected=expected, expected_sd=points["expected_sd"].mask(late))


def judged_expectation(book: Book, compartment: str) -> pd.DataFrame:
    """What the judgement held the newest results against (rows of `reasons` that have it): by the past before the
    suspected fault.
    """
    rows = book.of("reasons", compartment)
    return rows[rows["usual"].notna()].drop_duplicates(["sample", "analyte"])


def machine_hours(bottles: pd.DataFrame) -> pd.Series:
    """The meter's hours where they never run back, the running hours otherwise."""
    meter = bottles["meter_h"]
    return meter if meter.notna().all() and meter.is_monotonic_increasing else bottles["run_h"]


def coming(book: Book, compartment: str, points: pd.DataFrame) -> dict[str, Ahead]:
    """What the next bottle may show of the results of `points` (`result_points`) that tell what is wrong: those that
    speak for the likeliest fault and those past a limit on the newest bottle.
    """
    ahead, half, found = book.of("forecast", compartment), float(ndtri(0.9)), {}
    hours_to = dict(zip(ahead["analyte"].tolist(), ahead["hours_ahead"].tolist(), strict=True))
    for analyte, last in _telling_newest(book, compartment, points).items():
        hours = hours_to.get(analyte, 0.0)
        mean, sd = next_at_pace(last, hours, *_scatter()[analyte]) if hours > 0 else (np.nan, np.nan)
        if np.isfinite(mean):
            found[analyte] = Ahead(hours, max(mean - half * sd, 0.0), mean + half * sd)
    return found


def newest_rates(book: Book, compartment: str, points: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Of the same results, the rate since the bottle before by these two bottles alone and its standard deviation by
    the laboratory's scatter, both in the result's unit an hour.
    """
    found = {}
    for analyte, last in _telling_newest(book, compartment, points).items():
        floor, share = _scatter()[analyte]
        now, left = (np.hypot(floor, share * v) for v in (last.value, last.left))
        if last.hours > 0:
            found[analyte] = (last.pace, float(np.hypot(now, left)) / last.hours)
    return found


def _telling_newest(book: Book, compartment: str, points: pd.DataFrame) -> dict[str, Newest]:
    """The newest bottle against the one before, of results that tell what is wrong."""
    fired, newest = book.of("evidence", compartment), book.of("verdicts", compartment)["sample"]
    wrong = {*speaking_for(book, compartment)["analyte"], *fired.loc[fired["sample"].isin(newest), "analyte"]}
    named = dict.fromkeys(a for a in points["analyte"].tolist() if a in wrong)
    pairs = {a: _newest(book, compartment, points[points["analyte"] == a]) for a in named}
    return {a: pair for a, pair in pairs.items() if pair is not None}


def _newest(book: Book, compartment: str, own: pd.DataFrame) -> Newest | None:
    """The newest bottle against the one before it in the present component; own: the points of one result. None where
    one of the two lacks the result, where the newest is doubted, and for a result of the fleet's own, whose scatter the
    register does not know.
    """
    steps = book.of("exposure", compartment)
    last = np.lexsort((steps["order"], steps["life"]))[-2:]
    pair, analyte = steps["sample"].to_numpy()[last].tolist(), own["analyte"].iloc[-1]
    if len(pair) < 2 or own["sample"].tolist()[-2:] != pair or analyte not in _scatter():
        return None
    order, phi, psi, chi = (steps[c].to_numpy()[last[1]] for c in ("order", "phi", "psi", "chi"))
    if order < 1 or own["believed"].iloc[-1] < LEAST_BELIEVED:
        return None
    fresh = book.once(("fresh content",), lambda: _fresh_contents(book))
    before, value = own["value"].tolist()[-2:]
    given = fresh.get((str(book.place[compartment]["family"]), analyte), 0.0)
    return Newest(value, float(phi) * before + float(chi) * given, float(psi))


def _fresh_contents(book: Book) -> dict[tuple[str, str], float]:
    """(family, result) -> what the fresh fluid holds of it, ppm, where it is known."""
    known = book.tables.numbers.dropna(subset="fresh_ppm")
    columns = (known[c].tolist() for c in ("family", "analyte", "fresh_ppm"))
    return {(family, analyte): fresh for family, analyte, fresh in zip(*columns, strict=True)}


def with_hours(book: Book, frame: pd.DataFrame, compartment: str) -> pd.DataFrame:
    """`frame` (which has sample) with the machine hours of its bottles, in their order."""
    bottles = book.of("exposure", compartment)[_OF_BOTTLES].sort_values(["life", "order"])
    bottles = pd.DataFrame({"sample": bottles["sample"], "hours": machine_hours(bottles)}).tail(BOTTLES)
    return bottles.merge(frame, on="sample", how="inner")


def family_limits_of(book: Book, compartment: str, measure: str) -> pd.DataFrame:
    """Limits of a compartment's family for `rate` or `level` (empty: all), as they act, so that a page has one set of
    them. Those of a change from the fresh fluid, or a rise above it, are levels too, in the result's unit, where that
    fluid is known.

    named: `alarm` for limits of the maker, the site and practice, which have an alert limit too; `family` for what its
    family gives, which is passed only beyond the far end of its interval and has no alert limit.
    """
    place = book.place[compartment]
    same = ("limits", *(str(place[c]) for c in ("family", "site", "fluid", "grade")), measure)
    return book.once(same, lambda: _family_limits(book, compartment, measure))


def _family_limits(book: Book, compartment: str, measure: str) -> pd.DataFrame:
    own = book.limits_of(compartment)
    if measure == "level":
        own = _in_its_unit(book, compartment, own)
    own = own[own["measure"] == measure] if measure else own
    fixed = own["method"].isin(FIXED)
    far = own["alarm_high"].where(own["direction"] == "up", own["alarm_low"]).where(own["measure"] == "level")
    return own.assign(
        alert=own["alert"].where(fixed),
        alarm=own["alarm"].where(fixed, far.fillna(own["alarm"])),
        named=np.where(fixed, "alarm", "family"),
    )


def _in_its_unit(book: Book, compartment: str, limits: pd.DataFrame) -> pd.DataFrame:
    """Limits with those that are relative to the fresh fluid as levels."""
    measure = limits["measure"].to_numpy(object)
    known = book.fresh_of(compartment)
    fresh = np.array([known.get(a, np.nan) for a in limits["analyte"]], float)
    scale = np.select([measure == "change", measure == "rise"], [fresh, np.ones(len(fresh))], np.nan)
    relative = np.isfinite(scale) & np.isfinite(fresh)
    shown = {c: np.where(relative, fresh + scale * limits[c].to_numpy(float), limits[c]) for c in ("alert", "alarm")}
    return limits.assign(**shown, measure=np.where(relative, "level", measure))


def setting(book: Book, *path: str, default: Any = np.nan) -> Any:
    """A value of the settings in force, by its path; `default` when there is none."""
    value: Any = book.tables.about
    for key in path:
        value = value.get(key) if isinstance(value, dict) else None
    return default if value is None else value
