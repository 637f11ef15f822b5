"""The tables of the judgement: the chance of every fault, limits that act alone, the state of each compartment and the
order that follows.
"""

from cmkit.tables.column import Column, Table, by_name, date, flag, number, text, whole
from cmkit.tables.trust import COMPARTMENT, DRAWN_ON, FAMILY, KIND, MACHINE, SAMPLE, SITE

STATES = ("clear", "alert", "alarm", "not known")
RAISED = ("alert", "alarm")
RANK = {"clear": 0, "alert": 1, "alarm": 2}  # what is worse than what
RULES = ("wear rate limit", "level limit", "low level", "condition", "maker limit", "family limit")
SEVERITIES = ("", "early", "clear", "severe")
ASKS = ("", "repeat", "sooner", "first")
CASES = ("no bottle", "replaced", "repaired", "looked into", "alarm", "alert", "stale", "doubtful", "clear")
CHOICES = ("", "look", "repeat", "wait")


def _chance(name: str, meaning: str) -> Column:
    return number(name, "1", meaning)


_KNOWN_ON = date("known_on", "day its result reached the office")
_RUN_H = number("run_h", "h", "running hours of the machine then")
_PHASES = (
    _chance("p_early", "chance of an early fault"),
    _chance("p_clear", "chance of a clear fault"),
    _chance("p_severe", "chance of a severe fault"),
)
_CAUSES = (
    text("cause", "likeliest fault, empty for none"),
    _chance("p_cause", "its chance"),
    text("second_cause", "second likeliest fault, empty for none"),
    _chance("p_second", "its chance"),
)
_ODD = (
    _chance("p_good", "chance that the bottle represents its compartment"),
    _chance("p_rich", "chance that it was drawn from the bottom or the drain"),
    _chance("p_dirt", "chance of dirt in the bottle or pump"),
    _chance("p_other", "chance that it is another compartment's"),
)
_LIFE = (
    whole("life", "1", "which component in this place"),
    whole("order", "1", "number of the bottle in its life, from 0; -1 before any"),
)
_PLACE = (COMPARTMENT, MACHINE, SITE, KIND, FAMILY)
_NEWEST = (text("sample", "newest bottle, empty for none"), date("drawn_on", "day it was filled"), _KNOWN_ON, _RUN_H)

_VERDICT = (
    *_PLACE,
    text("state", "its state", STATES),
    text("reason", "why, in one line"),
    text("todo", "what to do, empty for nothing"),
    *_NEWEST,
    number("meter_h", "h", "hours on the meter then"),
    date("since", "first bottle of the alarm that stands, or of the present run of alerts, missing for none"),
    whole("n_bottles", "bottles", "bottles since then"),
    _chance("believed", "chance that the newest bottle represents its compartment, missing for no judged bottle"),
    text("how_sure", "what the state rests on"),
    _chance("chance", "chance of a fault that needs work, today"),
    *_PHASES,
    *_CAUSES,
    text("severity", "the middle severity by chance, empty for none", SEVERITIES),
    text("settled_by", "what settled the last alarm, empty for nothing"),
    text("missing", "what would settle the alarm that stands, empty for nothing"),
    text("asks", "what the next bottle is asked to be", ASKS),
)

_STATE = (
    *_PLACE,
    text("state", "its state", STATES),
    text("case", "what the state rests on", CASES),
    date("since", "first bottle of the alarm that stands, or of the present run of alerts, missing for none"),
    whole("n_bottles", "bottles", "bottles since then"),
    *_NEWEST,
    _chance("chance", "chance of a fault that needs work, today"),
    *_PHASES,
    *_CAUSES,
    text("severity", "the middle severity by chance, empty for none", SEVERITIES),
    _chance("p_good", "chance that the newest bottle represents its compartment"),
    text("doubt", "likeliest oddity of the newest bottle, empty when it is believed"),
    _chance("p_doubt", "its chance"),
    whole("doubtful_run", "bottles", "doubtful bottles in a row up to the newest"),
    date("alarm_known_on", "day the alarm that stands was known"),
    text("alarm_cause", "fault or limit of the alarm that stands"),
    text("raised_by", "what raised it"),
    date("look_on", "day of the look since the newest bottle"),
    text("look_by", "finding, repair or replacement"),
    text("look_showed", "what it showed"),
    text("settled_by", "what settled the last alarm, empty for nothing"),
    text("missing", "what would settle the alarm that stands, empty for nothing"),
    text("asks", "what the next bottle is asked to be", ASKS),
)

