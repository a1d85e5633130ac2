"""Whole or not at all: written beside the target, then put in place; several targets together.

Each target grows in a hidden part folder beside it:
.NAME.xxxx.part/
  lock          held while the process that writes lives
  state.json    the target's name; once all is made, also what is put in place with it
  new/NAME      what is made, and after the exchange what was there before
  old           what was there before, where names cannot be exchanged; of a file always
"""

from __future__ import annotations

import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import IO, Any

from lateralline.errors import OutputError, OutputExistsError, reason, writing
from lateralline.output import keep, proof, system
from lateralline.output.system import flush, flush_tree


@dataclass(slots=True)
class PartFolder:
    """A target being made."""

    target: Path  # links followed
    home: Path
    folder: bool
    lock: IO[bytes] | None = None
    shown: Path = Path()  # as the user named it
    kind: str = ""
    replace: bool = False
    is_new: bool = False  # nothing may be at the target, also when this is put there
    before: bytes | None = None  # of a file that only grows: what is there now
    kept: Path | None = None  # what a changed file was given as a second name, by this run
    parents: tuple[Path, ...] = ()  # made for it, innermost first; not kept for nothing
    empty: bool = False
    complete: bool = False

    @classmethod
    def begin(cls, target: Path, *, folder: bool) -> PartFolder:
        """Make the part folder of a target, locked, and the folders above."""
        prefix = system.part_prefix(target.name)
        parents = system.absent_parents(target)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            home = Path(tempfile.mkdtemp(prefix=prefix, suffix=system.PART, dir=target.parent))
        except BaseException:
            system.remove_empty(parents)
            raise
        part = cls(target, home, folder, parents=parents)
        try:
            part.lock = system.hold(home / "lock")
            part._write_state({})
            part.made.parent.mkdir()
        except BaseException:
            part.clear()
            raise
        return part

    @property
    def made(self) -> Path:
        """What is made."""
        return self.home / "new" / self.target.name

    @property
    def _old(self) -> Path:
        return self.home / "old"

    def prepare(self) -> None:
        """Give what is the user's a second name, and what was made the rights of the target."""
        if not self.target.exists():
            return
        if self.folder:
            keep.carry(self.target, self.made)
            system.flush(self.made)
        elif self.before is None:
            self.kept = keep.keep_changed_file(self.target)
        self.made.chmod(stat.S_IMODE(self.target.stat().st_mode))

    def note_committing(self, parts: Sequence[PartFolder]) -> None:
        """Write down what is put in place with this, for whoever finds it half done."""
        peers = [{"home": str(p.home), "target": str(p.target)} for p in parts]
        grows = {} if self.before is None else {"grows_from": sha256(self.before).hexdigest()}
        self._write_state({"made": _identity(self.made), "peers": peers, **grows})
        system.flush(self.home)

    def put(self) -> None:
        """Let what was made take the target's name; what is there only steps aside if it may."""
        if not self.target.exists() and self._took_free_name():
            pass
        elif self.is_new:
            raise _taken(self.shown, self.kind)
        elif system.exchange(self.made, self.target):
            if not self._grows_from(self.made):
                system.exchange(self.made, self.target)
                raise _changed(self.shown)
        elif not self.folder:
            system.duplicate(self.target, self._old)
            if not self._grows_from(self._old):
                raise _changed(self.shown)
            self.made.replace(self.target)
        else:
            self.target.rename(self._old)
            try:
                self.made.rename(self.target)
            except BaseException:
                self._old.rename(self.target)
                raise
        if not self.folder:
            for end in proof.SCRAPS:  # of the file that was there; they would spoil the new one
                self.target.with_name(self.target.name + end).unlink(missing_ok=True)
        system.flush(self.target.parent)

    def _grows_from(self, there: Path) -> bool:
        """Whether what was there is what a file that only grows was made from."""
        return self.before is None or there.read_bytes() == self.before

    def _took_free_name(self) -> bool:
        try:
            system.take_free_name(self.made, self.target)
        except FileExistsError:  # of another run, since this one looked
            return False
        return True

    def take_back(self) -> None:
        """Undo `put`, as far as it came: what was there before is there again."""
        if not self.is_put:
            return
        if self._old.exists():
            self.target.rename(self.made)
            self._old.rename(self.target)
        elif self.made.exists():
            system.exchange(self.made, self.target)
        else:
            self.target.rename(self.made)

    @property
    def is_put(self) -> bool:
        """Whether what was made stands at the target, as the disk has it after a crash too."""
        made = self._state().get("made")
        return self.target.exists() and made is not None and _identity(self.target) == made

    def clear(self) -> None:
        """Take the part folder away; what would be lost with it gets a name of its own.

        What stood at the target is only gone when all that is the user's in it is in the new one.
        What the disk refuses to take away is left to the next run: nothing is lost by it.
        """
        try:
            self._clear()
        except OSError as e:
            keep.LOG.info("%s is left to the next run: %s", self.home.name, reason(e))
        finally:
            if self.lock is not None:
                self.lock.close()

    def _clear(self) -> None:
        before = self._old if self._old.exists() else self.made
        put = self.is_put
        if before.exists() and put and not self._state().get("safe"):
            if not (self._is_continued(before) or keep.all_kept(before, self.target)):
                other = keep.kept_name(self.target)
                before.rename(other)
                message = "%s was changed meanwhile: kept as %s"
                keep.LOG.warning(message, self.target.name, other.name)
            with suppress(OSError):  # a full disk: then a kill right now would leave a copy
                self._write_state(self._state() | {"safe": True})
        if self.kept is not None and not put:
            keep.remove_with_scraps(self.kept)
        _remove(self.home / "new")
        _remove(self._old)
        for name in ("state.new", "state.json", "lock"):  # in this order: the next run must know
            if name == "lock" and self.lock is not None:
                self.lock.close()
            (self.home / name).unlink(missing_ok=True)
        system.remove_empty((self.home, *self.parents))

    def _is_continued(self, before: Path) -> bool:
        """Whether the new content was made from what stood at the target, and so holds it."""
        grows_from = self._state().get("grows_from")
        return grows_from is not None and proof.sha256(before) == grows_from

    def finish(self) -> None:
        """End what a process that is gone had begun: all that goes together is put, or nothing."""
        parts = [p for p in self._peers() if p.home.exists()]
        for part in parts:
            if part._old.exists() and not part.target.exists():
                part._old.rename(part.target)
        if any(p.is_put for p in parts):
            for part in parts:
                if part.made.exists() and not part.is_put:
                    part.prepare_again()
                    part.put()
        for part in parts:
            if part.home != self.home:
                part.clear()
        self.clear()

    def prepare_again(self) -> None:
        """Prepare for a second time: what was given a second name before is not given a third."""
        if self.folder and self.target.exists() and not keep.all_kept(self.target, self.made):
            keep.carry(self.target, self.made)

    def _peers(self) -> Iterator[PartFolder]:
        for peer in self._state().get("peers", ()):
            home, target = Path(peer["home"]), Path(peer["target"])
            yield PartFolder(target, home, self._state_of(home).get("folder", True))

    def _state(self) -> dict[str, Any]:
        return self._state_of(self.home)

    @staticmethod
    def _state_of(home: Path) -> dict[str, Any]:
        with suppress(OSError, ValueError):
            state = json.loads((home / "state.json").read_text(encoding="utf-8"))
            if isinstance(state, dict):
                return state
        return {}

    def _write_state(self, more: dict[str, object]) -> None:
        state = {"target": str(self.target), "folder": self.folder, **more}
        fresh = self.home / "state.new"
        fresh.write_text(json.dumps(state), encoding="utf-8")
        system.flush(fresh)
        fresh.replace(self.home / "state.json")


