"""A field record without a row but its control: tests give the files they are about."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from lateralline.records import (
    ControlRows,
    ExposureRows,
    FieldRecord,
    MarkRows,
    ObservationRows,
    Spots,
    StopRows,
)
from lateralline.settings import Settings

N, T, K = np.empty(0), np.empty(0, np.str_), np.empty(0, np.int64)  # columns without rows
NO_SPOTS = Spots("marks.csv", K, T, T, N, N, N, N, N, T, T, N, N, N, (), T, T)


def bare_record(settings: Settings, control: ControlRows, **given: Any) -> FieldRecord:
    """Return a site with these points of control, and of its other files what is given."""
    bare = FieldRecord(
        folder=settings.id,
        settings=settings,
        control=control,
        marks=MarkRows(NO_SPOTS, T, T, T),
        stops=StopRows("stops.csv", K, T, T, N, N, N, T),
        exposures=ExposureRows(NO_SPOTS, T, T, N, N, T, N, T),
        observations=ObservationRows("observations.csv", K, T, N, T, T, T, T, T),
        inputs=(),
        findings=(),
    )
    return replace(bare, **given)
