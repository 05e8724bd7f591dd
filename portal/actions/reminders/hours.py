"""When people may be written to: a business's rules, decent hours, and seasons without cleaning reminders."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from portal.models import Business, SendingRules


def sending_rules(business: Business) -> SendingRules:
    """The business's rules, or the standard ones."""
    rules: SendingRules | None = getattr(business, "sending_rules", None)
    return rules or SendingRules(business=business)


def set_sending_rules(*, business: Business, **rules: Any) -> None:
    """Keep when a business writes; ``rules`` are fields of ``SendingRules``. It holds from the next mail on."""
    SendingRules.objects.update_or_create(business=business, defaults=rules)


def next_decent(moment: datetime, *, tz: str, rules: SendingRules) -> datetime:
    """The first instant from ``moment`` on that lies in decent hours of a decent day of the zone."""
    zone = ZoneInfo(tz)
    local = moment.astimezone(zone)
    if local.hour >= rules.until_hour:
        local = at_hour(local.date() + timedelta(days=1), rules.from_hour, zone)
    elif local.hour < rules.from_hour:
        local = at_hour(local.date(), rules.from_hour, zone)
    if local.weekday() == 6 and not rules.on_sundays:
        local = at_hour(local.date() + timedelta(days=1), rules.from_hour, zone)
    return local.astimezone(moment.tzinfo)


def at_hour(day: date, hour: int, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=zone)


def season_stopped(day: date, rules: SendingRules) -> bool:
    """Whether no cleaning reminders go out on this day (snow)."""
    if rules.stop_from is None or rules.stop_until is None:
        return False
    if rules.stop_from <= rules.stop_until:
        return rules.stop_from <= day.month <= rules.stop_until
    return day.month >= rules.stop_from or day.month <= rules.stop_until
