"""The tables of the judgement: what fired on which bottle, the state of each compartment, and its likely causes."""

from cmkit.tables.column import Table, by_name, date, number, text, whole
from cmkit.tables.trust import COMPARTMENT, DRAWN_ON, FAMILY, KIND, MACHINE, SAMPLE, SITE

STATES = ("clear", "alert", "alarm", "not known")
RAISED = ("alert", "alarm")
RANK = {"clear": 0, "alert": 1, "alarm": 2}  # what is worse than what
RULES = (
    "one-step departure", "sustained rise", "wear rate limit", "level limit", "low level", "condition", "maker limit", "family limit",
    "forecast",
)  # fmt: skip

_VERDICT = (
    COMPARTMENT,
    MACHINE,
    SITE,
    KIND,
    FAMILY,
    text("state", "its state", STATES),
    text("reason", "why, in one line"),
    text("todo", "what to do, empty for nothing"),
    text("sample", "newest bottle, empty for none"),
    date("drawn_on", "day it was filled"),
    number("run_h", "h", "running hours of the machine then"),
    number("meter_h", "h", "hours on the meter then"),
    date("since", "first bottle of the state raised now, missing for none"),
    whole("n_bottles", "bottles", "bottles since then"),
    number("believed", "1", "chance that the newest bottle represents its charge"),
    text("how_sure", "what the state rests on"),
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
                date("known_on", "day its result reached the office"),
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
        Table("verdicts", "a compartment of a working machine, and its state today", ("compartment",), _VERDICT),
        Table(
            "before",
            "a compartment, and its state at the end of last month by the same numbers and limits",
            ("compartment",),
            _VERDICT,
        ),
        Table(
            "causes",
            "a compartment and a likely cause of its state",
            ("compartment", "cause"),
            (
                COMPARTMENT,
                text("cause", "name of the cause"),
                number("score", "1", "share of the cause's pattern that is there"),
                text("evidence_for", "what speaks for it"),
                text("evidence_against", "what speaks against it"),
                text("look_at", "where to look first"),
                text("basis", "basis of the pattern"),
            ),
        ),
    )
)

STEPS = by_name(
    (
        Table(
            "alarm_spells",
            "an alarm, from its first bottle until it was closed",
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
                date("closed_on", "day it was closed, missing while open"),
                text("closed_by", "what closed it, empty while open"),
            ),
        ),
    )
)
