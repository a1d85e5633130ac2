"""Arguments and options: how they are declared, those that commands share, and their values."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import fields, is_dataclass
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Final, Literal, get_type_hints

import typer
from typer.models import ArgumentInfo, OptionInfo

from lateralline.units import METRES_PER


def option(
    text: str,
    *names: str,
    metavar: str | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
    exists: bool = False,
    dir_okay: bool = True,
) -> OptionInfo:
    """Declare an option whose default is not shown; `text` is its help."""
    made: OptionInfo = typer.Option(
        *names,
        metavar=metavar,
        help=text,
        min=at_least,
        max=at_most,
        exists=exists,
        dir_okay=dir_okay,
        show_default=False,
    )
    return made


def argument(
    text: str,
    *,
    metavar: str | None = None,
    exists: bool = False,
    file_okay: bool = True,
    dir_okay: bool = True,
) -> ArgumentInfo:
    """Declare an argument; `text` is its help."""
    made: ArgumentInfo = typer.Argument(
        metavar=metavar,
        help=text,
        exists=exists,
        file_okay=file_okay,
        dir_okay=dir_okay,
        show_default=False,
    )
    return made


Sites = Annotated[
    list[Path],
    argument(
        "A site folder, a workbook (.xlsx), or a folder of these; or a URL of one, as s3://city, "
        "with the extra remote.",
        metavar="SITE",
    ),
]
Record = Annotated[
    Path,
    argument("Folder that `lateralline build` wrote, or its .gpkg.", metavar="RECORD", exists=True),
]
Records = Annotated[
    list[Path],
    argument(
        "Folders that `lateralline build` wrote, or their .gpkg.", metavar="RECORD", exists=True
    ),
]
#: For commands that take any number of sites at once.
AnyRecord = Annotated[
    Path,
    argument(
        "Folder that `lateralline build` wrote, or its .gpkg; any number of sites.",
        metavar="RECORD",
        exists=True,
    ),
]
DatabaseUrl = Annotated[
    str,
    argument(
        "Database of the register, as postgresql://USER@HOST/DATABASE; what is left out comes from "
        "PGHOST, PGDATABASE, PGUSER, PGPASSWORD, PGSERVICE or a password file.",
        metavar="URL",
    ),
]
Connections = Annotated[
    list[Path] | None,
    typer.Option(
        "--connections",
        metavar="CONNECTIONS",
        exists=True,
        help="Folder that `lateralline connect` wrote for RECORD, or its .gpkg. Repeatable.",
    ),
]
SiteId = Annotated[str, argument("Id of a site in the register.", metavar="SITE")]
Picture = Annotated[Path | None, option("Plan to draw: .png, .svg or .pdf.", metavar="PICTURE")]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document and nothing else, for machines.")
]
Replace = Annotated[
    bool,
    typer.Option(
        "--replace",
        help="Replace what this command wrote there before, and nothing else; what was changed "
        "since is kept beside it.",
    ),
]
Workers = Annotated[
    int | None,
    option(
        "Processes to share the sites among; else one for each core where there are sites enough.",
        metavar="N",
        at_least=1,
    ),
]
Out = Annotated[Path | None, option("Folder to write.", "--out", "-o", metavar="OUT")]
# Of commands that read lines of a register.
IdColumn = Annotated[
    str, option("Column of the names of lines; else their row in the file.", metavar="NAME")
]
Column = Annotated[
    list[str] | None,
    typer.Option(
        metavar="OURS=THEIRS",
        help="Another column by our name with its unit, as diameter_in=SIZE or sigma_m=ACC; "
        "repeat.",
    ),
]
Layer = Annotated[str, option("Layer, where a file has several.", metavar="NAME")]
RegisterProfile = Annotated[
    str,
    option(
        "Mapping profile to read the file by, in place of columns, layer and CRS.",
        "--profile",
        metavar="NAME|FILE",
    ),
]
RegisterSigma = Annotated[
    str,
    option(
        "1 σ on each axis of lines that state none; 0.5m if not said: common practice, no source.",
        metavar="LENGTH",
    ),
]
ShiftAccuracy = Annotated[
    str,
    option(
        "1 σ between both files, where no shift of datum is made, or one without a published σ.",
        metavar="LENGTH",
    ),
]
Also = Annotated[
    list[str] | None,
    option(
        "What to write besides: the layers as geoparquet and flatgeobuf, a qgis-project inside "
        "the GeoPackage, and photos as handed in; once for each, or parted by commas.",
        "--also",
        metavar="WHAT",
    ),
]
WithPrivate = Annotated[
    bool,
    typer.Option(
        "--with-private",
        help="Show what the site marks as private too, such as owner and address.",
    ),
]
Terms = Annotated[
    Literal["metric", "us"] | None,
    option(
        "Words of labels: chainage and level, or station and elevation; else by the site's tape.",
        "--terms",
        metavar="metric|us",
    ),
]
Units = Annotated[
    Literal["m", "ft", "us-ft", "in"] | None,
    option("Unit of lengths in words; else that of the crews.", "--units", metavar="m|ft|us-ft|in"),
]
Full = Annotated[
    bool, typer.Option("--full", help="Print every finding and figure, not one screen.")
]
ReportFile = Annotated[
    Path | None, option("Text file to write all that --full prints into.", metavar="FILE")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print only what went wrong.")]


def formats_asked(also: Sequence[str] | None) -> list[str]:
    """Return the formats that `--also` names; raises typer.BadParameter for one there is not."""
    from lateralline.api.records import refuse_unknown_formats

    formats = [name for given in also or () for name in given.split(",")]
    try:
        refuse_unknown_formats(formats)
    except ValueError as e:
        raise typer.BadParameter(str(e), param_hint="--also") from e
    return formats


def areas_asked(areas: str, formats: Collection[str]) -> float | str | None:
    """Return the side of squares in metres or the column that `--areas` names; None for "".

    Raises typer.BadParameter without the format that areas divide, and for a size without a unit.
    """
    from lateralline.api.records import GEOPARQUET

    if not areas:
        return None
    if GEOPARQUET not in formats:
        raise typer.BadParameter(f"goes with --also {GEOPARQUET}", param_hint="--areas")
    return metres(areas, "--areas") if re.match(r"\s*[\d.+-]", areas) else areas


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Let a command take options in groups: dataclasses whose fields are annotated as options.

    The command line knows the fields alone; the command gets each group made of them.
    """
    of_command = get_type_hints(command, include_extras=True)
    groups: dict[str, type] = {
        name: hint
        for name, hint in of_command.items()
        if isinstance(hint, type) and is_dataclass(hint)
    }
    parameters: list[Parameter] = []
    for parameter in signature(command).parameters.values():
        if (group := groups.get(parameter.name)) is None:
            hint = of_command[parameter.name]
            parameters.append(parameter.replace(kind=Parameter.KEYWORD_ONLY, annotation=hint))
            continue
        hints = get_type_hints(group, include_extras=True)
        parameters += [
            Parameter(f.name, Parameter.KEYWORD_ONLY, default=f.default, annotation=hints[f.name])
            for f in fields(group)
        ]

    def called(**given: object) -> None:
        for name, group in groups.items():
            made: Callable[..., object] = group
            given[name] = made(**{f.name: given.pop(f.name) for f in fields(group)})
        command(**given)

    called.__name__, called.__doc__ = command.__name__, command.__doc__
    called.__annotations__ = {p.name: p.annotation for p in parameters}
    vars(called)["__signature__"] = Signature(parameters)
    return called


