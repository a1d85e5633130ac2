"""The first page of a sheet as PNG, SVG or PDF: all of a site, with its facts in short."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline.errors import extra
from lateralline.output import whole_file
from lateralline.record.rows import CentrelineRow, ZoneRow
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from lateralline.draw.canvas import Canvas
    from lateralline.draw.paper import Box
    from lateralline.record.view import RecordView

#: Kinds of pictures, by the end of their names.
SUFFIXES: Final = (".png", ".svg", ".pdf")
_PAPER: Final = "A3"
_DPI: Final = 120
_MOST_LINES: Final = 4  # get a profile and a note
_NOTE_PT: Final = 7.0
_COLUMNS: Final = 2
_GAP_MM: Final = 6.0


def draw_picture(gpkg: Path, site_id: str, out: Path, *, replace: bool = False) -> None:
    """Draw plan and profile of one site of a built GeoPackage, and nothing that is not in it.

    `site_id` may be "" when the file holds one site. Raises MissingExtraError without matplotlib,
    UnknownSiteError for a site the file does not hold, ValueError for another suffix than .png,
    .svg or .pdf, and OutputExistsError when `out` is there and may not be replaced.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a picture must end in {', '.join(SUFFIXES)}; got {out.name!r}")
    with extra("draw", "drawing"):
        import matplotlib

        from lateralline.draw import symbols
        from lateralline.draw.canvas import save
    from lateralline.record.view import read_record

    with whole_file(out, "picture", replace=replace) as made, matplotlib.rc_context(symbols.RC):
        save(picture(read_record(gpkg, site_id)), made, _DPI, "picture")


def picture(view: RecordView) -> Figure:
    """Return plan, profiles and facts of one site of a built record as a figure of its true size.

    Raises MissingExtraError without matplotlib.
    """
    with extra("draw", "drawing"):
        import matplotlib

        from lateralline.draw import symbols, title_block
        from lateralline.draw.canvas import Canvas
        from lateralline.draw.layout import lay_out
        from lateralline.draw.sheet import draw_page
    from lateralline.record.profile import line_profile

    notes = facts(view)
    with matplotlib.rc_context(symbols.RC):
        profiles = [line_profile(view, line) for line in view.lines[:_MOST_LINES]]
        layout = lay_out(
            view, profiles, _PAPER, "auto", None, whole=True,
            notes_mm=lambda width: notes_mm(notes, width),
        )  # fmt: skip
        canvas = Canvas(layout.width, layout.height)
        draw_page(canvas, view, layout, 0)
        _draw_notes(canvas, layout.notes_box, notes)
        title_block.draw(canvas, view, title_block.Title(1, 1, layout.scales_of(0)))
    return canvas.figure


def facts(view: RecordView) -> list[str]:
    """Say what a record holds in short: lines, rule, findings, and what is not located."""
    told = []
    for row in view.centrelines[:_MOST_LINES]:
        pipe = " ".join(filter(None, (row.line_id, row.material, row.nominal)))
        grade = "" if isnan(row.mean_grade) else f", mean grade {row.mean_grade:.2%}"
        told.append(
            f"{pipe}: {view.say_both(row.length_m)} long{grade}; "
            f"95 % half axis at most {view.say_both(row.semi_major_95_max_m)}; {_cover(view, row)}"
        )
    if len(view.lines) > _MOST_LINES:
        told.append(f"{len(view.lines) - _MOST_LINES} shorter lines more, without a profile here")
    told += dict.fromkeys(
        f"dig zone by {z.rule_title}: {z.tolerance_m:.3f} m "
        f"({z.tolerance_m / METRES_PER['in']:.0f} in) each side"
        for z in view.rows(ZoneRow)
    )
    if view.lines:
        told.append("The pipe runs on past both ends of a located line; nothing there is located.")
    counts = [
        f"{n} {severity}{'s' if n > 1 and severity != 'info' else ''}"
        for severity in ("error", "warning", "info")
        if (n := view.findings[severity])
    ]
    told.append(f"findings: {', '.join(counts)}; read them before use" if counts else "no findings")
    lost = [fix.name for fix in view.fixes if fix.status == "unsolved"]
    if lost:
        told.append(f"not located: stop {', '.join(lost)}")
    told.append("± is half the 95 % interval, here as on the sheet and the page.")
    return told


def _cover(view: RecordView, row: CentrelineRow) -> str:
    """Say the least cover with its bound; "at least" is said of the bound alone."""
    if isnan(row.cover_min_m):
        return "cover unknown"
    bound = view.least_cover_95_m(row.line_id)
    sure = "no bound" if isnan(bound) else f"at least {view.say_both(bound)}"
    return f"least cover {view.say_both(row.cover_min_m)}, {sure} (95 %)"


def notes_mm(notes: Sequence[str], width: float) -> float:
    """Return how high a box of that width must be for the notes."""
    from lateralline.draw.canvas import line_mm

    return line_mm(_NOTE_PT) * ceil(len(_wrapped(notes, width)) / _COLUMNS) + 2.0


def _wrapped(notes: Sequence[str], width: float) -> list[str]:
    from lateralline.draw.canvas import wrapped

    room = width / _COLUMNS - _GAP_MM
    return [line for note in notes for line in wrapped(note, room, _NOTE_PT)]


def _draw_notes(canvas: Canvas, box: Box, notes: Sequence[str]) -> None:
    from lateralline.draw.canvas import line_mm

    lines = _wrapped(notes, box.width)
    deep = ceil(len(lines) / _COLUMNS)
    for n, line in enumerate(lines):
        x = box.x + (n // deep) * box.width / _COLUMNS
        canvas.words(x, box.y + (n % deep + 0.5) * line_mm(_NOTE_PT), line, _NOTE_PT)
