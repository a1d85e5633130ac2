"""How every command ends: in words on stderr, and under `--json` in a document on stdout too."""

from __future__ import annotations

import errno
import logging
import os
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import typer
from typer.core import TyperCommand

from lateralline.cli.options import NOTHING, UNFORESEEN
from lateralline.errors import LaterallineError, of_files, reason

TRACEBACK: Final = "LATERALLINE_TRACEBACK"


class Command(TyperCommand):
    """A command that ends with one friendly line: exit code 2 where it raises on purpose.

    What nobody foresaw ends with 70, never with 1, which says what a run found. Whoever asked for
    `--json` gets one document whatever happens, wrong arguments included.
    """

    # Contexts are Any: typer brings a click of its own or not, as its version has it.

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the arguments apart; under `--json` a refusal is a document too."""
        with self._ending("--json" in args, None):
            return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        with _notes_said(), self._ending(bool(ctx.params.get("as_json")), ctx.params.get("out")):
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
            said, code = _said(e)
            if as_json:
                from lateralline.cli.document import error_document

                typer.echo(error_document(self.name or "", said, out, code))
            if hasattr(e, "exit_code"):
                raise  # typer says it, with the usage
            typer.echo(f"lateralline: {said}", err=True)
            if code == UNFORESEEN and os.environ.get(TRACEBACK):
                traceback.print_exception(e)
            raise typer.Exit(code) from e


class _NoteHandler(logging.Handler):
    """Says on stderr what was kept of the user's files."""

    def emit(self, record: logging.LogRecord) -> None:
        typer.echo(f"note: {record.getMessage()}", err=True)


@contextmanager
def _notes_said() -> Iterator[None]:
    log, notes = logging.getLogger("lateralline.output"), _NoteHandler()
    log.addHandler(notes)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(notes)


def _said(error: Exception) -> tuple[str, int]:
    """Return what an error says and the exit code it ends with."""
    if isinstance(error, LaterallineError):
        return str(error), NOTHING
    if hasattr(error, "exit_code"):  # a wrong argument, or a whole line of them
        return str(getattr(error, "format_message", error.__str__)()), int(error.exit_code)
    if isinstance(error, UnicodeEncodeError) and error.reason == "surrogates not allowed":
        # All that is written is UTF-8, so the half of a pair came with what was given: a name on
        # the disk or an argument whose bytes are no UTF-8.
        before, after = error.object[: error.start], error.object[error.start :]
        said = before.rpartition("\n")[2][-40:] + after.partition("\n")[0][:40]
        return f"{said.strip()} is no text in UTF-8: rename that file, or retype the words", NOTHING
    if isinstance(error, OSError):
        return f"{error.filename or 'file'}: {error.strerror or error}", NOTHING
    if of_files(error):
        return f"a file could not be read or written: {reason(error)}", NOTHING
    said = (
        f"{type(error).__name__}: {error}. This is a fault of lateralline, not of what it was "
        f"given: please report it ({TRACEBACK}=1 in the environment shows where)."
    )
    return said, UNFORESEEN
