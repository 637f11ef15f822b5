"""The tables of the sampling intervals: advice, the costs behind it, and what the fleet's own
record says of defects.
"""

from cmkit.tables.column import Table, by_name, flag, number, text, whole
from cmkit.tables.trust import COMPARTMENT, FAMILY, KIND, MACHINE, SITE

_COST = "money/1000 h"
WHY = (
    number("defect_rate_per_h", "1/h", "defects that start per operating hour"),
    number("delay_mean_h", "h", "mean delay from a defect's start to failure"),
)
ASSUMED = (
    *WHY,
    number("delay_shape", "1", "Weibull shape of that delay"),
    number("base_rate", "of the analyte/h", "wear rate without a defect"),
    number("rate_multiple", "1", "times that rate reached at failure"),
    number("growth", "1", "power of age over delay by which the rate grows"),
    number("noise_floor", "of the analyte", "laboratory scatter at low levels"),
    number("noise_share", "1", "laboratory scatter as a share of the level"),
    number("load_share", "1", "scatter of the rate from interval to interval, as a share"),
    number("drift_share", "1/sqrt(1000 h)", "drift of the rate, as a share"),
    number("level", "of the analyte", "level half-way through the fluid's life"),
    number("change_every_h", "h", "fluid change interval"),
    number("residual", "1", "share of old fluid left after a change"),
    number("z_alarm", "sd", "departure that raises an alarm"),
    number("acted_share", "1", "share of alarms acted on"),
    number("metals", "metals", "wear metals that rise alike"),
    number("chance", "1", "chance that a sample shows a defect, missing where it follows from the trend"),
    number("sample_cost", "money", "cost of a sample"),
    number("inspect_cost", "money", "cost of a look after a false alarm"),
    number("planned_cost", "money", "cost of a planned repair, downtime included"),
    number("failure_cost", "money", "cost of a failure, downtime included"),
    number("false_alarm", "1", "false alarms per sample"),
    number("turnaround_h", "h", "operating hours from drawing to repair"),
    number("rate_events", "events", "events the defect rate is worth, prior included"),
    number("delay_sd", "1", "standard deviation of the logarithm of the mean delay"),
)

TABLES = by_name(
    (
        Table(
            "intervals",
            "a compartment of a working machine: today's interval, the advised one, and what both rest on",
            ("compartment",),
            (
                COMPARTMENT,
                MACHINE,
                SITE,
                KIND,
                FAMILY,
                text("analyte", "wear metal whose trend is followed, empty for none"),
                number("today_h", "h", "today's interval"),
                number("advised_h", "h", "advised interval, missing where none pays or none was judged"),
                number("cost_today", _COST, "expected cost with today's interval"),
                number("cost_advised", _COST, "expected cost with the advised one"),
                number("cost_none", _COST, "expected cost without samples"),
                number("saving", _COST, "cost_today less cost_advised"),
                number("saving_low", _COST, "5 % quantile of the saving"),
                number("saving_high", _COST, "95 % quantile of the saving"),
                number("flat_low_h", "h", "lower end of the intervals that cost about the same"),
                number("flat_high_h", "h", "upper end of the intervals that cost about the same"),
                number("best_low_h", "h", "5 % quantile of the best interval; infinite: none pays"),
                number("best_high_h", "h", "95 % quantile of the best interval; infinite: none pays"),
                number("caught_today", "1", "share of defects caught in time with today's interval"),
                number("caught_advised", "1", "share of defects caught in time with the advised one"),
                number("warning_h", "h", "mean hours between repair and the failure it prevents"),
                text(
                    "binds", "what holds the advice back, empty for nothing", ("", "service grid", "crew", "laboratory")
                ),
                number("shortest_seen_h", "h", "shortest interval between bottles seen in the family"),
                number("longest_seen_h", "h", "longest interval between bottles seen in the family"),
                flag("beyond_data", "outside the intervals this family has been sampled at"),
                whole("n_events", "events", "defects of the kind on record"),
                number("prior_weight", "1", "share of the numbers that is assumed"),
                text("changes", "what would change the advice"),
                text("words", "the advice in words"),
                text("learnt", "what it rests on, in words"),
                *ASSUMED,
            ),
        ),
        Table(
            "curves",
            "a compartment and an interval of the grid: what it costs",
            ("compartment", "every_h"),
            (
                COMPARTMENT,
                FAMILY,
                number("every_h", "h", "interval; infinite: no sampling"),
                number("cost_per_1000h", _COST, "expected cost"),
                number("low", _COST, "5 % quantile of the cost"),
                number("high", _COST, "95 % quantile of the cost"),
                number("saving_low", _COST, "5 % quantile of what it saves against today's interval"),
                number("saving_high", _COST, "95 % quantile of the same"),
                number("caught", "1", "share of defects caught in time"),
                number("warning_h", "h", "mean hours between repair and the failure it prevents"),
                flag("allowed", "on the service grid, or no sampling"),
            ),
        ),
    )
)