def columns_given(
    given: Sequence[str] | None, known: Collection[str], **named: str
) -> dict[str, str]:
    """Return --column options, and columns with an option of their own, as our name → theirs.

    Raises typer.BadParameter for what is no pair, and for a name of ours there is not.
    """
    out = {ours: theirs for ours, theirs in named.items() if theirs}
    for text in given or ():
        ours, equals, theirs = (part.strip() for part in text.partition("="))
        if not equals or not theirs:
            raise typer.BadParameter(f"OURS=THEIRS; got {text!r}", param_hint="--column")
        refuse_unknown_column(ours, known, "--column")
        out[ours] = theirs
    return out


def refuse_unknown_column(name: str, known: Collection[str], option_name: str) -> None:
    """Raise typer.BadParameter for a name of ours there is not, with the nearest there is."""
    from lateralline.api.overlays import nearest

    if name not in known:
        message = f"no attribute is called {name!r}; {nearest(name, known)}"
        raise typer.BadParameter(message, param_hint=option_name)


def refuse_nothing_written(out: Path | None, picture: Path | None, *, replace: bool) -> None:
    """Raise typer.BadParameter where something is to be replaced, and nothing written."""
    if replace and out is None and picture is None:
        raise typer.BadParameter(
            "nothing is written: say --out or --picture", param_hint="--replace"
        )


