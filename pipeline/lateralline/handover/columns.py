"""One column of a register from the columns of a record: codes, units, figures, types, domain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from lateralline.contract import FieldType
from lateralline.handover.checked import unit_ratio
from lateralline.handover.losses import Loss, is_sure
from lateralline.handover.profile import RegisterColumn
from lateralline.ingest.ledger import Ledger
from lateralline.record.layers import ARROW
from lateralline.wording import counted, rounded_up

_MOST_SHOWN: Final = 6


@dataclass(frozen=True, slots=True)
class RegisterValue:
    """A column of a register's layer, and the record's unit of what it is taken from."""

    layer: str
    column: RegisterColumn
    unit: str


def column_of(
    asked: RegisterValue, frame: pd.DataFrame, losses: list[Loss], ledger: Ledger
) -> pa.Array:
    """Return a column (n) for the features of `frame` (n), and note what is lost and missing."""
    column = asked.column
    values = _taken(column, frame)
    if column.codes:
        values = _coded(asked, values, losses)
    elif len(column.sources) == 1 and (asked.unit or column.type in ("real", "integer")):
        values = _figures(asked, values, losses)
    if column.empty is not None:
        values = values.where(values.notna(), column.empty)
    typed = _typed(asked, values, ledger)
    if column.width is not None:
        typed = _cut(asked, typed, losses)
    _note_missing(asked, typed, ledger)
    return typed


def _taken(column: RegisterColumn, frame: pd.DataFrame) -> pd.Series:
    """Return the record's values as objects; None where there is none."""
    if column.constant is not None:
        return pd.Series([column.constant] * len(frame), dtype=object)
    if not column.sources:
        return pd.Series([None] * len(frame), dtype=object)
    parts = [_known(frame[name]) for name in column.sources]
    if len(parts) == 1:
        return parts[0]
    there = pd.concat(parts, axis=1).notna().all(axis=1)
    texts = [part.map(_text, na_action="ignore") for part in parts]
    joined = [column.separator.join(map(str, row)) for row in zip(*texts, strict=True)]
    return pd.Series(joined, dtype=object).where(there, None)


def _known(values: pd.Series) -> pd.Series:
    """Return a column with None for what is not known: null, NaN, an empty text."""
    plain = values.astype(object)
    return plain.where(plain.notna() & (plain != ""), None)


def _coded(asked: RegisterValue, values: pd.Series, losses: list[Loss]) -> pd.Series:
    column = asked.column
    counts = values.dropna().map(_text).value_counts()
    known = {text: column.code_of(text) for text in counts.index}
    for text, code in known.items():
        own = {str(ours).casefold() for ours in column.codes}
        if code is None or text.casefold() not in own:
            becomes = "left empty" if code is None else f"given as {code}"
            source = "".join(column.sources[:1])
            where = f"{asked.layer} {column.name}"
            losses.append(
                Loss("codes", where, f"{source} {text}".strip(), int(counts[text]), becomes)
            )
    coded = values.map(_text, na_action="ignore").map(known, na_action="ignore")
    return coded.astype(object).where(coded.notna(), None)


def _figures(asked: RegisterValue, values: pd.Series, losses: list[Loss]) -> pd.Series:
    """Return numbers in the register's unit; what says how sure something is, rounded up."""
    column = asked.column
    exact = pd.to_numeric(values, errors="coerce").to_numpy(dtype=np.float64)
    exact = exact * (unit_ratio(asked.unit, column.unit) or 1.0) * column.factor
    decimals = 0 if column.type == "integer" else column.decimals
    if decimals is None:
        return pd.Series(exact, dtype=object).where(np.isfinite(exact), None)
    if any(is_sure(name) for name in column.sources) and column.type == "real":
        up = [rounded_up(v, decimals) if np.isfinite(v) else v for v in exact.tolist()]
        written = np.array(up, dtype=np.float64)
    else:
        written = np.round(exact, decimals)
    off = np.abs(written - exact)
    off[~np.isfinite(off)] = 0.0
    if (off > 1e-9 * np.maximum(1.0, np.abs(np.nan_to_num(exact)))).any():
        unit = column.unit or asked.unit
        step = f"{10.0**-decimals:g}"
        why = f"to {step} {unit}, off by up to {off.max():.2g} {unit}".replace(" 1,", ",")
        count = int((off > 0.0).sum())
        losses.append(Loss("figures", asked.layer, column.name, count, why.strip()))
    return pd.Series(written, dtype=object).where(np.isfinite(written), None)


