"""Pictures as a phone writes them, made up: an even colour, with time and position where asked."""

from __future__ import annotations

from io import BytesIO

from PIL import Image


def picture(
    colour: str = "grey",
    *,
    taken: str = "",
    at: tuple[float, float] | None = None,
    error_m: float | None = None,
    size: tuple[int, int] = (80, 60),
    turned: int = 1,
) -> bytes:
    """Return a JPEG; `taken` as Exif writes it, `at` longitude and latitude, `turned` as Exif."""
    image = Image.new("RGB", size, colour)
    exif = image.getexif()
    exif[0x0112] = turned
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    if at is not None:
        lon, lat = at
        gps = exif.get_ifd(0x8825)
        gps.update({1: "S" if lat < 0 else "N", 2: _dms(lat), 3: "W" if lon < 0 else "E"})
        gps[4] = _dms(lon)
        if error_m is not None:
            gps[31] = error_m
    out = BytesIO()
    image.save(out, "JPEG", exif=exif.tobytes())
    return out.getvalue()


def _dms(degrees: float) -> tuple[float, float, float]:
    whole = int(abs(degrees))
    minutes = (abs(degrees) - whole) * 60.0
    return float(whole), float(int(minutes)), round((minutes - int(minutes)) * 60.0, 4)
