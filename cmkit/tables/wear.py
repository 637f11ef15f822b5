"""The tables of wear: effective hours, what is usual in a family, the filter's results, limits and forecasts."""

from cmkit.tables.column import Column, Table, by_name, date, flag, number, text, whole
from cmkit.tables.trust import COMPARTMENT, DRAWN_ON, FAMILY, KIND, MACHINE, SAMPLE, SITE

ANALYTE = text("analyte", "analyte of the register")
LIFE = whole("life", "1", "which component in this place: 1 the first on record")
ORDER = whole("order", "bottles", "bottles of this life before this one")
RUN_H = number("run_h", "h", "running hours of the machine")
_ITS_UNIT = "of the analyte"
_ITS_RATE = "of the analyte/h"
_FROZEN_ON = date("frozen_on", "day of the review that set it, missing where it was estimated anew")

_HISTORY: tuple[Column, ...] = (
    SAMPLE,
    COMPARTMENT,
    LIFE,
    ORDER,
    FAMILY,
    ANALYTE,
    DRAWN_ON,
    RUN_H,
    number("fluid_h", "h", "hours on the fluid, missing where unknown"),
    number("value", _ITS_UNIT, "the result"),
    flag("below", "the result is a reporting limit it lies below"),
    flag("above", "the result is a limit it lies above"),
    number("expected", _ITS_UNIT, "forecast before the result was seen"),
    number("expected_sd", _ITS_UNIT, "standard deviation of that forecast, laboratory scatter included"),
    number("z", "sd", "departure of the result from the forecast"),
    number("rise", "sd", "likelihood-ratio statistic of a sustained rise of the rate"),
    whole("change_k", "intervals", "intervals since that rise began, -1 for none"),
    number("rate", _ITS_RATE, "wear rate after the result, at the time of year of the bottle"),
    number("rate_sd", _ITS_RATE, "its standard deviation"),
    number("level", _ITS_UNIT, "true level after the result"),
    number("level_sd", _ITS_UNIT, "its standard deviation"),
    number("cov", "product of both", "covariance of level and rate"),
)

