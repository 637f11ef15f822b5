"""Folder names made from the names of sites, which are anybody's text."""

import hashlib
import re
from collections import Counter
from collections.abc import Iterable

LONGEST = 60
_PLAIN = re.compile(r"[a-z0-9][a-z0-9-]*")
# names that some file systems keep for devices
_KEPT = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}


def site_folders(sites: Iterable[str]) -> dict[str, str]:
    """A folder name for each site: its name in small letters, spaces as hyphens; with a short hash where that would not
    be unique or safe.

    The result holds small letters, digits and hyphens only, whatever the name holds.
    """
    names = list(dict.fromkeys(sites))
    slugs = {name: re.sub(r"[ _]+", "-", name.strip().lower()) for name in names}
    count = Counter(slugs.values())
    return {name: slug if count[slug] == 1 and _safe(slug) else _hashed(name) for name, slug in slugs.items()}


def _safe(slug: str) -> bool:
    return bool(_PLAIN.fullmatch(slug)) and len(slug) <= LONGEST and slug not in _KEPT


def _hashed(name: str) -> str:
    words = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40].strip("-") or "site"
    return f"{words}-{hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def site_pages(sites: Iterable[str]) -> dict[str, str]:
    """Address of each site's book as seen from the fleet book of the same month."""
    return {site: f"sites/{folder}/book.html" for site, folder in site_folders(sites).items()}
