"""How every command ends: in words on stderr, and under `--json` in a document on stdout too."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperCommand

from lateralline.cli.options import NOTHING, WITH_ERRORS
from lateralline.errors import LaterallineError


class Command(TyperCommand):
    """A command that ends with one friendly line and exit code 2 where it raises on purpose.

    Whoever asked for `--json` gets one document whatever happens, wrong arguments included.
    """

    # Contexts are Any: typer brings a click of its own or not, as its version has it.

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the arguments apart; under `--json` a refusal is a document too."""
        with self._ending("--json" in args, None):
            return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        with self._ending(bool(ctx.params.get("as_json")), ctx.params.get("out")):
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
            said = _said(e)
            if as_json:
                from lateralline.cli.document import error_document

                # A wrong argument carries its exit code; what nobody foresaw ends as Python does.
                code = NOTHING if said else int(getattr(e, "exit_code", WITH_ERRORS))
                why = said or str(getattr(e, "format_message", e.__str__)())
                typer.echo(error_document(self.name or "", why, out, code))
            if not said:
                raise
            typer.echo(f"lateralline: {said}", err=True)
            raise typer.Exit(NOTHING) from e


def _said(error: Exception) -> str:
    """Return what an error raised on purpose, or by the disk, says; "" for any other."""
    if isinstance(error, LaterallineError):
        return str(error)
    if isinstance(error, OSError):
        return f"{error.filename or 'file'}: {error.strerror or error}"
    return ""
