"""A whole fleet, site by site: a few small sites or one large one are a task, each saved as it ends, and the parts are
put together at the end.

A site whose records, learnt numbers and settings did not change keeps the tables it has: its saved part names a hash
over all three.
"""

import dataclasses
import hashlib
import json
import shutil
import sys
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from itertools import chain
from pathlib import Path

import pandas as pd

import cmkit
from cmkit.assess import assess_known, last_month_end
from cmkit.assessment import KIND as ASSESSED
from cmkit.assessment import Assessment, load_assessment
from cmkit.combine import combine
from cmkit.engine import SERIAL, Workers
from cmkit.errors import CmkitError, StoreError, WriteError
from cmkit.files import check_place, checked_rows, scratch_folder, write_file
from cmkit.learn import learn
from cmkit.learnt import KIND as LEARNT
from cmkit.learnt import Learnt, load_learnt
from cmkit.records.fleet import Fleet, concerning
from cmkit.records.settings import Settings
from cmkit.records.spreadsheets import safe_csv
from cmkit.records.storing.sites import chosen_records, frame_digest, newest_day, site_contents, site_records
from cmkit.records.storing.versions import default_store, open_version, read_table
from cmkit.review import NO_REVIEW, Review, read_review
from cmkit.site_parts import save_parts
from cmkit.tables.records import TABLES

MOST_BOTTLES = 40_000  # own choice: learnt from at most. A family then has some 50 compartments; what four times as
# many teach lies within sampling error of it (tests/benchmarks/large_fleet.md)
FEWEST_BOTTLES, ENOUGH_BOTTLES = 1_200, 40_000  # own choice: of a task. With fewer, most of it is the fixed cost of
# many small tables; with more, little is gained and one process holds more
_TASKS = 4  # own choice: of a fleet of middling size at least, so that several processes have work
SITES = "sites.csv"
_PLACES = ("learnt", "sites", SITES)  # in a folder of parts
_WHAT = {True: "unchanged", False: "assessed"}
_INPUTS = "inputs"  # in the `about` of a part: the hash of what it was made from


@dataclass(frozen=True)
class StoredSites:
    """Records in a version of a store: the task that assesses some sites reads them."""

    store: str
    version: int | None

    def of(self, sites: Collection[str]) -> Fleet:
        """All of some sites."""
        return site_records(self.store, sites, self.version)

    def contents(self, sites: Collection[str]) -> dict[str, str]:
        """A hash over the records of each site, read from its registers and the names of its files only."""
        return site_contents(self.store, sites, self.version)


@dataclass(frozen=True)
class HeldSites:
    """Records at hand."""

    fleet: Fleet

    def of(self, sites: Collection[str]) -> Fleet:
        """Some sites', without notes on reading."""
        notes = {name: getattr(self.fleet, name).iloc[:0] for name in ("set_aside", "repairs", "counts")}
        return replace(_records_of(self.fleet, sites), **notes, arrivals=None, sources={})

    def contents(self, sites: Collection[str]) -> dict[str, str]:
        """A hash over the records of each site."""
        return {site: _content(self.fleet.for_site(site)) for site in sites}


