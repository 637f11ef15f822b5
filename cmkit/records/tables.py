"""Every table's columns, units and keys: the one dictionary of names. See `tables.md` of the design for meanings."""

from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Column:
    """One column. `kind` is text, number, date or flag; `one_of` lists the allowed words, empty for any."""

    name: str
    kind: str = "text"
    unit: str = ""
    required: bool = False
    one_of: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True)
class Table:
    """One table. `known_on` names the columns, in order of preference, that say when a row reached the office."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    known_on: tuple[str, ...] = ()
    required: bool = True

    @property
    def names(self) -> list[str]:
        return [c.name for c in self.columns]

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


METHODS = ("pump", "probe", "drain stream", "other")
LEVELS = ("full", "low", "over")
SERVICE_KINDS = ("change", "top-up", "filter", "flush", "repair", "replace")
OUTCOMES = ("defect", "no defect", "failed")


def _text(name: str, meaning: str, required: bool = False, one_of: tuple[str, ...] = ()) -> Column:
    return Column(name, "text", "", required, one_of, meaning)


def _number(name: str, unit: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "number", unit, required, (), meaning)


def _date(name: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "date", "", required, (), meaning)


SITES = Table(
    "sites",
    ("site",),
    (
        _text("site", "short name, unique in the fleet", required=True),
        _text("name", "name as readers know it"),
        _text("time_zone", "IANA name, such as Etc/UTC"),
        _number("downtime_cost_per_h", "money/h", "cost of an hour of lost production"),
    ),
)
MACHINES = Table(
    "machines",
    ("machine",),
    (
        _text("machine", "unique in the fleet", required=True),
        _text("site", "where it works", required=True),
        _text("kind", "wheel loader, rigid hauler, ...", required=True),
        _text("size_class", "own size word, compared as text"),
        _date("in_service_on", "first day of work"),
        _number("meter_h_at_start", "h", "meter reading on that day"),
        _date("retired_on", "last day of work, empty while at work"),
    ),
    known_on=("in_service_on",),
)
COMPARTMENTS = Table(
    "compartments",
    ("compartment",),
    (
        _text("compartment", "unique in the fleet", required=True),
        _text("machine", "the machine it belongs to", required=True),
        _text("kind", "engine, transmission, final drive, ...", required=True),
        _text("position", "left, right, front, ...; sides as seen from the operator's seat facing forward"),
        _number("capacity_l", "l", "sump or system volume"),
        Column("pressurised", "flag", "", False, (), "true: drawn by probe at a valve; false: by hand vacuum pump"),
        _text("access", "probe valve, fill plug, dipstick tube, ..."),
        _number("depth_mm", "mm", "access to bottom"),
        _text("fluid", "by specification: engine oil, hydraulic oil, coolant, ..."),
        _text("grade", "SAE 15W-40, ISO VG 46, ..."),
        _number("sample_every_h", "h", "today's sampling interval"),
        _number("change_every_h", "h", "today's fluid change interval"),
        _text("family", "compartments compared with one another"),
        _date("fitted_on", "when this component was installed"),
        _number("fitted_at_h", "h", "meter reading at that time"),
    ),
)
SAMPLES = Table(
    "samples",
    ("sample",),
    (
        _text("sample", "bottle number", required=True),
        _text("compartment", "what the label says", required=True),
        _date("drawn_on", "day the bottle was filled", required=True),
        _number("meter_h", "h", "machine meter"),
        _number("fluid_h", "h", "hours on the fluid; derived from services where empty"),
        _number("makeup_l", "l", "fluid added since the last sample"),
        _text("method", "how it was drawn", one_of=METHODS),
        _text("sampler", "who drew it"),
        _text("fluid_level", "level found", one_of=LEVELS),
        _text("lab", "laboratory"),
        _date("received_on", "day the laboratory had it"),
        _date("reported_on", "day the result reached the office"),
        _text("note", "free words"),
    ),
    known_on=("reported_on", "received_on", "drawn_on"),
)
SERVICES = Table(
    "services",
    ("service",),
    (
        _text("service", "work order line, unique", required=True),
        _text("compartment", "what was serviced", required=True),
        _date("done_on", "day of the work", required=True),
        _number("meter_h", "h", "machine meter"),
        _text("kind", "what was done", required=True, one_of=SERVICE_KINDS),
        _number("volume_l", "l", "volume filled or added"),
        _text("fluid", "fluid put in"),
        _text("grade", "grade put in"),
        _number("cost", "money", "cost of the work"),
        _number("downtime_h", "h", "hours lost"),
        _date("recorded_on", "day it reached the office"),
        _text("note", "free words"),
    ),
    known_on=("recorded_on", "done_on"),
    required=False,
)
METERS = Table(
    "meters",
    ("machine", "read_on"),
    (
        _text("machine", "machine", required=True),
        _date("read_on", "day of the reading", required=True),
        _number("meter_h", "h", "reading", required=True),
        Column("new_meter", "flag", "", False, (), "true on the first reading of a replaced meter"),
    ),
    known_on=("read_on",),
    required=False,
)
FINDINGS = Table(
    "findings",
    ("finding",),
    (
        _text("finding", "unique", required=True),
        _text("compartment", "what was looked into", required=True),
        _date("found_on", "day of the look", required=True),
        _number("meter_h", "h", "machine meter"),
        _text("outcome", "what it showed", required=True, one_of=OUTCOMES),
        _text("cause", "dirt entry, bearing fatigue, ..."),
        _text("prompted_by", "sample that prompted it, empty if none"),
        _number("cost", "money", "cost of what followed"),
        _number("downtime_h", "h", "hours lost"),
        _date("recorded_on", "day it reached the office"),
        _text("note", "free words"),
    ),
    known_on=("recorded_on", "found_on"),
    required=False,
)
CORRECTIONS = Table(
    "corrections",
    ("correction",),
    (
        _text("correction", "unique", required=True),
        _text("sample", "bottle to correct", required=True),
        _text(
            "field",
            "column of samples",
            required=True,
            one_of=("compartment", "meter_h", "fluid_h", "makeup_l", "drawn_on"),
        ),
        _text("value", "what it should say", required=True),
        _date("decided_on", "day of the decision", required=True),
        _text("decided_by", "who decided"),
        _text("reason", "why"),
    ),
    known_on=("decided_on",),
    required=False,
)

# what the fleet's files call its things; read beside the tables, as layouts are
NAMES = Table(
    "names",
    ("said", "means"),
    (
        _text("said", "what a file says", required=True),
        _text(
            "means",
            "what it stands for; a component is its kind and side on any machine, such as final drive/left",
            required=True,
            one_of=("site", "machine", "compartment", "component"),
        ),
        _text("name", "the name here", required=True),
        _text("note", "free words"),
    ),
    required=False,
)
# one sheet that lists machines with their compartments: sites, machines and compartments come from it
REGISTER = Table(
    "register",
    ("machine",),
    (
        *(c for c in SITES.columns if c.name != "site"),
        *(c for c in MACHINES.columns if c.name not in ("kind", "site", "machine")),
        *(c for c in COMPARTMENTS.columns if c.name not in ("machine", "compartment", "kind")),
        _text("machine", "the machine", required=True),
        _text("site", "where it works"),
        _text("machine_kind", "wheel loader, rigid hauler, ..."),
        _text("compartment", "the compartment's own name, where it has one"),
        _text("component", "the component in the file's words: kind and side"),
        _text("kind", "kind of compartment, where it has a column of its own"),
    ),
    required=False,
)

TABLES: dict[str, Table] = {
    t.name: t for t in (SITES, MACHINES, COMPARTMENTS, SAMPLES, SERVICES, METERS, FINDINGS, CORRECTIONS)
}

# `what` is row (the whole row is lost), value (the row is used without it) or file (nothing of the file was read)
# tables of events: a date in them cannot lie ahead
EVENTS = ("samples", "services", "meters", "findings", "corrections")
SET_ASIDE = ("file", "row", "column", "value", "reason", "table", "known_on", "what")


def typed(
    frame: pd.DataFrame, numbers: Collection[str] = (), whole: Collection[str] = (), dates: Collection[str] = (), flags: Collection[str] = ()
) -> pd.DataFrame:  # fmt: skip
    """`frame` with these columns as float64, int64, datetime64 and bool, and all others as text: also when it has no row."""
    kinds = {"float64": numbers, "int64": whole, "datetime64[us]": dates, "bool": flags}
    return frame.astype(dict.fromkeys(frame.columns, "str") | {c: kind for kind, names in kinds.items() for c in names})