def recover(target: Path) -> None:
    """Clear what runs that were cut off left beside a target; leave what is still being written.

    What such a run had begun to put in place together is put in place, and cleared: also what lies
    beside the target for another that it went with. `target` is no link.
    """
    if not target.parent.is_dir():
        return
    with os.scandir(target.parent) as there:  # of thousands, where many sites share a folder
        names = [e.name for e in there if system.is_part(e.name)]
    for name in sorted(names):
        part = None
        with suppress(FileNotFoundError):  # it went with its peer, or its run has just ended
            part = _left_by_dead(target.parent / name, target)
        if part is not None:
            part.finish()


def _left_by_dead(home: Path, target: Path) -> PartFolder | None:
    """Return a part folder of a target, or of what goes with that, locked; None while in use."""
    state = PartFolder._state_of(home)
    if state:
        of_peers = (peer["target"] for peer in state.get("peers", ()))
        if str(target) not in (state.get("target"), *of_peers):
            return None
    elif not system.is_part(home.name, target.name):
        return None
    elif not {p.name for p in home.iterdir()} <= {"lock", "state.new"}:
        message = "%s may be what an interrupted run left: remove it if nothing is running"
        keep.LOG.warning(message, home.name)
        return None
    lock = system.hold(home / "lock")
    if lock is None:
        return None
    own = Path(state.get("target", target))
    return PartFolder(own, home, bool(state.get("folder", True)), lock)


def _remove(path: Path) -> None:
    """Remove a file or a folder with all in it; raises OSError where something stays."""
    if path.is_dir() and not path.is_symlink():
        with suppress(OSError):  # what stood at a target may be closed to its owner too
            path.chmod(stat.S_IRWXU)
            for inside in system.walk(path):  # each before it is looked into
                if inside.is_dir() and not inside.is_symlink():
                    inside.chmod(stat.S_IRWXU)
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _identity(path: Path) -> str:
    """Return what a file or folder keeps when its name changes: equal outputs differ in it."""
    status = path.stat()
    return f"{status.st_dev}:{status.st_ino}"