_LENGTH: Final = re.compile(r"\s*(\d{1,7}(?:\.\d{0,9})?|\.\d{1,9})\s*(m|cm|mm|ft|us-ft|in)\s*")


def refuse_suffix(path: Path | None, known: Sequence[str], must: str, option_name: str) -> None:
    """Raise typer.BadParameter for a file whose name ends otherwise: "a sheet ends in {}"."""
    if path is not None and path.suffix.casefold() not in known:
        message = f"{must.format(' or '.join(known))}; got {path.name!r}"
        raise typer.BadParameter(message, param_hint=option_name)


def refuse_picture(path: Path | None, option_name: str = "--picture") -> None:
    """Raise typer.BadParameter for a picture of another kind than can be drawn."""
    from lateralline.api.documents import PICTURE_SUFFIXES

    kinds = ", ".join(PICTURE_SUFFIXES)
    refuse_suffix(path, PICTURE_SUFFIXES, f"a picture ends in {kinds}", option_name)


def refuse_unknown(value: str | None, known: Collection[str], option_name: str) -> None:
    """Raise typer.BadParameter for a value that is given and none of those known."""
    if value is not None and value not in known:
        must = " or ".join(known) if len(known) == 2 else f"one of {', '.join(known)}"
        raise typer.BadParameter(f"must be {must}; got {value!r}", param_hint=option_name)


def known_paper(paper: str, known: Collection[str]) -> str:
    """Return the name of a paper size however its letters are; raises typer.BadParameter."""
    names = {name.casefold(): name for name in known}
    if paper.casefold() not in names:
        refuse_unknown(paper, known, "--paper")
    return names[paper.casefold()]


def metres(text: str, option: str, *, empty: float | None = None) -> float:
    """Return a length in metres, or `empty` for one that is not given.

    Raises typer.BadParameter without a unit or for what is no length.

    >>> metres("0.5m", "--required"), round(metres("18 in", "--required"), 4)
    (0.5, 0.4572)
    """
    if not text and empty is not None:
        return empty
    found = _LENGTH.fullmatch(text)
    if found is None:
        raise typer.BadParameter(
            f"must be a length of zero or more with its unit, as 0.3m, 12in or 1ft; got {text!r}",
            param_hint=option,
        )
    return float(found[1]) * METRES_PER[found[2]]


# ---- the record a command is given ---------------------------------------------------------


def sites_of(built: Path) -> list[tuple[Path, str]]:
    """Return GeoPackage and id of each site of a built record; raises typer.BadParameter for none.

    `built` is the folder that `build` wrote, with a record of each CRS or one, or a GeoPackage.
    """
    from lateralline import api

    try:
        return [(r.asbuilt, site) for r in api.load_all(built) for site in r.sites]
    except api.NotARecordError as e:
        raise typer.BadParameter(str(e), param_hint="RECORD") from e


def one_site(built: Path, site: str, there: Sequence[tuple[Path, str]] = ()) -> tuple[Path, str]:
    """Return GeoPackage and id of the site asked for, or of the only one there is.

    `there` are the `sites_of` the record, where the caller has them. Raises typer.BadParameter.
    """
    there = there or sites_of(built)
    asked = [one for one in there if site in ("", one[1])]
    if len(asked) == 1:
        return asked[0]
    ids = [known for _, known in there]
    asbuilt = there[0][0] if len({gpkg for gpkg, _ in there}) == 1 else built
    known = ", ".join(ids[:20]) + (", …" if len(ids) > 20 else "")
    what = f"no site {site!r} in {asbuilt}" if site else f"{asbuilt} holds {len(ids)} sites"
    raise typer.BadParameter(f"{what}; choose one of: {known}", param_hint="--site")
