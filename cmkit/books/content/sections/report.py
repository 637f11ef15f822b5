"""The newest report of a compartment in full, by question, beside what was expected, the limits, and the twin or
sister.
"""

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import (
    family_limits_of,
    fresh_value,
    judged_expectation,
    speaking_for,
    within_scatter,
)
from cmkit.books.content.markup import Column, Html, facts, grouped_table, join, nothing, paragraph, tag
from cmkit.books.content.wording import analyte_name, analyte_unit, hours, number, plain, sentence, short_day
from cmkit.fluids.cleanliness import iso_codes
from cmkit.records.analytes import above, analyte_register, below
from cmkit.records.censoring import signed
from cmkit.records.constants import HALF_NINETY

EARLIER = 6  # own choice: so many earlier bottles give what is usual, as in the reasons of the judgement
_QUESTIONS = {
    "Wear": ("wear metal", "debris"),
    "Dirt": ("contaminant", "cleanliness"),
    "Water and coolant": (),
    "Fuel and soot": (),
    "Fluid health": ("viscosity", "degradation", "additive", "coolant", "contamination"),
}
_NAMED = {
    "Na_ppm": "Water and coolant",
    "K_ppm": "Water and coolant",
    "Li_ppm": "Water and coolant",
    "water_ppm": "Water and coolant",
    "glycol_pct": "Water and coolant",
    "fuel_pct": "Fuel and soot",
    "soot_pct": "Fuel and soot",
}
_OTHER = "Other results"
_CAPTION = (
    "Expected: by its own past before what is suspected, with changes and top-ups allowed for; usual: the "
    "middle of its last six bottles. Above, below: beyond one result's usual scatter, in the way that is bad or that "
    "speaks for the likeliest fault."
)
_PLAIN = (
    "Expected: its forecast and where 9 in 10 results were to lie, with changes and top-ups allowed for; usual: "
    "the middle of its last six bottles. Above and below: outside that."
)
_COUNTS = re.compile(r"p\d+_per_ml")


@dataclass(frozen=True)
class _Beside:
    """What results are held against. judged: rows of `reasons` by analyte, which are by the past before a suspected
    fault; expected: history rows of the bottle by analyte, for what is not judged so; earlier: bottles before it;
    limits: of the family; fresh: what the fresh fluid has; passed: results beyond a limit on this bottle; away: judged
    results further from what was expected than their scatter; speaking: results that speak for the likeliest fault;
    sister: the newest bottle of the twin or sister; reported:
    results of this bottle that carry an accepted laboratory factor, as the laboratory gave them."""

    judged: dict[str, dict[str, Any]]
    expected: dict[str, dict[str, Any]]
    earlier: pd.DataFrame
    limits: dict[str, list[Any]]
    fresh: dict[str, float]
    passed: frozenset[str]
    away: frozenset[str]
    speaking: frozenset[str]
    sister: dict[str, Any] | None
    reported: dict[str, float]


def newest_report(book: Book, compartment: str) -> Html:
    """The newest bottle's results, every one of them, with the bottle's own facts; one line where there is none."""
    head = tag("h3", "The newest report")
    samples = book.of("samples", compartment).sort_values(["drawn_on", "sample"], kind="stable")
    if not len(samples):
        return join([head, nothing("No bottle is on record.")])
    bottle = samples.iloc[-1]
    sister_name, sister = sister_bottle(book, compartment)
    beside = _held_against(book, compartment, samples, sister)
    groups = _groups(bottle.to_dict(), beside, str(book.places.loc[compartment, "kind"]))
    if not groups:
        return join([head, _bottle_facts(book, bottle), nothing("It holds no result.")])
    heads = ["Result", Column("Found", True), Column("Expected", True), "Beside it", "Limits, alert / alarm"]
    heads += [Column("Twin or sister", True)] if sister is not None else []
    caption = _CAPTION if len(beside.judged) else _PLAIN
    if sister is not None:
        caption += (
            f" Last column: the newest bottle of {sister_name}, {short_day(sister['drawn_on'])}{_age(book, sister)}."
        )
    report = grouped_table(heads, groups, caption, "text report")
    return join([head, _bottle_facts(book, bottle), report, factor_note(book, compartment)])


