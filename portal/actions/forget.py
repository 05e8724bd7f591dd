"""What is kept no longer than it is of use; how long is the deployment's to say."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management import call_command

from portal.actions.customer_files import LOOKED_AT_FOR
from portal.models import AuditEntry, CustomerFile, Enquiry, VisitPhoto


def forget_old(*, now: datetime) -> None:
    """Drop logins that are over, tables of customers nobody took in, old enquiries, originals of photos, audit lines.

    Running it twice, or after dying half-way, forgets the rest.
    """
    call_command("clearsessions")
    CustomerFile.objects.filter(taken_at=None, at__lt=now - LOOKED_AT_FOR).delete()
    if days := settings.KEEP_ENQUIRIES_DAYS:
        Enquiry.objects.filter(at__lt=now - timedelta(days=days)).delete()
    if days := settings.KEEP_PHOTO_ORIGINALS_DAYS:
        old = VisitPhoto.objects.filter(taken_at__lt=now - timedelta(days=days)).exclude(original="")
        for pk, name in old.values_list("pk", "original"):
            default_storage.delete(name)
            VisitPhoto.objects.filter(pk=pk).update(original="")
    if days := settings.KEEP_AUDIT_DAYS:
        past = AuditEntry.objects.filter(at__lt=now - timedelta(days=days))
        past._raw_delete(past.db)  # the trail's own delete refuses: nothing but this drops a line
