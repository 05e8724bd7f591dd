"""Old assessments are thinned, so that a roof's rows stay few however many nights there were."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import F, Window
from django.db.models.functions import RowNumber, TruncMonth, TruncWeek

from portal.models import SiteAssessment

DAILY_FOR, WEEKLY_FOR = timedelta(days=90), timedelta(days=730)
"""Each night's assessment is kept so long, then the first of each week, then the first of each month. No source."""


def thin_assessments(*, now: datetime) -> int:
    """Leave the first assessment of a week or month of what is old, and each site's newest. Returns how many went.

    What was promised stands on leads, what was proved on reports; both stay.
    """
    gone = 0
    for age, span in ((DAILY_FOR, TruncWeek), (WEEKLY_FOR, TruncMonth)):
        # Numbered in one pass: a look for an earlier one from each row would read a site's rows once for each of them.
        within = Window(RowNumber(), partition_by=[F("site"), span("as_of")], order_by="as_of")
        old = SiteAssessment.objects.filter(as_of__lt=(now - age).date()).annotate(nth=within)
        # The newest is marked, not left out of the count: it is the last of its span.
        later = old.order_by().filter(nth__gt=1).values_list("pk", "is_newest")
        keys = [key for key, is_newest in later if not is_newest]
        for first in range(0, len(keys), 1000):
            gone += SiteAssessment.objects.filter(pk__in=keys[first : first + 1000]).delete()[0]
    return gone
