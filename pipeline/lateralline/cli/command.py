"""How every command ends: its exit code, words on stderr, and under `--json` one document.

A document is in metres and has no NaN.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import traceback
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import typer
from typer.core import TyperCommand

from lateralline import __version__, wording
from lateralline.errors import LaterallineError, OutputExistsError, of_files, reason

if TYPE_CHECKING:
    from lateralline.api import SiteFailure, SiteSummary

#: Exit codes of `build` and `check`: no error findings; some, or some sites failed; nothing.
CLEAN: Final = 0
WITH_ERRORS: Final = 1
NOTHING: Final = 2
#: Ended by Ctrl-C: 128 and the number of the signal, as shells have it.
INTERRUPTED: Final = 130
#: An error nobody foresaw: EX_SOFTWARE of sysexits.h (from memory).
UNFORESEEN: Final = 70

TRACEBACK: Final = "LATERALLINE_TRACEBACK"


class Command(TyperCommand):
    """A command that ends with one friendly line: exit code 2 where it raises on purpose.

    What nobody foresaw ends with 70, never with 1, which is of what a run found. Whoever asked for
    `--json` gets one document whatever happens, wrong arguments included.
    """

    # Contexts are Any: typer brings a click of its own or not, as its version has it.

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the arguments apart; under `--json` a refusal is a document too."""
        with self._ending("--json" in args, None):
            try:
                return super().parse_args(ctx, args)
            except Exception as e:
                if isinstance(said := getattr(e, "message", None), str):
                    vars(e)["message"] = said.removeprefix("Value error, ")
                raise

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        with _notes_shown(), self._ending(bool(ctx.params.get("as_json")), ctx.params.get("out")):
            return super().invoke(ctx)

    @contextmanager
    def _ending(self, as_json: bool, out: Path | None) -> Iterator[None]:
        try:
            yield
        except (typer.Exit, typer.Abort):
            raise
        except Exception as e:
            if isinstance(e, OSError) and e.errno == errno.EPIPE:
                raise  # the reader of a pipe left: no error of ours, and nobody to tell
            message, code = _message(e)
            if as_json:
                refused = {"error": message, "sites": [], "failures": []}
                typer.echo(json_text({**head(self.name or "", out, code), **refused}))
            if hasattr(e, "exit_code"):
                raise  # typer says it, with the usage
            typer.echo(f"lateralline: {message}", err=True)
            if code == UNFORESEEN and os.environ.get(TRACEBACK):
                traceback.print_exception(e)
            raise typer.Exit(code) from e


class _NoteHandler(logging.Handler):
    """Says on stderr what was kept of the user's files."""

    def emit(self, record: logging.LogRecord) -> None:
        typer.echo(f"note: {record.getMessage()}", err=True)


@contextmanager
def _notes_shown() -> Iterator[None]:
    log, notes = logging.getLogger("lateralline.output"), _NoteHandler()
    log.addHandler(notes)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(notes)


def _message(error: Exception) -> tuple[str, int]:
    """Return the message of an error and the exit code it ends with."""
    if isinstance(error, OutputExistsError):
        return error.said("--replace"), NOTHING
    if isinstance(error, LaterallineError):
        return str(error), NOTHING
    if hasattr(error, "exit_code"):  # a wrong argument, or a whole line of them
        return str(getattr(error, "format_message", error.__str__)()), int(error.exit_code)
    if isinstance(error, UnicodeEncodeError) and error.reason == "surrogates not allowed":
        # All that is written is UTF-8, so the half of a pair came with what was given: a name on
        # the disk or an argument whose bytes are no UTF-8.
        before, after = error.object[: error.start], error.object[error.start :]
        message = before.rpartition("\n")[2][-40:] + after.partition("\n")[0][:40]
        return (
            f"{message.strip()} is no text in UTF-8: rename that file, or retype the words",
            NOTHING,
        )
    if isinstance(error, OSError):
        return f"{error.filename or 'file'}: {error.strerror or error}", NOTHING
    if of_files(error):
        return f"a file could not be read or written: {reason(error)}", NOTHING
    message = (
        f"{type(error).__name__}: {error}. This is a fault of lateralline, not of what it was "
        f"given: please report it ({TRACEBACK}=1 in the environment shows where)."
    )
    return message, UNFORESEEN


# ---- the document of --json ----------------------------------------------------------------


def batch_document(
    command: str,
    sites: Iterable[tuple[str, SiteSummary]],
    failures: Iterable[SiteFailure],
    out: Path | None,
    exit_code: int,
) -> str:
    """Return the JSON text of a batch; numbers that are not known are null.

    `out` is the folder that was written, None when none was.
    """
    content = {
        **head(command, out, exit_code),
        "sites": [{"source": source, **asdict(summary)} for source, summary in sites],
        "failures": [{**asdict(failure), "source": failure.home} for failure in failures],
    }
    return json_text(content)


def head(command: str, out: Path | None, exit_code: int) -> dict[str, object]:
    """Return what every document begins with; `out` is what was written, None for nothing."""
    from lateralline.api import CAUTION

    return {
        "lateralline": __version__,
        "command": command,
        "caution": CAUTION,
        "out": None if out is None else str(out),
        "exit_code": exit_code,
    }


def json_text(content: dict[str, object]) -> str:
    """Return JSON; numbers that are not known are null, blanks of the common kind."""
    return json.dumps(wording.for_json(content), indent=2, ensure_ascii=False, allow_nan=False)
