"""The desk without a screen: it shows what the functions say, writes what it previewed, and takes it back."""

import shutil

import pytest

import cmkit
from cmkit.desk.panels import chosen_rows
from cmkit.errors import ParameterError


def controls(box) -> list:
    """Every control of a widget that a person can change."""
    box = getattr(box, "controls", box)
    own = [box] if hasattr(box, "description") else []
    return own + [c for child in getattr(box, "children", ()) for c in controls(child)]


def shown_by(panel) -> str:
    """All that a panel shows."""
    return "".join(part.value for part in panel.parts)


def by_name(box) -> dict:
    return {c.description: c for c in controls(box)}


def test_the_fleet_is_listed_most_urgent_first_and_a_choice_is_shown(demo) -> None:
    rows = chosen_rows(demo)
    assert rows["state"].tolist() == sorted(rows["state"], key=["alarm", "alert", "not known", "clear"].index)
    box = cmkit.desk.fleet(demo)
    named = by_name(box)
    named["state"].value = "alarm"
    assert set(named["compartment"].options) == set(demo.verdicts.loc[demo.verdicts["state"] == "alarm", "compartment"])
    named["compartment"].value = "RH-02/final drive/left"
    shown = shown_by(box)
    assert "<svg" in shown
    assert "a bearing or gear is breaking up" in shown


def test_every_control_of_every_panel_has_a_label(demo, root) -> None:
    desk = cmkit.desk
    boxes = [desk.fleet(demo), desk.compartment(demo, "RH-02/engine"), desk.limits(demo), desk.interval(demo),
        desk.compare(demo), desk.review(demo, root / "sample_data")]  # fmt: skip
    assert all(c.description for box in boxes for c in controls(box))


def test_a_limit_that_is_tried_shows_the_difference(demo) -> None:
    box = cmkit.desk.limits(demo)
    named = by_name(box)
    named["kind"].value, named["result"].value, named["alert"].value, named["alarm"].value = "engine", "Cu_ppm", 10, 20
    assert "in alarm" in shown_by(box)
    assert "Cu_ppm = { alert = 10, alarm = 20 }" in shown_by(box)


def test_a_review_previews_writes_and_takes_back(demo, root, tmp_path, monkeypatch) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(root / "sample_data", folder)
    monkeypatch.setattr("cmkit.desk.reviewing.open_assessment", lambda *_: demo)
    old = (folder / "findings.csv").read_bytes()
    box = cmkit.desk.review(demo, folder)
    named, out = by_name(box), box.parts[-1]
    named["compartment"].value, named["what it showed"].value, named["note"].value = (
        "RH-02/final drive/left",
        "defect",
        "<img src=x onerror=alert(1)>",
    )
    named["Preview the row"].click()
    assert "F-RH-02/final drive/left-260630" in out.value
    assert "<img" not in out.value
    assert (folder / "findings.csv").read_bytes() == old
    named["Write and assess again"].click()
    assert (folder / "findings.csv").read_bytes().count(b"\n") == old.count(b"\n") + 1
    named["Write and assess again"].click()
    assert "there already" in out.value
    named["Take back"].click()
    assert (folder / "findings.csv").read_bytes() == old
    named["day of the look"].value = "soon"
    named["Preview the row"].click()
    assert "wanted a day" in out.value


def test_a_decision_is_written_from_the_desk_and_taken_back(demo, root, tmp_path) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(root / "sample_data", folder)
    old = (folder / "decisions.csv").read_bytes()
    panel = cmkit.desk.review(demo, folder)
    tabs = panel.controls.children[0]
    tabs.selected_index = 2
    named, out = by_name(tabs.children[2]) | by_name(panel.controls.children[1]), panel.parts[-1]
    assert "nobody yet" in named["what stands"].options[0][0]
    named["what stands"].value, named["decided"].value = "RH-02/final drive/left", "accepted"
    named["Preview the row"].click()
    assert "owner: found nothing" in out.value
    named["owner"].value, named["why"].value, named["to be done by"].value = "lead", "<b>look</b>", "2026-07-05"
    named["Preview the row"].click()
    assert "&lt;b&gt;look" in out.value
    assert (folder / "decisions.csv").read_bytes() == old
    named["Write and assess again"].click()
    assert (folder / "decisions.csv").read_bytes().count(b"\n") == old.count(b"\n") + 1
    assert "who sees to the alarm" in out.value
    named["Take back"].click()
    assert (folder / "decisions.csv").read_bytes() == old


def test_what_is_shown_is_an_ordinary_output_that_needs_no_kernel(demo) -> None:
    """IPython without a kernel prints the plain form; the HTML form is what JupyterLab saves and nbconvert prints."""
    panel = cmkit.desk.compartment(demo, "RH-02/engine")
    bundles = [part._bundle() for part in panel.parts]
    assert all(set(b) == {"text/html", "text/plain"} for b in bundles)
    assert "<svg" in bundles[0]["text/html"]
    assert "<" not in bundles[0]["text/plain"]


def test_the_desk_says_what_it_needs(demo, tmp_path) -> None:
    with pytest.raises(ParameterError, match="wanted the fleet's folder"):
        cmkit.desk.review(demo, tmp_path)
    with pytest.raises(ParameterError, match="found 'nowhere'"):
        cmkit.desk.compartment(demo, "nowhere")
    with pytest.raises(AttributeError, match="no attribute 'flet'"):
        _ = cmkit.desk.flet
