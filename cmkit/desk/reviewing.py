"""Review: what a look showed, a value put right, or who sees to an alarm, shown as the exact row, written to the fleet
that was opened, and taken back.
"""

from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets

from cmkit.analyst.write_back import (
    Draft,
    after_decision,
    draft_correction,
    draft_decision,
    draft_finding,
    undo,
    what_changed,
    write_back,
)
from cmkit.assessment import Assessment
from cmkit.books.content.open_assessment import open_assessment
from cmkit.desk.shown import WRAPPED, Panel, Shown, button, choice, number_box, said, table, text_box, words
from cmkit.errors import ParameterError
from cmkit.tables.records import DECIDED, TABLES


class Written:
    """What the review wrote last, so that it can be taken back; empty at first."""

    draft: Draft | None = None


def review(a: Assessment, folder: str | Path) -> Panel:
    """A finding, a correction or a decision, previewed as the row it becomes, appended to the tables in `folder`, the
    fleet assessed again.

    folder: of the fleet that `a` was made from. What changed on screen is what the two assessments say differently;
    what cannot be written is shown as a message. Raises ParameterError where the folder is no fleet's, or where the
    fleet has no compartment of a working machine.

    >>> panel = cmkit.desk.review(a, "sample_data")
    >>> [button.description for button in panel.controls.children[1].children]
    ['Preview the row', 'Write and assess again', 'Take back']
    """
    if not (Path(folder) / "fleet.toml").is_file():
        raise ParameterError(f"folder: found {str(folder)!r}, wanted the fleet's folder, with its fleet.toml.")
    forms = (_finding_form(a), _correction_form(a), _decision_form(a))
    tabs = widgets.Tab([box for box, _ in forms], titles=("what a look showed", "a value put right", "who sees to it"))
    out, done = Shown(), Written()

    def draft() -> Draft:
        return forms[tabs.selected_index or 0][1]()

    def show() -> None:
        out.value = said(lambda: words("This row would be written:") + table(draft().frame(), "the row"))

    def write() -> None:
        out.value = said(lambda: _write(a, folder, draft(), done))

    def back() -> None:
        out.value = said(lambda: _take_back(folder, done))

    buttons = [
        button("Preview the row", "shows it; writes nothing", show),
        button("Write and assess again", "appends the row to the fleet's records", write),
        button("Take back", "removes the row written last", back),
    ]
    return Panel([tabs, widgets.Box(buttons, layout=WRAPPED)], [out])


def _write(a: Assessment, folder: str | Path, draft: Draft, done: Written) -> str:
    path = write_back(folder, draft)
    done.draft = draft
    if draft.table == "decisions":
        after = after_decision(a, draft)
    else:
        known = draft.values.get("recorded_on") or draft.values["decided_on"]
        after = open_assessment(folder, max(a.about["as_of"], known))
    return words(f"Written to {path}: {draft.key}") + table(what_changed(a, after), "what changed")


def _take_back(folder: str | Path, done: Written) -> str:
    if done.draft is None:
        raise ParameterError("nothing was written here yet; nothing to take back.")
    path = undo(folder, done.draft)
    key, done.draft = done.draft.key, None
    return words(f"{key} taken out of {path}")


def _finding_form(a: Assessment) -> tuple[widgets.Box, Callable[[], Draft]]:
    alarms = a.verdicts.sort_values("state")["compartment"].tolist()
    raised = a.orders["compartment"].tolist()
    names = [*raised, *(n for n in alarms if n not in set(raised))]
    if not names:
        raise ParameterError("this fleet has no compartment of a working machine; nothing to review.")
    place, outcome = (
        choice("compartment", names),
        choice("what it showed", list(TABLES["findings"].column("outcome").one_of)),
    )
    day, cause, note = text_box("day of the look", a.about["as_of"]), text_box("cause"), text_box("note")
    cost, downtime = number_box("cost", 0.0), number_box("hours lost", 0.0)

    def draft() -> Draft:
        return draft_finding(
            a,
            place.value,
            day.value,
            outcome.value,
            cause.value,
            cost=cost.value,
            downtime_h=downtime.value,
            note=note.value,
        )

    return widgets.Box([place, day, outcome, cause, cost, downtime, note], layout=WRAPPED), draft


def _correction_form(a: Assessment) -> tuple[widgets.Box, Callable[[], Draft]]:
    sample, field = text_box("bottle"), choice("column", list(TABLES["corrections"].column("field").one_of))
    value, reason, who = text_box("should say"), text_box("why"), text_box("decided by")

    def draft() -> Draft:
        return draft_correction(a, sample.value, field.value, value.value, reason.value, decided_by=who.value)

    return widgets.Box([sample, field, value, reason, who], layout=WRAPPED), draft


def _decision_form(a: Assessment) -> tuple[widgets.Box, Callable[[], Draft]]:
    unowned_first = a.open_work.sort_values(["owner", "known_on"], kind="stable")
    labels = zip(unowned_first["compartment"], unowned_first["about"], unowned_first["owner"], strict=True)
    options = [(f"{c}: {about}, {owner or 'nobody yet'}", c) for c, about, owner in labels]
    place = choice("what stands", options or [("nothing stands: no alarm and no order", "")])
    decided, owner = choice("decided", list(DECIDED)), text_box("owner")
    day, due, why = text_box("day of the decision", a.about["as_of"]), text_box("to be done by"), text_box("why")

    def draft() -> Draft:
        return draft_decision(
            a,
            place.value,
            decided.value,
            owner.value,
            why.value,
            decided_on=day.value,
            due_on=due.value.strip() or None,
        )

    return widgets.Box([place, decided, owner, day, due, why], layout=WRAPPED), draft
