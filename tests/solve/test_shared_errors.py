"""What a site's fixes have in common, from control through marks to fixes, against moving it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lateralline.ingest import read_site
from lateralline.link import link
from lateralline.place import Placed, place
from lateralline.records import FieldRecord
from lateralline.solve import solve
from tests.support.places import SAMPLES


@pytest.fixture(scope="module")
def taped() -> tuple[FieldRecord, Placed]:
    record = read_site(SAMPLES / "tape-ties")
    return record, place(record)


def test_marks_follow_each_control_point_as_their_shared_columns_say(
    taped: tuple[FieldRecord, Placed],
) -> None:
    """A control point moved by one σ east, north or up, and everything placed anew.

    Or all of them shifted, or turned about their middle.
    """
    record, before = taped
    control, c = record.control, len(record.control.point)
    xy = before.frame.to_local(control.x, control.y, control.z_m)[:, :2]
    arm = xy - xy.mean(axis=0)
    ways = np.zeros((3 * c + 3, c, 3))
    ways[np.arange(3 * c), np.arange(3 * c) // 3, np.arange(3 * c) % 3] = 1.0
    ways[-3, :, 0] = ways[-2, :, 1] = 1.0
    ways[-1, :, :2] = np.stack([arm[:, 1], -arm[:, 0]], axis=1) / np.abs(arm).max()
    moved = []
    for way in ways:
        x, y, z = (a.copy() for a in (control.x, control.y, control.z_m))
        unit = before.frame.to_local(x + 1.0, y, z)[0, 0] - before.frame.to_local(x, y, z)[0, 0]
        x, y, z = x + 0.1 * way[:, 0] / unit, y + 0.1 * way[:, 1] / unit, z + 0.1 * way[:, 2]
        after = place(replace(record, control=replace(control, x=x, y=y, z_m=z)))
        origin = after.frame.to_site_crs(np.zeros((1, 3)))[0]
        back = before.frame.to_local(*(np.array([v]) for v in origin))[0]
        moved.append((after.marks.xyz_m + back - before.marks.xyz_m)[:, :2] / 0.1)
    shared = before.marks.shared_m
    plan = np.stack([m for m in moved if np.abs(m).max() > 1e-6])
    columns = np.moveaxis(shared[:, :2], 2, 0)
    columns = columns[np.abs(columns).max(axis=(1, 2)) > 1e-9]
    assert len(columns) >= 4 + 3
    for column in columns:
        most = np.abs(column).max()
        sizes = (plan * column).sum(axis=(1, 2)) / np.square(plan).sum(axis=(1, 2))
        off = np.abs(column - sizes[:, None, None] * plan).max(axis=(1, 2))
        assert off.min() < 0.02 * most + 1e-4
        assert sizes[off.argmin()] < 1.5 * record.control.sigma_h_m.max()


@pytest.mark.parametrize("skew", [0.0, 0.9], ids=["as taped", "marks off one way"])
def test_fixes_follow_a_shared_error_as_their_columns_say(
    taped: tuple[FieldRecord, Placed], skew: float
) -> None:
    """Also where the marks' own errors lie one way, so that both rows of a mark err together."""
    record, placed = taped
    marks, h = placed.marks, 0.2
    own = 0.05**2 * np.array([[1.0, skew, 0.0], [skew, 1.0, 0.0], [0.0, 0.0, 0.0]])
    marks = replace(marks, cov_m2=marks.cov_m2 + (own if skew else 0.0))
    solved = solve(marks, record.stops, record.settings, placed.exposures)
    for c in range(marks.shared_m.shape[2]):
        moved = replace(marks, xyz_m=marks.xyz_m + h * marks.shared_m[:, :, c])
        again = solve(moved, record.stops, record.settings, placed.exposures)
        step = (again.fixes.xyz_m - solved.fixes.xyz_m) / h
        assert step == pytest.approx(solved.fixes.shared[:, :3, c], abs=5e-4)
    # and the site's slope, the aerial's height
    scales = solved.fixes.shared.shape[2] - marks.shared_m.shape[2] - 3
    assert len(solved.depth_scales) == scales == 1


def test_shared_errors_are_part_of_the_covariance(taped: tuple[FieldRecord, Placed]) -> None:
    _, placed = taped
    marks = placed.marks
    own = marks.cov_m2 - marks.shared_m @ np.swapaxes(marks.shared_m, 1, 2)
    assert np.linalg.eigvalsh(own[marks.placed]).min() > 0


def test_gnss_in_common_moves_every_gnss_mark_alike() -> None:
    record = read_site(SAMPLES / "gnss-bend-branch")
    accuracy = replace(record.settings.accuracy, gnss_common_m=0.03)
    with_it = replace(record, settings=replace(record.settings, accuracy=accuracy))
    marks, plain = place(with_it).marks, place(record).marks
    assert plain.shared_m.shape[2] == 0
    assert np.abs(marks.shared_m - 0.03 * np.eye(3)).max() < 1e-12
    assert marks.cov_m2 - plain.cov_m2 == pytest.approx(np.tile(9e-4 * np.eye(3), (52, 1, 1)))


@pytest.mark.parametrize("lost", [(), ("3B", "3M")], ids=["as taped", "a lone end null"])
@pytest.mark.parametrize("sample", ["tape-ties", "slope-levels", "local-sketch"])
def test_what_a_fix_shares_never_exceeds_its_covariance(sample: str, lost: tuple[str, ...]) -> None:
    """A fix less what it shares is a covariance too; a lone end null once stopped its site."""
    record = read_site(SAMPLES / sample)
    placed = place(record)
    marks = replace(placed.marks, placed=placed.marks.placed & ~np.isin(placed.marks.mark, lost))
    solved = solve(marks, record.stops, record.settings, placed.exposures)
    fixes = solved.fixes
    cov, shared = fixes.cov[fixes.solved], fixes.shared[fixes.solved]
    sigma = np.sqrt(np.einsum("kii->ki", cov))
    own = (cov - shared @ np.swapaxes(shared, 1, 2)) / (sigma[:, :, None] * sigma[:, None])
    assert np.linalg.eigvalsh(own).min() > 0
    linked = link(solved, placed.exposures, record.settings)
    assert all(np.isfinite(line.cov_m2).all() for line in linked.lines)
    assert [line.line for line in linked.lines] == list(
        dict.fromkeys(r.line for r in record.settings.runs)
    )


def test_a_fix_is_no_surer_than_the_control_all_its_marks_hang_on(
    taped: tuple[FieldRecord, Placed],
) -> None:
    """Marks without an error of their own move with control as one: averaging does not help."""
    record, placed = taped
    marks, n = placed.marks, len(record.stops.row)
    common = marks.shared_m @ np.swapaxes(marks.shared_m, 1, 2)
    marks = replace(marks, cov_m2=common + 4e-6 * np.eye(3))
    accuracy = replace(record.settings.accuracy, receiver_angle_rad=1e-3, tilt_measured_rad=1e-3)
    blank = replace(record.stops, depth_reading_m=np.full(n, np.nan), tilt_rad=np.zeros(n))
    fixes = solve(marks, blank, replace(record.settings, accuracy=accuracy)).fixes
    shared = fixes.shared[:, :2]
    assert fixes.cov[:, :2, :2] == pytest.approx(
        shared @ np.swapaxes(shared, 1, 2), rel=0.05, abs=5e-5
    )
