"""The judgement in words: the reason line of a state, and what speaks for and against each hypothesis, with numbers
that add up.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cmkit.judge.faults import fault, harmless
from cmkit.records.censoring import flags as bool_flags
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import empty, names, typed

REASONS = names("reasons")
_EARLIER = 6  # own choice: so many earlier bottles give what is usual
_NAMED = 2
_UNITS = {"1": "", "1/ml": "per ml"}
_LEAST_ODDS = np.log(1.5)  # own choice: what weighs less is not named in the reason
_MOST_OF = 0.7  # own choice: where the first cause has less than this share of the whole chance, the whole is said too
_PLAIN = {
    "makeup": "fluid added on record",
    "fluid_level": "fluid level found",
    "": "how the bottle was drawn, or a steady change",
}


def chance_text(p: float) -> str:
    """`62 %`; never 0 % or 100 %."""
    if np.isnan(p):
        return "chance not known"
    if p >= 0.995:
        return "more than 99 %"
    return "less than 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def odds_text(log_odds: float) -> str:
    """`12 to 1` for what a result weighs; `hardly` under 1.5 to 1."""
    odds = float(np.exp(min(abs(log_odds), 700.0)))
    if odds < 1.5:
        return "hardly"
    return "more than 1,000 to 1" if odds > 1000 else f"{odds:,.1f} to 1" if odds < 10 else f"{odds:,.0f} to 1"


def for_and_against(
    known: Fleet, states: pd.DataFrame, contributions: pd.DataFrame, expected: pd.DataFrame, register: pd.DataFrame
) -> pd.DataFrame:
    """What each result says for (`for`) or against (`against`) each hypothesis of the compartments in `states` (columns
    REASONS).

    contributions: compartment, sample, hypothesis, analyte, log_odds (natural log of the likelihood ratio against
    sound); expected: sample, analyte, expected (metals). One row per compartment, hypothesis and result, strongest
    first; log_odds is the sum over the bottles of the present alarm or alert (else of the newest), and the rows of a
    hypothesis add up to what these bottles say. value, below, sample: of the newest of them with that result; usual:
    what was expected of it, else the middle of the compartment's earlier bottles (usual_is: `expected`, `earlier
    bottles` or empty).
    """
    since = states.set_index("compartment")["since"].fillna(states.set_index("compartment")["drawn_on"])
    drawn = known.samples.set_index("sample")["drawn_on"]
    rows = contributions[contributions["compartment"].isin(states["compartment"])]
    rows = rows.assign(drawn_on=drawn.reindex(rows["sample"]).to_numpy())
    rows = rows[rows["drawn_on"].to_numpy() >= since.reindex(rows["compartment"]).to_numpy()].sort_values(
        "drawn_on", kind="stable"
    )
    keys = ["compartment", "hypothesis", "analyte"]
    out = (
        rows.groupby(keys, sort=False)
        .agg(
            log_odds=("log_odds", "sum"),
            n_bottles=("sample", "nunique"),
            sample=("sample", "last"),
            drawn_on=("drawn_on", "last"),
        )
        .reset_index()
    )
    out = _with_values(out, known, expected, register)
    out["side"] = np.where(out["log_odds"] >= 0, "for", "against")
    out["words"] = [_result_words(r, register) for r in out.itertuples()]
    out["strength"] = -out["log_odds"].abs()
    out = out.sort_values(["compartment", "hypothesis", "strength", "analyte"], kind="stable", ignore_index=True)
    out = out.assign(**{flag: out[flag].eq(True) for flag in ("below", "above")})
    return typed(out[REASONS], "reasons") if len(out) else empty("reasons")


def _with_values(out: pd.DataFrame, known: Fleet, expected: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Each row's result, its flag, its unit and what it is compared with."""
    samples = known.samples.sort_values("drawn_on", kind="stable").reset_index(drop=True)
    at = {str(sample): place for place, sample in enumerate(samples["sample"])}
    own = {str(c): np.asarray(places) for c, places in samples.groupby("compartment").indices.items()}
    column = {a: samples[a].to_numpy(dtype=float) for a in set(out["analyte"]) if a in register.index and a in samples}
    marks = {a: [bool_flags(samples, [a], f)[:, 0] for f in ("below", "above")] for a in column}
    drawn = samples["drawn_on"].to_numpy()
    forecast = expected[expected["sample"].isin(out["sample"])].drop_duplicates(["sample", "analyte"], keep="last")
    forecast = forecast.set_index(["sample", "analyte"])["expected"].to_dict()
    found = []
    for r in out.itertuples():
        usual, usual_is = float(forecast.get((r.sample, r.analyte), np.nan)), "expected"
        value, under, over = np.nan, False, False
        if r.analyte in column:
            here = at[r.sample]
            value, (under, over) = float(column[r.analyte][here]), (bool(m[here]) for m in marks[r.analyte])
            if np.isnan(usual):
                places = own[r.compartment]
                usual, usual_is = _usual(column[r.analyte][places[drawn[places] < drawn[here]]]), "earlier bottles"
        unit = register["unit"].get(r.analyte, "")
        found.append((value, under, over, usual, "" if np.isnan(usual) else usual_is, _UNITS.get(unit, unit)))
    names = ["value", "below", "above", "usual", "usual_is", "unit"]
    return out.join(pd.DataFrame(found, columns=names, index=out.index))


def _usual(earlier: NDArray[np.float64]) -> float:
    """The middle of the newest earlier results; NaN without any."""
    seen = earlier[np.isfinite(earlier)][-_EARLIER:]
    return float(np.median(seen)) if len(seen) else np.nan


def _result_words(r: Any, register: pd.DataFrame) -> str:
    """`sodium 95 ppm where 8 was usual`."""
    name = str(register["name"].get(r.analyte, _PLAIN.get(r.analyte, r.analyte)))
    if np.isnan(r.value):
        return name if r.side == "for" else f"{name} as usual"
    said = (
        f"{name} {'below ' if r.below else 'above ' if r.above else ''}{r.value:,.4g}{f' {r.unit}' if r.unit else ''}"
    )
    if np.isnan(r.usual):
        return f"{said}, no earlier result to compare with"
    close = r.side == "against" and abs(r.value - r.usual) <= 0.1 * abs(r.usual)
    was = "was expected" if r.usual_is == "expected" else "was usual"
    return (
        f"{said}, as {'expected' if r.usual_is == 'expected' else 'usual'}"
        if close
        else f"{said} where {r.usual:,.3g} {was}"
    )


def reason_line(
    r: Any, order: dict[str, Any], reasons: pd.DataFrame, rules: list[tuple[str, str]], alert: float
) -> str:
    """Why a compartment is in its state, in one line.

    r: row of `judge_states`; order: its row of `make_orders`; reasons: its rows of `for_and_against`; rules: results
    and words of the limits that act on its newest bottle; alert: chance from which a fault is worth words.
    """
    if r.case in ("no bottle", "replaced", "repaired", "looked into", "stale"):
        return _rest(r)
    if r.case == "doubtful":
        other = f"; otherwise {chance_text(r.chance)} that something is wrong"
        return f"{chance_text(r.p_doubt)} that {fault(r.kind, r.doubt).said}{other}"
    if r.case == "clear":
        return "; ".join(
            p
            for p in (
                r.settled_by,
                "results as expected" if not r.settled_by else "",
                f"{chance_text(r.chance)} that something is wrong",
            )
            if p
        )
    shown = rules[:_NAMED]
    limits = [words for _, words in shown]
    said, already = _by_chance(r, order, reasons, dict(shown))
    parts = [*said, *(words for analyte, words in shown if analyte not in already)]
    if r.case == "alarm" and (np.nan_to_num(r.chance) < alert or not parts):
        named = f" ({fault(r.kind, r.alarm_cause).said})" if r.alarm_cause else ""
        parts = [
            f"alarm of {r.since:%Y-%m-%d}{named} stands: nobody has looked into it",
            f"newest bottle: {chance_text(r.chance)} that something is wrong",
            *limits,
        ]
    if r.doubt:
        parts.append(f"the newest bottle is doubtful ({r.doubt}, {chance_text(r.p_doubt)})")
    return "; ".join(parts)


def _rest(r: Any) -> str:
    if r.case == "no bottle":
        return "no usable bottle yet"
    if r.case == "stale":
        return f"newest bottle too old to judge by: {r.missing.partition('; ')[2]}"
    more = {
        "replaced": "no bottle of the new one yet",
        "repaired": "no bottle since",
        "looked into": "no bottle since",
    }[r.case]
    still = (
        f"; the results before it still say {chance_text(r.chance)}"
        if r.case == "looked into" and r.state == "alert"
        else ""
    )
    return f"{r.settled_by}; {more}{still}"


def _by_chance(
    r: Any, order: dict[str, Any], reasons: pd.DataFrame, limits: dict[str, str]
) -> tuple[list[str], set[str]]:
    """The chance of what is likeliest, the results that say so, each with the limit it is beyond, and a second cause;
    and the results whose limit is so named. limits: words by result.
    """
    if (
        not r.cause
        or np.isnan(r.chance)
        or (np.isnan(order["chance"]) and order["cause"] != r.cause and r.case != "alarm")
    ):
        return [], set()
    own = reasons[(reasons["hypothesis"] == r.cause) & (reasons["log_odds"] >= _LEAST_ODDS)].head(_NAMED)
    seen = [_beyond(words, limits.get(a, "")) for a, words in zip(own["analyte"], own["words"], strict=True)]
    parts = [f"{chance_text(r.p_cause)} that {fault(r.kind, r.cause).said}{': ' * bool(seen)}{', '.join(seen)}"]
    if order["second_cause"]:
        parts.append(f"{chance_text(r.p_second)} that {fault(r.kind, r.second_cause).said}")
    if r.p_cause < _MOST_OF * r.chance:
        parts.append(f"{chance_text(r.chance)} that something is wrong")
    if r.cause in harmless():
        parts.append("no work by itself")
    return parts, {analyte for analyte in own["analyte"] if ", " in limits.get(analyte, "")}


def _beyond(words: str, limit: str) -> str:
    """A result in words and what its limit says of it, the result named once."""
    beyond = limit.partition(", ")[2].replace("; ", ", ")
    return f"{words} and {beyond}" if beyond else words


def how_sure(r: Any) -> str:
    """How sure the state is and what would settle it, in one line."""
    if r.case in ("no bottle", "replaced", "stale", "repaired"):
        return "nothing to go by"
    if r.case == "alarm":
        count = f"{r.n_bottles} bottle{'s' if r.n_bottles != 1 else ''} in alarm"
        return f"{chance_text(r.chance)} that something is wrong, {count}; to settle it: {r.missing}"
    return f"{chance_text(r.chance)} that something is wrong" + (f"; missing: {r.missing}" if r.missing else "")
