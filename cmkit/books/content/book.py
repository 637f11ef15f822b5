"""What every section of a book draws from: one assessment, cut to a site if it is a site's book, and the month it
speaks of.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from cmkit.assessment import Assessment, table_names
from cmkit.books.content.markup import Html, link
from cmkit.books.content.open_assessment import given_assessment
from cmkit.books.content.wording import anchor, compartment_name
from cmkit.books.publishing.folders import site_pages
from cmkit.errors import ParameterError
from cmkit.practice.published import read_published
from cmkit.tables.frames import empty

T = TypeVar("T")
_OF_ORDERS = [
    "compartment",
    "chance",
    "work",
    "also",
    "request",
    "group",
    "within_h",
    "due_on",
    "money_at_stake",
    "cost_of_act",
    "assumed",
    "rests_on",
]


@dataclass(frozen=True)
class Book:
    """One book's matter. tables: the assessment (one site's part in a site book); site is empty in a fleet book; month
    is `YYYY-MM`;
    published: what the books of earlier months said (empty where none is kept beside the assessment)."""

    tables: Assessment
    month: str
    site: str = ""
    published: pd.DataFrame = field(default_factory=lambda: empty("published"))

    @property
    def currency(self) -> str:
        return str(self.tables.about["currency"])

    @property
    def fleet_name(self) -> str:
        return str(self.tables.about["fleet"])

    @property
    def as_of(self) -> pd.Timestamp:
        return self.tables.as_of

    @property
    def last_month_end(self) -> pd.Timestamp:
        """The day the book before this one spoke of, and the assessment's table `before`."""
        return self.as_of.replace(day=1) - pd.Timedelta(days=1)

    @cached_property
    def site_names(self) -> dict[str, str]:
        """Short name of a site to the name readers know."""
        sites = self.tables.sites
        return dict(zip(sites["site"], sites["name"], strict=True))

    @cached_property
    def places(self) -> pd.DataFrame:
        """Compartments by their id: machine, kind, position, name (`final drive, left`), site, machine kind, how they
        are drawn.
        """
        machines = self.tables.machines[["machine", "site", "kind"]].rename(columns={"kind": "machine_kind"})
        out = self.tables.compartments.merge(machines, on="machine").set_index("compartment", drop=False)
        out["name"] = [compartment_name(k, p) for k, p in zip(out["kind"], out["position"], strict=True)]
        return out

    @cached_property
    def place(self) -> dict[str, dict[Any, Any]]:
        """The same rows as plain dictionaries: a page looks up one place a hundred times."""
        return dict(zip(self.places["compartment"], self.places.to_dict("records"), strict=True))

    @cached_property
    def paged(self) -> list[str]:
        """Compartments that have a page: every alarm and alert, most money saved by acting first, then whose newest
        bottle is doubted.
        """
        ranked = self.ranked
        again = ranked["group"] == "repeat bottle"
        return list(ranked.loc[ranked["state"].isin(["alarm", "alert"]) | again, "compartment"])

    @cached_property
    def ranked(self) -> pd.DataFrame:
        """Verdicts with their orders (act_on: day by which; due_on: of the next bottle), in the order in which they
        deserve attention.
        """
        orders = self.tables.orders[_OF_ORDERS].rename(columns={"due_on": "act_on", "chance": "p_order"})
        due = self.tables.due[["compartment", "due_meter_h", "due_on", "overdue", "overdue_h", "every_h"]]
        out = self.tables.verdicts.merge(orders, on="compartment", how="left").merge(due, on="compartment", how="left")
        words = ["work", "also", "request", "group"]
        out[words] = out[words].fillna("")
        saved = (out["money_at_stake"] - out["cost_of_act"]).fillna(0.0)
        out = out.assign(saved=saved, _rank=out["state"].map({"alarm": 0, "alert": 1, "not known": 2, "clear": 3}))
        # money first among what is raised; what is not known and what is clear come after it
        out["_quiet"] = out["_rank"] >= 2
        out = out.sort_values(["_quiet", "saved", "_rank", "compartment"], ascending=[True, False, True, True])
        return out.drop(columns=["_rank", "_quiet"]).reset_index(drop=True)

    @cached_property
    def ranked_by_name(self) -> pd.DataFrame:
        """`ranked` by its compartments' ids."""
        return self.ranked.set_index("compartment", drop=False)

    @cached_property
    def newest(self) -> pd.DataFrame:
        """The newest bottle of every compartment."""
        samples = self.tables.samples.sort_values(["drawn_on", "sample"], kind="stable")
        return samples.groupby("compartment", sort=False).tail(1)

    def of(self, name: str, compartment: str, columns: list[str] | None = None) -> pd.DataFrame:
        """One compartment's rows of a table (`evidence`, `history`, ...), in the table's order; of a table without
        rows, the table.
        """
        frame = getattr(self.tables, name)
        if not len(frame):
            return frame
        if name not in self._rows:
            self._rows[name] = frame.groupby("compartment", sort=False).indices
        rows = self._rows[name].get(compartment, [])
        if columns is not None:
            return frame[columns].iloc[rows]
        if compartment not in self._page:
            self._page.clear()
        own = self._page.setdefault(compartment, {})
        if name not in own:
            own[name] = frame.iloc[rows]
        return own[name]

    @cached_property
    def _page(self) -> dict[str, dict[str, pd.DataFrame]]:
        """The rows of the compartment asked for last, by table: a page asks for the same ones many times."""
        return {}

    @cached_property
    def _rows(self) -> dict[str, dict[str, Any]]:
        """Where each compartment's rows stand, by table, found once: a filter a page takes longer than all of a page's
        other work.
        """
        return {}

    def once(self, key: tuple[str, ...], make: Callable[[], T]) -> T:
        """What `make` gives, made once a book for a key: parts of a page ask for the same."""
        if key not in self._once:
            self._once[key] = make()
        made: T = self._once[key]
        return made

    @cached_property
    def _once(self) -> dict[tuple[str, ...], Any]:
        return {}

    def fresh_of(self, compartment: str) -> dict[str, float]:
        """Result -> what it is in the compartment's fresh fluid, of those that are known."""
        place = self.place[compartment]
        return self._fresh.get((place["site"], place["fluid"], place["grade"]), {})

    @cached_property
    def _fresh(self) -> dict[tuple[str, str, str], dict[str, float]]:
        found: dict[tuple[str, str, str], dict[str, float]] = {}
        for r in self.tables.fresh.dropna(subset="fresh").itertuples():
            found.setdefault((r.site, r.fluid, r.grade), {})[r.analyte] = float(r.fresh)
        return found

    def limits_of(self, compartment: str) -> pd.DataFrame:
        """Limits of a compartment's family, in the table's order."""
        limits = self.tables.limits
        if "limits" not in self._rows:
            self._rows["limits"] = limits.groupby("family", sort=False).indices if len(limits) else {}
        return limits.iloc[self._rows["limits"].get(self.place[compartment]["family"], [])]

    def address(self, compartment: str) -> str:
        """Where a compartment's page stands in the book."""
        return anchor(compartment)

    def place_name(self, compartment: str) -> str:
        """`WL-07, final drive, left`; the id itself when the compartment is not known here."""
        return self._place_names.get(compartment, compartment)

    @cached_property
    def _place_names(self) -> dict[str, str]:
        columns = (self.places[c] for c in ("compartment", "machine", "name"))
        return {c: f"{machine}, {name}" for c, machine, name in zip(*columns, strict=True)}

    def machine_of(self, compartment: str) -> str:
        """Its machine; empty when the compartment is not known here, and in a fleet book, whose pages are chosen by
        site.
        """
        return str(self.places.loc[compartment, "machine"]) if self.site and compartment in self.places.index else ""

    def machines_of(self, compartments: Iterable[str]) -> list[str]:
        """`machine_of` each, for the rows of a table; empty in a fleet book."""
        return [self.machine_of(c) for c in compartments] if self.site else []

    def linked(self, compartment: str, text: str = "") -> str | Html:
        """Its name, as a link to its page when it has one: in this book, or from a fleet book in its site's."""
        text = text or self.place_name(compartment)
        if compartment not in self.paged_set:
            return text
        page = "" if self.site else self.site_pages[self.places.loc[compartment, "site"]]
        return link(text, f"{page}#{self.address(compartment)}")

    @cached_property
    def paged_set(self) -> frozenset[str]:
        """`paged` for looking up."""
        return frozenset(self.paged)

    @cached_property
    def site_pages(self) -> dict[str, str]:
        """Address of each site's book, as seen from the fleet book."""
        return site_pages(self.tables.sites["site"])


