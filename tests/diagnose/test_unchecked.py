"""What nothing in the data could show is listed once, and only where it applies."""

from __future__ import annotations

import pytest
from tests.support.places import SAMPLES

from lateralline.stages import SiteResult, run_site


@pytest.mark.parametrize(
    ("sample", "listed", "absent"),
    [
        (
            "gnss-bend-branch",
            ("shift of the whole site (base station, datum)", "height of the antenna"),
            ("mirror image",),
        ),
        ("local-sketch", ("mirror image", "one wrong unit"), ("antenna", "shift of the whole")),
        ("tape-ties", ("shift of the whole site (control)", "mirror image"), ("antenna",)),
    ],
)
def test_it_is_said_once_and_as_it_applies(
    sample: str, listed: tuple[str, ...], absent: tuple[str, ...]
) -> None:
    result = run_site(SAMPLES / sample, until="place")
    assert isinstance(result, SiteResult)
    (found,) = (f for f in result.findings if f.code == "not-checked")
    assert found.severity == "info"
    assert all(words in found.what for words in listed), found.what
    assert not any(words in found.what for words in absent), found.what
    zone = "right zone" in found.what
    told = any(f.code == "which-zone" for f in result.findings)
    assert not (zone and told), "said once"
