"""Records handed over in a register's own names, and a register's lines read by them.

Nothing handed over is a clearance to dig, and every layer with a place says so.
"""

from __future__ import annotations

from pathlib import Path

from lateralline.errors import FrameError
from lateralline.frames import horizontal_crs
from lateralline.handover import (
    LoadedProfile,
    Profile,
    load_profile,
    profile_text,
    read_register,
    shipped,
)
from lateralline.handover.files import ABOUT, write_handover
from lateralline.handover.formats import CRS_OF, FORMATS, fitted
from lateralline.handover.losses import Loss, report_lines
from lateralline.handover.mapped import Handover, map_record
from lateralline.output import whole_file
from lateralline.record.assets import private_shown

__all__ = [
    "ABOUT",
    "FORMATS",
    "Handover",
    "LoadedProfile",
    "Loss",
    "Profile",
    "hand_over",
    "load_profile",
    "plan_handover",
    "private_shown",
    "profiles",
    "read_register",
    "report_lines",
    "write_profile",
]


def plan_handover(
    record: Path | str,
    profile: Profile | LoadedProfile | str | Path,
    *,
    kind: str = "geopackage",
    crs: str = "",
    site: str = "",
) -> Handover:
    """Return a record as a register has it, what is lost, and what is missing; write nothing.

    `record` is a folder that build wrote, or its .gpkg; `profile` the name of a shipped one or a
    file; `kind` of `FORMATS`. `crs` is asked for in place of the profile's; with neither it is the
    record's, of GeoJSON always WGS 84. Raises ValueError for another kind, SiteFaultsError for a
    profile with faults, NotExportedError, UnknownSiteError, FrameError for a way that is no mere
    projection.
    """
    if kind not in FORMATS:
        raise ValueError(f"must be one of {', '.join(FORMATS)}; got {kind!r}")
    loaded = load_profile(profile)
    own = CRS_OF.get(kind, "")
    asked = crs or loaded.profile.crs
    if own and asked and horizontal_crs(asked) != horizontal_crs(own):
        raise FrameError(f"{kind} is in {own}, whatever the profile or --crs says; got {asked}")
    return fitted(map_record(Path(record), loaded, crs=own or asked, site=site), kind)


def hand_over(
    record: Path | str,
    out: Path | str,
    profile: Profile | LoadedProfile | str | Path,
    *,
    kind: str = "geopackage",
    crs: str = "",
    site: str = "",
    replace: bool = False,
) -> Handover:
    """Write a record as a register has it into a folder, whole or not at all, and return it.

    The folder gets the layers in one format, HANDOVER.md with what was left behind, the profile,
    and a JSON Schema a layer. Raises as `plan_handover`; SiteFaultsError too for all that the
    register requires and the record has not; OutputExistsError, OutputError, ReadBackError.
    """
    made = plan_handover(record, profile, kind=kind, crs=crs, site=site)
    write_handover(made, Path(out), kind, replace=replace)
    return made


def profiles() -> dict[str, str]:
    """Return the names of the shipped profiles, each with its title."""
    return {name: load_profile(name).profile.title for name in shipped()}


def write_profile(name: str, out: Path) -> None:
    """Write a shipped profile into a file, to begin one's own with.

    Raises KeyError for a name none has, OutputExistsError when the file is there.
    """
    text = profile_text(name)
    with whole_file(out) as made:
        made.write_text(text, encoding="utf-8", newline="\n")
