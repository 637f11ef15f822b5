"""The tables of the work: what is due, the bottles of the next round, the cost of waiting, the record of past alarms,
technique.
"""

from cmkit.tables.column import Table, by_name, date, flag, number, text, whole
from cmkit.tables.judge import SEVERITIES, STATES
from cmkit.tables.records import DECIDED, OUTCOMES
from cmkit.tables.trust import COMPARTMENT, KIND, MACHINE, SITE

DUE_AS = ("never sampled", "repeat asked for", "routine late", "not due yet")
WHY_DUE = (
    "never sampled", "repeat after alarm", "repeat after alert", "repeat of a doubted bottle", "sooner after alarm",
    "sooner after alert",
    "routine, machine idle", "routine", "bottle on the way",
)  # fmt: skip

MISSED_BY = (
    "not sampled in time", "result late", "not seen by the tests done", "seen and not acted on", "seen, and a look "
    "found nothing", "below what could be seen", "not recorded",
)  # fmt: skip
WATCHED = ("watched", "shown a little", "not watched", "not in the fluid")
STAGES = ("on the way", "at the laboratory", "lost")
TURNAROUND = Table(
    "turnaround",
    "a site and a laboratory, and how long bottles take from one through the other",
    ("site", "lab"),
    (
        SITE,
        text("lab", "laboratory, empty where no bottle names one"),
        whole("n", "bottles", "bottles of the last year it rests on"),
        flag("measured", "enough bottles are known; else the setting is used"),
        number("used_days", "d", "days from drawing to a result used in costs and due dates"),
        number("post_days", "d", "median days from drawing to receipt, missing where no receipt is recorded"),
        number("lab_days", "d", "median days from receipt to the result"),
        number("days", "d", "median days from drawing to the result"),
        number("slow_post_days", "d", "days within which nine in ten bottles are received"),
        number("slow_lab_days", "d", "days from receipt within which nine in ten are reported"),
        number("slow_days", "d", "days from drawing within which nine in ten are reported"),
        number("bound_days", "d", "days without a result after which a bottle of this laboratory counts as lost"),
    ),
)

