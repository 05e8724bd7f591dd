"""For who watches the portal from outside: is it alive, and does what works behind its pages work."""

from __future__ import annotations

from allauth.account.adapter import get_adapter
from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from portal.actions.health import broker_answers, standing_still, waiting_since


@never_cache
@require_safe
def live(request: HttpRequest) -> JsonResponse:
    """The web server answers. It also says how it sees the asker, from which the doctor learns what the proxy tells."""
    try:
        client = get_adapter().get_client_ip(request)
    except PermissionDenied:  # no proxy told it
        client = ""
    forwarded = request.headers.get("X-Forwarded-For", "")
    return JsonResponse(
        {
            "alive": True,
            "https": request.is_secure(),
            "host": request.get_host(),
            "client": client,
            "forwarded": len(forwarded.split(",")) if forwarded else 0,
        }
    )


@never_cache
@require_safe
def ready(request: HttpRequest) -> JsonResponse:
    """Pages can be served as long as the database answers; the rest is for an alarm, since then only jobs wait."""
    now = timezone.now()
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        still = standing_still(now=now, up_since=settings.UP_SINCE)
        waiting = waiting_since(now=now)
    except DatabaseError:
        return JsonResponse({"ready": False, "database": False}, status=503)
    oldest = max((now - since for since in waiting.values()), default=None)
    return JsonResponse(
        {
            "ready": True,
            "database": True,
            "broker": broker_answers(),
            "workers_standing_still": [one.queue for one in still],
            "oldest_job_seconds": round(oldest.total_seconds()) if oldest else 0,
        }
    )
