"""One function per summary: store -> what the viewer may see -> layers -> frame.

The command line, the pages, the feed and every file take their figures from here, so that
the same question has one answer. Each result leads with its public columns (`SUMMARY_COLUMNS`)
and keeps what it was computed from in `frame.attrs["inputs"]`.
"""

from __future__ import annotations

from service.answers.coverage_summaries import (
    counted,
    coverage,
    gaps,
    next_places,
    sampled_length,
    streams,
    stretch_lines,
)
from service.answers.estimate_summaries import (
    accumulation,
    chance_present,
    change,
    change_by_year,
    depletion,
    detection,
    fish_condition,
    length_classes,
    lengths,
    returns,
    richness,
    standard_richness,
)
from service.answers.opening import (
    any_sensitive,
    fully_shown,
    today,
)
from service.answers.record_summaries import (
    OCCURRENCE_BY,
    effort,
    effort_by_year,
    occurrence,
    placement_reaches,
    reach_summary,
)
from service.reference import network

__all__ = [
    "OCCURRENCE_BY",
    "accumulation",
    "any_sensitive",
    "chance_present",
    "change",
    "change_by_year",
    "counted",
    "coverage",
    "depletion",
    "detection",
    "effort",
    "effort_by_year",
    "fish_condition",
    "fully_shown",
    "gaps",
    "length_classes",
    "lengths",
    "network",
    "next_places",
    "occurrence",
    "placement_reaches",
    "reach_summary",
    "returns",
    "richness",
    "sampled_length",
    "standard_richness",
    "streams",
    "stretch_lines",
    "today",
]
