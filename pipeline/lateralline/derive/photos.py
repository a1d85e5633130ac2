"""Layer `field_photos`: each picture tied to the feature it shows, and what contradicts that.

A picture is related to a stop, an observation or a node of the record by the crew's word alone.
What it holds itself, where and when it was taken, is compared with that and never used in its
place: a phone between houses is off by more than stops lie apart.

- Far: farther from what it shows than a phone errs (`PHONE_95_M`, or twice the error the picture
  states) and a person steps back to take it (`STEP_BACK_M`).
- Exchanged: of two pictures each lies nearer to what the other shows, by more than a phone errs.
- Another day: than the day of survey of its run or exposure; for a node, than any of the site.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite, nan
from typing import Final

import numpy as np
from shapely import Point

from lateralline import contract
from lateralline.catalogue import Given
from lateralline.derive.dates import SurveyDays
from lateralline.derive.tables import Columns, uids
from lateralline.errors import FrameError
from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.pictures import PREVIEW_TYPE, Photo
from lateralline.records import FieldRecord, Floats, Ints, Product

#: How far off a phone is in plan, 95 %, beside houses and trees: common practice, no source; the
#: 4.9 m (open sky, about two in three) of GPS.gov, from memory, are of the best of places.
PHONE_95_M: Final = 15.0
#: How far back people step to take a picture: common practice, no source.
STEP_BACK_M: Final = 10.0
_EARTH_M: Final = 6_371_000.0  # mean radius; a part in 300 does not matter here
_NOWHERE: Final = (nan, nan, nan)
_FIX, _SEEN, _NODE = "transmitter_fixes", "pipe_observations", "pipe_nodes"


@dataclass(frozen=True, slots=True)
class Shown:
    """What one picture shows: the feature of the record it hangs on, "" where there is none."""

    subject: str  # as findings call it: "stop R1/3"
    days: frozenset[str]  # ISO days on which it may have been taken
    layer: str = ""
    uid: str = ""
    line: str = ""
    xyz_m: tuple[float, float, float] = _NOWHERE


@dataclass(frozen=True, slots=True)
class PhotoLayer:
    """Rows of the layer, and what was found."""

    columns: Columns
    findings: tuple[Finding, ...]
    shown: Mapping[str, str]  # what each shows, by the subjects of findings: "photo photos/a.jpg"


def photo_layer(
    record: FieldRecord, days: SurveyDays, frame: Frame, layers: Mapping[str, Product]
) -> PhotoLayer:
    """Return the layer of a site's pictures; `layers` are those of what pictures show."""
    photos = record.photos
    shown = list(_shown(record, days, layers)) if photos else []
    away_m, findings = _compared(photos, shown, frame)
    findings += [f for photo, what in zip(photos, shown, strict=True) for f in _odd(photo, what)]
    columns: Columns = {
        "file": [p.row.file for p in photos],
        "shows": [what.subject for what in shown],
        "line_id": [what.line for what in shown],
        "run_id": [p.row.run for p in photos],
        "stop_id": [p.row.stop for p in photos],
        "related_layer": [what.layer for what in shown],
        "related_uid": [what.uid for what in shown],
        "note": [p.row.note for p in photos],
        "taken_on": [_date(p.day) for p in photos],
        "taken_at": [p.picture.taken_at for p in photos],
        "away_m": away_m.tolist(),
        "holds_position": [p.picture.placed for p in photos],
        "private": [p.row.private for p in photos],
        "sha256": [p.picture.sha256 for p in photos],
        "size_bytes": [p.picture.size_bytes for p in photos],
        "width_px": [p.picture.width_px for p in photos],
        "height_px": [p.picture.height_px for p in photos],
        "copied_to": [None] * len(photos),  # known where the record is written
        "source_row": [p.row.where for p in photos],
        "content_type": [PREVIEW_TYPE] * len(photos),
        "data": [p.picture.preview for p in photos],
    }
    named = {f"photo {p.row.file}": s.subject for p, s in zip(photos, shown, strict=True)}
    return PhotoLayer(columns, tuple(findings), named)


