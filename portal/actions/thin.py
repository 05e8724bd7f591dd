"""Old assessments are thinned, so that a roof's rows stay few however many nights there were."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef
from django.db.models.functions import TruncMonth, TruncWeek

from portal.models import SiteAssessment

DAILY_FOR, WEEKLY_FOR = timedelta(days=90), timedelta(days=730)
"""Each night's assessment is kept so long, then the first of each week, then the first of each month. No source."""


def thin_assessments(*, now: datetime) -> int:
    """Leave the first assessment of a week or month of what is old, and each site's newest. Returns how many went.

    What was promised stands on leads, what was proved on reports; both stay.
    """
    gone = 0
    for age, span in ((DAILY_FOR, TruncWeek), (WEEKLY_FOR, TruncMonth)):
        rows = SiteAssessment.objects.annotate(span=span("as_of"))
        before = rows.filter(site=OuterRef("site"), span=OuterRef("span"), as_of__lt=OuterRef("as_of"))
        old = rows.filter(as_of__lt=(now - age).date()).filter(is_newest=False)
        keys = list(old.filter(Exists(before)).order_by().values_list("pk", flat=True))
        for first in range(0, len(keys), 1000):
            gone += SiteAssessment.objects.filter(pk__in=keys[first : first + 1000]).delete()[0]
    return gone
