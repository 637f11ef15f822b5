"""The tables a fleet's records are read into, and what is said of the reading: columns, units, keys."""

from cmkit.tables.column import Column, Table, by_name, date, number, text, whole

METHODS = ("pump", "probe", "drain stream", "other")
# what a sampling point is recorded as safe for, by somebody competent
POINTS = ("low-pressure", "hot coolant valve")
LEVELS = ("full", "low", "over")
SERVICE_KINDS = ("change", "top-up", "filter", "flush", "repair", "replace")
OUTCOMES = ("defect", "no defect", "failed")
DECIDED = ("accepted", "deferred", "done", "overruled")


SITES = Table(
    "sites",
    "a site",
    ("site",),
    (
        text("site", "short name, unique in the fleet", required=True),
        text("name", "name as readers know it (default: the short name)"),
        text("time_zone", "IANA name, such as Etc/UTC"),
        number("downtime_cost_per_h", "money/h", "cost of an hour of lost production"),
    ),
)
MACHINES = Table(
    "machines",
    "a machine",
    ("machine",),
    (
        text("machine", "unique in the fleet", required=True),
        text("site", "where it works", required=True),
        text("kind", "wheel loader, rigid hauler, ...", required=True),
        text("size_class", "own size word, compared as text"),
        date("in_service_on", "first day of work"),
        number("meter_h_at_start", "h", "meter reading on that day"),
        date("retired_on", "last day of work, empty while at work"),
    ),
    known_on=("in_service_on",),
)
COMPARTMENTS = Table(
    "compartments",
    "a lubricated or cooled compartment of a machine",
    ("compartment",),
    (
        text("compartment", "unique in the fleet", required=True),
        text("machine", "the machine it belongs to", required=True),
        text("kind", "engine, transmission, final drive, ...", required=True),
        text("position", "left, right, front, ...; sides as seen from the operator's seat facing forward"),
        number("capacity_l", "l", "sump or system volume"),
        Column("pressurised", "boolean", "", "true: drawn by probe at a valve; false: by hand vacuum pump"),
        text("access", "probe valve, fill plug, dipstick tube, ..."),
        text(
            "sampling_point",
            "recorded as safe for a probe; empty: not recorded, so none is used in hydraulics or coolant",
            POINTS,
        ),
        number("depth_mm", "mm", "access to bottom"),
        number("surface_mm", "mm", "access to the fluid's surface, or to the dipstick's mark"),
        number("dead_volume_ml", "ml", "volume between the system and the bottle: valve, line and probe"),
        text("fluid", "by specification: engine oil, hydraulic oil, coolant, ..."),
        text("grade", "SAE 15W-40, ISO VG 46, ..."),
        number("sample_every_h", "h", "today's sampling interval"),
        number("change_every_h", "h", "today's fluid change interval"),
        text("family", "compartments compared with one another"),
        date("fitted_on", "when this component was installed"),
        number("fitted_at_h", "h", "meter reading at that time"),
    ),
)
_ISO_CODES = tuple(
    number(
        f"p{size}_code",
        "code",
        f"ISO 4406 code number at {size} um(c) where the laboratory gives a code and no count; the count is then the "
        f"middle of its range",
    )
    for size in (4, 6, 14)
)
SAMPLES = Table(
    "samples",
    "a bottle's results",
    ("sample",),
    (
        text("sample", "bottle number", required=True),
        text("compartment", "what the label says", required=True),
        date("drawn_on", "day the bottle was filled", required=True),
        number("meter_h", "h", "machine meter"),
        number("fluid_h", "h", "hours on the fluid; derived from services where empty"),
        number("makeup_l", "l", "fluid added since the last sample"),
        text("method", "how it was drawn", one_of=METHODS),
        text("sampler", "who drew it"),
        text("fluid_level", "level found", one_of=LEVELS),
        text("lab", "laboratory"),
        *_ISO_CODES,
        date("planned_on", "day its round planned it for"),
        date("sent_on", "day it left the site"),
        date("received_on", "day the laboratory had it"),
        date("reported_on", "day the result reached the office"),
        text("note", "free words"),
    ),
    known_on=("reported_on", "received_on", "drawn_on"),
    added=(
        text("file", "file the result stands in"),
        whole("row", "", "its row there, the heading being row 1"),
        text("corrected", "columns an analyst's correction changed, empty for none"),
    ),
    results=True,
)
SERVICES = Table(
    "services",
    "a fluid change, top-up, filter change or repair",
    ("service",),
    (
        text("service", "work order line, unique", required=True),
        text("compartment", "what was serviced", required=True),
        date("done_on", "day of the work", required=True),
        number("meter_h", "h", "machine meter"),
        text("kind", "what was done", required=True, one_of=SERVICE_KINDS),
        number("volume_l", "l", "volume filled or added"),
        text("fluid", "fluid put in"),
        text("grade", "grade put in"),
        text("batch", "batch or delivery it came from, as on the drum"),
        number("cost", "money", "cost of the work"),
        number("downtime_h", "h", "hours lost"),
        date("recorded_on", "day it reached the office"),
        text("note", "free words"),
    ),
    known_on=("recorded_on", "done_on"),
    required=False,
)
METERS = Table(
    "meters",
    "a meter reading",
    ("machine", "read_on"),
    (
        text("machine", "machine", required=True),
        date("read_on", "day of the reading", required=True),
        number("meter_h", "h", "reading", required=True),
        Column("new_meter", "boolean", "", "true: the meter was changed since this table's reading before"),
        number("fuel_l", "l", "fuel burnt in all, as the machine counts it"),
        number("moved_t", "t", "material moved in all, as the machine counts it"),
    ),
    known_on=("read_on",),
    required=False,
)
FINDINGS = Table(
    "findings",
    "what a look inside, a strip-down or a failure showed",
    ("finding",),
    (
        text("finding", "unique", required=True),
        text("compartment", "what was looked into", required=True),
        date("found_on", "day of the look", required=True),
        number("meter_h", "h", "machine meter"),
        text("outcome", "what it showed", required=True, one_of=OUTCOMES),
        text("cause", "dirt entry, bearing fatigue, ..."),
        text("prompted_by", "sample that prompted it, empty if none"),
        number("cost", "money", "cost of what followed"),
        number("downtime_h", "h", "hours lost"),
        date("recorded_on", "day it reached the office"),
        text("note", "free words"),
    ),
    known_on=("recorded_on", "found_on"),
    required=False,
)
CORRECTIONS = Table(
    "corrections",
    "an analyst's correction of one value of a bottle",
    ("correction",),
    (
        text("correction", "unique", required=True),
        text("sample", "bottle to correct", required=True),
        text(
            "field",
            "column of samples; sample: the bottle is the one of that other number",
            required=True,
            one_of=("compartment", "meter_h", "fluid_h", "makeup_l", "drawn_on", "sample"),
        ),
        text("value", "what it should say", required=True),
        date("decided_on", "day of the decision", required=True),
        text("decided_by", "who decided"),
        text("reason", "why"),
    ),
    known_on=("decided_on",),
    required=False,
)
DECISIONS = Table(
    "decisions",
    "what was decided about an alarm or an order, and who sees to it",
    ("decision",),
    (
        text("decision", "unique", required=True),
        text("compartment", "what it is about", required=True),
        date("alarm_on", "day the first bottle of the alarm was filled; empty: what stood on the day of the decision"),
        text("owner", "who sees to it", required=True),
        date("decided_on", "day of the decision", required=True),
        text("decided", "what was decided", required=True, one_of=DECIDED),
        text("why", "the reason", required=True),
        date("due_on", "day by which it is to be done; may lie ahead"),
    ),
    known_on=("decided_on",),
    required=False,
)
BASELINES = Table(
    "baselines",
    "a bottle of fresh fluid from a delivered batch, or a batch nobody has drawn one from yet",
    ("baseline",),
    (
        text("baseline", "bottle number, or a number of your own while there is none; unique", required=True),
        text("batch", "batch or delivery, as on the drum", required=True),
        text("site", "where it was delivered", required=True),
        text("fluid", "by specification, as compartments call it", required=True),
        text("grade", "grade on the label: SAE 15W-40, ISO VG 46, ..."),
        date("delivered_on", "day of the delivery"),
        date("drawn_on", "day the bottle was filled"),
        text("lab", "laboratory"),
        *_ISO_CODES,
        date("reported_on", "day the result reached the office"),
        text("note", "free words"),
    ),
    known_on=("reported_on", "drawn_on", "delivered_on"),
    required=False,
    results=True,
)
NOT_DRAWN = Table(
    "not_drawn",
    "a bottle of a round whose row on the field sheet came back empty",
    ("sample", "returned_on"),
    (
        text("sample", "bottle number the round gave out", required=True),
        text("compartment", "what was to be sampled", required=True),
        date("planned_on", "day its round planned it for"),
        date("returned_on", "day the sheet came back", required=True),
        text("note", "why it was not drawn, where somebody wrote it down"),
    ),
    known_on=("returned_on",),
    required=False,
)

