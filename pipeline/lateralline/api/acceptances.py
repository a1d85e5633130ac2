"""Accept a finding of a site: by name, day and reason, in the site's own file."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from pathlib import Path

from lateralline.api.sites import error_of
from lateralline.errors import LaterallineError
from lateralline.findings import Finding
from lateralline.ingest.intake import BOM, SITE_FILE
from lateralline.ingest.sections import load_toml
from lateralline.names import wrong_sign
from lateralline.output import recover, rewrite
from lateralline.stages import SiteFailure, run_site
from lateralline.template import toml_literal, with_below

__all__ = ["NotAcceptedError", "accept"]


class NotAcceptedError(LaterallineError, ValueError):
    """A finding cannot be accepted as asked; says why, and what would do."""


def accept(
    site: Path | str,
    code: str,
    subject: str,
    *,
    by: str,
    reason: str,
    on: date | None = None,
    cause: str = "",
) -> Finding:
    """Accept a finding of a site, and return it as it stands on record from now on.

    `[[accepted]]` is added at the end of its `site.toml`, all else of which stays as it is; `on` is
    today when not given, `code` may be "code/variant". `cause` is needed where several findings
    have the same code and subject. A finding of writing (of the coordinate system of a batch) is
    accepted by hand, from the layer `findings`. Raises NotAcceptedError for a finding that is not
    there, and for a site in a workbook, with the row to be typed there; OutputError when the disk
    fails.
    """
    source = Path(site)
    for name, text in (("by", by), ("reason", reason)):
        if not text.strip() or wrong_sign(text):
            raise NotAcceptedError(f"{name} must be text: {wrong_sign(text) or 'it is empty'}")
    file, before = source / SITE_FILE, b""
    if source.is_dir():
        recover(file.resolve())
        with suppress(OSError):  # told where the site is read
            before = file.read_bytes()  # what is judged: who else adds to it meanwhile refuses this
    found = _found(source, code, subject, cause)
    values = {
        "code": found.code,
        "subject": subject,
        "by": " ".join(by.split()),
        "on": on or date.today(),
        "reason": " ".join(reason.split()),
        "cause": found.cause,
    }
    if not source.is_dir() or not file.is_file():
        row = ", ".join(f"{key}: {value}" for key, value in values.items())
        raise NotAcceptedError(
            f"{source.name} holds its settings in a workbook, which is yours alone to change: "
            f"type a row on its sheet accepted: {row}"
        )
    section = ["[[accepted]]", *(f"{k} = {toml_literal(v)}" for k, v in values.items())]
    whole = with_below(before.decode("utf-8"), section)
    try:
        load_toml(whole.removeprefix(BOM))
    except ValueError as e:
        raise NotAcceptedError(
            f"{file}: [[accepted]] cannot stand below what is there ({e}): write each acceptance "
            "there under a heading [[accepted]] of its own"
        ) from e
    rewrite(file, whole.encode("utf-8"), before)
    return found


def _found(source: Path, code: str, subject: str, cause: str) -> Finding:
    """Return the one finding that is meant, and not accepted yet."""
    result = run_site(source, until="derive")
    if isinstance(result, SiteFailure):
        raise error_of(result)
    same = [f for f in result.findings if f.subject == subject and f.is_one_of((code,))]
    meant = [f for f in same if f.asked and (not cause or f.cause == cause.lower())]
    if len({f.cause for f in meant}) == 1:
        return meant[0]
    if len(meant) > 1:
        each = "; ".join(f"{f.cause}: {f.message}" for f in meant)
        raise NotAcceptedError(f"{code} of {subject} is there {len(meant)} times: say which {each}")
    if same and not any(f.asked for f in same):
        by = same[0]
        raise NotAcceptedError(
            f"{code} of {subject} is accepted already, by {by.accepted_by} on {by.accepted_on}"
        )
    asked = "; ".join(dict.fromkeys(f"{f.code} of {f.subject}" for f in result.findings if f.asked))
    raise NotAcceptedError(
        f"the site has no finding {code} of {subject}"
        + (f" with the cause {cause}" if cause and same else "")
        + f"; there are: {asked or 'none'}"
    )