def _age(book: Book, bottle: pd.Series) -> str:
    """`, 740 h on its fluid`: metals of two bottles compare only beside it; empty where it is not known."""
    steps = book.of("exposure", str(bottle["compartment"]))
    own = steps.loc[steps["sample"] == bottle["sample"], "fluid_h"]
    return f", {hours(own.iloc[0])} on its fluid" if own.notna().any() else ""


def factor_note(book: Book, compartment: str) -> Html:
    """Which of a compartment's results are not as the laboratory gave them, and by whose decision; nothing where all
    are."""
    rows = book.of("factored_results", compartment)
    if not len(rows):
        return Html("")
    words = [
        f"{analyte_name(r.analyte)} of {r.lab} reported from {short_day(r.from_on)} on is multiplied by "
        f"{number(r.factor)} here, in the figures and in every judgement (accepted by {plain(r.accepted_by)} on "
        f"{short_day(r.accepted_on)}: {plain(r.reason)})"
        for r in rows.drop_duplicates(["lab", "analyte", "factor", "from_on"]).itertuples()
    ]
    return paragraph(sentence("; ".join(words)), class_="note")


def _held_against(book: Book, compartment: str, samples: pd.DataFrame, sister: pd.Series | None) -> _Beside:
    """What the last of a compartment's `samples` is held against."""
    bottle = samples["sample"].iloc[-1]
    past, fired, judged = (
        book.of("history", compartment),
        book.of("evidence", compartment),
        judged_expectation(book, compartment),
    )
    judged = judged[judged["sample"] == bottle].drop_duplicates("analyte")
    limits: dict[str, list[Any]] = {}
    for row in family_limits_of(book, compartment, "").itertuples():
        limits.setdefault(row.analyte, []).append(row)
    relative = [a for a, rows in limits.items() if any(r.measure in ("change", "rise") for r in rows)]
    return _Beside(
        judged=_by_result(judged, ["usual", "usual_is"]),
        expected=_by_result(past[past["sample"] == bottle], ["expected", "expected_sd"]),
        earlier=samples.iloc[:-1],
        limits=limits,
        fresh={a: fresh_value(book, compartment, a) for a in relative},
        passed=frozenset(fired.loc[fired["sample"] == bottle, "analyte"]),
        away=frozenset(judged.loc[~within_scatter(judged), "analyte"]),
        speaking=frozenset(speaking_for(book, compartment)["analyte"]),
        sister=None if sister is None else sister.to_dict(),
        reported=_reported(book, compartment, str(bottle)),
    )


def _reported(book: Book, compartment: str, bottle: str) -> dict[str, float]:
    own = book.of("factored_results", compartment)
    own = own[own["sample"] == bottle]
    return dict(zip(own["analyte"].tolist(), own["reported"].tolist(), strict=True))


def _by_result(rows: pd.DataFrame, columns: list[str]) -> dict[str, dict[str, Any]]:
    """Result -> its values in these columns; the last row of several."""
    return dict(zip(rows["analyte"], rows[columns].to_dict("records"), strict=True))


def _newest_of(book: Book) -> dict[str, tuple[pd.Timestamp, str, int]]:
    """Compartment -> day, number and place in `book.newest` of its newest bottle."""
    columns = (book.newest[c].tolist() for c in ("compartment", "drawn_on", "sample"))
    return {c: (day, sample, at) for at, (c, day, sample) in enumerate(zip(*columns, strict=True))}


def sister_bottle(book: Book, compartment: str) -> tuple[str, pd.Series | None]:
    """Name and newest bottle of the other side on the same machine, else of the same family at the same site (the
    newest of them).
    """
    own, newest = book.place[compartment], book.once(("newest of",), lambda: _newest_of(book))
    others = [
        p for c, p in book.place.items() if c != compartment and (p["kind"], p["site"]) == (own["kind"], own["site"])
    ]
    twins = [p for p in others if p["machine"] == own["machine"]]
    family = [p for p in others if p["family"] == own["family"]]
    for among in (twins, family):
        known = [(*newest[p["compartment"]], p["compartment"]) for p in among if p["compartment"] in newest]
        if known:
            *_, at, name = max(known)
            twin = book.place[name]["machine"] == own["machine"]
            return str(book.place[name]["name"]) if twin else book.place_name(name), book.newest.iloc[at]
    return "", None


