"""What files call machines and components, and a register drafted from what they say. Facts of words: common practice,
no source.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from cmkit.cli import main
from cmkit.errors import WrongFile
from cmkit.records.fleet import Fleet, newest_set_aside
from cmkit.records.reading.advice import advice
from cmkit.records.reading.components import component_of
from cmkit.records.reading.draft_register import draft_register, write_draft
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.proposing import propose_inbox
from cmkit.records.settings import parse_settings

HEADING = "sample,compartment,drawn_on,meter_h,Fe_ppm\n"


@pytest.mark.parametrize(
    ("said", "kind", "position", "rest"),
    [
        ("FD LH", "final drive", "left", ()),
        ("Final Drive - Left", "final drive", "left", ()),
        ("L/H F/Drive", "final drive", "left", ()),
        ("FDR", "final drive", "right", ()),
        ("Diff Rear", "differential", "rear", ()),
        ("Eng. Coolant", "coolant", "", ()),
        ("topped up 4 l engine", "engine", "", ()),
        ("Hyd pump 2", "hydraulic", "", ("pump", "2")),
        ("Engine transmission", "engine", "", ("transmission",)),
        ("cab", "", "", ("cab",)),
    ],
)
def test_words_for_components(said: str, kind: str, position: str, rest: tuple[str, ...]) -> None:
    found = component_of(said)
    assert (found.kind, found.position, found.rest) == (kind, position, rest)


def test_rr_is_rear_right_among_corners_only() -> None:
    assert component_of("FD RR").position == "rear"
    assert component_of("FD RR", corners=True).position == "rear right"


def test_names_serve_every_file(load: Callable[..., Fleet]) -> None:
    """A renamed machine keeps one history; a word of the fleet's own is a component on any machine; two meanings are
    none.
    """
    rows = (
        "A1,OLD-1/engine,2025-03-01,1100,20\nA2,wl 1 port "
        "drive,2025-03-01,1100,50\nA3,WL-01/drive,2025-03-01,1100,50\nA4,WL-01 FD,2025-03-01,1100,9\n"
    )
    fleet = load({"samples.csv": HEADING + rows, "names.csv": "said,means,name\nold-1,machine,WL-01\nPort "
    "drive,component,final drive/left\nA drive,compartment,WL-01/engine\n"})  # fmt: skip
    assert fleet.samples["compartment"].tolist() == ["WL-01/engine", "WL-01/final drive/left"]
    assert fleet.set_aside["value"].tolist() == ["WL-01/drive", "WL-01 FD"], "left or right is not said"
    assert set(fleet.repairs["reason"]) == {"by names.csv", "by the words for components: engine"}
    said = "\n".join(advice(fleet, "FLEET"))
    assert "WL-01/drive,compartment," in said
    assert "WL-01 FD,compartment," in said
    assert newest_set_aside(fleet) == 0.5
    assert said.startswith("\n50% of the rows of the newest quarter are set aside")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("said,name\nx,y\n", "names.csv: row 1: no column 'means'"),
        (
            "said,means,name\nx,thing,y\n",
            "names.csv: row 2: means 'thing'; wanted one of site, machine, compartment, component",
        ),
        ("said,means,name\nx,machine,y\nX,machine,z\n", "names.csv: row 3: 'X' is 'y' in a row above and 'z' here"),
    ],
)
def test_a_wrong_table_of_names_is_one_clear_error(load: Callable[..., Fleet], text: str, words: str) -> None:
    with pytest.raises(WrongFile, match=words):
        load({"names.csv": text})


LAB = "Bottle,Site,Unit,Unit type,Component,Side,Sampled,Hours,Fe,Cu\n" + "".join(
    f"B{i},North,{unit},Grader,{part},{side},2025-03-{i:02d},{1000 + i},{20 + i},3\n"
    for i, (unit, part, side) in enumerate(
        [
            ("GR-1", "Eng", ""),
            ("GR 1", "ENGINE", ""),
            ("GR-1", "Diff", "Rear"),
            ("GR-2", "Tandem", "LH"),
            ("GR-2", "Eng", ""),
            ("", "Eng", ""),
        ],
        1,
    )
)


def test_a_register_is_drafted_from_the_results(write: Callable[..., Path]) -> None:
    folder = write(
        {"inbox/lab.csv": LAB, **{f"{n}.csv": None for n in ("sites", "machines", "compartments", "samples")}}
    )
    for name, heading in (("sites", "site,name"), ("machines", "machine,site,kind"),
    ("compartments", "compartment,machine,kind"), ("samples", HEADING)):  # fmt: skip
        (folder / f"{name}.csv").write_text(heading + "\n")
    for path, proposed in propose_inbox(folder)[0]:
        path.parent.mkdir(exist_ok=True)
        path.write_text(proposed.toml)
    draft = draft_register(folder)
    assert draft.machines[["machine", "site", "kind"]].values.tolist() == [
        ["GR-1", "North", "grader"],
        ["GR-2", "North", "grader"],
    ]
    assert draft.compartments["compartment"].tolist() == [
        "GR-1/differential/rear",
        "GR-1/engine",
        "GR-2/engine",
        "GR-2/tandem lh",
    ]
    assert draft.why["GR-1/engine"] == "2 bottles say 'Eng', 'ENGINE'; fluid usual for the kind"
    assert draft.unread == {"Eng": 1}
    assert [p.name for p in write_draft(draft, folder)] == [
        "sites.csv",
        "machines.csv",
        "compartments.csv",
        "names.csv",
    ]
    fleet = load_fleet(folder)
    assert len(fleet.samples) == 5
    assert draft_register(folder).compartments.empty, "drafted once is drafted"
    assert "Kind 'tandem lh' (1 compartment(s)) is not known" in "\n".join(advice(fleet, "F"))


def test_records_go_into_a_database_and_come_back(write: Callable[..., Path], tmp_path: Path) -> None:
    folder, url = write(), f"sqlite:///{tmp_path}/fleet.db"
    run = CliRunner().invoke(main, ["publish-records", str(folder), "--to", url])
    assert run.exit_code == 0, run.output
    assert "samples 3" in run.output
    with sa.create_engine(url, poolclass=sa.NullPool).connect() as connection:
        assert connection.execute(sa.text("select count(*) from compartments")).scalar() == 3
    again = CliRunner().invoke(main, ["publish-records", str(folder), "--to", url])
    assert again.exit_code == 2
    assert "records are never written over" in again.output


def test_settings_know_which_costs_are_the_fleets_own() -> None:
    given = {
        "name": "x",
        "costs": {"sample_cost": 50, "failure_cost": 9e4},
        "kinds": {"engine": {"planned_cost": 1e4, "sample_cost": 60}},
    }
    settings = parse_settings(given, "fleet.toml")
    assert settings.kind("engine").sample_cost == 60
    assert settings.kind("final drive").sample_cost == 50
    assert settings.assumed_costs("engine") == ("inspect_cost", "planned_downtime_h", "failure_downtime_h")
    assert "planned_cost" in settings.assumed_costs("a kind of our own")
    assert "failure_cost" not in settings.assumed_costs("a kind of our own")
