"""The field sheet of a round: an XLSX with drop-down lists that goes out empty and comes back filled, and every slip in
it said in words.
"""

import re
from dataclasses import dataclass, field, replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

from cmkit.files import write_file
from cmkit.practice.drawing import NO_DRAWING, how_drawn
from cmkit.practice.rounds import AHEAD_DAYS, DUPLICATE_VISIT, LETTERS, bottle_number, check_letter
from cmkit.practice.sheet_cells import sheet_rows
from cmkit.practice.sheet_days import day_orders, read_day
from cmkit.practice.visits import MAX_VISITS
from cmkit.records.fleet import Fleet, has_result
from cmkit.records.reading.clean import match_words
from cmkit.records.reading.files import FORMULA_MARKS
from cmkit.tables.records import LEVELS, METHODS
from cmkit.trust.hours import screen_hours

SHEET = "round"
GIVEN = ["bottle", "plan_on", "site", "machine", "compartment", "side", "how", "due_meter_h"]
FILLED = [
    "drawn_on",
    "meter_h",
    "fluid_h",
    "makeup_l",
    "method",
    "fluid_level",
    "sampler",
    "sent_on",
    "seal_inspected",
    "plug_torqued",
    "note",
]
_LISTS = {"method": METHODS, "fluid_level": LEVELS, "seal_inspected": ("yes", "no"), "plug_torqued": ("yes", "no")}
COMPARED = ["compartment", "drawn_on", "meter_h", "fluid_h", "makeup_l", "method", "sampler", "fluid_level", "sent_on"]
UNDRAWN = ["sample", "compartment", "planned_on", "returned_on", "note"]
COLUMNS = ["row", "sample", *COMPARED, "planned_on", "reported_on", "note"]
_ROUND_DAYS = 185  # a sheet is looked for among the rounds of half a year
_HOURS_A_DAY = 24
_NUMBERS = ("meter_h", "fluid_h", "makeup_l")
_WIDTHS = {"compartment": 34, "side": 26, "note": 40, "bottle": 12}


def write_field_sheet(cards: pd.DataFrame, path: Path, made: pd.Timestamp) -> None:
    """An empty field sheet for `cards` (frame of `practice.rounds`): one row a bottle that can be drawn, lists where
    only certain words are wanted.

    Text is written as text, never as a formula or link. made: the day it says it was made, so that the same cards give
    the same bytes.
    """
    store = BytesIO()
    book = xlsxwriter.Workbook(store, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    book.set_properties({"created": made.to_pydatetime()})
    sheet = book.add_worksheet(SHEET)
    head, fill = book.add_format({"bold": True, "bottom": 1, "text_wrap": True}), book.add_format({"border": 4})
    day = book.add_format({"border": 4, "num_format": "yyyy-mm-dd"})
    rows = cards[cards["method"] != NO_DRAWING].assign(
        how=cards["tool"] + ", " + cards["where"], plan_on=cards["plan_on"].dt.strftime("%Y-%m-%d")
    )
    for j, name in enumerate(GIVEN + FILLED):
        sheet.write_string(0, j, name, head)
        sheet.set_column(j, j, _WIDTHS.get(name, 14))
    for i, row in enumerate(rows[GIVEN].itertuples(index=False), start=1):
        for j, value in enumerate(row):
            if isinstance(value, str):
                sheet.write_string(i, j, value)
            elif pd.notna(value):
                sheet.write_number(i, j, round(float(value)))
        for j in range(len(GIVEN), len(GIVEN) + len(FILLED)):
            sheet.write_blank(i, j, None, day if FILLED[j - len(GIVEN)] in ("drawn_on", "sent_on") else fill)
    for name, words in _LISTS.items():
        j = (GIVEN + FILLED).index(name)
        choice = {
            "validate": "list",
            "source": list(words),
            "error_title": "Not in the list",
            "error_message": f"One of: {', '.join(words)}",
        }
        sheet.data_validation(1, j, max(len(rows), 1), j, choice)
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    book.close()
    write_file(path, store.getvalue())


@dataclass(frozen=True)
class FieldSheet:
    """A filled sheet: `samples` (COLUMNS: rows of the samples table, results still empty, and their row in the sheet),
    `slips` (row, bottle, compartment, words) and `undrawn` (UNDRAWN: bottles that were not drawn)."""

    samples: pd.DataFrame
    slips: pd.DataFrame
    undrawn: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=UNDRAWN))

    def said(self, sheet: Path) -> str:
        """What there is to take in and to look at, a line each."""
        lines = [f"{len(self.samples)} bottle(s) to take in from {sheet}, {len(self.slips)} thing(s) to look at."]
        if len(self.undrawn):
            lines.append(f"{len(self.undrawn)} bottle(s) not drawn, to be listed by name until another is drawn.")
        for slip in self.slips.itertuples():
            place = " ".join(t for t in (slip.bottle, slip.compartment) if t)
            lines.append(f"  row {slip.row}, {place}: {slip.words}" if place else f"  {slip.words}")
        return "\n".join(lines)


