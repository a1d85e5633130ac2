"""`lateralline seal` and `verify`: a folder or a file signed with a key of one's own."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.command import CLEAN, WITH_ERRORS, head, json_text
from lateralline.cli.options import AsJson, argument, option
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented


def seal(
    made: Annotated[
        Path | None,
        argument(
            "Folder that `lateralline build`, zones, clearance or another command wrote, or one "
            "file: a sheet, a page, a drawing.",
            metavar="[FOLDER or FILE]",
            exists=True,
        ),
    ] = None,
    key: Annotated[
        Path | None, option("Private key to sign with, as --new-key makes it.", metavar="FILE")
    ] = None,
    new_key: Annotated[
        Path | None,
        option(
            "Make a key: FILE for its owner alone, FILE.pub for everybody else.", metavar="FILE"
        ),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Seal anew what is sealed already.")
    ] = False,
) -> None:
    """Sign a folder or one file with a key of your own.

    `verify` tells any later change.

    seal.json in the folder, or FILE.seal.json beside a file, holds the SHA-256 of every file,
    version and parameters, and an Ed25519 signature. Keep the private key to yourself; hand
    FILE.pub to whoever verifies, by another way than what is sealed. A seal says who signed and
    that nothing was changed since, and nothing of where the pipe is: it is no clearance to dig.

    Exit code: 0 sealed, or a key made; 2 nothing written.

    \b
    Example:
      lateralline seal --new-key my.key
      lateralline seal out --key my.key
      lateralline seal sheet.pdf --key my.key
    """
    from lateralline.api import seals

    if new_key is not None:
        if made is not None or key is not None or replace:
            raise typer.BadParameter("stands alone", param_hint="--new-key")
        public = seals.new_key(new_key)
        print_last_words(f"made {new_key}, for you alone, and {public} to hand out")
        return
    if made is None or key is None:
        raise typer.BadParameter("say FOLDER or FILE and --key FILE, or --new-key FILE")
    changed = seals.seal(made, key, replace=replace)
    for name in changed:
        print_indented(console(), f"changed since it was written, and sealed as it is now: {name}")
    print_last_words(f"sealed {made}")


def verify(
    made: Annotated[
        Path,
        argument("Folder or file that was sealed.", metavar="FOLDER or FILE", exists=True),
    ],
    key: Annotated[
        Path | None,
        option("Public key of whoever sealed it, had from that person.", metavar="FILE.pub"),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say whether a sealed folder or file is as it was signed.

    And name what is not.

    A GeoPackage counts by what its tables hold: looking at it changes nothing. Without --key only
    the seal's own key is known, which anybody could have put there.

    Exit code: 0 as it was signed; 1 changed, another key, or a broken seal; 2 not sealed.

    \b
    Example:
      lateralline verify out --key my.key.pub
      lateralline verify sheet.pdf --key my.key.pub
    """
    from lateralline.api import seals

    found = seals.verify(made, key)
    code = CLEAN if found.holds else WITH_ERRORS
    if as_json:
        content = {**head("verify", None, code), **asdict(found), "holds": found.holds}
        typer.echo(json_text(content))
        raise typer.Exit(code)
    page = console()
    if found.broken:
        print_indented(page, f"do not rely on the seal of {made}: {found.broken}")
    for what in ("changed", "missing", "added"):
        for name in getattr(found, what):
            print_indented(page, f"{what}: {name}")
    for name in found.changed_before:
        print_indented(page, f"changed since it was written, before it was sealed: {name}")
    if found.fingerprint:
        print_indented(page, f"sealed {found.sealed_at} with key {found.fingerprint}")
    if not found.key_given:
        print_indented(
            page, "whose key that is, only --key with the public key of the signer shows"
        )
    ends = "nothing was compared" if found.broken else "NOT as it was signed"
    print_last_words("as it was signed" if found.holds else ends)
    raise typer.Exit(code)