def _bottle_facts(book: Book, bottle: pd.Series) -> Html:
    """Number, days, hours, what was added, how it was drawn and the level found."""
    steps = book.of("exposure", str(bottle["compartment"])).set_index("sample")
    step = steps.loc[bottle["sample"]] if bottle["sample"] in steps.index else None
    added = (
        "not known"
        if step is None or not step["makeup_known"]
        else f"{number(step['makeup_l'])} l"
        if step["makeup_l"] > 0
        else "none on record"
    )
    pairs: list[tuple[str, object]] = [
        ("Bottle", f"{bottle['sample']}, {bottle['lab'] or 'laboratory not named'}"),
        ("Drawn, reported", f"{short_day(bottle['drawn_on'])}, {short_day(bottle['reported_on'])}"),
        (
            "Meter, hours on the fluid",
            f"{hours(bottle['meter_h'])}, {hours(step['fluid_h'] if step is not None else bottle['fluid_h'])}",
        ),
        ("Added since the bottle before", added),
        ("Drawn by", ", ".join(x for x in (bottle["method"], bottle["sampler"]) if x) or "not noted"),
        ("Level found", bottle["fluid_level"] or "not noted"),
    ]
    return facts(pairs, "facts bottle")


def _groups(bottle: dict[str, Any], beside: _Beside, kind: str) -> list[tuple[object, list[list[object]]]]:
    """Rows by question, in the order of the register; a fleet's own results come last. In a coolant silicon, sodium and
    potassium are its own chemistry: all but the metals belong to its health.
    """
    register = analyte_register()
    found: dict[str, list[list[object]]] = {question: [] for question in (*_QUESTIONS, _OTHER)}
    of_group = {group: question for question, groups in _QUESTIONS.items() for group in groups}
    own = [name for name in bottle if below(name) in bottle and name not in register.index]
    for analyte, group in [*register["group"].items(), *((name, "") for name in own)]:
        if analyte in bottle and pd.notna(bottle[analyte]):
            question = _NAMED.get(str(analyte), of_group.get(group, _OTHER))
            question = "Fluid health" if kind == "coolant" and question not in ("Wear", _OTHER) else question
            found[question].append(_row(str(analyte), bottle, beside))
    return [(question, rows) for question, rows in found.items() if rows]


def _row(analyte: str, bottle: dict[str, Any], beside: _Beside) -> list[object]:
    """Cells of one result."""
    value = float(bottle[analyte])
    name, unit = analyte_name(analyte), analyte_unit(analyte)
    usual, words = _expected(analyte, value, beside)
    limits = beside.limits.get(analyte, [])
    if analyte not in beside.passed and perhaps_past(value, _sign(bottle, analyte), limits):
        words = tag("b", "perhaps past the limit: ask for the number")
    as_given = f" (reported {number(beside.reported[analyte], 4)})" if analyte in beside.reported else ""
    cells: list[object] = [
        f"{name}, {unit}" if unit else name,
        _shown(value, _sign(bottle, analyte), analyte) + as_given,
        usual,
        words,
        _limits(limits, beside.fresh.get(analyte, np.nan)),
    ]
    if beside.sister is None:
        return cells
    other = beside.sister.get(analyte, np.nan)
    return [
        *cells,
        _shown(float(other), _sign(beside.sister, analyte), analyte) if pd.notna(other) else "-",
    ]


def perhaps_past(value: float, sign: str, limits: list[Any]) -> bool:
    """Whether a result known only to lie above `value` may be past an upper limit that `value` is not past; limits:
    rows of the result's limits.
    """
    upper = [r.alarm for r in limits if r.measure == "level" and r.direction == "up"]
    return sign == ">" and any(alarm > value for alarm in upper)


def _sign(bottle: dict[str, Any], analyte: str) -> str:
    """`<` or `>` where the result was reported as below or above a limit."""
    under, over = (bool(bottle.get(flag(analyte), False)) for flag in (below, above))
    return signed(float(bottle[analyte]), under, over)


def _shown(value: float, sign: str, analyte: str = "") -> str:
    """A result as the laboratory gave it, to four figures, with `<` or `>` where it is a limit; a
    count with its code.
    """
    code = f" (code {sign}{iso_codes(value):.0f})" if _COUNTS.fullmatch(analyte) else ""
    return f"{sign}{number(value, 4)}{code}"


