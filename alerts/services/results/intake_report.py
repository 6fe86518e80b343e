"""What the intake needs to know besides a document, and what it says of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, time, tzinfo

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Note, Rejection
from alerts.intake.base import ReadingRules
from alerts.intake.labmap import LabMap


@dataclass(slots=True)
class IntakeReport:
    """What became of a document's rows; the five counts and lists account for every row."""

    document: str
    accepted: int = 0
    repeated: int = 0
    corrected: int = 0
    unmatched: int = 0
    rejected: list[Rejection] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    refusal: str = ""  # why nothing of the document could be read
    document_id: int | None = None  # under which it is kept; None when it could not be opened


@dataclass(frozen=True, slots=True)
class IntakeRules:
    """What the intake needs to know besides the document."""

    lab_maps: Sequence[LabMap]
    guidelines: GuidelineSet
    season_first_day: date
    sample_before: time
    today: date  # the latest date it is anywhere; a later sampling date is refused
    time_zone: tzinfo = UTC  # of sampling times written in UTC

    def reading_rules(self) -> ReadingRules:
        return ReadingRules(
            today=self.today,
            season_first_day=self.season_first_day,
            limits=self.guidelines.limits(),
            time_zone=self.time_zone,
        )