def _typed(asked: RegisterValue, values: pd.Series, ledger: Ledger) -> pa.Array:
    """Return values of the register's type; what cannot be one is a fault."""
    kind = asked.column.type
    made: list[object] = []
    wrong: list[str] = []
    for value in values.tolist():
        try:
            made.append(None if value is None or value != value else _AS[kind](value))
        except (TypeError, ValueError):
            made.append(None)
            wrong.append(str(value))
    if wrong:
        must = f"must be {kind}; {counted(len(wrong), 'value')} of another kind"
        ledger.fault(asked.layer, 0, asked.column.name, _listed(wrong), must)
    return pa.array(made, type=ARROW[kind])


def _text(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{int(value)}" if value.is_integer() else repr(value)
    if isinstance(value, datetime):
        return (
            value.date().isoformat() if value.time() == datetime.min.time() else value.isoformat()
        )
    return value.isoformat() if isinstance(value, date) else str(value)


def _whole(value: object) -> int:
    number = float(str(int(value) if isinstance(value, bool) else value))
    if not number.is_integer():
        raise ValueError(value)
    return int(number)


def _bool(value: object) -> bool:
    if str(value).lower() not in ("true", "false", "1", "0", "1.0", "0.0"):
        raise ValueError(value)
    return str(value).lower() in ("true", "1", "1.0")


def _moment(value: object) -> datetime:
    moment = pd.Timestamp(str(value))
    utc = moment.tz_localize("UTC") if moment.tzinfo is None else moment.tz_convert("UTC")
    made: datetime = utc.to_pydatetime()
    return made


_AS: Final[dict[FieldType, Callable[[object], object]]] = {
    "text": _text,
    "integer": _whole,
    "real": lambda value: float(str(value)),
    "boolean": _bool,
    "date": lambda value: pd.Timestamp(str(value)).date(),
    "datetime": _moment,
}


def _cut(asked: RegisterValue, values: pa.Array, losses: list[Loss]) -> pa.Array:
    """Return texts no longer than the register's width."""
    width = asked.column.width
    texts = values.to_pylist()
    long = [t for t in texts if t is not None and len(t) > (width or 0)]
    if not long:
        return values
    why = f"to {width} characters; the longest has {max(map(len, long))}"
    losses.append(Loss("texts", asked.layer, asked.column.name, len(long), why))
    return pa.array([t if t is None else t[:width] for t in texts], type=values.type)


def _note_missing(asked: RegisterValue, values: pa.Array, ledger: Ledger) -> None:
    """Note what the register wants and the record has not: values, and values of its domain."""
    column, known = asked.column, values.drop_null().to_pylist()
    if column.required and values.null_count:
        must = f"must not be empty; {values.null_count} of {len(values)} features lack a value"
        hint = "give the site what is missing, or `empty` in the profile"
        ledger.fault(asked.layer, 0, column.name, "", must, hint)
    if column.values and (strange := [str(v) for v in known if v not in column.values]):
        must = f"must be one of {', '.join(map(str, column.values))}"
        ledger.fault(asked.layer, 0, column.name, _listed(strange), must, "give codes for more")
    low, high, unit = column.minimum, column.maximum, column.unit
    if low is not None and (out := [f"{v:g}" for v in known if v < low]):
        must = f"must be at least {low:g} {unit}".rstrip()
        ledger.fault(asked.layer, 0, column.name, _listed(out), must)
    if high is not None and (out := [f"{v:g}" for v in known if v > high]):
        must = f"must be at most {high:g} {unit}".rstrip()
        ledger.fault(asked.layer, 0, column.name, _listed(out), must)


def _listed(values: list[str]) -> str:
    """Return some of several values in words, each once."""
    each = list(dict.fromkeys(values))
    return ", ".join(each[:_MOST_SHOWN]) + f" and {len(each) - _MOST_SHOWN} more" * (
        len(each) > _MOST_SHOWN
    )