# ---- what writers use -----------------------------------------------------------------------


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


def rewrite(path: Path, content: bytes, before: bytes) -> None:
    """Give a file of the user's, which holds `before`, other content: all of it or nothing.

    For what a command adds to a file in the user's place; `before` is b"" where there is none yet.
    A link is followed. Raises OutputError when the file changed meanwhile, or the disk fails: then
    it is as it was.
    """
    with _staged(path, "", replace=False, folder=False, before=before) as part:
        part.made.write_bytes(content)
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


def refuse_target(
    out: Path,
    kind: str,
    *,
    replace: bool,
    folder: bool = False,
    beside: Sequence[Path | None] = (),
) -> None:
    """Raise unless `out` is free, or may be replaced and was written here as this kind.

    What a run that was cut off left for it, and for what is written `beside` it, is cleared before:
    whoever refuses early, and so begins nothing, is the next run too. Raises OutputExistsError, and
    OutputError for a link that leads nowhere.
    """
    for target in (out, *filter(None, beside)):
        recover(target.resolve())
    _refuse_as_it_is(out, kind, replace=replace, folder=folder)


def refuse_targets(files: Sequence[tuple[Path, str]], *, replace: bool) -> None:
    """Raise as `refuse_target` unless all files that go together are free, or may be replaced.

    Of each what a run that was cut off left is cleared, also where another refuses.
    """
    for out, _ in files:
        recover(out.resolve())
    for out, kind in files:
        _refuse_as_it_is(out, kind, replace=replace, folder=False)


def _refuse_as_it_is(out: Path, kind: str, *, replace: bool, folder: bool) -> None:
    if not os.path.lexists(out):
        return
    if not out.exists():
        lost = f"{out} is a link to {out.readlink()}, which is not there"
        raise OutputError(f"{lost}: remove the link, or make what it leads to")
    if not replace:
        raise _taken(out, kind)
    if folder != out.is_dir():
        is_, needed = ("file", "a folder") if folder else ("folder", "a file")
        raise OutputExistsError(f"{out} is a {is_}; {needed} is needed")
    made_by = proof.KINDS[kind]
    if not folder:
        found = proof.proof_of(out)
        if found is None or found.kind != kind:
            what = "" if found is None else f": it is of `lateralline {proof.KINDS[found.kind]}`"
            message = f"{out} was not written by `lateralline {made_by}`{what}"
            raise OutputExistsError(f"{message}; not replaced: choose another name")
        return
    if out.resolve().is_mount():
        raise OutputExistsError(f"{out} is a disk of its own; name a folder in it")
    account = proof.account_of(out)
    if account is None and not any(out.iterdir()):
        return
    if account is None or account.kind != kind:
        other = proof.KINDS.get(account.kind, account.kind) if account else ""
        holds = f"is of `lateralline {other}`" if other else f"holds {', '.join(keep.foreign(out))}"
        message = f"{out} {holds} and was not written by `lateralline {made_by}`"
        raise OutputExistsError(f"{message}: not replaced, choose another folder")


def _taken(out: Path, kind: str) -> OutputExistsError:
    way = "" if kind else ", and nothing is overwritten"
    return OutputExistsError(f"{out} is there already{way}", if_asked=bool(kind))


def _changed(out: Path) -> OutputError:
    return OutputError(f"{out} was changed meanwhile: nothing was written; try again")


def _refuse(out: Path, kind: str, *, replace: bool, folder: bool, before: bytes | None) -> None:
    """Raise unless `out` may be replaced; a file that only grows holds what it did."""
    if before is None:
        _refuse_as_it_is(out, kind, replace=replace, folder=folder)
    elif (out.read_bytes() if out.is_file() else b"") != before or (not before and out.exists()):
        raise _changed(out)


@contextmanager
def _staged(
    out: Path, kind: str, *, replace: bool, folder: bool, before: bytes | None = None
) -> Iterator[PartFolder]:
    """Yield where a target is made; it takes part in the open `together` when the block ends."""
    with together():
        work = _open.get()
        assert work is not None
        target = out.resolve()
        recover(target)
        _refuse(out, kind, replace=replace and bool(kind), folder=folder, before=before)
        with writing(out):
            part = PartFolder.begin(target, folder=folder)
        work.parts.append(part)
        part.shown, part.kind, part.replace = out, kind, replace and bool(kind)
        part.before = before
        part.is_new = before is None and not part.replace
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
                _refuse(
                    part.shown,
                    part.kind,
                    replace=part.replace,
                    folder=part.folder,
                    before=part.before,
                )
                part.prepare()
        for part in parts:
            part.note_committing(parts)
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
