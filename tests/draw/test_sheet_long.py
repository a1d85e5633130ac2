"""A plan too long for one paper loses no stretch of pipe."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from lateralline.draw.paper import PaperScale, parse_scale
from lateralline.draw.sheet import SheetError, SheetOptions, draw_sheet
from lateralline.record.view import read_record

MakeSite = Callable[..., Any]


def test_a_plan_cut_into_sheets_holds_the_whole_pipe(
    practice: dict[str, Path], tmp_path: Path
) -> None:
    """Every metre of pipe lies inside a window; sheets name their neighbours and the key plan."""
    from lateralline.draw.layout import lay_out
    from lateralline.record.profile import line_profile

    site = read_record(practice["tape-ties"], "")
    profiles = [line_profile(site, line) for line in site.lines]
    layout = lay_out(site, profiles, "A4", "auto", parse_scale("1:50"))
    assert len(layout.windows) >= 3
    spots = shapely.get_coordinates(site.located("pipe_centreline").geometry.segmentize(0.05))
    inside = np.array([w.holds(spots, 0.4) for w in layout.windows])
    assert inside.any(axis=0).all()
    drawn = [(p.low, p.high) for page in layout.pieces for p, _ in page]
    reach = profiles[0].reach
    assert drawn[0][0] == reach[0]
    assert drawn[-1][1] == pytest.approx(reach[1])
    assert all(a[1] == b[0] for a, b in pairwise(drawn))
    for n, window in enumerate(layout.windows):
        assert window.matches
        for match in window.matches:
            assert window.holds(np.array([match.at])).all()
            other = layout.windows[match.window]
            assert other.holds(np.array([match.at])).all()
            assert n in [m.window for m in other.matches]
    with pytest.raises(SheetError, match="fits the plan on one"):
        draw_sheet(
            [(practice["tape-ties"], "")], tmp_path / "s.pdf", SheetOptions(scale=PaperScale(1.0))
        )
    assert not (tmp_path / "s.pdf").exists()


def test_windows_cover_lines_of_every_shape() -> None:
    from lateralline.draw.plan import cut

    rng = np.random.default_rng(3)
    for _ in range(40):
        turns = np.cumsum(rng.normal(0.0, 0.7, 12))
        steps = rng.uniform(2.0, 30.0, 12)[:, None]
        line = np.vstack(
            [[0, 0], np.cumsum(steps * np.column_stack([np.cos(turns), np.sin(turns)]), 0)]
        )
        branch = line[3] + np.array([[0.0, 0.0], [8.0, 40.0]])
        width, height = rng.uniform(15.0, 60.0, 2)
        windows = cut([line, branch], width, height, 2.0, 4.0)
        spots = shapely.get_coordinates(
            [shapely.segmentize(shapely.LineString(x), 0.1) for x in (line, branch)]
        )
        held = np.array([w.holds(spots, 1.5) for w in windows])
        assert held.any(axis=0).all()
        total = float(np.hypot(*np.diff(line, axis=0).T).sum()) + 41.0
        assert len(windows) <= 3 + 3 * total / (min(width, height) - 4.0)
