"""Books: an assessment's tables become pages, run as notebooks, exported and published.

Importing nbformat builds a grammar (1.2 s) for a format check of jsonschema's that notebooks never use; papermill,
nbconvert and kernels behave the same without it, so it is kept out of processes that make books.
"""

import sys

sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
