"""`python -m cmkit.simulate RECIPE FOLDER`: write the fleet of a recipe into a folder."""

import sys
from pathlib import Path

from cmkit.simulate.write import read_recipe, write_fleet


def main(arguments: list[str]) -> None:
    """RECIPE FOLDER [SEED]."""
    recipe, folder, *seed = arguments
    write_fleet(read_recipe(Path(recipe)), Path(folder), int(seed[0]) if seed else None)


if __name__ == "__main__":
    main(sys.argv[1:])
