"""Many sites through the stages, a few at a time, and into a record in the order given.

A site's own work is a task for any process (`workers`): read it, take it through the stages, make
what it puts into the record. All that sites share is decided here, in their order: whose an id is,
what the record's coordinates and levels are. A task is told how that stands when it is handed out;
where it has changed since, and shows in the site, the site is done once more. So a record depends
on nothing but its sites and their order.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Generator, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from lateralline import contract
from lateralline.errors import Fault, LaterallineError
from lateralline.ingest import bulk_of, setting_of
from lateralline.ingest.intake import SITE_FILE, is_book
from lateralline.ingest.remote import at_hand, called
from lateralline.stages import (
    STAGES,
    Sink,
    Site,
    SiteFailure,
    SiteResult,
    Stage,
    brought,
    given,
    plan,
    source_of,
    through,
)
from lateralline.workers import WorkerLostError, in_order

if TYPE_CHECKING:  # what only checks sites does not wait for what writes
    from lateralline.kept import Kept
    from lateralline.write.content import Desk
    from lateralline.write.target import Target


@dataclass(frozen=True, slots=True)
class SiteJob:
    """What is done with each site of a batch, wherever that is."""

    stages: tuple[Stage, ...]
    desk: Desk | None
    brief: bool
    kept: Kept | None = None

    def __call__(self, task: SiteTask) -> SiteResult | SiteFailure:
        """Take a site through the stages, or take what is kept of it."""
        result = brought(task.site, lambda here: self._made(here, task))
        return result.brief() if self.brief and isinstance(result, SiteResult) else result

    def _made(self, here: Path | Site, task: SiteTask) -> SiteResult | SiteFailure:
        site, target = task
        place = None if self.desk is None or target is None else (self.desk, target)
        if self.kept is None or target is None or isinstance(site, Site) or isinstance(here, Site):
            return through(here, self.stages, place)
        key = self.kept.key(here, site)
        known = self.kept.recall(here, key, target, site)
        if known is not None:
            return known
        result = through(here, self.stages, place)
        if isinstance(result, SiteResult):
            self.kept.remember(here, key, result, site)
        return result


class SiteTask(NamedTuple):
    """A site of a batch, and how the record stood when its turn came."""

    site: Path | Site
    target: Target | None = None


def run_sites(
    sites: Iterable[Path | Site],
    *,
    until: str = "write",
    sink: Sink | None = None,
    taken: dict[str, Path] | None = None,
    stages: tuple[Stage, ...] = STAGES,
    workers: int | None = 1,
    brief: bool = False,
    kept: Kept | None = None,
    cluster: str = "",
) -> Generator[SiteResult | SiteFailure, None, None]:
    """Run sites, holding a few at a time; a bad one never stops the rest. Results in their order.

    `taken` are site ids used before, and by whom; those of these sites join them. `workers` are
    processes, None as many as there are cores where the sites are worth it (`workers.in_order`);
    what comes of it does not depend on them. Processes need `brief` results, without the work of
    the stages. `kept` are results of earlier builds, which are brief too. `cluster` is
    the address of a scheduler whose workers take the place of processes here.
    """
    taken = {} if taken is None else taken
    sites = list(sites)
    place = None if sink is None else (sink.desk, sink.target)
    chosen = plan(until, given(Path(), place), stages)
    job = SiteJob(chosen, None if sink is None else sink.desk, brief, kept)
    told: deque[Target | None] = deque()

    def task(site: Path | Site) -> SiteTask:
        told.append(None if sink is None else sink.target)
        return SiteTask(site, told[-1])

    missed: list[tuple[Path, str]] = []
    hire = None
    if cluster:
        from lateralline.cluster import Cluster

        hire = partial(Cluster[SiteTask, SiteResult | SiteFailure], cluster)
    with closing(in_order(job, map(task, sites), len(sites), workers, hire)) as answers:
        for site in sites:
            made = next(answers)
            result = _settled(SiteTask(site, told.popleft()), made, job, sink, taken)
            if isinstance(result, SiteResult):
                taken[result.site_id.casefold()] = result.source
            else:
                why = f"it could not be built, in stage {result.stage}: {result.message}"
                missed.append((result.source, why))
            del made
            yield result
            del result
    if sink is not None:
        for source, why in missed:
            home = source.resolve()
            file = home.stem if home.is_file() or is_book(home) else home.name
            sink.miss(_id_of(source, taken) or file, file, why)


def _settled(
    task: SiteTask,
    made: SiteResult | SiteFailure | WorkerLostError,
    job: SiteJob,
    sink: Sink | None,
    taken: Mapping[str, Path],
) -> SiteResult | SiteFailure:
    """Return what becomes of a site behind all those before it; the sink has it then.

    Where the record no longer stands as it did when the site was begun, and that may show in the
    site, it is done again.
    """
    if isinstance(made, WorkerLostError):
        return SiteFailure(source_of(task.site), "process", str(made))
    if made.site_id and (other := taken.get(made.site_id.casefold())) is not None:
        return _same_id(made, other)
    if sink is None:
        return made
    if task.target is not sink.target and _stale(made, sink.target):
        made = job(SiteTask(task.site, sink.target))
    if isinstance(made, SiteResult):
        sink.take(made.work["content"])
    return made


def _stale(made: SiteResult | SiteFailure, target: Target) -> bool:
    """Tell whether a site may come out otherwise now that the record stands like this."""
    if isinstance(made, SiteResult):
        return not target.holds(made.work["content"].target)
    return made.stage == STAGES[-1].name


def _same_id(made: SiteResult | SiteFailure, other: Path) -> SiteFailure:
    """Return the failure of a site whose id another has: ids become file names, in any case."""
    source = made.source
    must = "must be unique among the sites of one batch"
    hint = f"{called(other)} has it already; give one of them another id"
    file = source.name if is_book(source) or bulk_of(source) is not None else SITE_FILE
    fault = Fault(file, 0, "[site] id", made.site_id, must, hint)
    return SiteFailure(source, "read", "1 fault", (fault,), site_id=made.site_id)


def _id_of(source: Path, taken: Mapping[str, Path]) -> str:
    """Return the id of a site that was not built, "" where it has none of its own.

    Under its id it is no more called missing once it is built; an id that another site has is not
    its own.
    """
    try:
        with at_hand(source) as here:
            found = setting_of(here, "site", "id")
    except LaterallineError:
        found = ""
    known = re.fullmatch(contract.load("site").column("id", "site").pattern, found)
    return found if known and found.casefold() not in taken else ""
