"""What tests call findings: by code, and by variant too where it was a finding of its own."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache

from lateralline.findings import Finding
from tests.support.places import ROOT


def called(found: Finding) -> str:
    """Return code and variant where the variant was a code once, else the code alone.

    Variants that one such code had are called as the first of them: `names_of_v1.toml` tells.
    """
    return _apart().get(found.name, found.code)


@cache
def _apart() -> Mapping[str, str]:
    path = ROOT / "schemas" / "lateralline_schemas" / "v2" / "names_of_v1.toml"
    names = tomllib.loads(path.read_text(encoding="utf-8"))["findings"]
    return {
        name: names.get(old.partition("/")[0], name) for old, name in names.items() if "/" in name
    }


#: What a site just begun is told: of what nobody has entered yet.
OF_A_NEW_SITE = frozenset(
    {
        "line-not-located/no-stops",
    }
)
