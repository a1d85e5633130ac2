"""Words of an office that are none of ours: the nearest known ones, and the codes file to write."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from difflib import SequenceMatcher
from typing import Final

from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.codes import MARKS, Codes
from lateralline.ingest.points.survey_points import SurveyPoints

#: How much a word must have in common with a known one to be taken for a form of it.
_ALIKE: Final = 0.6
#: Words named in one line; more are counted.
_MOST: Final = 6


def nearest_meanings(word: str, codes: Codes) -> tuple[str, ...]:
    """Return what the known words most like `word` mean: several where they are equally like it.

    >>> from lateralline.ingest.points.codes import default_codes
    >>> nearest_meanings("ENULL", default_codes()), nearest_meanings("NULL", default_codes())
    (('end_null',), ('end_null', 'mid_null'))
    """
    best: dict[str, float] = {}
    for known, meaning in codes.words.items():
        pair = (word.casefold().replace(" ", ""), known.replace(" ", ""))
        alike = SequenceMatcher(None, *pair).ratio()
        best[meaning] = max(best.get(meaning, 0.0), alike)
    most = max(best.values(), default=0.0)
    return tuple(sorted(m for m, a in best.items() if most >= _ALIKE and a > most - 0.01))


def report_office_codes(
    imported: Sequence[SurveyPoints],
    strangers: Mapping[str, Sequence[tuple[int, int, str]]],
    before: Sequence[str],
    of_marks: Collection[str],
    codes: Codes,
    ledger: Ledger,
) -> None:
    """Note all unknown words for kinds of marks in one fault, with the codes file they need.

    `strangers` holds for each word the file, point and description of all points that have it;
    `before` what stands ahead of run and stop and says nothing; `of_marks` are the words that can
    mean nothing but a mark.
    """
    if not strangers:
        return
    said: list[str] = []
    lines: dict[str, list[str]] = {}
    unlike: dict[str, str] = {}
    for word, points in strangers.items():
        near_to = nearest_meanings(word, codes)
        meant = [m for m in near_to if m in MARKS or word not in of_marks]
        near = f", near {' or '.join(meant)}" if meant else ""
        said.append(f'"{word}" at {len(points)} point{"s" * (len(points) != 1)}{near}')
        if len(meant) == 1:
            lines.setdefault(meant[0], []).append(word)
        else:
            unlike[word] = meant[0] if meant else "mid_null"
    files = [
        f'words.{meaning} = "{", ".join([*_known_words(meaning, codes), *words])}"'
        for meaning, words in lines.items()
    ]
    if unlike:
        word, meaning = next(iter(unlike.items()))
        known = ", ".join([*_known_words(meaning, codes), word])
        files.append(
            f'each of "{", ".join(unlike)}" under what it means, '
            f'as words.{meaning} = "{known}" would, or under words.ignore'
        )
    f, at, description = min(one for points in strangers.values() for one in points)
    if before:
        files.append(f'words.before = "{", ".join([*_known_words("before", codes), *before])}"')
    more = f"; and {len(said) - _MOST} more" if len(said) > _MOST else ""
    found = "; ".join(said[:_MOST])
    must = f"must fit a pattern of the codes; it has no known word for a mark: {found}{more}"
    hint = f"if that is meant, write into codes.toml {' and '.join(files)}; give --codes codes.toml"
    ledger.fault(imported[f].file, int(imported[f].row[at]), "description", description, must, hint)


def _known_words(meaning: str, codes: Codes) -> list[str]:
    return [word for word, means in codes.words.items() if means == meaning]
