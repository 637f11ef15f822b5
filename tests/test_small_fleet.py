"""A fleet on its first day: one machine, one or two bottles, nothing else on record. Its books must be there and make
sense.
"""

import html
import re
from pathlib import Path

from click.testing import CliRunner

from cmkit.assess import assess_fleet
from cmkit.cli import main
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet
from tests.lengths import some_or_all

TABLES = {
    "sites": "site,name\npit,North pit\n",
    "machines": "machine,site,kind\nLD-1,pit,wheel loader\n",
    "compartments": (
        "compartment,machine,kind,position,capacity_l,pressurised,fluid,sample_every_h\n"
        "LD-1/engine,LD-1,engine,,40,true,engine oil,250\n"
        "LD-1/final drive/left,LD-1,final drive,left,22,false,gear oil,500\n"
    ),
}
BOTTLES = [
    "sample,compartment,drawn_on,meter_h,fluid_level,reported_on,Fe_ppm,Si_ppm,water_ppm",
    "S1,LD-1/engine,2026-05-02,1200,full,2026-05-09,22,8,<500",
    "S2,LD-1/final drive/left,2026-05-02,1200,low,2026-05-09,150,31.5,",
]


def fleet(folder: Path, bottles: list[str]) -> Path:
    folder.mkdir()
    (folder / "fleet.toml").write_text('name = "Our fleet"\n')
    for name, text in TABLES.items():
        (folder / f"{name}.csv").write_text(text)
    (folder / "samples.csv").write_text("\n".join(bottles) + "\n")
    return folder


def words(page: Path) -> str:
    """What a reader sees of a page, licences aside."""
    licences = r'<details class="licences">.*?</details>'
    text = re.sub(rf"<(script|style)\b.*?</\1>|{licences}", " ", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


@some_or_all("bottles", [[1], [2], [1, 2]], first=2)  # both are in the books below
def test_first_bottles_are_assessed(bottles, tmp_path) -> None:
    known = load_fleet(fleet(tmp_path / "mine", [BOTTLES[0], *(BOTTLES[n] for n in bottles)]))
    result = assess_fleet(known, newest_record(known))
    state = result.verdicts.set_index("compartment")["state"]
    drawn = {"LD-1/engine": 1 in bottles, "LD-1/final drive/left": 2 in bottles}
    assert {name: state[name] != "not known" for name in drawn} == drawn


def test_the_books_of_a_first_day_read_well(tmp_path) -> None:
    mine = fleet(tmp_path / "mine", BOTTLES)
    result = CliRunner().invoke(main, ["books", str(mine), "--month", "newest", "--out", str(tmp_path / "books")])
    assert result.exit_code == 0, result.output
    pages = sorted((tmp_path / "books").rglob("*.html"))
    assert len(pages) == 5  # months, fleet, digest, site, round
    said = {str(page.relative_to(tmp_path / "books")): words(page) for page in pages}
    for name, text in said.items():
        assert not re.search(r"\b(?:nan|NaN|NaT|None(?! of)|inf)\b", text), name
        assert not re.search(r"\b1 (?:bottles|samples|compartments|results|machines|sites|families)\b", text), name
    site = said["2026-05/sites/pit/book.html"]
    assert "leak suspected" in site
    assert "No alarm and no failure is on record yet." in site