def open_book(assessment: str | Assessment, site: str = "", month: str = "", fleet: bool = False) -> Book:
    """The book's matter from a notebook's parameters.

    assessment: folder of a saved assessment or of a fleet (empty: the demo fleet's), or an assessment in memory. site:
    its short name;
    empty: the only one (a site book) or all of them (`fleet=True`). month: `YYYY-MM` of the assessment's day; empty:
    that. Raises ParameterError naming the sites there are, or the month.
    """
    given = given_assessment(assessment) if isinstance(assessment, str) else assessment
    published = read_published(Path(assessment)) if isinstance(assessment, str) and assessment else empty("published")
    whole = without_gaps(given)
    of_day = f"{whole.as_of:%Y-%m}"
    if month not in ("", of_day):
        raise ParameterError(
            f"month: found {month!r}, but the assessment is of {whole.as_of:%Y-%m-%d}; wanted {of_day!r}, or an "
            f"assessment of that month."
        )
    month = of_day
    if fleet:
        return Book(whole, month, published=published)
    sites = whole.sites["site"].tolist()
    site = site or (sites[0] if len(sites) == 1 else "")
    if site not in sites:
        raise ParameterError(
            f"site: found {site!r}, wanted one of {', '.join(map(repr, sites)) or 'none: there is no site'}."
        )
    own = whole.for_site(site)
    here = published["compartment"].isin(own.compartments["compartment"])
    return Book(own, month, site, published[here].reset_index(drop=True))


def without_gaps(assessment: Assessment) -> Assessment:
    """The same tables with missing text as empty text, so that no reader meets a `nan`."""
    filled = {}
    for name in table_names():
        frame = getattr(assessment, name)
        text = [c for c, kind in frame.dtypes.items() if isinstance(kind, pd.StringDtype) and frame[c].hasnans]
        filled[name] = frame.assign(**{c: frame[c].fillna("") for c in text}) if text else frame
    return Assessment(about=assessment.about, **filled)
