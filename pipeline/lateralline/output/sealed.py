"""What a person signed: a folder or one file, by hash, under an Ed25519 key of that person's own.

`seal.json` in a folder, FILE.seal.json beside a file, holds a statement (every file with its
SHA-256, of a GeoPackage that of its tables too, what it is and when it was signed), the public key,
and the signature of the statement as JSON with sorted keys and no blanks. Whoever has the public
key from its holder sees any later change. The key says who signed; the day is that of the signer's
clock. Ed25519: RFC 8032, by `cryptography`.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Final

from lateralline.errors import LaterallineError, extra
from lateralline.output import keep, proof
from lateralline.output.system import is_part, walk
from lateralline.output.whole import refuse_target, together, whole_file

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

_MOST_BYTES: Final = 100_000  # of a key
_PUBLIC: Final = ".pub"


class SealError(LaterallineError, ValueError):
    """A folder or file cannot be sealed or judged as asked; says why, and what would do."""


@dataclass(frozen=True, slots=True)
class SealVerdict:
    """What a seal says of a folder or file as it is now."""

    fingerprint: str  # SHA-256 of the public key in the seal
    sealed_at: str  # by the clock of whoever sealed it
    broken: str  # why the seal itself cannot be believed; "" for a good one
    key_given: bool  # whether the public key was compared with one that was given
    changed: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    changed_before: tuple[str, ...] = ()  # since it was written, and sealed as that

    @property
    def holds(self) -> bool:
        """Whether the seal and what it seals are as they were signed."""
        return not (self.broken or self.changed or self.missing or self.added)


# ---- keys ----------------------------------------------------------------------------------


def new_key(path: Path) -> Path:
    """Make a key: its private half at `path`, for its owner alone to read, its public beside it.

    Returns where the public half is. Raises OutputExistsError when either is there already, and
    SealError where the folder of it is not there: no private key lies anywhere by a slip.
    """
    with extra("seal", "sealing"):
        from cryptography.hazmat.primitives import serialization as form
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    public = path.with_name(path.name + _PUBLIC)
    for target in (path, public):
        refuse_target(target, "", replace=False)
    if not path.parent.is_dir():
        raise SealError(f"{path.parent} is no folder that is there: make it, or name another")
    key = Ed25519PrivateKey.generate()
    secret = key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
    with together(), whole_file(path) as made, whole_file(public) as made_public:
        handle = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(secret)
        made_public.write_bytes(_pem(key.public_key()))
    return public


def _pem(key: Ed25519PublicKey) -> bytes:
    from cryptography.hazmat.primitives import serialization as form

    return key.public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)


def _private(path: Path) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    pem = _read(path)
    try:
        key = load_pem_private_key(pem, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise SealError(
            f"{path} holds no Ed25519 private key in PEM without a password: "
            "lateralline seal --new-key FILE makes one"
        )
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        keep.LOG.warning("%s can be read by others than its owner: chmod 600 it", path.name)
    return key


def _public(path: Path | None, pem: bytes, name: str) -> Ed25519PublicKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(pem if path is None else _read(path))
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        hint = f": the public half is the file that ends in {_PUBLIC}" if path else ""
        raise SealError(f"{name} holds no Ed25519 public key in PEM{hint}")
    return key


def _read(path: Path) -> bytes:
    if not path.exists():
        raise SealError(f"{path} is not there: lateralline seal --new-key FILE makes a key")
    if not path.is_file() or path.stat().st_size > _MOST_BYTES:
        raise SealError(f"{path} is no file of a key")
    return path.read_bytes()


# ---- seal and verify -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Sealed:
    """What a seal is of: a folder with all in it, or one file beside which it stands."""

    path: Path

    @property
    def home(self) -> Path:
        """Where the names of its files count from."""
        return self.path if self.path.is_dir() else self.path.parent

    @property
    def seal(self) -> Path:
        """Where its seal stands."""
        if self.path.is_dir():
            return self.path / proof.SEAL
        return self.path.with_name(f"{self.path.name}.{proof.SEAL}")

    def files(self) -> list[str]:
        """Return the names of what is there now."""
        return _files_in(self.path) if self.path.is_dir() else [self.path.name]

    def written(self) -> tuple[str, list[str]]:
        """Return which kind of output it is, and which of its files were changed since.

        Raises SealError for what was not written here.
        """
        if not self.path.is_dir():
            found = proof.proof_of(self.path)
            if found is None:
                raise SealError(f"{self.path} was not made here: it has no stamp")
            return found.kind, [] if found.unchanged else [self.path.name]
        account = proof.account_of(self.path)
        if account is None:
            inside = [p.name for p in sorted(self.path.iterdir()) if proof.account_of(p)]
            hint = f": seal what is in it ({', '.join(inside)})" if inside else ""
            raise SealError(f"{self.path} has no manifest.json of lateralline{hint}")
        return account.kind, [
            name
            for name in account.files
            if not (self.path / name).is_file() or not account.unchanged(self.path, name)
        ]


def seal_output(
    path: Path, key: Path, about: Mapping[str, object], *, replace: bool = False
) -> Sequence[str]:
    """Sign a file, or every file of a folder, written here; return what was changed before.

    `about` goes into the statement: versions, parameters, the day. Raises SealError for what was
    not written here, OutputExistsError for what is sealed and not to be sealed anew.
    """
    with extra("seal", "sealing"):
        private = _private(key)
    of = _Sealed(path)
    kind, changed = of.written()
    target = of.seal
    refuse_target(target, "seal", replace=replace)  # what a dead run left must not be signed
    signed = (name for name in of.files() if not _of_another_run(name))
    files = [proof.entry_of(of.home, name) for name in signed]
    statement = {
        **about, "folder" if path.is_dir() else "file": kind,
        "changed_before": changed, "files": files,
    }  # fmt: skip
    public = private.public_key()
    with whole_file(target, "seal", replace=replace) as made:
        content = {
            "format": proof.SEAL_FORMAT,
            "stamp": proof.stamp("seal"),
            "statement": statement,
            "public_key": _pem(public).decode("ascii"),
            "signature": base64.b64encode(private.sign(_signed(statement))).decode("ascii"),
        }
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
        made.write_text(text + "\n", encoding="utf-8", newline="\n")
    return changed


def verify_output(sealed: Path, public: Path | None = None) -> SealVerdict:
    """Return whether a sealed folder or file is as it was signed, by whose key, and what is not.

    `public` is the signer's public key, from the signer; without it the seal's own is taken, and
    only says that nothing was changed by someone who left the seal alone. Raises SealError for a
    what has no seal, UnreadableError for a GeoPackage that another program has locked.
    """
    with extra("seal", "verifying"):
        import cryptography.exceptions as of_keys
    of = _Sealed(sealed)
    content = proof.seal_in(of.seal)
    if content is None:
        raise SealError(f"{sealed} has no {of.seal.name} of lateralline: it is not sealed")
    try:
        statement: dict[str, Any] = content["statement"]
        own = _public(None, str(content["public_key"]).encode("ascii"), of.seal.name)
        signature = base64.b64decode(str(content["signature"]), validate=True)
        files = {str(f["path"]): dict(f) for f in statement["files"]}
        if not all(isinstance(f["sha256"], str) for f in files.values()):
            raise TypeError("a hash is a text")
        sealed_at, signed = str(statement.get("sealed_at", "")), _signed(statement)
        before = tuple(map(str, statement.get("changed_before", ())))
    except (KeyError, TypeError, ValueError, binascii.Error):
        return SealVerdict(
            "", "", "the seal is damaged: what it holds is no seal", public is not None
        )
    verdict = SealVerdict(
        fingerprint=sha256(_pem(own)).hexdigest(),
        sealed_at=sealed_at,
        broken="",
        key_given=public is not None,
    )
    try:
        own.verify(signature, signed)
    except of_keys.InvalidSignature:
        return replace(verdict, broken="the signature does not fit: the seal itself was changed")
    if public is not None and _pem(_public(public, b"", str(public))) != _pem(own):
        return replace(verdict, broken=f"it was sealed with another key than {public.name}")
    if any(PurePosixPath(f).is_absolute() or ".." in PurePosixPath(f).parts for f in files):
        return replace(verdict, broken="it names files outside of the folder")
    if sealed.is_file() and set(files) != {sealed.name}:
        return replace(verdict, broken=f"it is the seal of {', '.join(files) or 'nothing'}")
    there = set(of.files())
    return replace(
        verdict,
        changed=tuple(n for n in files if n in there and not proof.same(of.home / n, files[n])),
        missing=tuple(name for name in files if name not in there),
        added=tuple(sorted(there - set(files))),
        changed_before=before,
    )


def _signed(statement: Mapping[str, object]) -> bytes:
    """Return what of a statement is signed."""
    return json.dumps(statement, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def _of_another_run(name: str) -> bool:
    """Whether a file belongs to a seal that another run is making in the same folder right now."""
    return is_part(name.partition("/")[0], proof.SEAL)


def _files_in(folder: Path) -> list[str]:
    """Return every file of a folder, links to files too, but for the seal and scraps of SQLite."""
    names = [p.relative_to(folder).as_posix() for p in walk(folder) if not p.is_dir()]
    scraps = {name + end for name in names for end in proof.SCRAPS}
    return [name for name in names if name not in scraps and name != proof.SEAL]
