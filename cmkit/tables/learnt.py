"""The tables of what a whole fleet teaches about its families, laboratories, fluids and defects."""

from cmkit.tables.column import Table, by_name, date, number, text, whole
from cmkit.tables.intervals import WHY
from cmkit.tables.trust import COMPARTMENT, FAMILY, KIND, SITE
from cmkit.tables.wear import ANALYTE

_ITS_UNIT = "of the analyte"
_FINGERPRINT = ("P_ppm", "Zn_ppm", "Ca_ppm", "Mg_ppm", "B_ppm", "Mo_ppm", "visc40_cSt", "visc100_cSt")

TABLES = by_name(
    (
        Table(
            "usual",
            "a family and an analyte: the middle result",
            ("family", "analyte"),
            (
                FAMILY,
                ANALYTE,
                number("middle", _ITS_UNIT, "median result"),
                whole("n", "results", "results it rests on"),
            ),
        ),
        Table(
            "shifts",
            "a laboratory, a day and an analyte whose results moved together",
            ("lab", "reported_on", "analyte"),
            (
                text("lab", "laboratory"),
                date("reported_on", "day of the report"),
                text("analyte", "analyte of the register"),
                whole("n", "bottles", "bottles of that day"),
                whole("machines", "machines", "machines they came from"),
                number("log_shift", "1", "median of log(result / usual)"),
                number("z", "sd", "shift over its standard error"),
            ),
        ),
        Table(
            "fluids",
            "a product and a mark of its fingerprint",
            ("product", "mark"),
            (
                text("product", "fluid and grade"),
                text("mark", "result that tells fluids apart", _FINGERPRINT),
                number("centre", "1", "centre of the logarithm of the mark"),
                whole("n", "bottles", "bottles it rests on"),
                number("stretch", "1", "factor on squared distances that makes them chi-square"),
                number("threshold", "1", "likelihood ratio from which a mixture is called"),
                *(
                    number(
                        f"scatter_{m}",
                        "1",
                        f"covariance with the logarithm of {m}, missing where the product has no such mark",
                    )
                    for m in _FINGERPRINT
                ),
            ),
        ),
        Table(
            "bottle_factors",
            "a kind of compartment: how far the metals of one bottle move together",
            ("kind",),
            (KIND, number("factor_sd", "1", "standard deviation of the log factor a bottle's metals share")),
        ),
        Table(
            "laboratory_bias",
            "a kind of compartment, a laboratory and an analyte: its results against those of the laboratory with most "
            "bottles",
            ("kind", "lab", "analyte"),
            (
                KIND,
                text("lab", "laboratory"),
                ANALYTE,
                number("log_bias", "1", "logarithm of its results over the other's"),
                number("log_sd", "1", "standard deviation of that"),
                whole("n", "bottles", "its bottles of the kind"),
            ),
        ),
        Table(
            "seasons",
            "a kind of compartment at a site whose wear follows the year: 1 + a sin + b cos of the time of the year",
            ("kind", "site"),
            (
                KIND,
                SITE,
                number("sin_share", "1", "a: share of the mean rate, sine of days since 1970 over 365.25"),
                number("cos_share", "1", "b: the same of the cosine"),
                number("log_likelihood", "1", "log likelihood gained by it"),
            ),
        ),
        Table(
            "workload",
            "a kind of compartment whose wear follows the fuel burnt or the tonnes moved, not the hours alone",
            ("kind",),
            (
                KIND,
                text("measure", "what it follows", ("fuel_l", "moved_t")),
                number("share", "1", "share of the wear that goes with it, the rest with the hours"),
                number("share_sd", "1", "standard deviation of that"),
                number("log_likelihood", "1", "log likelihood gained by it"),
                whole("n", "intervals", "intervals between bottles with a count of it"),
            ),
        ),
        Table(
            "running_in",
            "a kind of compartment, and how much more a new component of it wears in its first hours",
            ("kind",),
            (
                KIND,
                number("extra", "1", "extra wear at first as a share of the steady rate; falls to 1/e in running_in_h"),
                number("extra_sd", "1", "standard deviation of that"),
                whole("components", "components", "new components with a bottle of their first hours"),
                whole("n", "bottles", "bottles of their first hours"),
                text("basis", "what it rests on", ("own new components", "common practice")),
            ),
        ),
        Table(
            "own_fresh",
            "a compartment and an analyte whose fresh fluid is not that of its family",
            ("compartment", "analyte"),
            (
                COMPARTMENT,
                ANALYTE,
                number("offset_ppm", _ITS_UNIT, "content of its fresh fluid over that of its family"),
                number("offset_sd", _ITS_UNIT, "standard deviation of that"),
            ),
        ),
        Table(
            "make_up",
            "a family and its habits of topping up",
            ("family",),
            (
                FAMILY,
                number("usual_per_h", "1/h", "usual make-up as a share of the charge"),
                number("habit", "1", "share of the intervals with a top-up on record"),
                number("usual_share", "1", "usual single top-up as a share of the charge"),
            ),
        ),
        Table(
            "pace",
            "the whole fleet",
            (),
            (number("h_per_day", "h/d", "running hours a day of the middle compartment"),),
        ),
        Table(
            "residuals",
            "a kind of compartment and what a fluid change leaves behind",
            ("kind",),
            (
                KIND,
                number("residual", "1", "share of the old fluid that stays"),
                number(
                    "residual_sd", "1", "standard deviation of that share at one change, doubt of the kind's included"
                ),
                whole("n_changes", "changes", "changes between bottles it was learnt from"),
                text("basis", "how it was found", ("own changes", "assumed")),
            ),
        ),
        Table(
            "dilution",
            "a family: what its fluid loses and gains without changes",
            ("family",),
            (
                FAMILY,
                number("loss", "1/h", "share of the fluid lost per hour"),
                number("fresh_share", "1/h", "share renewed per effective hour"),
            ),
        ),
        Table(
            "visits",
            "the whole fleet: habits of its service visits",
            (),
            (
                number("interval_middle", "1", "hours between bottles over the agreed interval, middle"),
                number("interval_spread", "1", "the same, standard deviation from the middle 90 %"),
                number(
                    "early_share",
                    "1",
                    "share of the interval up to which a change that falls due comes before the next bottle",
                ),
                number(
                    "post_days",
                    "d",
                    "days within which nearly every result is in the office after its bottle was drawn",
                ),
            ),
        ),
        Table(
            "fresh",
            "a fluid at a site and an analyte: its content when fresh",
            ("site", "fluid", "grade", "analyte"),
            (
                SITE,
                text("fluid", "fluid by specification"),
                text("grade", "its grade"),
                ANALYTE,
                number("fresh", _ITS_UNIT, "content of the fresh fluid"),
                whole("n", "bottles", "bottles it rests on"),
                text("basis", "how it was found"),
                text("words", "the same in words"),
            ),
        ),
        Table(
            "defects",
            "a kind of compartment, and what the fleet's own record says of its defects",
            ("kind",),
            (
                KIND,
                whole("n_events", "events", "defects on record"),
                number("hours", "h", "operating hours on record"),
                *WHY,
                number("delay_sd", "1", "standard deviation of the logarithm of the mean delay"),
                number("rate_events", "events", "events the defect rate is worth, prior included"),
                number("prior_weight", "1", "share of the numbers that is assumed"),
                text("words", "what was learnt and what is assumed"),
            ),
        ),
        Table(
            "sampled",
            "a family and the intervals it has been sampled at",
            ("family",),
            (
                FAMILY,
                number("shortest_seen_h", "h", "shortest interval between bottles"),
                number("longest_seen_h", "h", "longest interval between bottles"),
            ),
        ),
        Table(
            "in_use",
            "a sampling interval in use somewhere in the fleet",
            ("every_h",),
            (number("every_h", "h", "interval"),),
        ),
        Table(
            "measures",
            "a kind of compartment and a result: what is usual, in logarithms",
            ("kind", "measure"),
            (
                KIND,
                text("measure", "result, or makeup for fluid added"),
                text("judged_as", "metal: by its rate; other: by its own level", ("metal", "other")),
                number("middle", "1", "middle of the kind"),
                number("tau", "1", "standard deviation between compartments, missing for a metal"),
                number("sd", "1", "standard deviation of one result"),
                number(
                    "rounding_step",
                    _ITS_UNIT,
                    "step it is rounded to, missing for a metal and where too few say",
                ),
                number("log_age", "1", "middle of the logarithm of the fluid's age, missing for a metal"),
                number("age_sd", "1", "spread of the curve on age over the bottles, missing for a metal"),
                whole("n", "results", "results it rests on"),
            ),
        ),
        Table(
            "ageing",
            "a knot of the curve of a result on the age of the fluid",
            (),
            (
                KIND,
                text("measure", "result"),
                number("log_age", "1", "logarithm of the fluid's age"),
                number("value", "1", "what that age explains, in logarithms"),
            ),
        ),
        Table(
            "middles",
            "a result in one laboratory and fluid: its middle, less what age explains",
            ("kind", "measure", "lab", "fluid"),
            (
                KIND,
                text("measure", "result"),
                text("lab", "laboratory, empty where not known"),
                text("fluid", "fluid and grade"),
                number("middle", "1", "middle, in logarithms"),
            ),
        ),
        Table(
            "priors",
            "a number the judgement starts from, and what the fleet's own record makes of it",
            (),
            (
                text("what", "rate of faults, faults by cause, odd bottles, running hours"),
                KIND,
                text("name", "which of them"),
                number("shipped", "as unit", "the package's number"),
                number("worth", "as unit", "how much own record that number weighs"),
                number("counted", "as unit", "what the fleet's record counts"),
                number("used", "as unit", "the number used"),
                text("unit", "unit of the numbers"),
                text("words", "where it comes from"),
            ),
        ),
    )
)
