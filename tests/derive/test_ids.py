"""What becomes of ids whose things are gone, and the days a line rests on."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from lateralline.derive.dates import SurveyDays
from lateralline.derive.ids import NEAR_M, SEGMENT, IdEvent, KnownId, LineIds, _changes, _gone
from lateralline.derive.nodes import LineNodes
from lateralline.records import Line

FIRST, LAST = date(2026, 5, 4), date(2026, 6, 13)


def told(*events: IdEvent) -> dict[str, tuple[str, ...]]:
    """What a finding says of ids, line by line: how they changed, and which did."""
    (found,) = _changes(events)
    return {how: tuple(cast(list[str], ids)) for how, ids in found.values.items() if ids}


def test_a_segment_is_split_where_two_came_of_it_and_one_that_came_alone_is_no_news() -> None:
    split = IdEvent("s1", "ended", SEGMENT, "L1", became="s7 s8")
    kept = IdEvent("s2", "ended", SEGMENT, "L1", became="s9")
    gone = IdEvent("s3", "ended", SEGMENT, "L1")
    assert told(split, kept, gone) == {"split": ("s1",), "ended": ("s3",)}
    assert list(_changes([kept])) == []


@pytest.mark.parametrize(("past_m", "now"), [(-0.01, "n2"), (0.01, "")])
def test_a_node_that_is_gone_became_the_one_that_both_uncertainties_let_it_be(
    past_m: float, now: str
) -> None:
    """0.10 and 0.05 m at 95 %, and what two estimates of one place may be apart whatever."""
    away = 0.10 + 0.05 + NEAR_M + past_m
    line = SimpleNamespace(xy_m=np.array([[0.0, 0.0], [0.0, 9.0]]), off_95_m=np.array([9.0, 0.10]))
    old = KnownId("n9", "bend", "L1", "", (0.0, 9.0 + away), 0.05, frozenset(), alive=True)
    drawn = {"L1": cast(LineNodes, line)}
    made = {"L1": LineIds(("n1", "n2"), (), ())}
    (event,) = _gone(drawn, made, {"n9": old}, frozenset(), frozenset({"L1"}))
    assert (event.id, event.event, event.became) == ("n9", "ended", now)


def test_a_line_rests_on_the_days_from_its_first_run_to_its_last_exposure() -> None:
    days = SurveyDays(date(2026, 1, 1), "", {"R1": FIRST}, {"TH1": LAST}, {}, {})
    line = SimpleNamespace(
        kind=np.array(["fix", "bend", "exposure"]),
        run=np.array(["R1", "", ""]),
        ref=np.array(["R1/1", "", "TH1"]),
    )
    assert days.of_line(cast(Line, line)) == (FIRST, LAST)
    assert days.of_vertices(cast(Line, line)) == [FIRST, LAST, LAST]
