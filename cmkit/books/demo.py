"""The demo fleet's assessment, for a notebook that is opened without parameters."""

from pathlib import Path

from cmkit.assess import assess, newest_record
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError
from cmkit.records.load import load_fleet


def demo_assessment() -> Assessment:
    """The demo fleet as of its newest record; looked for beside the notebook and beside its folder. Raises ParameterError."""
    for folder in (Path("sample_data"), Path("../sample_data")):
        if (folder / "fleet.toml").exists():
            records = load_fleet(folder)
            return assess(records, newest_record(records))
    raise ParameterError(
        "assessment: empty, and no sample_data folder here; wanted the folder of a saved assessment (`cmkit assess`)."
    )
