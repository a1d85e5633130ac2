"""What is drawn of depths beside the plan: pipe and works below the ground, none made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from lateralline.overlay.clearance import Pair
from lateralline.overlay.picture import _depths
from lateralline.overlay.planned import PlannedWork

NAN = float("nan")
AT = shapely.Point(0, 0)
POST = PlannedWork("p", "post", "post", AT, np.empty(0), 0.9, 0.1, 0.3, 0.0)
BORE = replace(POST, kind="bore", shape=shapely.LineString([(0, 0), (5, 0)]), depth_m=2.0)
PAIR = Pair(
    "S", "L1", POST, shapely.LineString([(0, 0), (1, 0)]), 0.2, False, False, 0.0,
    levels_by="depth_below_ground", pipe_axis_depth_m=1.5, z_m=(-1.5, -0.9),
)  # fmt: skip


def test_a_post_is_open_from_the_ground_down_and_a_bore_is_round() -> None:
    assert _depths(PAIR) == (pytest.approx((1.4, 1.6)), (0.0, 0.9))
    assert _depths(replace(PAIR, work=BORE)) == (pytest.approx((1.4, 1.6)), (1.9, 2.1))


def test_of_a_level_alone_the_nearest_surface_is_drawn() -> None:
    assert _depths(replace(PAIR, work=replace(POST, depth_m=NAN))) == (
        pytest.approx((1.4, 1.6)),
        pytest.approx((0.0, 0.9)),
    )


@pytest.mark.parametrize("unknown", [{"pipe_axis_depth_m": NAN}, {"levels_by": "plan_only"}])
def test_nothing_is_drawn_of_a_depth_nobody_knows(unknown: dict[str, object]) -> None:
    assert _depths(replace(PAIR, **unknown)) is None
