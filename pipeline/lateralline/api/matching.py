"""A built record held against the lines of a register, and its laterals against the mains.

Neither is a clearance to dig: the local one-call service and local codes come first, and pipes
are proven by exposing them by hand or vacuum.
"""

from __future__ import annotations

from math import nan
from pathlib import Path
from typing import Literal

from lateralline.api.overlays import in_unit, refuse_picture
from lateralline.contract import CONNECTIONS
from lateralline.matching.connect import AHEAD_M, Connection, Connections, Meeting
from lateralline.matching.connect import connect as connect_lines
from lateralline.matching.layers import MATCHES, write_connections, write_matches
from lateralline.matching.match import WITHIN_M, LineMatch, RegisterMatch, Verdict
from lateralline.matching.match import match as match_lines
from lateralline.matching.register_lines import (
    REGISTER_SIGMA_M,
    RegisterLines,
    RegisterUse,
    column_names,
    read_by_profile,
    read_register,
)
from lateralline.output import together
from lateralline.overlay.as_built import AsBuilt, open_as_built
from lateralline.overlay.files import cells_of

__all__ = [
    "AHEAD_M",
    "CONNECTIONS",
    "MATCHES",
    "REGISTER_SIGMA_M",
    "WITHIN_M",
    "Connection",
    "Connections",
    "LineMatch",
    "Meeting",
    "RegisterMatch",
    "RegisterUse",
    "Verdict",
    "cells_of",
    "column_names",
    "connect",
    "match",
]


def match(
    record: Path,
    register: Path,
    out: Path | None = None,
    *,
    use: RegisterUse | None = None,
    within_m: float = WITHIN_M,
    shift_sigma_m: float = nan,
    unit: str = "",
    picture: Path | None = None,
    replace: bool = False,
) -> RegisterMatch:
    """Hold each line of a built record against the lines of a register, along its whole length.

    `use` says which layer and columns of the register's file to read, or by which mapping profile,
    and σ of positions where it states none; `shift_sigma_m` is one σ between both where none is
    published. Lines within `within_m` are looked at. With `out` the overlay is written there, with
    `picture` a plan: both, or nothing. Lengths on the plan are in `unit`, else in the crews'.

    Raises SiteFaultsError with every fault of the register's file, FrameError when it cannot be
    brought to the record, UnreadableError or NotBuiltError for what is no built record, ValueError
    for another kind of picture, OutputExistsError, MissingExtraError, OutputError.
    """
    refuse_picture(picture, "matches-picture", out, replace=replace)
    as_built = in_unit(open_as_built(record), unit)
    lines = _read(register, use, as_built, "register")
    made = match_lines(as_built, lines, within_m=within_m, shift_sigma_m=shift_sigma_m)
    with together():
        if out is not None:
            write_matches(made, as_built, out, replace=replace)
        if picture is not None:
            from lateralline.matching.picture import draw_matches

            draw_matches(made, as_built, picture, replace=replace)
    return made


def connect(
    record: Path,
    mains: Path,
    out: Path | None = None,
    *,
    use: RegisterUse | None = None,
    ahead_m: float = AHEAD_M,
    against_flow: bool = False,
    same_levels: bool = False,
    shift_sigma_m: float = nan,
    unit: str = "",
    picture: Path | None = None,
    replace: bool = False,
) -> Connections:
    """Find where each lateral of a built record meets a main, and how far along it.

    Mains are drawn with the flow, from their upstream access, or all `against_flow`; with
    `same_levels` their inverts are on the record's basis. Mains within `ahead_m` of a line's end
    are looked at. The rest, and what is raised, as `match`.
    """
    refuse_picture(picture, "connections-picture", out, replace=replace)
    as_built = in_unit(open_as_built(record), unit)
    lines = _read(mains, use, as_built, "mains")
    made = connect_lines(
        as_built,
        lines,
        ahead_m=ahead_m,
        against_flow=against_flow,
        same_levels=same_levels,
        shift_sigma_m=shift_sigma_m,
    )
    with together():
        if out is not None:
            write_connections(made, as_built, out, replace=replace)
        if picture is not None:
            from lateralline.matching.picture import draw_connections

            draw_connections(made, as_built, picture, replace=replace)
    return made


def _read(
    path: Path, use: RegisterUse | None, as_built: AsBuilt, what: Literal["register", "mains"]
) -> RegisterLines:
    use = use or RegisterUse()
    if use.profile:
        return read_by_profile(path, use, as_built.crs, what)
    return read_register(path, use, what)
