"""What was booked of a spot, said as its row has it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lateralline.derive.survey import as_booked
from lateralline.records import Spots

FOOT = 0.3048


def spot(method: str, **given: Any) -> Spots:
    """One row, with what is given of it."""
    texts = ("base_from", "base_to", "side", "note")
    numbers = ("x", "y", "z_m", "sigma_h_m", "sigma_v_m", "station_m", "offset_m", "bearing_rad")
    columns: dict[str, Any] = {name: np.array([given.get(name, "")]) for name in texts}
    columns |= {name: np.array([given.get(name, np.nan)]) for name in numbers}
    return Spots(
        file="marks.csv", row=np.array([2]), name=np.array(["1A"]), method=np.array([method]),
        ties=(given.get("ties", ()),), **columns,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("made", "units", "said"),
    [
        (spot("gnss", x=467198.093, y=4660994.387, z_m=142.028), {},
         "x 467198.093, y 4660994.387, z 142.028 m"),
        (spot("gnss", x=-83.12345678, y=40.00000001), {}, "x -83.12345678, y 40.00000001"),
        (spot("offset", base_from="A", base_to="B", station_m=6.32, offset_m=-1.1), {"tape": "m"},
         "6.32 m along A–B, 1.1 m left"),
        (spot("offset", base_from="A", base_to="B", station_m=20.75 * FOOT, offset_m=3.5 * FOOT),
         {"tape": "ft", "level": ""}, "20.75 ft along A–B, 3.5 ft right"),
        (spot("polar", base_from="P1", station_m=6.32, bearing_rad=np.radians(47.0)), {"tape": ""},
         "6.32 m from P1 at 47°"),
        (spot("ties", ties=(("P1", 6.32), ("P2", 4.85)), side="left", z_m=99.5 * FOOT),
         {"tape": "m", "level": "ft"}, "P1 6.32 m, P2 4.85 m, left, z 99.5 ft"),
    ],
)  # fmt: skip
def test_what_was_booked_stands_in_the_units_of_the_site(
    made: Spots, units: dict[str, str], said: str
) -> None:
    assert as_booked(made, units) == [said]
