"""python -m cmkit.tables DEVELOPERS.md        writes the dictionary between the marks of a Markdown file"""

import sys
from pathlib import Path

from cmkit.tables.describe import in_guide

for name in sys.argv[1:]:
    path = Path(name)
    path.write_text(in_guide(path.read_text(encoding="utf-8")), encoding="utf-8")