TABLES = by_name(
    (
        Table(
            "evidence",
            "a rule that fired on a bottle",
            (),
            (
                COMPARTMENT,
                SAMPLE,
                DRAWN_ON,
                _KNOWN_ON,
                text("analyte", "analyte of the register, empty where the rule is about none"),
                text("rule", "the rule", RULES),
                number("value", "as unit", "what was found"),
                text("operator", "how it is compared", (">=", "<=", "is")),
                number("threshold", "as unit", "what it is compared with"),
                text("unit", "unit of value and threshold"),
                text("state", "state it asks for", RAISED),
                text("words", "the evidence in words"),
            ),
        ),
        Table(
            "bottle_chances",
            "a judged bottle: chances after it, from it and the bottles before",
            ("sample",),
            (
                SAMPLE,
                COMPARTMENT,
                KIND,
                *_LIFE,
                DRAWN_ON,
                date("known_on", "day from which it and all bottles before it were known"),
                _RUN_H,
                _chance("p_fault", "chance of any fault"),
                *_PHASES,
                *_ODD,
                *_CAUSES,
            ),
        ),
        Table(
            "hypotheses",
            "a hypothesis of some chance about a compartment today, or about its newest bottle",
            ("compartment", "about", "hypothesis"),
            (
                COMPARTMENT,
                text("sample", "newest judged bottle"),
                text("about", "what it is about", ("compartment", "bottle")),
                text("hypothesis", "name of the fault, or of what is odd about the bottle"),
                _chance("chance", "its chance"),
                *_PHASES,
            ),
        ),
        Table(
            "contributions",
            "a result of a recent bottle, and how it speaks for or against a fault",
            ("sample", "hypothesis", "analyte"),
            (
                COMPARTMENT,
                SAMPLE,
                text("hypothesis", "name of the fault"),
                text(
                    "analyte",
                    "result; fluid_level for the level found; empty for how the bottle was drawn, or a steady change",
                ),
                number(
                    "log_odds",
                    "1",
                    "natural log of how much likelier the result is under the fault than if all is well",
                ),
            ),
        ),
        Table("verdicts", "a compartment of a working machine, and its state today", ("compartment",), _VERDICT),
        Table(
            "before",
            "a compartment, and its state at the end of last month by the same numbers and limits",
            ("compartment",),
            _VERDICT,
        ),
        Table(
            "orders",
            "an order: the work at a compartment that is not clear",
            ("compartment",),
            (
                COMPARTMENT,
                text("state", "its state", STATES),
                text("cause", "fault or limit it is about, empty for none"),
                text("severity", "how far the fault is", SEVERITIES),
                _chance("chance", "chance of that fault today, missing where only a limit or the level speaks"),
                text("work", "what to do"),
                text("also", "further work for other findings, empty for none"),
                text("request", "bottle asked for beside the work, empty for none"),
                text("group", "kind of work"),
                number("within_h", "h", "operating hours within which to do it, missing for the next bottle"),
                date("due_on", "day by which to do it, missing for the next bottle"),
                text("check_first", "what to check without opening anything"),
                text("confirm", "test that confirms it"),
                text("not_to_do", "what not to do"),
                text("if_ignored", "what happens if it is ignored"),
                text("rests_on", "what the order rests on"),
                text("second_cause", "second fault when its share is large, empty for none"),
                _chance("p_second", "its chance"),
                text("choice", "what costs least", CHOICES),
                number("cost_of_act", "currency", "what the work costs"),
                number("money_at_stake", "currency", "expected cost of waiting for the next result"),
                number("cost_look", "currency", "expected cost of looking now"),
                number("cost_repeat", "currency", "expected cost of a repeat bottle first"),
                number("cost_wait", "currency", "expected cost of waiting for the next routine bottle"),
                flag("assumed", "by the package's starting costs, not the fleet's own"),
                text("asks", "what the next bottle is asked to be", ASKS),
            ),
        ),
        Table(
            "reasons",
            "a result that speaks for or against a fault, in words",
            (),
            (
                COMPARTMENT,
                text("hypothesis", "name of the fault"),
                text("side", "for or against", ("for", "against")),
                text("analyte", "result it is about"),
                number("log_odds", "1", "natural log of its weight over the bottles it sums"),
                whole("n_bottles", "bottles", "bottles it sums"),
                text("sample", "bottle it is shown by"),
                number("value", "as unit", "result of that bottle"),
                flag("below", "it was reported as below a limit"),
                flag("above", "it was reported as above a limit"),
                number("usual", "as unit", "what it is compared with"),
                text("usual_is", "what that is"),
                text("unit", "unit of value and usual"),
                text("words", "the reason in words"),
            ),
        ),
    )
)