def returned_sheet(fleet: Fleet, path: Path) -> FieldSheet:
    """:func:`read_field_sheet` against what is known today, without bottles that were taken in before."""
    today = pd.Timestamp.today().normalize()
    known = fleet.as_of(today)
    sheet = read_field_sheet(path, known, newest_meters(known, screen_hours(known)), today)
    return without_known(replace(sheet, undrawn=_new_undrawn(sheet.undrawn, fleet)), fleet.samples)


def _new_undrawn(undrawn: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Bottles not drawn that the records do not have yet, neither as drawn nor, with the same note, as not drawn."""
    said = set(zip(fleet.not_drawn["sample"], fleet.not_drawn["note"].fillna(""), strict=True))
    known = [key in said for key in zip(undrawn["sample"], undrawn["note"], strict=True)]
    return undrawn[~undrawn["sample"].isin(fleet.samples["sample"]) & ~np.array(known, dtype=bool)]


def read_field_sheet(path: Path, known: Fleet, last: pd.DataFrame, today: pd.Timestamp) -> FieldSheet:
    """A field sheet that came back, checked against what is known. Rows that were not drawn (no date) are left out with
    a slip, and are its `undrawn` where they name a bottle and a compartment of the fleet.

    last: compartment, last_meter_h (newest meter reading of its machine) and, where known, last_on (its day). A slip is
    a question to the person who drew the bottle; the row is kept unless it cannot be used (unknown compartment, no
    readable date, no bottle number or one that stands there twice). Raises WrongFile when it is no field sheet.
    """
    sheet = sheet_rows(path, SHEET, GIVEN + FILLED, ["bottle", "compartment", "drawn_on"])
    given_out = _given_out(known, today, list(sheet.rows.values()))
    how = how_drawn(known.compartments.set_index("compartment"), known.settings)["method"]
    orders = day_orders([row["drawn_on"] for row in sheet.rows.values()])
    context = _Context(known, last.set_index("compartment"), today, given_out, how, orders)
    rows: dict[str, dict[str, Any]] = {}
    slips = [{"row": 1, "bottle": "", "compartment": "", "words": w} for w in sheet.remarks]
    undrawn = [n for n, row in sheet.rows.items() if not any(row[name] for name in FILLED)]
    for number, row in sheet.rows.items():
        if number in undrawn:
            continue
        found, words = _read_row(row, context)
        if found and found["sample"] in rows:
            words.append(
                f"bottle {found['sample']} stands in row {rows[found['sample']]['row']} too; this row is not used. "
                f"Which one is right?"
            )
        elif found:
            rows[found["sample"]] = found | {"row": number}
        place = {"row": number, "bottle": row["bottle"], "compartment": row["compartment"]}
        slips += [place | {"words": w} for w in words]
    if undrawn:
        empty = f"left empty and taken as not drawn: rows {_ranges(undrawn)}"
        slips.append({"row": undrawn[0], "bottle": "", "compartment": "", "words": empty})
    return FieldSheet(
        pd.DataFrame(list(rows.values()), columns=COLUMNS),
        pd.DataFrame(slips, columns=["row", "bottle", "compartment", "words"]),
        _undrawn(list(sheet.rows.values()), set(rows), context),
    )


def _undrawn(sheet: list[dict[str, str]], drawn: set[str], context: "_Context") -> pd.DataFrame:
    """Bottles of the sheet without a day of drawing (columns UNDRAWN), each once, with the note that says why."""
    places = set(context.known.compartments["compartment"])
    rows = [
        {
            "sample": row["bottle"],
            "compartment": row["compartment"],
            "planned_on": pd.to_datetime(row["plan_on"], errors="coerce", format="%Y-%m-%d"),
            "returned_on": context.today,
            "note": row["note"],
        }
        for row in sheet
        if not row["drawn_on"]
        and row["compartment"] in places
        and _usable(row["bottle"])
        and row["bottle"] not in drawn
    ]
    return pd.DataFrame(rows, columns=UNDRAWN).drop_duplicates("sample", ignore_index=True)


def _usable(bottle: str) -> bool:
    """Whether a number can stand for a bottle: one is there, and no spreadsheet takes it for a formula."""
    return bool(bottle) and not bottle.startswith(FORMULA_MARKS)


def _ranges(rows: list[int]) -> str:
    """Row numbers in rising order as text, such as `2, 7 to 71`."""
    starts = [n for n in rows if n - 1 not in rows]
    ends = [n for n in rows if n + 1 not in rows]
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in zip(starts, ends, strict=True))


@dataclass(frozen=True)
class _Context:
    """last: last_meter_h (and last_on) by compartment; given_out: bottle number -> (compartment, day of the round);
    how: the method a card gives each compartment; orders: places of day and month in dates with a short year, as far as
    the sheet's own dates leave it open."""

    known: Fleet
    last: pd.DataFrame
    today: pd.Timestamp
    given_out: dict[str, tuple[str, pd.Timestamp]]
    how: pd.Series
    orders: tuple[tuple[int, int], ...]


def _given_out(known: Fleet, today: pd.Timestamp, rows: list[dict[str, str]]) -> dict[str, tuple[str, pd.Timestamp]]:
    """Bottle numbers that a round of the last months, or one made when the newest result came in, may have given out.

    Those of the compartments the sheet names; of the whole fleet where the sheet has others.
    """
    newest = known.samples["reported_on"].max()
    days = pd.date_range(today - pd.Timedelta(days=_ROUND_DAYS), today)
    if newest < days[0]:
        days = pd.date_range(newest, newest + pd.Timedelta(days=AHEAD_DAYS)).union(days)
    named = known.compartments["compartment"].isin([row["compartment"] for row in rows])
    found: dict[str, tuple[str, pd.Timestamp]] = {}
    visits = (*range(1, MAX_VISITS + 1), DUPLICATE_VISIT)
    for places in (known.compartments["compartment"][named], known.compartments["compartment"][~named]):
        found |= {bottle_number(c, day, visit): (c, day) for c in places for day in days for visit in visits}
        if found.keys() >= {row["bottle"] for row in rows}:
            break
    return found


# 1,250: one and a quarter, or one thousand two hundred and fifty. Nobody reads a meter to a thousandth of an hour, so
# that 36.250 is open too where hours are wanted.
_TWO_MEANINGS = re.compile(r"[1-9]\d{0,2},\d{3}")
_TWO_MEANINGS_H = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")


def _means_two(name: str, text: str) -> bool:
    return bool((_TWO_MEANINGS_H if name.endswith("_h") else _TWO_MEANINGS).fullmatch(text))


def _number(name: str, text: str) -> float:
    """A number as people write it: decimal comma or point, and marks between thousands where both stand in it; NaN when
    it is none.
    """
    text = text.replace(" ", "").replace("'", "").removesuffix("h").removesuffix("l")
    if "," in text and "." in text:
        mark = "." if text.rfind(",") > text.rfind(".") else ","
        text = text.replace(mark, "")
    elif _means_two(name, text):
        return float("nan")
    value = float(pd.to_numeric(text.replace(",", ".") or None, errors="coerce"))
    return value if 0 <= value < float("inf") else float("nan")


def _unusable(name: str, text: str) -> str:
    if _means_two(name, text):
        plain, mark = re.sub("[.,]", "", text), "comma" if "," in text else "point"
        return (
            f"{name} '{text}' has two meanings ({text.replace(',', '.')} or {plain}); left empty. Write {plain} "
            f"without the {mark}."
        )
    return f"{name} '{text}' is not a usable number; left empty."


def _read_row(row: dict[str, str], context: _Context) -> tuple[dict[str, Any] | None, list[str]]:
    """The samples row, or None, and the slips found in it."""
    compartment, bottle = row["compartment"], row["bottle"]
    places = context.known.compartments.set_index("compartment")
    if compartment not in places.index:
        given = context.given_out.get(bottle)
        hint = f" Bottle {bottle} was given out for {given[0]}." if given else ""
        return None, [f"'{compartment}' is no compartment of this fleet; the row is not used. Which one was it?{hint}"]
    if not _usable(bottle):
        return None, [
            f"no bottle number ('{bottle}'); the row is not used. The laboratory's report is joined by it: read it "
            f"off the label."
        ]
    drawn, why = read_day(row["drawn_on"], context.today, context.orders)
    if drawn > context.today:
        return None, [
            f"drawn on {drawn:%Y-%m-%d}, which is still to come; the row is not used. Put the date right and send it "
            f"again."
        ]
    if pd.isna(drawn):
        return None, [f"{why}: the row is taken as not drawn. Wanted a day such as 2026-06-30."]
    place, words = places.loc[compartment], []
    numbers = {n: _number(n, row[n]) for n in _NUMBERS}
    words += [_unusable(n, row[n]) for n in _NUMBERS if row[n] and pd.isna(numbers[n])]
    words += _bottle_slips(bottle, compartment, drawn, context)
    if not (row["meter_h"] and pd.isna(numbers["meter_h"])):
        words += _hour_slips(drawn, numbers["meter_h"], compartment, context)
    listed = {
        n: str(match_words(np.array([row[n]], dtype=object), _LISTS[n], n).value[0]) for n in ("method", "fluid_level")
    }
    words += _method_slips(listed["method"], context.how[compartment])
    words += _handling_slips(row | listed, place, context.known)
    words += [] if row["fluid_level"] else ["level was not noted."]
    words += [
        f"{n} '{row[n]}' is not in the list ({', '.join(_LISTS[n])}); left empty."
        for n in listed
        if row[n] and not listed[n]
    ]
    sent, late = _sent(row["sent_on"], drawn.normalize(), context)
    words += late
    found = {
        "sample": bottle,
        "compartment": compartment,
        "drawn_on": drawn.normalize(),
        **numbers,
        **listed,
        "sampler": row["sampler"],
        "sent_on": sent,
        "planned_on": pd.to_datetime(row["plan_on"], errors="coerce", format="%Y-%m-%d"),
        "reported_on": context.today,
        "note": _note(row),
    }
    return found, words


def _sent(text: str, drawn: pd.Timestamp, context: _Context) -> tuple[pd.Timestamp, list[str]]:
    """The day a bottle left the site, missing where the sheet gives none that can be."""
    if not text:
        return pd.NaT, []
    day, why = read_day(text, context.today, context.orders)
    if pd.isna(day):
        return day, [f"sent_on: {why}; left empty."]
    if not drawn <= day.normalize() <= context.today:
        return pd.NaT, [f"sent_on {day:%Y-%m-%d} is before the drawing or still to come; left empty."]
    return day.normalize(), []


def _note(row: dict[str, str]) -> str:
    """The note, with what was done about seal and plug, for which the samples table has no column."""
    done = [f"{name.replace('_', ' ')}: {row[name]}" for name in ("seal_inspected", "plug_torqued") if row[name]]
    return "; ".join(t for t in (row["note"], *done) if t)


def _bottle_slips(bottle: str, compartment: str, drawn: pd.Timestamp, context: _Context) -> list[str]:
    """A number given out for another compartment is most likely the other side's bottle."""
    given = context.given_out.get(bottle)
    if given is None:
        wrong = len(bottle) == 9 and set(bottle) <= set(LETTERS) and check_letter(bottle[:8]) != bottle[8]
        why = (
            "its check letter does not fit, so one letter is wrong"
            if wrong
            else "no round of the last months gave it out"
        )
        return [f"bottle {bottle}: {why}; check the number on the label."]
    other, day = given
    if other != compartment:
        return [
            f"bottle {bottle} was given out for {other}, the row says {compartment}. Right machine and right side? "
            f"Left and right are as seen from the operator's seat."
        ]
    if drawn.normalize() < day - pd.Timedelta(days=AHEAD_DAYS):
        return [f"drawn on {drawn:%Y-%m-%d}, but its round was made on {day:%Y-%m-%d}; check the date."]
    return []


def _hour_slips(drawn: pd.Timestamp, meter: float, compartment: str, context: _Context) -> list[str]:
    if pd.isna(meter):
        return ["meter hours are missing; without them no wear rate can be worked out."]
    if compartment not in context.last.index:
        return []
    last = context.last.loc[compartment]
    newest, on = last["last_meter_h"], last["last_on"] if "last_on" in last.index else pd.NaT
    if drawn < on:
        late = (
            f"meter {meter:,.0f} h is above the {newest:,.0f} h of {on:%Y-%m-%d}, a later day; read it again (or "
            f"check the date)."
        )
        return [late] if meter > newest else []
    if meter < newest:
        return [f"meter {meter:,.0f} h is below the last known {newest:,.0f} h; read it again (or note a new meter)."]
    more = meter - newest
    if more > _HOURS_A_DAY * ((drawn - on).days + 1 if pd.notna(on) else float("inf")):
        return [
            f"meter {meter:,.0f} h is {more:,.0f} h above the {newest:,.0f} h of {on:%Y-%m-%d}: more than the days "
            f"since have; read it again."
        ]
    return []


def _method_slips(done: str, card: str) -> list[str]:
    """What is said of the way a bottle was drawn against the way its card gives."""
    if done == "drain stream":
        return ["drawn from the drain stream: it shows what lay at the bottom. Draw a repeat bottle by pump or probe."]
    if done == "probe" and card != "probe":
        return [
            "drawn by probe at a point that is not recorded as safe for one: do not use it again before a competent "
            "person has named a safe point (sampling_point in compartments)."
        ]
    if done == "pump" and card == "probe":
        return ["drawn by pump although there is a valve for a probe; say why in the note."]
    return []


def _handling_slips(row: dict[str, str], place: pd.Series, known: Fleet) -> list[str]:
    words = []
    if row["fluid_level"] == "low" and known.settings.kind(place["kind"]).sealed:
        words.append(
            "found low: a sealed compartment has no other way to lose fluid. Leak suspected; look for it before "
            "topping up."
        )
    if row["plug_torqued"].casefold() == "no":
        words.append("the plug was not torqued: have it done before the machine works.")
    return words


def without_known(sheet: FieldSheet, samples: pd.DataFrame) -> FieldSheet:
    """The sheet without bottles whose field row is among `samples` (all issues, not a view) already, with a slip for
    each that differs.

    A newer sheet with other values counts from the next day on; of the same day two cannot be told apart, so it is left
    out.
    """
    before = samples[samples["sample"].isin(sheet.samples["sample"]) & ~has_result(samples)]
    before = before.sort_values("reported_on", kind="stable").drop_duplicates("sample", keep="last").set_index("sample")
    drop, same, slips = [], [], []
    for at, row in sheet.samples.iterrows():
        if row["sample"] not in before.index:
            continue
        old = before.loc[row["sample"]]
        other = [n for n in COMPARED if str(_plain(old[n])) != str(_plain(row[n]))]
        if not other:
            drop.append(at)
            same.append(row["row"])
            continue
        shown = ", ".join(f"{n} {_plain(old[n]) or 'empty'} (now {_plain(row[n]) or 'empty'})" for n in other)
        again = old["reported_on"] == row["reported_on"] or "compartment" in other or "drawn_on" in other
        todo = (
            f"the first one stands. To use this one, remove {old.get('file', 'the first')} first, or write a "
            f"correction."
            if again
            else "this one counts."
        )
        drop += [at] if again else []
        slips.append(
            {
                "row": row["row"],
                "bottle": row["sample"],
                "compartment": row["compartment"],
                "words": f"returned before with {shown}; {todo}",
            }
        )
    kept = sheet.slips[~sheet.slips["row"].isin(same)]
    if same:
        words = f"taken in before, unchanged: rows {_ranges(same)}"
        slips.append({"row": same[0], "bottle": "", "compartment": "", "words": words})
    more = pd.DataFrame(slips, columns=sheet.slips.columns)
    slips_left = pd.concat([kept, more], ignore_index=True) if slips else kept
    return replace(sheet, samples=sheet.samples.drop(index=drop), slips=slips_left)


def _plain(value: object) -> object:
    """A value as it can be compared between a sheet and a table."""
    if value is None or value == "" or pd.isna(value):
        return ""
    return (
        f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else f"{value:g}" if isinstance(value, float) else value
    )


def newest_meters(known: Fleet, hours: pd.DataFrame) -> pd.DataFrame:
    """compartment, last_meter_h, last_on: the newest usable meter hours of each compartment's machine, from bottles
    (`screen_hours`) and readings."""
    places = known.compartments[["compartment", "machine"]]
    bottles = (
        hours[hours["usable"]].merge(places, on="compartment").merge(known.samples[["sample", "drawn_on"]], on="sample")
    )
    seen = pd.concat(
        [
            bottles.rename(columns={"drawn_on": "on"})[["machine", "on", "meter_h"]],
            known.meters.rename(columns={"read_on": "on"})[["machine", "on", "meter_h"]],
        ],
        ignore_index=True,
    )
    last = seen.sort_values(["machine", "on", "meter_h"]).drop_duplicates("machine", keep="last")
    found = places.merge(last, on="machine").rename(columns={"meter_h": "last_meter_h", "on": "last_on"})
    return found[["compartment", "last_meter_h", "last_on"]]
