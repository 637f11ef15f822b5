"""The tables of the hours and of what may be believed: which running hour a record belongs to, and whether a bottle
speaks for its compartment.
"""

from cmkit.tables.column import Table, by_name, date, flag, number, text, whole

SAMPLE = text("sample", "bottle number")
COMPARTMENT = text("compartment", "name of the compartment")
MACHINE = text("machine", "the machine it belongs to")
SITE = text("site", "where the machine works")
KIND = text("kind", "kind of compartment: engine, final drive, ...")
FAMILY = text("family", "compartments compared with one another")
DRAWN_ON = date("drawn_on", "day the bottle was filled")
DOUBT_KINDS = (
    "hours",
    "exchange",
    "fluid",
    "not representative",
    "dirt in the sample",
    "stale",
    "laboratory",
    "units",
    "method",
)

_PLACED = (
    number(
        "sd_h", "h", "standard deviation of the hour: 0 as written, more where it was derived, missing where unusable"
    ),
    flag("usable", "whether an hour could be given"),
    text("reason", "how the hour was derived or why there is none, empty for one used as written"),
)
_RUN_H = number("run_h", "h", "running hours of the machine, carried on over replaced meters")
_CHAIN = (whole("order", "bottles", "bottles of this life before this one"),)

TABLES = by_name(
    (
        Table(
            "hours",
            "a bottle, and the running hour at which it was drawn",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                number("meter_h", "h", "hours on the meter, as written or derived"),
                *_PLACED,
                _RUN_H,
            ),
        ),
        Table(
            "use",
            "a machine and its pace",
            ("machine",),
            (
                MACHINE,
                number(
                    "h_per_day", "h/d", "mean use over the last 90 days with readings; missing with readings of one day"
                ),
                date("last_read_on", "day of the newest reading"),
                number("last_run_h", "h", "running hours at the newest reading"),
                flag("idle", "stood still for at least three weeks, or retired"),
            ),
        ),
        Table(
            "trust",
            "a bottle, and whether it may be believed",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                number("believed", "1", "chance that the bottle represents the charge it is labelled with"),
                whole("n_doubts", "doubts", "doubts raised about it"),
                text("words", "the doubts in short"),
            ),
        ),
        Table(
            "doubts",
            "a doubt about a bottle",
            (),
            (
                SAMPLE,
                COMPARTMENT,
                text("doubt", "what is doubted", DOUBT_KINDS),
                text("statistic", "the quantity behind it, with its unit"),
                number("value", "as statistic", "value of the statistic"),
                number("threshold", "as statistic", "value from which the doubt is raised"),
                number("probability", "1", "chance that the bottle does not represent its charge, by this doubt alone"),
                text("reason", "the doubt in words"),
                text("todo", "what to do about the bottle"),
            ),
        ),
        Table(
            "factors",
            "a bottle, and the factor all its metals share",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                *_CHAIN,
                number("log_factor", "1", "natural logarithm of the factor"),
                number("se", "1", "its standard error"),
                number("z", "sd", "the factor over its standard deviation, the usual bottle factor included"),
                number("misfit", "1", "chi-square of the metals about the factor"),
                whole("df", "1", "its degrees of freedom"),
                number("fit_p", "1", "chance of a larger misfit"),
                text("call", "what it is called, empty for usual", ("", "all high", "all low")),
            ),
        ),
    )
)

STEPS = by_name(
    (
        Table(
            "meter_line",
            "a reading of a machine's meter that was kept",
            (),
            (
                MACHINE,
                date("on", "day of the reading"),
                number("meter_h", "h", "as the meter showed"),
                number("run_h", "h", "running hours, never falling"),
                number("carried_h", "h", "run_h less meter_h: what earlier meters had run"),
                whole("era", "meters", "meters this machine had before this one"),
                number("gap_h", "h", "hours run between two meters, 0 elsewhere"),
                number("gap_sd_h", "h", "standard deviation of gap_h"),
                number("per_day", "h/d", "use of the machine; missing with readings of one day"),
                number("sd_per_day", "h/sqrt(d)", "spread of its daily use"),
            ),
        ),
        Table(
            "service_hours",
            "a service, and the running hour at which it was done",
            ("service",),
            (text("service", "work order line"), COMPARTMENT, _RUN_H, *_PLACED),
        ),
        Table(
            "finding_hours",
            "a finding, and the running hour at which it was made",
            ("finding",),
            (text("finding", "name of the finding"), COMPARTMENT, _RUN_H, *_PLACED),
        ),
        Table(
            "fluid_checks",
            "a bottle against the fluid it should hold",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                text("product", "fluid and grade that should be in"),
                number("distance", "1", "squared Mahalanobis distance from that product's fingerprint"),
                number("p", "1", "chance of a larger distance"),
                number("ratio", "1", "by how much the best mixture lowers the distance"),
                number("threshold", "1", "ratio from which a mixture is called"),
                text("mixed_with", "the other fluid of the best mixture"),
                number("share", "1", "its share"),
                text("words", "the finding in words"),
            ),
        ),
        Table(
            "exchange_chances",
            "a bottle, and the chance that its label was exchanged",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                text("looks_like", "compartment whose forecast it fits best"),
                text("group", "bottles of one machine and day weighed together"),
                number("chance", "1", "chance of a wrong label"),
                text("words", "the finding in words"),
            ),
        ),
    )
)