TABLES = by_name(
    (
        TURNAROUND,
        Table(
            "chain",
            "a bottle that was drawn and has no result yet",
            ("sample",),
            (
                text("sample", "bottle number"),
                COMPARTMENT,
                SITE,
                text("lab", "laboratory it goes to"),
                text("sampler", "who drew it"),
                date("drawn_on", "day it was filled"),
                date("received_on", "day the laboratory had it, missing for no receipt"),
                number("waited_days", "d", "days since it was filled"),
                number("bound_days", "d", "days after which it counts as lost"),
                text("stage", "where it is", STAGES),
                text("replaced_by", "the next bottle of the compartment, empty for none"),
                text("words", "the same in words, with what to do"),
            ),
        ),
        Table(
            "due",
            "a compartment of a working machine, and when its next bottle is due",
            ("compartment",),
            (
                COMPARTMENT,
                MACHINE,
                SITE,
                KIND,
                number("every_h", "h", "today's interval"),
                number("last_run_h", "h", "running hours at the newest bottle, missing for none"),
                date("last_drawn_on", "day of the newest bottle"),
                date("asked_on", "day a bottle was asked for, missing for routine"),
                number("due_run_h", "h", "running hours at which the next is due"),
                number("due_meter_h", "h", "meter reading at which the next is due"),
                date("due_on", "day it falls due at the machine's pace, missing where it stands still"),
                number("overdue_h", "h", "hours run since it was due"),
                flag("overdue", "past due by more than the agreed tolerance, or never sampled"),
                text("due_as", "what kind of due it is", DUE_AS),
                text("why", "why it is due then", WHY_DUE),
            ),
        ),
        Table(
            "cards",
            "a bottle of the next round",
            ("bottle",),
            (
                SITE,
                MACHINE,
                COMPARTMENT,
                KIND,
                text("position", "left, right, front, ..., missing where there is one only"),
                text("side", "the position as written on the label"),
                text("fluid", "fluid by specification"),
                text("grade", "its grade"),
                text("access", "access of the register"),
                text("where", "where this bottle is drawn"),
                text(
                    "method",
                    "how it is drawn; none: a safe sampling point must be named first",
                    ("probe", "pump", "none"),
                ),
                text("tool", "pump or probe kept for this fluid, empty for none"),
                flag("coolant", "it holds coolant"),
                number("tube_mm", "mm", "length of tube to cut, missing for a probe and where the depth is unknown"),
                number("mark_mm", "mm", "mark on the tube, below the access; missing where it is set on site"),
                text("tube_words", "the tube in words"),
                number("dead_ml", "ml", "dead volume of valve, line and probe, missing for a pump"),
                flag("dead_assumed", "that volume is the usual one of the kind, not on record"),
                number("purge_times", "1", "dead volumes to run off before the bottle, missing for a pump"),
                number("due_meter_h", "h", "meter reading at which it is due"),
                date("due_on", "day it falls due"),
                text("why", "why it is due then", WHY_DUE),
                number("last_run_h", "h", "running hours at the newest bottle"),
                whole("visit", "bottles", "1 for the first bottle of the compartment in this round, then 2, 3, ..."),
                date("plan_on", "day it is planned for, missing where it is later or has no safe point"),
                text("bottle", "bottle number to write on the label: eight characters and a check letter"),
                flag("later", "due too, but past what the crew can do"),
            ),
        ),
        Table(
            "waiting",
            "a compartment in alert or alarm, and what waiting is expected to cost",
            ("compartment",),
            (
                COMPARTMENT,
                number("chance_defect", "1", "chance that a defect is there"),
                number("hours_ahead", "h", "operating hours to the next result"),
                number("chance", "1", "chance that it is there and fails before then"),
                number("cost_of_waiting", "money", "that chance times what a failure costs more than a planned repair"),
                number("cost_of_act", "money", "what the work ordered costs, missing for none"),
                number("saved", "money", "cost of waiting less cost of the work"),
                flag("assumed", "by the package's starting costs, not the fleet's own"),
                text("words", "the same in words"),
            ),
        ),
        Table(
            "record",
            "a past alarm and what was then found, or a failure without an alarm",
            (),
            (
                COMPARTMENT,
                date(
                    "alarm_on", "day the first bottle of the alarm was filled, missing for a failure without an alarm"
                ),
                date("known_on", "day that bottle's result reached the office"),
                text("sample", "that bottle"),
                number("run_h", "h", "running hours of the machine then"),
                text("analytes", "analytes that raised it, with commas between"),
                whole("bottles", "bottles", "bottles in alarm"),
                text("finding", "the finding that answered it, empty for none"),
                date("found_on", "day of that finding"),
                text("outcome", "what became of it", (*OUTCOMES, "not looked into", "waiting")),
                text("cause", "cause found"),
                number("lead_h", "h", "operating hours from the warning to the finding"),
                number("cost", "money", "cost of what followed, downtime included"),
                text("words", "the same in words"),
            ),
        ),
        Table(
            "missed",
            "a failure without a useful warning, and why",
            ("finding",),
            (
                text("finding", "the failure's finding"),
                COMPARTMENT,
                date("found_on", "day it failed"),
                text("cause", "cause recorded, empty for none"),
                number("cost", "money", "what it cost, downtime included"),
                text("reason", "why no warning helped", MISSED_BY),
                text("sample", "the bottle the reason rests on, empty for none"),
                text("words", "the same in words"),
                text("then", "what keeps it from being missed again"),
            ),
        ),
        Table(
            "coverage",
            "a compartment and a failure mode of its kind, and whether its tests can see it",
            ("compartment", "mode"),
            (
                COMPARTMENT,
                SITE,
                KIND,
                text("mode", "failure mode, in words"),
                text("watched", "how the tests done in the last year see it", WATCHED),
                text("by", "results that show it, with commas between, empty for none"),
                text("not_seen", "what of it stays unseen, empty for nothing"),
                text("ask", "test to add, empty where it is watched"),
                number(
                    "price",
                    "currency",
                    "what that test costs a bottle by starting prices, missing where none is to be added or it is "
                    "none of the fluid",
                ),
            ),
        ),
        Table(
            "programme",
            "a site and a month, and the measures of its programme",
            ("site", "month"),
            (
                SITE,
                text("month", "YYYY-MM"),
                whole("compartments", "compartments", "compartments of working machines today"),
                whole("bottles", "bottles", "bottles drawn that month with a result"),
                number("kept", "1", "share of them drawn within the tolerance of the interval"),
                number("believed", "1", "share of them more likely good than not"),
                number("turnaround_days", "d", "median days from drawing to the first result"),
                whole("alarms", "alarms", "alarms that became known that month"),
                number("alarms_per_100", "1", "the same per 100 compartments"),
                whole("looked", "looks", "alarms answered by a finding that month"),
                whole("confirmed", "looks", "of these, those that found a defect or failed"),
                whole("failures", "failures", "failures that month"),
                whole("warned", "failures", "of these, those with an alarm before"),
                number("lead_h", "h", "median operating hours from a confirmed alarm to its finding"),
                number("cost", "money", "cost of the bottles, and of looks that found nothing"),
                number("cost_per_bottle", "money", "the same per bottle"),
            ),
        ),
        Table(
            "technique",
            "a sampler and a measure of how bottles are drawn",
            ("sampler", "measure"),
            (
                text("site", "where most of the sampler's bottles were drawn"),
                text("sampler", "who drew them"),
                text(
                    "measure",
                    "spread: ratio of scatter to the usual; bias: log factor of the metals",
                    ("spread", "bias"),
                ),
                whole("n", "bottles", "bottles it rests on"),
                number("value", "1", "the measure"),
                number("low", "1", "lower end of its 90 % interval"),
                number("high", "1", "upper end of its 90 % interval"),
                number("q", "1", "Benjamini-Hochberg q value"),
                flag("flagged", "worth a look"),
                text("words", "the same in words"),
            ),
        ),
        Table(
            "decided",
            "a decision, and what its alarm came to",
            ("decision",),
            (
                text("decision", "its number"),
                COMPARTMENT,
                date("alarm_on", "day the first bottle of its alarm was filled, missing for an order without one"),
                text("owner", "who sees to it"),
                date("decided_on", "day of the decision"),
                text("decided", "what was decided", DECIDED),
                text("why", "the reason"),
                date("due_on", "day by which it was to be done"),
                text("became", "what the alarm came to, in words"),
            ),
        ),
        Table(
            "open_work",
            "an alarm nobody has looked into yet, or an order that stands, with its owner and age",
            ("compartment", "alarm_on"),
            (
                COMPARTMENT,
                text("about", "what it is", ("alarm", "order")),
                date("alarm_on", "day the first bottle of the alarm was filled, missing for an order without one"),
                date("known_on", "day that bottle's result reached the office; of an order the newest bottle's"),
                number("age_days", "d", "days since then"),
                text("decision", "number of the newest decision about it, empty for none"),
                text("owner", "who sees to it, empty for nobody yet"),
                text("decided", "what was decided, empty for nothing", ("", *DECIDED)),
                date("decided_on", "day of that decision"),
                text("why", "its reason"),
                date("due_on", "day by which it is to be done"),
                flag("closed", "the order is closed by the decision; an alarm stands until a look or clear bottles"),
                flag("late", "past the day by which it was to be done, and not closed"),
                text("words", "the same in words"),
            ),
        ),
    )
)

