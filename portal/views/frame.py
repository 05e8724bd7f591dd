"""What every page's frame needs: whose portal it is, and whether it is a demonstration."""

from typing import Any

from django.http import HttpRequest

from portal.models import Business, Membership


def frame(request: HttpRequest) -> dict[str, Any]:
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"invented": Business.objects.filter(invented=True).exists()}
    roles = set(Membership.objects.filter(user=user).values_list("role", flat=True))
    businesses = list(Business.objects.visible_to(user)[:2])
    return {
        "works_in_office": bool(roles & {"owner", "office"}),
        "works_on_roofs": "technician" in roles,
        "business": businesses[0] if len(businesses) == 1 else None,
        "invented": any(business.invented for business in businesses),
    }