def _date(day: str) -> date | None:
    return date.fromisoformat(day) if day else None


# ---- what pictures show --------------------------------------------------------------------


def _shown(record: FieldRecord, days: SurveyDays, layers: Mapping[str, Product]) -> Iterator[Shown]:
    """Yield what each picture shows, with the feature of the record that it hangs on."""
    places = {name: _Places.of(layers[name]) for name in (_FIX, _SEEN, _NODE)}
    stops = places[_FIX].index("run_id", "stop_id")
    nodes = places[_NODE].index("node_id")
    named = places[_NODE].index("kind", "ref")
    seen = record.observations
    ids = places[_SEEN].columns["observation_id"]
    any_day = [days.site, *days.run.values(), *days.exposure.values()]
    for photo in record.photos:
        row = photo.row
        of_run = days.of_runs([row.run])
        if row.stop:
            yield places[_FIX].shown(stops.get((row.run, row.stop)), row.shows, of_run)
        elif isfinite(row.counter_m):
            off_m = np.where(seen.run == row.run, np.abs(seen.counter_m - row.counter_m), np.inf)
            at = int(off_m.argmin())
            yield places[_SEEN].shown(at, f"observation {ids[at]}", of_run)
        elif row.exposure:
            at_line = (named.get((kind, row.exposure)) for kind in ("exposure", "entry"))
            node = next((n for n in at_line if n is not None), None)
            day = days.exposure.get(row.exposure, days.site)
            yield places[_NODE].shown(node, row.shows, [day])
        else:
            yield places[_NODE].shown(nodes.get((row.node,)), row.shows, any_day)


@dataclass(frozen=True, slots=True)
class _Places:
    """Features of one layer that pictures may hang on."""

    layer: str
    columns: Mapping[str, Sequence[object]]
    uids: Sequence[str]
    shapes: Sequence[Point | None]

    @classmethod
    def of(cls, product: Product) -> _Places:
        """Return the features of a layer of points."""
        columns = {name: list(values) for name, values in product.columns.items()}
        shapes = [] if product.geometry is None else list(product.geometry)
        return cls(product.layer, columns, uids(contract.load(product.layer), columns), shapes)

    def index(self, *names: str) -> dict[tuple[object, ...], int]:
        """Return where each row stands, by what it has in some columns."""
        keys = zip(*(self.columns[name] for name in names), strict=True)
        return {key: at for at, key in enumerate(keys)}

    def shown(self, at: int | None, subject: str, on: Iterable[date]) -> Shown:
        """Return a feature as what a picture shows; None hangs on nothing."""
        taken = frozenset(map(str, on))
        if at is None:
            return Shown(subject, taken)
        place, line = self.shapes[at], str(self.columns["line_id"][at] or "")
        xyz_m = _NOWHERE if place is None else (place.x, place.y, place.z)
        return Shown(subject, taken, self.layer, self.uids[at], line, xyz_m)


# ---- what contradicts them -----------------------------------------------------------------


def _odd(photo: Photo, shown: Shown) -> Iterator[Finding]:
    """Yield what is wrong with one picture: it hangs on nothing, or is of another day."""
    row, clock = photo.row, photo.picture.taken_at[:10]
    subject = f"photo {row.file}"
    if not shown.layer:
        variant, more = "node", dict[str, Given]()
        if row.exposure:
            variant, more = "exposure", {"exposure": row.exposure}
        yield finding("photo-not-placed", subject, variant=variant, where=row.where, more=more)
    if row.taken_on and clock and row.taken_on != clock:
        said: dict[str, Given] = {"taken": row.taken_on, "clock": clock}
        yield finding("photo-other-day/both", subject, where=row.where, more=said)
    elif photo.day and photo.day not in shown.days:
        said = {
            "taken": photo.day,
            "surveyed": ", ".join(sorted(shown.days)),
            "shows": shown.subject,
        }
        variant = "written" if row.taken_on else "clock"
        yield finding("photo-other-day", subject, variant=variant, where=row.where, more=said)


