"""The six stages in order: read → place → solve → link → derive → write.

Each stage declares what it needs and what it makes; an order that cannot work is refused before
anything is computed. A site that fails becomes a result like any other, so a batch goes on. `write`
makes what a site puts into a record; one writer takes that (`Sink`), for a batch in its order.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, TypeAlias, TypedDict

from lateralline.acceptance import accepted, unmatched
from lateralline.derive import derive
from lateralline.derive.ids import IdEvent
from lateralline.derive.whereabouts import Things
from lateralline.diagnose import (
    control_misread,
    counted_down,
    explained,
    exposures_off,
    leading,
    lengths_of,
    level_step,
    level_unit,
    stops_or_control,
    unknown_flow,
    with_assumed,
    with_doubts,
    with_unchecked,
)
from lateralline.errors import (
    Fault,
    LaterallineError,
    MissingExtraError,
    OutputError,
    SiteFaultsError,
    StageError,
    UnreadableError,
)
from lateralline.findings import Finding
from lateralline.ingest import read_site
from lateralline.ingest.intake import is_book
from lateralline.ingest.remote import at_hand, called, url_of
from lateralline.isolate import NUMERICAL, why
from lateralline.link import link
from lateralline.place import Placed, place
from lateralline.record.summary import SiteSummary, by_severity, summarise
from lateralline.records import FieldRecord, Linked, Product, Solved
from lateralline.solve import solve
from lateralline.wording import counted
from lateralline.write.ids import with_ids_as_left

if TYPE_CHECKING:
    from lateralline.write.content import Desk, SiteContent
    from lateralline.write.target import Target


class Sink(Protocol):
    """Where finished sites go: a `workspace.Build`, or a stand-in."""

    @property
    def desk(self) -> Desk:
        """Where sites are made ready, the same for all of them."""

    @property
    def target(self) -> Target:
        """How the next site is to be written."""

    def take(self, site: SiteContent) -> None:
        """Take one site whole, made for the target of now; raises OutputError for the disk."""

    def miss(self, name: str, source: str, why: str) -> None:
        """Take note of a site of the batch that is not in it: its pipes are in the ground too."""


class SiteWork(TypedDict, total=False):
    """All that is known of one site so far; every stage adds its own keys."""

    source: Path  # a site folder or workbook
    given: FieldRecord  # what was read of it before, if it was
    desk: Desk  # where it is made ready for a record
    target: Target  # and how that stands
    record: FieldRecord  # from derive on with its file of ids as a build leaves it
    placed: Placed
    solved: Solved
    linked: Linked
    products: tuple[Product, ...]
    derived: tuple[Finding, ...]  # what derive found
    ids: tuple[IdEvent, ...]  # what it adds to ids.csv
    where: Things  # what findings are about
    content: SiteContent  # what it puts into the record
    written: tuple[Finding, ...]  # what writing found


@dataclass(frozen=True, slots=True)
class Stage:
    """One step from what it needs to what it makes, both keys of `SiteWork`."""

    name: str
    needs: tuple[str, ...]
    makes: tuple[str, ...]
    run: Callable[[SiteWork], SiteWork]


@dataclass(frozen=True, slots=True)
class Site:
    """One field record, read and held to the schemas: its files had no fault."""

    source: Path  # the site folder, or the workbook
    record: FieldRecord  # marks, stops, exposures, control, settings; every row knows its line

    @property
    def id(self) -> str:
        """The id of the site, as its settings give it."""
        return self.record.settings.id

    @property
    def name(self) -> str:
        """The name of the site; "" when it has none beside its id."""
        return self.record.settings.name

    def __repr__(self) -> str:
        """Say what was read, and from where."""
        stops, marks = len(self.record.stops.stop), len(self.record.marks.kind)
        return f"<Site {self.id}: {stops} stops, {marks} marks, read from {self.source}>"


@dataclass(frozen=True, slots=True)
class SiteResult:
    """A site that went through every stage asked for."""

    site_id: str
    source: Path
    work: SiteWork  # all of it; of a batch what is left of it (`brief`)
    findings: tuple[Finding, ...]  # of every stage, errors first
    told: SiteSummary | None = None  # its summary, once that was made

    @property
    def home(self) -> str:
        """Its path, or the URL it is behind."""
        return called(self.source)

    def summary(self) -> SiteSummary:
        """Return per line how long, how deep, how sure; needs the stages up to derive."""
        if self.told is not None:
            return self.told
        return summarise(self.work["record"], self.work["products"], self.findings)

    def brief(self) -> SiteResult:
        """Return the result without the work of the stages: what a batch needs of it."""
        if "products" not in self.work:
            return self
        left: SiteWork = {"source": self.source, "ids": self.work["ids"]}
        if "content" in self.work:
            left["content"] = self.work["content"]
        return replace(self, work=left, told=self.summary())


@dataclass(frozen=True, slots=True)
class SiteFailure:
    """A site that stopped, and why; the batch goes on without it."""

    source: Path
    stage: str
    message: str
    faults: tuple[Fault, ...] = ()  # what is wrong in its files, when that is the reason
    findings: tuple[Finding, ...] = ()  # of the stages before, errors first
    unexpected: bool = False  # a fault of lateralline, not of the field record
    site_id: str = ""  # as its settings give it; "" where they could not be read whole

    @property
    def home(self) -> str:
        """Its path, or the URL it is behind."""
        return called(self.source)


# ---- the stages ---------------------------------------------------------------------------


def _read(work: SiteWork) -> SiteWork:
    return {"record": work["given"] if "given" in work else read_site(work["source"])}


def _place(work: SiteWork) -> SiteWork:
    record = work["record"]
    placed = with_assumed(record, with_doubts(record, place(record)))
    return {"placed": with_unchecked(record, placed)}


def _solve(work: SiteWork) -> SiteWork:
    record, placed = work["record"], work["placed"]
    solved = solve(placed.marks, record.stops, record.settings, placed.exposures)
    of_counters = counted_down(record, placed, solved)
    of_levels = level_step(record, placed, solved)
    if not of_counters:  # the wrong way round, grades and places along the run tell nothing
        of_levels = of_levels or level_unit(record, placed, solved)
        of_counters = exposures_off(record, placed, solved)
    flow = unknown_flow(record, placed, solved)
    findings = (*of_levels, *lengths_of(record, solved), *of_counters, *flow.findings)
    return {"solved": replace(solved, findings=findings, ways=flow.ways)}


def _link(work: SiteWork) -> SiteWork:
    record, made = work["record"], _linked(work)
    linked = made["linked"]
    found = _staged_findings({**work, **made})
    of_control = control_misread(record, work["placed"], found, _once_more)
    return {"linked": replace(linked, findings=(*linked.findings, *of_control))}


def _linked(work: SiteWork) -> SiteWork:
    record, solved = work["record"], work["solved"]
    linked = link(solved, work["placed"].exposures, solved.directed(record.settings))
    return {"linked": replace(linked, findings=stops_or_control(record, linked))}


def _once_more(record: FieldRecord) -> tuple[Finding, ...]:
    """Return the findings of the stages up to link on another record of a site."""
    work: SiteWork = {"record": record}
    for stage in (_place, _solve, _linked):
        work = {**work, **stage(work)}
    return _staged_findings(work)


def _derive(work: SiteWork) -> SiteWork:
    record, placed, earlier = work["record"], work["placed"], _staged_findings(work)
    record = replace(record, settings=work["solved"].directed(record.settings))
    made = derive(
        record,
        placed.marks,
        placed.exposures,
        work["solved"],
        work["linked"],
        earlier=earlier,
        frame=placed.frame,
    )
    # where lengths between marks are wrong, all that is found only follows from it
    lengths_unreliable = placed.lengths_unreliable or work["solved"].lengths_unreliable
    own = tuple(f for f in made.findings if not (lengths_unreliable or explained(f, earlier)))
    answered = record.settings.accepted
    found = [(f.code, f.subject, f.causes) for f in (*earlier, *own) if answered]
    own += unmatched(found, answered, writing=False)
    products = made.with_findings(record.settings.id, accepted((*earlier, *own), answered))
    # of the record as it was read: what `directed` assumed is no setting of the site's
    listed = with_ids_as_left(work["record"], work["source"], made.ids)
    return {
        "record": listed,
        "products": products,
        "derived": own,
        "ids": made.ids,
        "where": made.where,
    }


def _write(work: SiteWork) -> SiteWork:
    frame, products = work["placed"].frame, work["products"]
    content = work["desk"].content(work["record"], frame, products, work["target"])
    return {"content": content, "written": content.findings}


STAGES: Final = (
    Stage("read", ("source",), ("record",), _read),
    Stage("place", ("record",), ("placed",), _place),
    Stage("solve", ("record", "placed"), ("solved",), _solve),
    Stage("link", ("record", "placed", "solved"), ("linked",), _link),
    Stage(
        "derive",
        ("record", "placed", "solved", "linked"),
        ("record", "products", "derived", "ids", "where"),
        _derive,
    ),
    Stage(
        "write",
        ("desk", "target", "record", "placed", "products"),
        ("content", "written"),
        _write,
    ),
)


def plan(until: str, given: Iterable[str], stages: tuple[Stage, ...] = STAGES) -> tuple[Stage, ...]:
    """Return the stages up to and with `until`, proven to find what they need.

    `given` names the keys of `SiteWork` there from the start. Raises StageError, before anything is
    computed, when there is no such stage or one would run before what it needs is made.
    """
    names = [s.name for s in stages]
    if until not in names:
        raise StageError(f"no stage named {until!r}; there are: {', '.join(names)}")
    there = set(given)
    chosen = stages[: names.index(until) + 1]
    for stage in chosen:
        missing = [need for need in stage.needs if need not in there]
        if missing:
            raise StageError(
                f"stage {stage.name} needs {', '.join(missing)}: made by nobody before"
            )
        there.update(stage.makes)
    return chosen


# ---- sites --------------------------------------------------------------------------------


def run_site(
    site: Path | Site,
    *,
    until: str = "write",
    sink: Sink | None = None,
    stages: tuple[Stage, ...] = STAGES,
) -> SiteResult | SiteFailure:
    """Run one site through the stages up to `until`; `sink` is needed for `write` only.

    A site given by its path is read first.

    Whatever one site raises is returned as a SiteFailure. Raises StageError for stages in an order
    that cannot work, and OutputError when the disk fails.
    """
    place = None if sink is None else (sink.desk, sink.target)
    chosen = plan(until, given(site, place), stages)
    result = brought(site, lambda here: through(here, chosen, place))
    if sink is not None and isinstance(result, SiteResult):
        sink.take(result.work["content"])
    return result


#: Where a site is made ready for a record, and how that stands.
Place: TypeAlias = "tuple[Desk, Target]"


def given(site: Path | Site, place: Place | None) -> SiteWork:
    """Return what is known of a site before the first stage."""
    work: SiteWork = {"source": source_of(site)}
    if isinstance(site, Site):
        work["given"] = site.record
    if place is not None:
        work["desk"], work["target"] = place
    return work


def brought(
    site: Path | Site, run: Callable[[Path | Site], SiteResult | SiteFailure]
) -> SiteResult | SiteFailure:
    """Return what `run` makes of a site; of one behind a URL while the files of it are here."""
    if isinstance(site, Site) or not url_of(site):
        return run(site)
    try:
        with at_hand(site) as here:
            made = run(here)
    except (UnreadableError, MissingExtraError) as e:
        return SiteFailure(site, "read", str(e))
    if isinstance(made, SiteFailure):
        return replace(made, source=site)
    work: SiteWork = {**made.work, "source": site}
    if "content" in work:
        copies = [c._replace(source=_folder(site) / c.source.relative_to(_folder(here)))
                  for c in work["content"].copies]  # fmt: skip
        work["content"] = replace(work["content"], copies=tuple(copies))
    return replace(made, source=site, work=work)


def through(
    site: Path | Site, stages: tuple[Stage, ...], place: Place | None
) -> SiteResult | SiteFailure:
    """Run one site through stages that `plan` has chosen, as `run_site` does; nothing takes it."""
    work = given(site, place)
    source = work["source"]
    for stage in stages:
        failure = partial(SiteFailure, source, stage.name, site_id=_named(work))
        try:
            made = stage.run(work)
        except OutputError:
            raise  # the disk, not the site: the next one would meet it too
        except SiteFaultsError as e:
            return failure(counted(len(e.faults), "fault"), e.faults)
        except LaterallineError as e:
            return failure(str(e), findings=_so_far(work))
        except NUMERICAL as e:  # of the site as a whole: no stop or line could be left out for it
            return failure(_numbers_failed(e), findings=_so_far(work))
        except OSError as e:  # a disk, a share, a link: nothing lateralline has done
            message = f"{e.filename or 'a file'}: {e.strerror or e}"
            return failure(message, findings=_so_far(work))
        except Exception as e:
            return failure(_please_report(e), findings=_so_far(work), unexpected=True)
        if set(made) != set(stage.makes):
            raise StageError(f"stage {stage.name} made {sorted(made)}, not {sorted(stage.makes)}")
        work = {**work, **made}
    return SiteResult(_named(work), source, work, _so_far(work))


def _folder(source: Path) -> Path:
    return source.parent if is_book(source) else source


def source_of(site: Path | Site) -> Path:
    """Return the folder or workbook of a site."""
    return site.source if isinstance(site, Site) else site


def _named(work: SiteWork) -> str:
    return work["record"].settings.id if "record" in work else ""


def _so_far(work: SiteWork) -> tuple[Finding, ...]:
    """Return the findings of every stage that ran, errors first."""
    return by_severity(findings_of(work))


def findings_of(work: SiteWork) -> tuple[Finding, ...]:
    """Return the findings of every stage that ran, in the order of the stages."""
    found = (*_staged_findings(work), *work.get("derived", ()), *work.get("written", ()))
    if "where" in work:
        found = tuple(map(work["where"].named, found))
    return accepted(found, work["record"].settings.accepted) if "record" in work else found


def _staged_findings(work: SiteWork) -> tuple[Finding, ...]:
    """Return the findings of the stages before derive, causes first; not what only follows."""
    solved = "placed" in work and "solved" in work and not work["placed"].lengths_unreliable
    linked = solved and "linked" in work and not work["solved"].lengths_unreliable
    return leading(
        (
            *(work["record"].findings if "record" in work else ()),
            *(work["placed"].findings if "placed" in work else ()),
            *(work["solved"].findings if solved else ()),
            *(work["linked"].findings if linked else ()),
        )
    )


def _numbers_failed(error: Exception) -> str:
    """Name a failure of the site's numbers that no one stop or line is to blame for."""
    return (
        f"its numbers could not be worked out ({why(error)}). Look for a coordinate, level, "
        "reading or accuracy out of all measure; what was found before this is listed"
    )


def _please_report(error: Exception) -> str:
    """Name an error nobody foresaw, and where in the code it rose."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"{type(error).__name__}: {error} ({Path(last.filename).name}:{last.lineno}). "
        "This is a fault of lateralline, not of the field record: please report it, "
        "with the files of this site."
    )
