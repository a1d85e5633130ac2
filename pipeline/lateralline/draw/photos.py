"""Pages of a sheet with the pictures of a site, each over what it shows."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Final

from matplotlib.image import imread

from lateralline.draw.canvas import Canvas, line_mm
from lateralline.draw.paper import Box
from lateralline.record.rows import PictureRow

#: Pictures on one sheet; a PDF holds each unpacked, and the record holds them all.
MOST: Final = 24

_ACROSS, _DOWN = 3, 2  # on a page that lies; the other way round on one that stands
_GAP: Final = 6.0
_HEAD_MM: Final = 6.0
_SIZE: Final = 7.0
_LINES: Final = 3  # of the words below a picture


def photo_pages(photos: Sequence[PictureRow]) -> list[Sequence[PictureRow]]:
    """Return the pictures of each page."""
    each = _ACROSS * _DOWN
    shown = photos[:MOST]
    return [shown[at : at + each] for at in range(0, len(shown), each)]


def draw_photos(canvas: Canvas, body: Box, photos: Sequence[PictureRow], left_out: int) -> None:
    """Draw the pictures of one page; `left_out` are those of the site that no page shows."""
    more = f"; {left_out} more in the record" if left_out else ""
    title = f"Photos: what the crew says of them{more}"
    canvas.words(body.x, body.y + _HEAD_MM / 2, title, 9.0, bold=True, room=body.width)
    lies = body.width > body.height
    columns, rows = (_ACROSS, _DOWN) if lies else (_DOWN, _ACROSS)
    wide = (body.width - (columns - 1) * _GAP) / columns
    high = (body.height - _HEAD_MM - (rows - 1) * _GAP) / rows
    for n, photo in enumerate(photos):
        row, column = divmod(n, columns)
        x = body.x + column * (wide + _GAP)
        y = body.y + _HEAD_MM + row * (high + _GAP)
        _draw(canvas, Box(x, y, wide, high), photo)


def _draw(canvas: Canvas, box: Box, photo: PictureRow) -> None:
    """Draw one picture as large as it fits above its words; an empty frame where it is damaged."""
    words_mm = _LINES * line_mm(_SIZE) + 1.0
    room = box.height - words_mm
    words = Box(box.x, box.y + room + 1.0, box.width, words_mm)
    try:
        pixels = imread(BytesIO(photo.data), format="jpg")
    except OSError:
        canvas.frame(Box(box.x, box.y, box.width, room))
        canvas.paragraph(words, f"cannot be shown: {photo.caption}", _SIZE)
        return
    per_pixel = min(box.width / pixels.shape[1], room / pixels.shape[0])
    wide, high = pixels.shape[1] * per_pixel, pixels.shape[0] * per_pixel
    axes = canvas.axes(
        Box(box.x, box.y, wide, high), xlim=(0, pixels.shape[1]), ylim=(pixels.shape[0], 0)
    )
    extent = (0, pixels.shape[1], pixels.shape[0], 0)
    axes.imshow(pixels, extent=extent, aspect="auto", interpolation="nearest")
    canvas.frame(Box(box.x, box.y, wide, high))
    words = Box(box.x, box.y + high + 1.0, box.width, words_mm)
    canvas.paragraph(words, photo.caption, _SIZE)