TABLES = by_name(
    (
        Table(
            "exposure",
            "a bottle with usable hours, chained to the one before it",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                MACHINE,
                SITE,
                KIND,
                FAMILY,
                LIFE,
                ORDER,
                DRAWN_ON,
                number("meter_h", "h", "hours on the meter"),
                RUN_H,
                number("hours", "h", "running hours since the bottle before, missing for the first"),
                number("fluid_h", "h", "hours on the fluid, missing where unknown"),
                number("phi", "1", "share of the old level that is still there"),
                number("psi", "h", "effective hours: what a rate is multiplied by"),
                number("chi", "1", "share of the charge that is fresh"),
                number("sd_phi", "1", "standard deviation of phi"),
                number("sd_psi", "h", "standard deviation of psi"),
                number("season", "1", "rate on the day of the bottle over that of a mean day of the year"),
                number(
                    "work", "1", "what effective hours count for the fuel burnt or the tonnes moved in the interval"
                ),
                number("age_h", "h", "hours of the component, missing where no start of it is on record"),
                number("running_in", "1", "what effective hours count for a new component's running-in"),
                flag("changed", "the fluid was changed since the bottle before"),
                number("makeup_l", "l", "fluid added since the bottle before"),
                flag("makeup_known", "whether top-ups are on record"),
                number(
                    "makeup_sd", "1/h", "what is not known of the share of the charge added per hour, in every interval"
                ),
                text(
                    "makeup_basis",
                    "make-up from the record; the family's usual; half of it, where it is seldom on record; or none",
                    ("record", "usual", "half", "none"),
                ),
                flag("volume_known", "whether the charge is known; without it top-ups dilute nothing"),
                text(
                    "start",
                    "how the first bottle of a life is chained: from a new component, from the last change, or unknown",
                    ("", "component", "fluid", "unknown"),
                ),
            ),
        ),
        Table(
            "numbers",
            "a family and an analyte: what is usual there",
            ("family", "analyte"),
            (
                FAMILY,
                ANALYTE,
                number("rate_mean", _ITS_RATE, "mean wear rate of the family"),
                number("rate_sd", _ITS_RATE, "spread of the rate between its compartments"),
                number("noise_floor", _ITS_UNIT, "laboratory scatter at low levels"),
                number("noise_share", "1", "laboratory scatter as a share of the level"),
                number("load_share", "1", "scatter of the rate from interval to interval, as a share"),
                number("drift_share", "1/sqrt(1000 h)", "drift of the rate, as a share"),
                number("level_mean", _ITS_UNIT, "mean level of a used fluid when it is drained"),
                number("level_var", "square of the analyte's", "variance of that level"),
                number("rounding_step", _ITS_UNIT, "step its laboratories round to, root mean square"),
                number("fresh_ppm", _ITS_UNIT, "content of fresh fluid"),
                whole("n_series", "series", "compartment lives it rests on"),
                whole("n_values", "results", "results it rests on"),
                text("basis", "fitted; leaning on its kind; or on the register", ("fitted", "parent", "register")),
                _FROZEN_ON,
            ),
        ),
        Table(
            "history",
            "a bottle and an analyte that follows wear: forecast, result and state",
            ("sample", "analyte"),
            _HISTORY,
        ),
        Table(
            "wear",
            "a compartment and an analyte today: the last row of its history",
            ("compartment", "analyte"),
            (
                *_HISTORY,
                whole("n_samples", "bottles", "bottles of this life it rests on"),
                number("rate_low", _ITS_RATE, "lower end of the 90 % interval of the rate"),
                number("rate_high", _ITS_RATE, "upper end of the 90 % interval of the rate"),
            ),
        ),
        Table(
            "work",
            "a compartment whose wear goes with the fuel burnt or the tonnes moved: what it usually does an hour",
            ("compartment",),
            (
                COMPARTMENT,
                text("measure", "what the wear of its kind goes with", ("fuel_l", "moved_t")),
                number("share", "1", "share of the wear that goes with it, the rest with the hours"),
                number("share_low", "1", "lower end of its 90 % interval"),
                number("share_high", "1", "upper end of its 90 % interval"),
                number("pace", "l/h or t/h", "usual for this compartment; its effective hours are hours at that"),
                whole("n", "intervals", "its intervals between bottles with a count"),
            ),
        ),
        Table(
            "limits",
            "a family, an analyte, a measure and a direction: where a result stops being usual",
            ("family", "analyte", "measure", "direction"),
            (
                FAMILY,
                ANALYTE,
                text("measure", "what is limited", ("rate", "level", "change", "rise", "code")),
                text("direction", "which way is bad", ("up", "down")),
                number("alert", "of the measure", "alert limit, missing where it cannot be judged"),
                number("alarm", "of the measure", "alarm limit, missing where it cannot be judged"),
                number("alarm_low", "of the measure", "lower bound of the alarm limit"),
                number("alarm_high", "of the measure", "upper bound of the alarm limit"),
                whole("n", "bottles", "bottles it rests on"),
                number("n_eff", "bottles", "bottles they are worth, as those of one compartment resemble one another"),
                text(
                    "method",
                    "where the limit comes from",
                    ("maker", "practice", "trimmed", "trimmed and shrunk", "tolerance", "parent", "not judged"),
                ),
                text("words", "what it rests on, or why there is none"),
                _FROZEN_ON,
            ),
        ),
        Table(
            "forecast",
            "a compartment and an analyte: what lies ahead of the newest bottle",
            ("compartment", "analyte"),
            (
                COMPARTMENT,
                ANALYTE,
                number("hours_ahead", "h", "operating hours to the next bottle"),
                number("next_mean", _ITS_UNIT, "result to expect there"),
                number("next_sd", _ITS_UNIT, "its standard deviation, laboratory scatter included"),
                number("limit", _ITS_UNIT, "alarm limit of the level"),
                number("chance", "1", "chance that the level passes it before that bottle's result is in"),
                number("hours_to_limit_p10", "h", "operating hours after which the limit is passed with chance .1"),
                number("hours_to_limit_p50", "h", "the same with chance .5"),
                number("hours_to_limit_p90", "h", "the same with chance .9"),
                text("words", "the forecast in words"),
            ),
        ),
    )
)
