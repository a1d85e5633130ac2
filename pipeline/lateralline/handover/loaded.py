"""Mapping profiles found, read and checked: those that come with lateralline, and files."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from lateralline.errors import SiteFaultsError
from lateralline.handover.checked import note_faults
from lateralline.handover.profile import Profile
from lateralline.ingest.intake import decode, read_bytes
from lateralline.ingest.ledger import Ledger, nearest, one_line
from lateralline.ingest.limits import TOML_BYTES
from lateralline.ingest.sections import load_toml

#: Where the shipped profiles are, within the schemas.
_FOLDER: Final = "profiles"


@dataclass(frozen=True, slots=True)
class LoadedProfile:
    """A profile that was checked, with its text as it stands in the file."""

    profile: Profile
    text: str

    @property
    def sha256(self) -> str:
        """Digest of its text."""
        return sha256(self.text.encode()).hexdigest()


def shipped() -> tuple[str, ...]:
    """Return the names of the profiles that come with lateralline."""
    folder = files("lateralline_schemas") / "v2" / _FOLDER
    found = (file.name for file in folder.iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in found if n.endswith(".toml")))


def profile_text(name: str) -> str:
    """Return the text of a shipped profile, to begin one's own with; KeyError for another name."""
    if name not in shipped():
        raise KeyError(name)
    source = files("lateralline_schemas") / "v2" / _FOLDER / f"{name}.toml"
    return source.read_text(encoding="utf-8")


def load_profile(given: Profile | LoadedProfile | str | Path) -> LoadedProfile:
    """Return a profile by the name of a shipped one, or from a file.

    Raises SiteFaultsError with every fault of it, each by the key it stands under.
    """
    if isinstance(given, LoadedProfile):
        return given
    if isinstance(given, Profile):
        said = given.model_dump(mode="json", by_alias=True, exclude_defaults=True)
        return LoadedProfile(given, json.dumps(said))
    if str(given) in shipped():
        return parsed(profile_text(str(given)), f"{given}.toml")
    path, ledger = Path(given), Ledger()
    data = None
    if os.path.lexists(path):
        data = read_bytes(path, ledger, TOML_BYTES, smaller="a profile is a page or two of names")
    else:
        must = "must be a profile that comes with lateralline, or a file"
        hint = nearest(str(given), shipped()) if "." not in path.name else "there is no such file"
        ledger.fault(path.name, 0, "profile", str(given), must, hint)
    text = None if data is None else decode(path.name, data, ledger)
    ledger.raise_faults(path.name)
    return parsed(text or "", path.name)


def parsed(text: str, file: str) -> LoadedProfile:
    """Return the profile of a TOML text; raises as `load_profile`."""
    ledger = Ledger()
    try:
        raw = load_toml(text)
    except ValueError as e:
        ledger.fault(file, 0, "file", "", f"must be TOML: {e}")
        ledger.raise_faults(file)
        raise
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as e:
        errors = e.errors(include_url=False)
        wrong = {error["loc"][:n] for error in errors for n in range(len(error["loc"]))}
        for error in errors:
            if error["loc"] in wrong:
                continue  # only that what is wrong in the list leaves too few
            place = ", ".join(_steps(error["loc"], raw)) or "file"
            ledger.fault(file, 0, place, *_wrong(error["input"], error["msg"]))
        raise SiteFaultsError(file, ledger.faults) from e
    note_faults(profile, file, ledger)
    ledger.raise_faults(file)
    return LoadedProfile(profile, text)


def _wrong(value: object, message: str) -> tuple[str, str]:
    """Return what was found and what would be right, of a fault the model met."""
    shown = "" if isinstance(value, Mapping | list | tuple) else one_line(value)
    if message == "Field required":
        return "", "must be there"
    if message == "Extra inputs are not permitted":
        return shown, "must be a key of profiles: see profile.schema.json"
    return shown, f"must be otherwise: {message[:1].lower()}{message[1:]}"


def _steps(location: tuple[int | str, ...], raw: object) -> Iterator[str]:
    """Yield the key of a fault as a person finds it: "layer Mains", "column DIAM", "unit"."""
    at, word = raw, ""
    for step in location:
        at = _within(at, step)
        if isinstance(step, str):
            if word:
                yield word
            word = step
            continue
        name = at.get("name", at.get("layer", "")) if isinstance(at, Mapping) else ""
        yield f"{word} {name or step + 1}"
        word = ""
    if word:
        yield word


def _within(holder: object, step: int | str) -> object:
    if isinstance(holder, Mapping):
        return holder.get(step)
    if isinstance(holder, list) and isinstance(step, int) and step < len(holder):
        return holder[step]
    return None