def _compared(
    photos: Sequence[Photo], shown: Sequence[Shown], frame: Frame
) -> tuple[Floats, list[Finding]]:
    """Return how far (n,) each picture was taken from what it shows, and what is too far.

    NaN where a picture holds no position, or what it shows has none on the map.
    """
    away_m = np.full(len(photos), nan)
    held = np.array([p.picture.placed for p in photos], dtype=bool)
    xyz_m = np.array([s.xyz_m for s in shown]).reshape(-1, 3)
    held &= np.isfinite(xyz_m).all(axis=1)
    at = np.flatnonzero(held)
    try:
        lonlat = frame.to_lonlat(xyz_m[at])[:, :2] if len(at) else np.zeros((0, 2))
    except FrameError:  # a sketch, or no way to longitude and latitude: nothing to compare with
        return away_m, []
    own = np.array([(photos[i].picture.lon_deg, photos[i].picture.lat_deg) for i in at.tolist()])
    gap_m = _gaps_m(own.reshape(-1, 2), lonlat)  # (k, k) from each picture to what each shows
    away_m[at] = np.diagonal(gap_m)
    exchanged = _exchanged(at, gap_m, shown)
    findings = [
        finding(
            "photo-swapped",
            f"photo {photos[i].row.file}",
            where=photos[i].row.where,
            shows=shown[i].subject,
            other=shown[j].subject,
            file=photos[j].row.file,
            nearer_m=nearer_m,
        )
        for i, j, nearer_m in exchanged
    ]
    told = {n for i, j, _ in exchanged for n in (i, j)}
    for i in map(int, at):
        error_m = photos[i].picture.error_m
        reach_m = np.fmax(PHONE_95_M, 2.0 * error_m) + STEP_BACK_M  # fmax: NaN says nothing
        if away_m[i] > reach_m and i not in told:
            findings.append(
                finding(
                    "photo-far",
                    f"photo {photos[i].row.file}",
                    where=photos[i].row.where,
                    shows=shown[i].subject,
                    away_m=float(away_m[i]),
                )
            )
    return away_m, findings


def _exchanged(at: Ints, gap_m: Floats, shown: Sequence[Shown]) -> list[tuple[int, int, float]]:
    """Return pairs of pictures that each lie nearer to what the other shows, each picture once.

    `gap_m` (k, k) are distances from pictures `at` (k,) to what they show; with each pair goes how
    much nearer at least. Those that gain most come first.
    """
    nearer_m = np.diagonal(gap_m)[:, None] - gap_m  # of each picture, to what each other shows
    both_m = np.minimum(nearer_m, nearer_m.T)
    pairs = np.argwhere(np.triu(both_m > PHONE_95_M, 1)).tolist()
    taken: set[int] = set()
    found = []
    for a, b in sorted(pairs, key=lambda pair: -both_m[pair[0], pair[1]]):
        i, j = int(at[a]), int(at[b])
        if not {i, j} & taken and shown[i].uid != shown[j].uid:
            taken |= {i, j}
            found.append((i, j, float(both_m[a, b])))
    return found


def _gaps_m(own: Floats, other: Floats) -> Floats:
    """Return distances (n, m) between longitudes and latitudes (n, 2) and (m, 2) in degrees."""
    a, b = np.radians(own)[:, None, :], np.radians(other)[None, :, :]
    half = np.sin((b - a) / 2.0) ** 2
    share = half[..., 1] + np.cos(a[..., 1]) * np.cos(b[..., 1]) * half[..., 0]
    return np.asarray(2.0 * _EARTH_M * np.arcsin(np.sqrt(share.clip(0.0, 1.0))))
