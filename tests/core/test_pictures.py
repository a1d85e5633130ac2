"""One picture: what is read of it, what is refused and why, and the small copy."""

from __future__ import annotations

from io import BytesIO
from math import isnan

import numpy as np
import pytest
from PIL import Image

from lateralline import pictures
from lateralline.pictures import PREVIEW_BYTES, PREVIEW_PX, UnusablePictureError, read_picture
from tests.support.made_pictures import picture


def test_time_place_and_size_are_read_and_the_small_copy_has_none_of_it() -> None:
    data = picture(taken="2026:05:06 14:31:07", at=(-81.5, -42.25), error_m=4.0, turned=6)
    read = read_picture(data)
    assert (read.taken_at, read.error_m) == ("2026-05-06T14:31:07", 4.0)
    assert (read.lon_deg, read.lat_deg) == pytest.approx((-81.5, -42.25), abs=1e-6)
    assert (read.width_px, read.height_px) == (60, 80)  # lies on its side in the file
    with Image.open(BytesIO(read.preview)) as small:
        assert small.size == (60, 80)
        assert dict(small.getexif()) == {}
    assert read_picture(data) == read


def test_a_picture_that_says_nothing_of_itself_is_one_still() -> None:
    out = BytesIO()
    Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(out, "PNG")
    read = read_picture(out.getvalue())
    assert not read.placed
    assert read.taken_at == ""
    assert isnan(read.error_m)
    with Image.open(BytesIO(read.preview)) as small:
        assert min(small.convert("L").getextrema()) > 250  # clear becomes white, not black


def test_the_small_copy_stays_small_whatever_is_in_the_picture() -> None:
    noise = np.random.default_rng(1).integers(0, 255, (900, 1200, 3), dtype=np.uint8)
    out = BytesIO()
    Image.fromarray(noise).save(out, "JPEG", quality=90)
    preview = read_picture(out.getvalue()).preview
    assert len(preview) <= PREVIEW_BYTES
    with Image.open(BytesIO(preview)) as small:
        assert max(small.size) <= PREVIEW_PX


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "empty"),
        (b"Dear crew, see the attached picture", "unknown"),
        (b"GIF89a" + bytes(40), "unknown"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "heic"),
        (picture(size=(400, 300))[:600], "damaged"),
    ],
)
def test_what_cannot_be_shown_is_told_by_its_cause(data: bytes, why: str) -> None:
    with pytest.raises(UnusablePictureError) as refused:
        read_picture(data)
    assert refused.value.variant == why


def test_a_picture_of_too_many_pixels_is_not_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pictures, "MOST_PIXELS", 80 * 60 - 1)
    with pytest.raises(UnusablePictureError, match="pixels"):
        read_picture(picture())
