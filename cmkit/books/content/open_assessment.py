"""The assessment a notebook's parameter names: one saved, or a fleet's folder assessed on the spot; the demo fleet when it names none."""

from pathlib import Path

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment, load_assessment
from cmkit.errors import ParameterError
from cmkit.learn import newest_record
from cmkit.records.reading.load import load_fleet
from cmkit.review import read_review

_WHAT_TO_DO = "Set `assessment` in the notebook's first cell to a fleet's folder (its fleet.toml), or make the demo fleet here: `cmkit demo sample_data`."


def given_assessment(folder: str = "") -> Assessment:
    """The saved assessment in `folder`, or the fleet there as of its newest record.

    folder: of a saved assessment (about.json) or of a fleet (fleet.toml); empty: sample_data beside the notebook, or beside its folder.
    Raises ParameterError that says what to do when there is neither.
    """
    places = [Path(folder)] if folder else [Path("sample_data"), Path("../sample_data")]
    for place in places:
        if (place / "about.json").exists():
            return load_assessment(place)
        if (place / "fleet.toml").exists():
            records = load_fleet(place)
            return assess_fleet(records, newest_record(records), read_review(place))
    found = (
        f"found {folder!r}, no folder of a fleet or of a saved assessment"
        if folder
        else "empty, and no sample_data folder here"
    )
    raise ParameterError(f"assessment: {found}. {_WHAT_TO_DO}")