@dataclass(frozen=True)
class SitesJob:
    """Sites to assess together. records: theirs, or where they are read; as_of: ISO day; learnt, place: where numbers
    are read and where the folders of sites are.
    """

    sites: tuple[str, ...]
    records: HeldSites | StoredSites
    as_of: str
    learnt: str
    place: str
    stamp: str

    def folder(self, site: str) -> Path:
        """Where a site's tables go."""
        return Path(self.place) / "sites" / hashlib.sha256(site.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class SiteDone:
    """What came of it. kept: nothing had changed; seconds, cpu_s: its share of the task."""

    site: str
    folder: str
    compartments: int
    kept: bool
    seconds: float
    cpu_s: float

    @property
    def words(self) -> str:
        """One line of progress."""
        what = "unchanged" if self.kept else f"assessed in {self.seconds:.1f} s"
        return f"{self.site or 'machines of no site'}: {self.compartments:,} compartments {what}"


Progress = Callable[[SiteDone, int, int], None]


def assess_by_site(
    fleet: Fleet,
    as_of: str | pd.Timestamp,
    review: Review = NO_REVIEW,
    *,
    learnt: Learnt | None = None,
    keep: Path | None = None,
    workers: Workers = SERIAL,
    progress: Progress | None = None,
) -> Assessment:
    """Learn, assess the sites in tasks, small ones several at a time, and combine; the same tables whoever does them.

    learnt: of this fleet, learnt earlier (default: learnt now); not of a later day than `as_of`, else CmkitError. keep:
    a folder of ours in which sites' parts stay from run to run; without it nothing is kept. Equal to
    :func:`cmkit.assess.assess_fleet` but for the order of record tables (site after site), and but for the sixth
    decimal of chances and of interval costs.
    """
    day = fleet.checked_day(as_of)
    learnt = learn(fleet, day, review, workers=workers) if learnt is None else _not_later(learnt, day)
    with scratch_folder() if keep is None else nullcontext(keep) as place:
        learnt.save(place / "learnt")
        sites = _sites(fleet)
        stamp = _stamp(fleet.settings, place / "learnt")
        groups = sites_of_tasks(_bottles_by_site(fleet, sites))
        held = (HeldSites(_records_of(fleet, group)) for group in groups)
        jobs = (_job(g, records, day, place, stamp) for g, records in zip(groups, held, strict=True))
        done = _assessed(jobs, len(sites), workers, progress)
        parts = [_without_inputs(load_assessment(done[site].folder)) for site in sites]
    return combine(parts, _reading(fleet).as_of(day))


def assess_store(
    store: str | Path,
    as_of: str | pd.Timestamp,
    keep: Path,
    review: Review = NO_REVIEW,
    *,
    learnt: Learnt | None = None,
    version: int | None = None,
    most_bottles: int = MOST_BOTTLES,
    workers: Workers = SERIAL,
    progress: Progress | None = None,
) -> dict[str, SiteDone]:
    """A fleet that does not fit in memory, from its store: sites are read by the task that assesses them, and a site's
    tables stay in a folder of their own under `keep`, named in what is returned, by site in order.

    Learnt from the whole fleet where it has at most `most_bottles`, else from machines evenly spread over it with about
    as many: what is learnt no longer depends on how many more there are. No process holds more than the largest task
    and what is learnt, or the records learnt from. learnt: of this fleet, learnt earlier. StoreError, CmkitError as
    the functions it calls.
    """
    sites = read_table(store, "sites", version=version)["site"].tolist()
    fleet = chosen_records(store, most_bottles, version) if learnt is None else site_records(store, sites[:1], version)
    day = fleet.checked_day(as_of)
    learnt = learn(fleet, day, review, workers=workers) if learnt is None else _not_later(learnt, day)
    learnt.save(keep / "learnt")
    stamp = _stamp(fleet.settings, keep / "learnt")
    del fleet
    bottles = dict.fromkeys(sites, 0) | open_version(store, version).bottles()
    jobs = (_job(group, StoredSites(str(store), version), day, keep, stamp) for group in sites_of_tasks(bottles))
    done = _assessed(jobs, len(sites), workers, progress)
    return {site: done[site] for site in sites}


def assess_into(
    fleet: Path,
    out: Path,
    as_of: str | None = None,
    *,
    version: int | None = None,
    keep_learnt: bool = False,
    processes: int | None = None,
    scheduler: str = "",
) -> str:
    """:func:`assess_store` of a fleet's folder or a store, with a record of each task in `out`/sites.csv; what came of
    it, in words. Progress goes to stderr, a line a site.

    as_of: the newest record's day where None; keep_learnt: what is in `out` from the last run is used; scheduler: of a
    dask cluster. Raises StoreError where there is no store, WriteError where `out` holds anything else.
    """
    store = _store_of(fleet)
    _check_parts(out)
    day = as_of or newest_day(store, version)
    done = assess_store(
        store,
        day,
        out,
        read_review(fleet),
        learnt=load_learnt(out / "learnt") if keep_learnt else None,
        version=version,
        workers=Workers("cluster" if scheduler else "local", scheduler=scheduler, processes=processes or 0),
        progress=lambda part, n, total: print(f"site {n} of {total}: {part.words}", file=sys.stderr, flush=True),
    )
    rows = [
        (d.site, f"sites/{Path(d.folder).name}", d.compartments, _WHAT[d.kept], round(d.seconds, 2), round(d.cpu_s, 2))
        for d in done.values()
    ]
    record = pd.DataFrame(rows, columns=["site", "folder", "compartments", "what", "seconds", "cpu_s"])
    write_file(out / SITES, safe_csv(record))
    states = pd.concat(pd.read_parquet(Path(d.folder) / "verdicts.parquet", columns=["state"]) for d in done.values())
    said = ", ".join(f"{(states['state'] == s).sum():,} {s}" for s in ("alarm", "alert", "clear", "not known"))
    learnt = load_learnt(out / "learnt").about
    return (
        f"{len(done):,} sites, {len(states):,} compartments as known on {day}: {said}.\n"
        f"Learnt from {learnt['compartments']:,} of {record['compartments'].sum():,} compartments, "
        f"{learnt['bottles']:,} bottles.\n"
        f"Tables of each site in the folder that {out / SITES} names."
    )


def _store_of(folder: Path) -> Path:
    """The store of a fleet's folder, or the folder itself where it is one."""
    own = default_store(folder)
    if not own.exists() and not (folder / "CURRENT").exists():
        raise StoreError(f"{folder}: no store; wanted a fleet's folder that has one (`cmkit take-in`), or a store.")
    return own if own.exists() else folder


def _check_parts(folder: Path) -> None:
    """Whether `folder` is new, empty, or holds parts of sites, and can be written to."""
    others = sorted(p.name for p in folder.iterdir() if p.name not in _PLACES) if folder.is_dir() else []
    if others:
        raise WriteError(f"{folder}: holds {', '.join(others[:3])}; wanted a new folder, or one of `assess-sites`.")
    check_place(folder / "learnt", LEARNT)


def _assessed(jobs: Iterator[SitesJob], count: int, workers: Workers, progress: Progress | None) -> dict[str, SiteDone]:
    """What came of every site."""
    done = {}
    for n, result in enumerate(chain.from_iterable(workers.each(assess_sites, jobs, _lost)), start=1):
        done[result.site] = result
        if progress:
            progress(result, n, count)
    return done


def _not_later(learnt: Learnt, day: pd.Timestamp) -> Learnt:
    if learnt.as_of > day:
        raise CmkitError(
            f"learnt on {learnt.as_of:%Y-%m-%d}, after {day:%Y-%m-%d}: an assessment must not know more than its day. "
            f"Learn again as of that day."
        )
    return learnt


def _sites(fleet: Fleet) -> list[str]:
    """Sites of the fleet in its order; one without a name where there is none at all."""
    return list(dict.fromkeys([*fleet.sites["site"], *fleet.machines["site"]])) or [""]


def _reading(fleet: Fleet) -> Fleet:
    """What is known of reading the records, and the corrections; no record of a machine."""
    none = {name: getattr(fleet, name).iloc[:0] for name in TABLES if name != "corrections"}
    return replace(fleet, **none, elsewhere=fleet.elsewhere | set(fleet.compartments["compartment"]))


def _bottles_by_site(fleet: Fleet, sites: list[str]) -> dict[str, int]:
    machine = fleet.compartments.set_index("compartment")["machine"]
    site = fleet.machines.set_index("machine")["site"]
    counts = fleet.samples["compartment"].map(machine).map(site).value_counts().to_dict()
    return {name: counts.get(name, 0) for name in sites}


def sites_of_tasks(bottles: dict[str, int]) -> list[tuple[str, ...]]:
    """Sites of each task, those with most bottles first, from the number of bottles by site; the same whoever does the
    tasks.
    """
    total = sum(bottles.values())
    size = min(max(total // _TASKS, FEWEST_BOTTLES), ENOUGH_BOTTLES)
    count = max(1, total // size)
    count = count if count < _TASKS else _TASKS * -(-count // _TASKS)  # so that 2 or 4 processes end together
    groups: list[list[str]] = [[] for _ in range(min(len(bottles), count))]
    filled = [0] * len(groups)
    for site in sorted(bottles, key=lambda site: -bottles[site]):
        least = filled.index(min(filled))
        groups[least].append(site)
        filled[least] += bottles[site]
    order = {site: n for n, site in enumerate(bottles)}
    largest_first = sorted(range(len(groups)), key=lambda n: -filled[n])
    return [tuple(sorted(groups[n], key=order.__getitem__)) for n in largest_first]


def _records_of(fleet: Fleet, sites: Collection[str]) -> Fleet:
    """The records of some sites."""
    if set(sites) >= set(fleet.machines["site"]):
        return fleet
    own = fleet.for_machines(fleet.machines.loc[fleet.machines["site"].isin(sites), "machine"])
    return replace(own, sites=fleet.sites[fleet.sites["site"].isin(sites)].reset_index(drop=True))


def _job(
    sites: tuple[str, ...], records: HeldSites | StoredSites, day: pd.Timestamp, place: Path, stamp: str
) -> SitesJob:
    return SitesJob(sites, records, f"{day:%Y-%m-%d}", str(place / "learnt"), str(place), stamp)


def assess_sites(job: SitesJob) -> list[SiteDone]:
    """Assess some sites together and save the part of each, unless what is saved was made from the same."""
    started, cpu = time.perf_counter(), time.process_time()
    contents = job.records.contents(job.sites)
    inputs = {site: _digest(job.stamp, job.as_of, contents[site]) for site in job.sites}
    changed = [site for site in job.sites if _made_from(job.folder(site)) != inputs[site]]
    if changed:
        records = job.records.of(changed)
        known = records.as_of(job.as_of)
        whole = assess_known(known, records.as_of(last_month_end(known)), _learnt(job.learnt, job.stamp))
        save_parts(whole, known, {s: job.folder(s) for s in changed}, {s: {_INPUTS: inputs[s]} for s in changed})
    places = {site: _rows(job.folder(site))["compartments.parquet"] for site in job.sites}
    share = {site: n / max(sum(places.values()), 1) for site, n in places.items()}
    took = time.perf_counter() - started, time.process_time() - cpu
    return [
        SiteDone(site, str(job.folder(site)), n, site not in changed, share[site] * took[0], share[site] * took[1])
        for site, n in places.items()
    ]


def _lost(job: SitesJob, error: str) -> list[SiteDone]:
    raise CmkitError(
        f"sites {', '.join(job.sites)}: the process that assessed them was killed, and killed again when tried alone "
        f"({error}). "
        "Was there memory enough? Sites done are kept where a folder for them was named."
    )


@cache
def _learnt(folder: str, stamp: str) -> Learnt:
    """What was learnt, read once in each process; stamp: tells one month's from another's in the same folder."""
    del stamp
    return load_learnt(folder)


def _rows(folder: Path) -> dict[str, int]:
    """Rows of each table in a saved part, which is whole."""
    return checked_rows(folder, ASSESSED, "Assess again.")


def _made_from(folder: Path) -> str:
    """The hash in a saved part; empty where there is none that is whole, and what is there of it is taken away: the
    folder's name is our own.
    """
    try:
        _rows(folder)
        return str(json.loads((folder / "about.json").read_text(encoding="utf-8")).get(_INPUTS, ""))
    except (CmkitError, OSError, ValueError):
        shutil.rmtree(folder, ignore_errors=True)
        return ""


def _without_inputs(part: Assessment) -> Assessment:
    return replace(part, about={name: value for name, value in part.about.items() if name != _INPUTS})


def _content(records: Fleet) -> str:
    """A hash over the records of a site. Of the corrections only those count that concern it."""
    own = concerning(records.corrections, records.samples["sample"], records.compartments["compartment"])
    tables = {name: getattr(records, name) for name in TABLES} | {"corrections": records.corrections[own]}
    return _digest(*(frame_digest(table) for table in tables.values()))


def _digest(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _stamp(settings: Settings, learnt: Path) -> str:
    """One hash over what all sites share: the numbers learnt, the settings and cmkit's own code."""
    shared = hashlib.sha256(repr(sorted(dataclasses.asdict(settings).items())).encode())
    for path in [*sorted(learnt.glob("*")), *_code()]:
        shared.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return shared.hexdigest()


def _code() -> Iterator[Path]:
    """Files that an assessment's values may depend on: all of cmkit but the books."""
    own = Path(str(files(cmkit)))
    found = sorted(p for p in own.rglob("*") if p.suffix in (".py", ".csv", ".toml") and p.is_file())
    return (p for p in found if p.relative_to(own).parts[0] not in ("books", "simulate"))
