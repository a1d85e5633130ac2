"""Stages run in an order that works, and one bad site never stops a batch."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from lateralline.batch import run_sites
from lateralline.errors import Fault, FrameError, SiteFaultsError, StageError
from lateralline.findings import Finding
from lateralline.stages import (
    STAGES,
    SiteFailure,
    SiteResult,
    SiteWork,
    Stage,
    plan,
    run_site,
)


def finding(severity: str, stage: str) -> Finding:
    return Finding(severity, stage, "test", "site", "something", "", "")


def record_of(site_id: str, *findings: Finding) -> SimpleNamespace:
    return SimpleNamespace(settings=SimpleNamespace(id=site_id, accepted=()), findings=findings)


def reading(read: Callable[[SiteWork], object]) -> Stage:
    return Stage("read", ("source",), ("record",), lambda work: {"record": read(work)})


def by_folder_name(work: SiteWork) -> SimpleNamespace:
    """A record with the folder's name as id; a folder called bad or broken fails."""
    name = work["source"].name
    if name == "bad":
        raise SiteFaultsError("bad", [Fault("marks.csv", 14, "offset", "3,2", "must be a number")])
    if name == "broken":
        raise ZeroDivisionError("division by zero")
    return record_of(name, finding("info", "read"), finding("error", "read"))


def test_the_stages_are_six_and_in_order() -> None:
    assert [s.name for s in STAGES] == ["read", "place", "solve", "link", "derive", "write"]
    assert plan("write", {"source", "desk", "target"}) == STAGES
    assert [s.name for s in plan("derive", {"source"})][-1] == "derive"


def test_every_stage_declares_real_keys() -> None:
    keys = set(SiteWork.__annotations__)
    for stage in STAGES:
        assert {*stage.needs, *stage.makes} <= keys


def test_missing_needs_are_refused_before_anything_runs() -> None:
    ran: list[str] = []
    first = Stage("read", ("source",), ("record",), lambda work: ran.append("read") or {})
    second = Stage("write", ("products",), ("written",), lambda work: ran.append("write") or {})
    with pytest.raises(StageError, match="write needs products"):
        run_site(Path("a"), stages=(first, second))
    assert ran == []


def test_writing_without_a_sink_is_refused_before_anything_runs() -> None:
    with pytest.raises(StageError, match="write needs desk, target"):
        run_site(Path("a"))


def test_an_unknown_stage_is_refused_and_the_known_ones_named() -> None:
    with pytest.raises(StageError, match=r"no stage named 'paint'.*read, place, solve"):
        plan("paint", {"source"})


def test_a_stage_that_makes_something_else_is_refused() -> None:
    liar = Stage("read", ("source",), ("record",), lambda work: {"solved": 1})
    with pytest.raises(StageError, match="read made"):
        run_site(Path("a"), until="read", stages=(liar,))


def test_findings_of_a_site_come_errors_first() -> None:
    result = run_site(Path("a"), until="read", stages=(reading(by_folder_name),))
    assert isinstance(result, SiteResult)
    assert [f.severity for f in result.findings] == ["error", "info"]


def test_a_bad_site_does_not_stop_the_batch() -> None:
    sources = [Path(name) for name in ("a", "bad", "broken", "b")]
    results = list(run_sites(sources, until="read", stages=(reading(by_folder_name),)))
    assert [type(r) for r in results] == [SiteResult, SiteFailure, SiteFailure, SiteResult]
    _, bad, broken, _ = results
    assert bad.faults[0].row == 14
    assert not bad.unexpected
    assert broken.unexpected
    assert "ZeroDivisionError: division by zero" in broken.message
    assert "please report" in broken.message


def test_an_error_of_a_later_stage_names_the_stage() -> None:
    def fail(work: SiteWork) -> SiteWork:
        raise FrameError("EPSG:9999 is not known")

    stages = (reading(by_folder_name), Stage("place", ("record",), ("placed",), fail))
    result = run_site(Path("a"), until="place", stages=stages)
    assert isinstance(result, SiteFailure)
    assert (result.stage, result.message) == ("place", "EPSG:9999 is not known")
    assert [f.severity for f in result.findings] == ["error", "info"]  # what read had found


def test_two_sites_of_a_batch_may_not_share_an_id(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor ids that differ in case only: they become names of files."""
    ids = iter(("EX-001", "ex-001"))
    monkeypatch.setattr("lateralline.stages.read_site", lambda source: record_of(next(ids)))
    first, second = run_sites([Path("x/a"), Path("x/b")], until="read")
    assert isinstance(first, SiteResult)
    assert isinstance(second, SiteFailure)
    assert "unique" in str(second.faults[0])
    assert "x/a" in str(second.faults[0])


def test_the_id_of_a_failed_site_is_free_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def place(record: object) -> object:
        if next(calls) == 0:
            raise FrameError("no")
        return SimpleNamespace(findings=())

    calls = iter(range(2))
    monkeypatch.setattr("lateralline.stages.read_site", lambda source: record_of("EX-001"))
    monkeypatch.setattr("lateralline.stages.place", place)
    for what in ("with_doubts", "with_assumed", "with_unchecked"):
        monkeypatch.setattr(f"lateralline.stages.{what}", lambda record, placed: placed)
    first, second = run_sites([Path("a"), Path("b")], until="place")
    assert isinstance(first, SiteFailure)
    assert isinstance(second, SiteResult)


def test_a_batch_holds_one_site_at_a_time() -> None:
    class Heavy(SimpleNamespace):
        pass

    made: list[weakref.ref[Heavy]] = []

    def read(work: SiteWork) -> Heavy:
        gc.collect()
        assert sum(ref() is not None for ref in made) <= 1
        settings = SimpleNamespace(id=work["source"].name, accepted=())
        record = Heavy(settings=settings, findings=())
        made.append(weakref.ref(record))
        return record

    sources = (Path(str(n)) for n in range(20))
    for result in run_sites(sources, until="read", stages=(reading(read),)):
        assert isinstance(result, SiteResult), result
        del result
    gc.collect()
    assert len(made) == 20
    assert not any(ref() for ref in made)
