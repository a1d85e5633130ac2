"""Every error lateralline raises on purpose: one root, each also a builtin."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing wrong in one place of one input file.

    >>> print(Fault("marks.csv", 14, "base_offset", "3,2", "must be a number in ft", "write 3.2"))
    marks.csv:14: base_offset must be a number in ft; got "3,2" — write 3.2
    >>> print(Fault("a.xlsx marks", 14, "base_offset", "3,2", "must be a number in ft", cell="N14"))
    a.xlsx marks!N14: base_offset must be a number in ft; got "3,2"
    """

    file: str
    row: int  # line number in the file, as an editor shows it; 0 = the file as a whole
    column: str
    value: str
    must: str  # "must be …": what would be right
    hint: str = ""
    cell: str = ""  # address in a workbook; then `file` names workbook and sheet

    def __str__(self) -> str:
        """Say where, what would be right, what was found and the way out."""
        place = f"{self.file}:{self.row}" if self.row else self.file
        place = f"{self.file}!{self.cell}" if self.cell else place
        got = f'; got "{self.value}"' if self.value else ""
        hint = f" — {self.hint}" if self.hint else ""
        return f"{place}: {self.column} {self.must}{got}{hint}"


class LaterallineError(Exception):
    """Root of all errors raised on purpose."""


#: How the places where a site's settings stand end: the file, and the sheet of a workbook.
_SETTINGS = ("site.toml", " site")


class SiteFaultsError(LaterallineError, ValueError):
    """A site's input has faults; carries every one of them, not the first."""

    def __init__(self, site: str, faults: Iterable[Fault]) -> None:
        """Keep the faults in file and row order, each once; those of the settings first.

        What the settings say decides how everything else is read.
        """
        self.site = site
        in_order = sorted(set(faults))
        self.faults = tuple(sorted(in_order, key=lambda f: not f.file.endswith(_SETTINGS)))
        many = "1 fault" if len(self.faults) == 1 else f"{len(self.faults)} faults"
        super().__init__(f"{site}: {many}\n" + "\n".join(map(str, self.faults)))


class SiteFailedError(LaterallineError, RuntimeError):
    """A site whose files are sound could not be carried through a stage; says which and why."""


class ContractError(LaterallineError, ValueError):
    """A schema file, or a table offered to it, breaks the contract."""


class FrameError(LaterallineError, ValueError):
    """A coordinate reference system cannot be used for what was asked."""


class StageError(LaterallineError, RuntimeError):
    """A stage was asked to run before what it needs was made, or made something else."""


class OutputExistsError(LaterallineError, FileExistsError):
    """The output folder is there already and may not be replaced unasked."""

    def __init__(self, message: str, *, if_asked: bool = False) -> None:
        """Keep what is in the way, and whether it would be replaced if that were asked for."""
        self.if_asked = if_asked
        Exception.__init__(self, message)

    def __str__(self) -> str:
        """Say what to ask for in Python."""
        return self.said("replace=True")

    def said(self, option: str) -> str:
        """Say what is in the way, and what to ask for, by the name it has there."""
        return f"{self.args[0]}{f'; choose another or ask for {option}' if self.if_asked else ''}"


class UnknownSiteError(LaterallineError, LookupError):
    """A built record does not hold the site asked for."""


class UnknownSpotError(LaterallineError, LookupError):
    """A built record does not hold the node, observation or chainage asked for."""


class OutputError(LaterallineError, OSError):
    """Writing failed midway (disk full, folder gone); nothing was put in place."""


class UnreadableError(LaterallineError, OSError):
    """A built record is there but cannot be read now: locked, not a GeoPackage, not allowed."""


class ReadBackError(LaterallineError, OSError):
    """What was written does not read back as it was meant; nothing was put in place."""


class RegisterError(LaterallineError, RuntimeError):
    """A database is not there, is no register, or does not take what it was given."""


#: Packages whose errors come of files and disks, by the module their errors are in.
OUTSIDE = ("pyogrio", "fiona", "sqlite3")


def of_files(error: BaseException) -> bool:
    """Whether an error comes of a file or the disk, as the system, GDAL or SQLite tell it."""
    package = type(error).__module__.partition(".")[0]
    return isinstance(error, OSError) or package in OUTSIDE


#: How it shows that what was written did not arrive: GDAL tells some of that only to itself.
_TORN = ("no such table", "malformed", "disk I/O error", "not a database", "Error while writing")
_IN_USE = ": close the programs that have it open, or choose a place you may write to"


@contextmanager
def writing(out: object) -> Iterator[None]:
    """Turn what files and disks raise in the block into OutputError; `out` is what is written."""
    try:
        yield
    except LaterallineError:
        raise
    except Exception as e:
        fault = e
        if isinstance(e, zlib.error) and isinstance(e.__context__, OSError):
            fault = e.__context__  # a stream that was not let out at its end hides why
        if not of_files(fault):
            raise
        hint = _IN_USE if isinstance(fault, PermissionError) else ""
        message = f"writing {out} failed: {reason(fault)}; nothing was put in place{hint}"
        raise OutputError(message) from e


def reason(error: BaseException) -> str:
    """Return what the system, GDAL or SQLite says went wrong, without the statement that did."""
    message = str(getattr(error, "strerror", None) or error).rpartition("failed: ")[2]
    outside = type(error).__module__.partition(".")[0] in OUTSIDE
    torn = outside and any(sign in message for sign in _TORN)
    return f"{message} (the disk may be full, or a file is damaged)" if torn else message


class MissingExtraError(LaterallineError, ImportError):
    """An optional package is needed; the message names the extra that brings it."""


@contextmanager
def extra(name: str, what: str) -> Iterator[None]:
    """Turn a failed import in the block into MissingExtraError: `what` needs the extra `name`."""
    try:
        yield
    except ImportError as e:
        raise MissingExtraError(f'{what} needs: pip install "lateralline[{name}]"') from e
