"""One picture as a camera wrote it: whether it can be used, what it says of itself, a small copy.

JPEG and PNG are read; what else phones write is told by its name. Of what a camera writes beside
the picture (Exif) the time, the position and its error are read, to compare with the survey and
for nothing else: no mark, stop or line is ever placed by a picture. The small copy is upright, a
JPEG, and carries none of it.

The tags are those of Exif 2.3 (CIPA DC-008), from memory; Pillow takes them out of the file.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from io import BytesIO
from math import isfinite, nan
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from PIL.Image import Image as OpenedImage

#: What a phone writes is below 20 MB (common practice, no source); more would fill a machine.
MOST_BYTES: Final = 40_000_000
#: Pixels of a picture, of which each takes up to four bytes of memory: a large phone writes 108
#: million (common practice, no source).
MOST_PIXELS: Final = 120_000_000
#: Longer side of the small copy, and what it may weigh: a page holds a hundred of them.
PREVIEW_PX: Final = 640
PREVIEW_BYTES: Final = 64_000
#: Ends of the names of files that cameras write, whether they can be read here or not.
SUFFIXES: Final = (
    ".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp", ".bmp", ".gif", ".dng",
    ".avif",
)  # fmt: skip
#: Media type of the small copy.
PREVIEW_TYPE: Final = "image/jpeg"

_READ: Final = ("JPEG", "PNG")
_QUALITIES: Final = (80, 60, 40)
_HEIF: Final = re.compile(rb"....ftyp(hei[cfmsx]|hev[cmsx]|mif1|msf1|avif)", re.DOTALL)
_EXIF, _GPS = 0x8769, 0x8825  # where the tags of camera and position stand
_TAKEN, _ERROR = 0x9003, 31  # DateTimeOriginal, GPSHPositioningError
_LATITUDE, _LONGITUDE = (2, 1), (4, 3)  # value and hemisphere


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that can be used."""

    sha256: str
    size_bytes: int
    width_px: int  # upright
    height_px: int
    preview: bytes  # JPEG
    taken_at: str = ""  # by its own clock, ISO 8601 without a zone; "" = it does not say
    lon_deg: float = nan  # WGS 84
    lat_deg: float = nan
    error_m: float = nan  # of that position, as it says itself

    @property
    def placed(self) -> bool:
        """Whether it holds where it was taken."""
        return isfinite(self.lon_deg) and isfinite(self.lat_deg)


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A picture's file and what it shows: one of stop, counter (both with run) and the rest."""

    file: str  # from the folder of the site on, parted by /
    where: str = ""  # row of photos.csv; "" = its own name says what it shows
    run: str = ""
    stop: str = ""
    counter_m: float = nan  # of an observation
    exposure: str = ""
    node: str = ""
    taken_on: str = ""  # ISO day
    private: bool = False
    note: str = ""

    @property
    def shows(self) -> str:
        """What it shows, as findings call it, but for an observation, which has no name yet."""
        if self.stop:
            return f"stop {self.run}/{self.stop}"
        if isfinite(self.counter_m):
            return f"an observation of run {self.run}"
        return f"exposure {self.exposure}" if self.exposure else f"node {self.node}"


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture of a site that was read, and what the crew says of it."""

    row: PhotoRow
    picture: Picture

    @property
    def day(self) -> str:
        """ISO day it was taken: as the crew wrote it, else by its own clock; "" = not known."""
        return self.row.taken_on or self.picture.taken_at[:10]


class UnusablePictureError(ValueError):
    """A file cannot be shown; `variant` is that of finding `photo-unusable`."""

    def __init__(self, variant: str) -> None:
        """Keep why."""
        super().__init__(variant)
        self.variant = variant


def read_picture(data: bytes) -> Picture:
    """Return the picture that a file holds. Raises UnusablePictureError saying why it cannot be."""
    if not data:
        raise UnusablePictureError("empty")
    if _HEIF.match(data):
        raise UnusablePictureError("heic")
    from PIL import UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd tags and of size, which is looked at here
            return _read(data)
    except UnidentifiedImageError as e:
        raise UnusablePictureError("unknown") from e
    except UnusablePictureError:
        raise
    except Exception as e:  # whatever a library meets in bytes that anybody may have made
        raise UnusablePictureError("damaged") from e


def _read(data: bytes) -> Picture:
    from PIL import Image

    try:
        opened = Image.open(BytesIO(data), formats=_READ)
    except Image.DecompressionBombError as e:
        raise UnusablePictureError("pixels") from e
    with opened as image:
        if image.width * image.height > MOST_PIXELS:
            raise UnusablePictureError("pixels")
        exif = image.getexif()
        turned = exif.get(0x0112, 1) in (5, 6, 7, 8)
        width, height = (image.size[::-1]) if turned else image.size
        at, gps = "", dict[int, object]()
        with suppress(Exception):  # a picture without what it says of itself is one still
            at = _time(exif.get_ifd(_EXIF).get(_TAKEN))
        with suppress(Exception):
            gps = dict(exif.get_ifd(_GPS))
        return Picture(
            sha256(data).hexdigest(),
            len(data),
            width,
            height,
            _preview(image),
            at,
            _degrees(gps, *_LONGITUDE, most=180.0),
            _degrees(gps, *_LATITUDE, most=90.0),
            _number(gps.get(_ERROR)),
        )


def _preview(image: OpenedImage) -> bytes:
    """Return a small upright JPEG of a picture, within `PREVIEW_BYTES`."""
    from PIL import Image, ImageOps

    image.draft("RGB", (PREVIEW_PX, PREVIEW_PX))  # a JPEG is decoded no larger than need be
    side = PREVIEW_PX
    small = ImageOps.exif_transpose(image)
    if small.mode in ("RGBA", "LA", "PA") or "transparency" in small.info:
        small = small.convert("RGBA")
        paper = Image.new("RGBA", small.size, "white")
        paper.alpha_composite(small)
        small = paper
    small = small.convert("RGB")
    while True:
        small.thumbnail((side, side))
        for quality in _QUALITIES:
            made = BytesIO()
            small.save(made, "JPEG", quality=quality)
            if made.tell() <= PREVIEW_BYTES:
                return made.getvalue()
        side = side * 3 // 4


def _time(text: object) -> str:
    """Return a time of Exif as ISO 8601; "" when it is none.

    >>> _time("2026:05:06 14:31:07"), _time("0000:00:00 00:00:00"), _time(None)
    ('2026-05-06T14:31:07', '', '')
    """
    try:
        return datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return ""


def _degrees(gps: Mapping[int, object], value: int, sign: int, *, most: float) -> float:
    """Return a longitude or latitude; NaN when it is not given, or can be none.

    >>> _degrees({2: (42.0, 6.0, 36.0), 1: "S"}, 2, 1, most=90.0)
    -42.11
    """
    parts = gps.get(value)
    if not isinstance(parts, tuple) or len(parts) != 3:
        return nan
    degrees, minutes, seconds = map(_number, parts)
    found = round(degrees + minutes / 60.0 + seconds / 3600.0, 9)
    if not isfinite(found) or not abs(found) <= most:
        return nan
    return -found if str(gps.get(sign, "")).strip("\0 ").upper() in ("S", "W") else found


def _number(value: object) -> float:
    """Return a number of Exif; NaN when it is none, as 0/0 is."""
    try:
        found = float(str(value))
    except (TypeError, ValueError, ZeroDivisionError):
        return nan
    return found if isfinite(found) else nan
