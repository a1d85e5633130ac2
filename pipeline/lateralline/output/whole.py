"""Whole or not at all: written beside the target, then put in place; several targets together."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path

from lateralline.errors import OutputError, OutputExistsError, writing
from lateralline.output import keep, proof
from lateralline.output.part import PartFolder, recover
from lateralline.output.system import flush, flush_tree

_open: ContextVar[_Together | None] = ContextVar("together", default=None)


@contextmanager
def whole_folder(out: Path, kind: str = "", *, replace: bool = False) -> Iterator[Path]:
    """Yield an empty folder beside `out` that becomes `out` when the block ends well.

    When it does not, or leaves it empty, nothing is at `out` that was not there before. `kind` is
    one of `proof.KINDS` and lets the folder be replaced later; "" for what never is. In a
    `together` block it is put in place when that ends. Raises OutputExistsError, before anything is
    written, when `out` is there and `replace` was not asked for or may not be; OutputError when the
    disk fails or another program holds what is there.
    """
    with _staged(out, kind, replace=replace, folder=True) as part:
        part.made.mkdir()
        yield part.made
        if not any(part.made.iterdir()):
            part.empty = True
            return
        if kind and not (part.made / proof.MANIFEST).exists():
            proof.write_manifest(part.made, kind)
        if kind:
            proof.seal(part.made / proof.MANIFEST)
        flush_tree(part.made)


@contextmanager
def whole_file(out: Path, kind: str = "", *, replace: bool = False) -> Iterator[Path]:
    """Yield a path beside `out`, of its name, whose file becomes `out` when all ends well.

    With a `kind` the block writes `stamp(kind)` into the file's metadata. Raises as `whole_folder`.
    """
    with _staged(out, kind, replace=replace, folder=False) as part:
        yield part.made
        if kind:
            proof.seal(part.made)
        flush(part.made)


@contextmanager
def together() -> Iterator[None]:
    """Put what the block writes in place at its end: all of it, or nothing."""
    if _open.get() is not None:
        yield
        return
    work = _Together()
    token = _open.set(work)
    try:
        yield
        work.put_in_place()
    finally:
        _open.reset(token)
        work.clear()


def refuse_target(out: Path, kind: str, *, replace: bool, folder: bool = False) -> None:
    """Raise unless `out` is free, or may be replaced and was written here as this kind.

    Raises OutputExistsError, and OutputError for a link that leads nowhere.
    """
    if not os.path.lexists(out):
        return
    if not out.exists():
        lost = f"{out} is a link to {out.readlink()}, which is not there"
        raise OutputError(f"{lost}: remove the link, or make what it leads to")
    if not replace:
        raise OutputExistsError(f"{out} is there already; choose another or ask for --replace")
    if folder != out.is_dir():
        is_, needed = ("file", "a folder") if folder else ("folder", "a file")
        raise OutputExistsError(f"{out} is a {is_}; {needed} is needed")
    made_by = proof.KINDS[kind]
    if not folder:
        found = proof.proof_of(out)
        if found is None or found.kind != kind:
            what = "" if found is None else f": it is of `lateralline {proof.KINDS[found.kind]}`"
            said = f"{out} was not written by `lateralline {made_by}`{what}"
            raise OutputExistsError(f"{said}; not replaced: choose another name")
        return
    if out.resolve().is_mount():
        raise OutputExistsError(f"{out} is a disk of its own; name a folder in it")
    account = proof.account_of(out)
    if account is None and not any(out.iterdir()):
        return
    if account is None or account.kind != kind:
        other = proof.KINDS.get(account.kind, account.kind) if account else ""
        holds = f"is of `lateralline {other}`" if other else f"holds {', '.join(keep.foreign(out))}"
        said = f"{out} {holds} and was not written by `lateralline {made_by}`"
        raise OutputExistsError(f"{said}: not replaced, choose another folder")


@contextmanager
def _staged(out: Path, kind: str, *, replace: bool, folder: bool) -> Iterator[PartFolder]:
    """Yield where a target is made; it takes part in the open `together` when the block ends."""
    with together():
        work = _open.get()
        assert work is not None
        target = out.resolve()
        recover(target)
        refuse_target(out, kind, replace=replace and bool(kind), folder=folder)
        with writing(out):
            target.parent.mkdir(parents=True, exist_ok=True)
            part = PartFolder.begin(target, folder=folder)
        work.parts.append(part)
        part.shown, part.kind, part.replace = out, kind, replace and bool(kind)
        with writing(out):
            yield part
        part.complete = not part.empty


@dataclass(slots=True)
class _Together:
    parts: list[PartFolder] = field(default_factory=list)

    def put_in_place(self) -> None:
        parts = [part for part in self.parts if part.complete]
        for part in parts:
            with writing(part.shown):
                refuse_target(part.shown, part.kind, replace=part.replace, folder=part.folder)
                part.prepare()
        for part in parts:
            part.say_committing(parts)
        done: list[PartFolder] = []
        try:
            for part in parts:
                with writing(part.shown):
                    done.append(part)
                    part.put()
        except BaseException:
            for part in reversed(done):
                part.take_back()
            raise

    def clear(self) -> None:
        """Take away the part folders, once what they hold of the user's is safe."""
        for part in self.parts:
            part.clear()
