"""One function per summary: store -> what the viewer may see -> layers -> frame.

The command line, the pages, the feed and every file take their figures from here, so that
the same question has one answer. Each result leads with its public columns (`SUMMARY_COLUMNS`)
and keeps what it was computed from in `frame.attrs["inputs"]`.
"""

from __future__ import annotations

from service.answers import coverage_summaries, estimate_summaries, record_summaries
from service.answers.coverage_summaries import *  # noqa: F403
from service.answers.estimate_summaries import *  # noqa: F403
from service.answers.opening import fully_shown
from service.answers.record_summaries import *  # noqa: F403

__all__ = ["fully_shown"]
__all__ += coverage_summaries.__all__ + estimate_summaries.__all__ + record_summaries.__all__
