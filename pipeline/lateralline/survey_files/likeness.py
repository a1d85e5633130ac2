"""Descriptions that fit no pattern and yet look like marks: `R1_4_EN`, `EN 3`, `R3 1 ENX`."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Final

from lateralline.survey_files.codes import MARKS, Codes
from lateralline.survey_files.values import cut

_WORD: Final = re.compile(r"[^\W_]+")
#: What runs and stops are called: R1, 3, 12A, or a letter that lost its number.
_NAME: Final = re.compile(r"[a-z]{0,2}\d+[a-z]?|[a-z]")
_RUN: Final = re.compile(r"[a-z]{1,2}\d+")
_STOP: Final = re.compile(r"\d+[a-z]?")


def compact(name: str) -> str:
    """Return a name without case and signs, as runs are compared here.

    >>> compact("R-1"), compact("r 1")
    ('r1', 'r1')
    """
    return "".join(_WORD.findall(name.casefold()))


def looks_like_a_mark(code: str, runs: Mapping[str, str], codes: Codes) -> str:
    """Return in words why a description looks like a mark; "" when it does not.

    `runs` are those that other points name, by their compact names. A tree or a kerb says neither a
    run nor, beside a word for a mark, nothing but names and numbers.
    """
    bare, said = cut(code, codes.keys)
    words = [w.casefold() for w in _WORD.findall(bare)]
    run = next((runs[n] for i in (1, 2) if (n := "".join(words[:i])) in runs), "")
    if run:
        return f"begins like a mark of run {run}"
    if said.keys() & {"run", "stop"} or {"counter", "depth"} <= said.keys():  # a tree may have d=
        return f"has {' and '.join(sorted(said))} of a mark"
    phrases = [
        _WORD.findall(word)
        for word, meaning in codes.words.items()
        if meaning in MARKS and meaning != "ground"
    ]
    for phrase in sorted(phrases, key=len, reverse=True):
        rest = _without(words, phrase)
        if rest is not None and (all(map(_NAME.fullmatch, rest)) or any(w in runs for w in rest)):
            return f"has a word for a mark, {' '.join(phrase)}"
    if len(words) > 2 and _RUN.fullmatch(words[0]) and _STOP.fullmatch(words[1]):
        known = [" ".join(phrase) for phrase in phrases]
        if near := get_close_matches(" ".join(words[2:]), known, 1, 0.75):
            return f"looks like a mark, {near[0]}"
    return ""


def _without(words: Sequence[str], phrase: Sequence[str]) -> list[str] | None:
    """Return words without a phrase among them; None when it is not there."""
    n = len(phrase)
    for at in range(len(words) - n + 1):
        if list(words[at : at + n]) == list(phrase):
            return [*words[:at], *words[at + n :]]
    return None
