"""``manage.py standing``: one line a site, as the nightly job left it."""

from __future__ import annotations

import shlex
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.utils import timezone

from portal.actions.advice import recommendations
from portal.models import Business, Lead, LeadKind, Reminder, ReminderState, Site
from portal.pv.recommend import Recommendation
from portal.words.advice import advice_in_a_row, loss_in_a_row

LINE = "{site:<34} {state:<12} {loss:<22} {advice:<30} {lead:<10} {reminder}"


class Command(BaseCommand):
    help = "Print how every site stands, its soiling loss with its 90 % interval, the advice, lead and reminder."

    def handle(self, *args: Any, **options: Any) -> None:
        if not Business.objects.exists():
            own = f"PORTAL_VAR={shlex.quote(str(settings.VAR))} PORTAL_BASE_URL={settings.BASE_URL}"
            yours = '"Your Firm" "Your Name" you@firm.example --tz America/Denver'
            self.stdout.write(
                "No firm is here yet. Open yours in a second window, with its names, address and time zone:\n"
                f"  {own} .venv/bin/python manage.py open_business {yours}"
            )
            return
        leads = dict(Lead.objects.open().values_list("site_id", "kind"))
        reminders: dict[int, str] = {}
        for reminder in Reminder.objects.filter(site__isnull=False).order_by("pk"):
            state = {ReminderState.SENT: "sent", ReminderState.DUE: "due"}.get(
                ReminderState(reminder.state), reminder.state
            )
            reminders[reminder.site_id or 0] = f"{reminder.get_kind_display().lower()} ({state})"
        self.stdout.write(
            LINE.format(
                site="site",
                state="state",
                loss="soiling loss (90 %)",
                advice="advice",
                lead="lead?",
                reminder="reminder?",
            )
        )
        order = ("customer__business", "customer__name", "name")
        sites = list(Site.objects.select_related("customer__business").order_by(*order))
        told = recommendations(sites, now=timezone.now())
        for site in sites:
            self.stdout.write(_line(site, told[site.pk], leads, reminders))


def _line(site: Site, told: Recommendation, leads: dict[int, str], reminders: dict[int, str]) -> str:
    kind = leads.get(site.pk)
    return LINE.format(
        site=str(site)[:34],
        state=told.state,
        loss=loss_in_a_row(told) or "–",
        advice=advice_in_a_row(told),
        lead={LeadKind.CLEANING: "lead", LeadKind.REFERRAL: "referral"}.get(LeadKind(kind), "") if kind else "no",
        reminder=reminders.get(site.pk, "no"),
    ).rstrip()