# what the fleet's files call its things; read beside the tables, as layouts are
NAMES = Table(
    "names",
    "what a file calls a site, machine, compartment or component",
    ("said", "means"),
    (
        text("said", "what a file says", required=True),
        text(
            "means",
            "what it stands for; a component is its kind and side on any machine, such as final drive/left",
            ("site", "machine", "compartment", "component"),
            required=True,
        ),
        text("name", "the name here", required=True),
        text("note", "free words"),
    ),
    required=False,
)
# one sheet that lists machines with their compartments: sites, machines and compartments come from it
REGISTER = Table(
    "register",
    "a machine, or a component of one",
    ("machine",),
    (
        *(c for c in SITES.columns if c.name != "site"),
        *(c for c in MACHINES.columns if c.name not in ("kind", "site", "machine")),
        *(c for c in COMPARTMENTS.columns if c.name not in ("machine", "compartment", "kind")),
        text("machine", "the machine", required=True),
        text("site", "where it works"),
        text("machine_kind", "wheel loader, rigid hauler, ..."),
        text("compartment", "the compartment's own name, where it has one"),
        text("component", "the component in the file's words: kind and side"),
        text("kind", "kind of compartment, where it has a column of its own"),
    ),
    required=False,
)
TABLES = by_name(
    (SITES, MACHINES, COMPARTMENTS, SAMPLES, SERVICES, METERS, FINDINGS, CORRECTIONS, DECISIONS, BASELINES, NOT_DRAWN)
)
EVENTS = (
    "samples",
    "services",
    "meters",
    "findings",
    "corrections",
    "decisions",
    "baselines",
    "not_drawn",
)  # what happened: a date cannot lie ahead
AHEAD = ("due_on", "planned_on")  # but these may

