"""The named practice sites: an invented village on an island that is on no map.

"Quarry Hill" stands on open water in the middle of a lake, so that no lot, house or drain of this
world is meant. Each scenario shows another way of measuring; together they show the common ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from lateralline.settings import standard_accuracy
from lateralline.simulate.pictures import cleanout, kerb
from lateralline.simulate.sheet import csv_text, files_of, write_files
from lateralline.simulate.survey import Row, survey
from lateralline.simulate.truth import (
    Crew,
    Opening,
    Sight,
    Steps,
    TrueControl,
    TrueGround,
    TrueLine,
    TrueRun,
    Truth,
    axis_below,
    lateral,
    standstills,
    walk,
)

UTM_ANCHOR = (466_900.0, 4_661_000.0)  # EPSG:32617, open water
STATE_PLANE_ANCHOR = (2_267_000.0, 888_500.0)  # EPSG:3734, US survey feet, the same water

_FEET = Steps(
    tape=("ft", 0.05), level=("ft", 0.01), depth=("ft", 0.1), counter=("ft", 0.1), pipe=("in", 0.1)
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A kind of practice site; `build` draws one with its own generator."""

    name: str
    description: str
    seed: int
    build: Callable[[np.random.Generator], Truth]
    spoil: Callable[[dict[str, str]], dict[str, str]] | None = None  # what goes wrong on the way
    pictures: Mapping[str, Callable[[], bytes]] = field(default_factory=dict)  # by file
    photos: tuple[Row, ...] = ()  # rows of photos.csv

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with the site on purpose."""
        return self.spoil is None


def _tape_ties(rng: np.random.Generator) -> Truth:
    crew = Crew(
        kinds=("end_null", "mid_null", "peak_total"),
        methods=("offset", "offset", "ties2", "ties2", "ties3", "ties3"),
        baseline=("HOUSE-SW", "HOUSE-SE"),
        tie_points=("HOUSE-SW", "HOUSE-SE", "FENCE"),
        missing=frozenset({"1P", "3P", "4M", "5P", "7P", "8P"}),
        notes={
            "4B": "under the hedge, tape held high",
            "6A": "paint on the kerb",
            "R1/4": "mid null not marked: parked cart",
        },
        extra_column=("paint", ("white", "white", "pink")),
    )
    site = lateral(
        rng,
        14,
        ("EPSG:3734", "none"),
        STATE_PLANE_ANCHOR,
        TrueGround(30.48, grade_east=0.008, grade_north=0.012, swell_m=0.015),
        crew,
        start=(7.0, -2.0),
        bearing_deg=165.0,
        legs=((9.5, 22.5), (12.0, 0.0)),
        nodes=("CO1", "", "MAIN"),
        depth_m=1.50,
        fall=0.025,
        stops_m=(1.4, 20.6, 2.7),
    )
    return replace(
        site,
        steps=_FEET,
        control=(
            TrueControl("HOUSE-SW", 0.0, 0.0),
            TrueControl("HOUSE-SE", 12.0, -1.0),
            TrueControl("FENCE", -5.0, -13.0),
        ),
        sights=(
            Sight("R1", 6.2, "ROOTS", "2", "fine roots at joint", 10, 2),
            Sight("R1", 14.9, "OFFSET", "1", "joint offset, slight", 6),
        ),
    )


def _gnss_bend_branch(rng: np.random.Generator) -> Truth:
    ground = TrueGround(142.0, grade_east=0.010, grade_north=-0.015, swell_m=0.02)
    main = walk((0.0, 0.0), 200.0, ((10.5, -45.0), (5.0, 0.0), (9.5, 0.0)))  # upstream to main
    axis = axis_below(ground, main[::-1], depth_m=1.9, fall=0.02)
    first = TrueLine("L1", axis, ("MAIN", "J1", "", "CO1"), nominal="DN160 SN4")
    junction = axis[1]
    branch = walk((float(junction[0]), float(junction[1])), 65.0 - 45.0, ((3.0, 22.5), (9.0, 0.0)))
    second = TrueLine(
        "L2",
        axis_below(ground, branch, depth_m=0.0, fall=0.02, start_level_m=float(junction[2])),
        ("J1", "", "CO2"),
        nominal="DN110 SN4",
        service="storm",
        joins="L1",
    )
    one = standstills(rng, 10.5, first_m=1.3, last_m=24.4, spacing_m=2.9)
    two = standstills(rng, 9.0, first_m=1.2, last_m=11.3, spacing_m=2.6)
    return Truth(
        "QH-022",
        "Quarry Hill 22",
        "EPSG:32617",
        "ellipsoidal",
        (UTM_ANCHOR[0] + 300.0, UTM_ANCHOR[1]),
        ground,
        (first, second),
        (TrueRun("R1", "L1", "CO1", "with", one), TrueRun("R2", "L2", "CO2", "with", two)),
        Crew(
            kinds=("end_null", "mid_null", "peak_axial"),
            missing=frozenset({"R1-2X", "R1-6A", "R2-1X", "R2-4M"}),
            notes={"R1-5B": "fixed after a second try", "R2/3": "battery changed"},
        ),
        sights=(
            Sight("R1", 4.4, "CRACK", "3", "crack across the crown", 11, 1),
            Sight("R1", 10.5, "BEND", "", "bend to the left"),
            Sight("R1", 15.5, "BRANCH", "", "junction from the right", 2),
            Sight("R2", 7.1, "SILT", "1", "settled silt, a tenth of the height", 5, 7),
        ),
    )


def _slope_levels(rng: np.random.Generator) -> Truth:
    crew = Crew(
        kinds=("end_null", "mid_null"),
        methods=("offset", "ties3", "offset", "ties2"),
        baseline=("GATE", "WALL"),
        tie_points=("GATE", "WALL", "NAIL"),
        tilt=True,
        missing=frozenset({"5A"}),
        notes={"R1/5": "tail null lies under the steps, not marked"},
    )
    site = lateral(
        rng,
        31,
        ("EPSG:32617", "EPSG:5703"),
        (UTM_ANCHOR[0] + 600.0, UTM_ANCHOR[1] + 150.0),
        TrueGround(188.40, grade_east=0.07, grade_north=0.10, swell_m=0.03),  # 12 %, uphill NNE
        crew,
        start=(0.0, 0.0),
        bearing_deg=25.0,
        legs=((8.0, 22.5), (11.0, 0.0)),  # lot line up to the house
        nodes=("CO3", "", "HOUSE"),
        uphill=True,
        depth_m=0.95,
        fall=0.04,
        stops_m=(1.2, 18.3, 2.4),
        nominal="DN110",
        counter_at_entry_m=0.35,
    )
    return replace(
        site,
        control=(
            TrueControl("GATE", -4.0, 0.0),
            TrueControl("WALL", 1.0, 16.0),
            TrueControl("NAIL", 12.0, 3.0, 0.015),
        ),
        openings=(Opening("CO3", "R1", "CO3"),),
        sights=(Sight("R1", 16.0, "SAG", "2", "standing water over a third"),),
    )


def _local_sketch(rng: np.random.Generator) -> Truth:
    crew = Crew(
        kinds=("end_null", "mid_null"),
        methods=("offset", "ties2", "offset", "offset", "polar", "ties2"),
        baseline=("A", "B"),
        tie_points=("A", "B"),
        compass="N",
        levels=False,
        missing=frozenset({"3M"}),
        notes={"5M": "compass, away from the fence"},
    )
    site = lateral(
        rng,
        40,
        ("local", "none"),
        (0.0, 0.0),
        TrueGround(0.0, grade_east=0.002, grade_north=-0.002),  # no levels taken, all but level
        crew,
        start=(2.0, 1.2),
        bearing_deg=10.0,
        legs=((13.0, 0.0),),
        nodes=("CO1", "END"),
        depth_m=1.30,
        fall=0.02,
        stops_m=(1.5, 12.4, 2.2),
        nominal="4 in SCH40",
        ride_height_m=0.0254,
    )
    return replace(
        site,
        name="Quarry Hill 40, sketch",
        steps=Steps(pipe=("in", 0.01)),
        control=(
            TrueControl("A", 0.0, 0.0),
            TrueControl("B", 9.0, 0.0),
            TrueControl("N", 5.0, 9.5),
        ),
    )


SOUND: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario(
            "tape-ties",
            "a tape in feet from two house corners and a fence post: offsets and ties",
            14,
            _tape_ties,
        ),
        Scenario(
            "gnss-bend-branch",
            "GNSS marks, a 45° bend, a branch with its own run, camera observations",
            22,
            _gnss_bend_branch,
        ),
        Scenario(
            "slope-levels",
            "a 12 % slope with levels, an open cleanout, a stop with one end null only",
            31,
            _slope_levels,
            pictures={"photos/R1-3_kerb.png": kerb, "photos/cleanout.png": cleanout},
            photos=(
                {
                    "file": "photos/cleanout.png",
                    "exposure": "CO3",
                    "taken_on": "2026-05-06",
                    "note": "invented: the cleanout, opened",
                },
            ),
        ),
        Scenario("local-sketch", "a taped sketch on invented axes, no levels", 40, _local_sketch),
    )
}


def make_site(scenario: Scenario, seed: int, folder: Path) -> Path:
    """Write a practice site into a new folder and return it; OutputExistsError if it is there.

    The same scenario and seed give the same bytes. Readings carry the noise that `lateralline`
    expects by default, drawn from the seed; `truth.json` holds what is true.
    """
    rng = np.random.default_rng(seed)
    site = survey(rng, scenario.build(rng), standard_accuracy())
    files = files_of(site)
    if scenario.spoil is not None:
        files = scenario.spoil(files)
    if scenario.photos:
        files["photos.csv"] = csv_text("photos", scenario.photos)
    write_files(folder, files, {name: draw() for name, draw in scenario.pictures.items()})
    return folder