def _expected(analyte: str, value: float, beside: _Beside) -> tuple[str, Html | str]:
    """What was expected, and how the result stands to it and to the limits."""
    passed = analyte in beside.passed
    if row := beside.judged.get(analyte):
        away = "above" if value > row["usual"] else "below"
        away = away if analyte in beside.away and (bad_way(analyte) in (away, "") or analyte in beside.speaking) else ""
        usual = (
            f"{number(row['usual'])}" if row["usual_is"] != "earlier bottles" else _usual(analyte, row["usual"], beside)
        )
        return usual, _marked(away, passed)
    if (row := beside.expected.get(analyte)) and pd.notna(row["expected"]):
        half = HALF_NINETY * row["expected_sd"]
        low, high = max(row["expected"] - half, 0.0), row["expected"] + half
        away = "above" if value > high else "below" if value < low else ""
        span = "" if beside.judged else f" ({number(low)} to {number(high)})"
        return f"{number(row['expected'])}{span}", _marked(away, passed)
    earlier, _ = _earlier(analyte, beside)
    if not len(earlier):
        return "-", _marked("", passed)
    return _usual(analyte, float(np.median(earlier)), beside), _marked("", passed)


def bad_way(analyte: str) -> str:
    """`above` or `below`: which way of a result is bad; empty where both are."""
    register = analyte_register()
    bad = str(register.loc[analyte, "bad"]) if analyte in register.index else ""
    return {"up": "above", "down": "below"}.get(bad, "")


def _earlier(analyte: str, beside: _Beside) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """The result on the newest earlier bottles that have it, and where it lies below what the laboratory reports."""
    if analyte not in beside.earlier:
        return np.empty(0), np.empty(0, bool)
    values = beside.earlier[analyte].to_numpy(float)
    rows = np.flatnonzero(~np.isnan(values))[-EARLIER:]
    flag = below(analyte)
    under = beside.earlier[flag].to_numpy(bool) if flag in beside.earlier else np.zeros(len(values), bool)
    return values[rows], under[rows]


def _usual(analyte: str, value: float, beside: _Beside) -> str:
    """`100 usual`, `<100 usual` where most of the earlier results lay below what the laboratory reports."""
    _, under = _earlier(analyte, beside)
    mostly = len(under) > 0 and bool(under.mean() > 0.5)
    return f"{_shown(value, '<' if mostly else '')} usual"


def _marked(away: str, passed: bool) -> Html | str:
    words = ", ".join(w for w in (away, "limit passed" if passed else "") if w)
    return tag("b", words) if words else ""


def _limits(rows: list[Any], fresh: float) -> str:
    """`80 / 112`, with what the numbers are where they are not the result itself."""
    shown = [r for r in rows if pd.notna(r.alert) or pd.notna(r.alarm)]
    texts = dict.fromkeys(text for text in map(_limit, shown) if text)
    both = [t.removesuffix(" below fresh") for t in texts if t.endswith(" below fresh")]
    pairs = {t: f"{t} above fresh" for t in both if f"{t} above fresh" in texts}
    merged = [f"{t} from fresh" for t in pairs]
    merged += [t for t in texts if t.removesuffix(" below fresh").removesuffix(" above fresh") not in pairs]
    named = f" ({number(fresh)})" if np.isfinite(fresh) else ""
    return "; ".join(f"{t}{named}" if t.endswith(" fresh") else t for t in merged) or "-"


def _limit(row: Any) -> str:
    """One pair of limits; empty for those of the wear rate, which its figure shows."""
    low = " (low)" if row.direction == "down" else ""
    if row.measure == "change":
        way = "below" if row.direction == "down" else "above"
        return f"{number(100 * abs(row.alert))} / {number(100 * abs(row.alarm))} % {way} fresh"
    if row.measure == "rate":
        return ""
    if row.named == "family":
        return f"family {number(row.alarm)}{low}"
    pair = f"{number(row.alert)} / {number(row.alarm)}{low}"
    return {"rise": f"{pair} above fresh", "code": f"ISO 4406 code {pair}"}.get(row.measure, pair)