STEPS = by_name(
    (
        Table("states", "a compartment of a working machine: its state before words", ("compartment",), _STATE),
        Table(
            "bottle_states",
            "a bottle and the state it gives",
            (),
            (
                COMPARTMENT,
                KIND,
                *_LIFE,
                SAMPLE,
                DRAWN_ON,
                _KNOWN_ON,
                _RUN_H,
                _chance("p_fault", "chance of any fault"),
                *_PHASES,
                *_ODD,
                _chance("p_cause", "chance of the likeliest fault"),
                _chance("p_second", "chance of the second likeliest"),
                text("cause", "likeliest fault, empty for none"),
                text("second_cause", "second likeliest fault, empty for none"),
                _chance("chance", "chance of a fault that needs work"),
                text("doubt", "likeliest oddity of the bottle, empty when it is believed"),
                _chance("p_doubt", "its chance"),
                flag("good", "it is more likely good than not"),
                text("by_chance", "state by the chance of a fault", STATES),
                text("by_limit", "state by fixed limits", STATES),
                text("by_level", "state by the level found", STATES),
                text("state", "the worst of them", STATES),
            ),
        ),
        Table(
            "alarm_spells",
            "an alarm, from its first bottle until it was settled",
            ("compartment", "life", "alarm_on", "sample"),
            (
                COMPARTMENT,
                whole("life", "1", "which component in this place"),
                date("alarm_on", "day its first bottle was filled"),
                date("known_on", "day that bottle's result reached the office"),
                text("sample", "its first bottle"),
                number("run_h", "h", "running hours of the machine then"),
                date("last_on", "day its last bottle was filled"),
                whole("bottles", "bottles", "bottles in alarm"),
                text("analytes", "analytes that raised it, with commas between"),
                text("cause", "fault or limit it is about"),
                _chance("chance", "highest chance of a fault among its bottles"),
                text("raised_by", "what raised it"),
                whole("clear_run", "bottles", "good bottles against it in a row since"),
                date("closed_on", "day it was settled, missing while it stands"),
                text("closed_by", "what settled it, empty while it stands"),
                text("closed_sample", "bottle that settled it, empty for none"),
            ),
        ),
        Table(
            "money",
            "a compartment: chances of failure and costs of waiting, repeating and looking",
            ("compartment",),
            (
                COMPARTMENT,
                number("hours_repeat", "h", "operating hours until the result of a repeat bottle is read"),
                number("hours_sooner", "h", "to that of a bottle drawn sooner"),
                number("hours_routine", "h", "to that of the next routine bottle"),
                number("extra", "currency", "what a failure costs more than a planned repair"),
                _chance("fails_repeat", "chance of a failure before the repeat's result"),
                _chance("fails_sooner", "before that of a bottle drawn sooner"),
                _chance("fails_routine", "before that of the next routine bottle"),
                number("cost_wait", "currency", "expected cost of waiting for the routine bottle"),
                number("cost_repeat", "currency", "expected cost of a repeat bottle first"),
                number("cost_look", "currency", "expected cost of looking now"),
                number("inspect_cost", "currency", "cost of a look"),
                number("sample_cost", "currency", "cost of a bottle"),
                flag("assumed", "by the package's starting costs, not the fleet's own"),
                text("choice", "what costs least", CHOICES),
            ),
        ),
    )
)