_SAID = (
    COMPARTMENT,
    text("state", "state as published", STATES),
    number("chance", "1", "chance of a fault as published, missing for none"),
    text("cause", "likeliest fault as published, empty for none"),
    text("severity", "its severity", SEVERITIES),
    text("work", "work ordered, empty for none"),
    text("group", "kind of work"),
    date("due_on", "day by which"),
    text("sample", "newest bottle then"),
    number("cost_of_waiting", "money", "expected cost of waiting as published, missing for none"),
)

STEPS = by_name(
    (
        Table(
            "published",
            "what a published month said of a compartment",
            (),
            (
                text("month", "month of the books, YYYY-MM"),
                date("published_on", "day they were published"),
                date("as_of", "day of the records they were made from"),
                *_SAID,
            ),
        ),
        Table(
            "published_changes",
            "something a published month would say otherwise by today's numbers",
            (),
            (
                COMPARTMENT,
                text("month", "month of the books"),
                date("published_on", "day they were published"),
                text("field", "what differs"),
                text("said", "as published"),
                text("now", "by today's numbers"),
            ),
        ),
        Table(
            "published_alarms",
            "an alarm as it was published",
            (),
            (
                COMPARTMENT,
                date("alarm_on", "day of the first books that showed it"),
                date("as_of", "day of the records those were made from"),
                text("until", "month of the last books in a row"),
                whole("months", "months", "books in a row"),
                number("chance", "1", "chance as first said"),
                text("cause", "fault as first said"),
            ),
        ),
    )
)
