"""Which day what was measured: of each run, exposure, vertex and segment, and of the record.

A run and an exposure have a day of their own or the site's. What is derived has the latest day of
what it rests on: a bend or a junction that of the located points on either side of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from lateralline.records import FieldRecord, Line
from lateralline.settings import Settings


@dataclass(frozen=True, slots=True)
class SurveyDays:
    """Days of survey of one site, and who surveyed with what."""

    site: date
    surveyor: str  # of runs that name nobody
    run: Mapping[str, date]
    exposure: Mapping[str, date]  # by name
    surveyor_of_run: Mapping[str, str]
    receiver_of_run: Mapping[str, str]

    @property
    def last(self) -> date:
        """The last day on which anything was surveyed."""
        return max((*self.run.values(), *self.exposure.values()), default=self.site)

    def of_runs(self, runs: Sequence[str]) -> list[date]:
        """Return the day of each run; the site's for what is of no run."""
        return [self.run.get(run, self.site) for run in runs]

    def surveyors(self, runs: Sequence[str]) -> list[str]:
        """Return who surveyed each run."""
        return [self.surveyor_of_run.get(run, self.surveyor) for run in runs]

    def receivers(self, runs: Sequence[str]) -> list[str]:
        """Return the receiver of each run; "" where none is named."""
        return [self.receiver_of_run.get(run, "") for run in runs]

    def of_vertices(self, line: Line) -> list[date]:
        """Return the latest day each vertex (m) of a line rests on."""
        own = [
            self._measured(str(kind), str(run), str(ref))
            for kind, run, ref in zip(line.kind, line.run, line.ref, strict=True)
        ]
        located = [i for i, day in enumerate(own) if day is not None]
        days = []
        for i, day in enumerate(own):
            if day is None:
                before = [own[at] for at in located if at < i][-1:]
                after = [own[at] for at in located if at > i][:1]
                beside = [d for d in (*before, *after) if d is not None]
                day = max(beside, default=self.site)
            days.append(day)
        return days

    def of_line(self, line: Line) -> tuple[date, date]:
        """Return the earliest and the latest day a line rests on."""
        days = self.of_vertices(line)
        return min(days, default=self.site), max(days, default=self.site)

    def surveyors_of(self, line: Line) -> str:
        """Return who surveyed the runs a line rests on, parted by semicolons."""
        runs = dict.fromkeys(run for run in line.run.tolist() if run)
        return "; ".join(dict.fromkeys(filter(None, self.surveyors(list(runs)))))

    def _measured(self, kind: str, run: str, ref: str) -> date | None:
        """Return the day a vertex itself was measured; None for one that follows from others."""
        if kind == "exposure":
            return self.exposure.get(ref, self.site)
        return self.run.get(run, self.site) if kind == "fix" else None


def survey_days(record: FieldRecord) -> SurveyDays:
    """Return the days of a site's runs and exposures."""
    settings, exposures = record.settings, record.exposures
    days = {run.id: run.surveyed or settings.surveyed for run in settings.runs}
    return SurveyDays(
        settings.surveyed,
        settings.surveyor,
        days,
        {
            name: date.fromisoformat(day) if day else settings.surveyed
            for name, day in zip(
                exposures.spots.name.tolist(), exposures.surveyed.tolist(), strict=True
            )
        },
        {run.id: run.surveyor or settings.surveyor for run in settings.runs},
        {run.id: run.receiver for run in settings.runs},
    )


def valid_from(settings: Settings, days: SurveyDays) -> date:
    """Return the day from which the record holds: as the site says, else the last of survey."""
    return settings.valid_from or days.last