_NOTE = (
    text("file", "file the row stands in"),
    Column("row", "Int64", "", "its row there, the heading being row 1; empty for a table of a database"),
    text("column", "column the note is about"),
    text("value", "what was found there, as it stood"),
    text("reason", "why, in words"),
    text("table", "table the row belongs to"),
    date("known_on", "day the row reached the office"),
    text(
        "what",
        "row: the whole row is lost; value: the row is used without it; file: nothing of the file was read",
        ("row", "value", "file"),
    ),
)
_COUNTED = (text("file", "file that was read"), text("table", "table its rows belong to"))
READING = by_name(
    (
        Table("set_aside", "a row or value that is not used, with the reason", (), _NOTE),
        Table("repairs", "a value that is used after a repair", (), (*_NOTE, text("used", "what the value became"))),
        Table(
            "counts",
            "a file that was read; read = used + set_aside",
            ("file", "table"),
            (
                *_COUNTED,
                whole("read", "rows", "rows read"),
                whole("used", "rows", "rows used"),
                whole("set_aside", "rows", "rows not used"),
            ),
        ),
        Table(
            "arrivals",
            "a file and a day on which rows of it became known",
            ("file", "table", "known_on"),
            (
                *_COUNTED,
                date("known_on", "day the rows became known"),
                whole("read", "rows", "rows read"),
                whole("set_aside", "rows", "rows not used"),
            ),
        ),
    )
)
SET_ASIDE = tuple(READING["set_aside"].names)
