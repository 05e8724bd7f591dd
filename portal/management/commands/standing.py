"""``manage.py standing``: one line a site, as the nightly job left it."""

from __future__ import annotations

import shlex
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from portal.models import Business, Lead, LeadKind, Reminder, ReminderState, Site, SiteAssessment
from portal.words.figures import percent

COLUMNS = "{site:<34} {verdict:<16} {loss:<22} {due:<24} {lead:<10} {reminder}"


class Command(BaseCommand):
    help = "Print every site's verdict, soiling loss with its 90 % interval, next clean due, lead and reminder."

    def handle(self, *args: Any, **options: Any) -> None:
        if not Business.objects.exists():
            own = f"PORTAL_VAR={shlex.quote(str(settings.VAR))} PORTAL_BASE_URL={settings.BASE_URL}"
            yours = '"Your Firm" "Your Name" you@firm.example --tz America/Denver'
            self.stdout.write(
                "No firm is here yet. Open yours in a second window, with its names, address and time zone:\n"
                f"  {own} .venv/bin/python manage.py open_business {yours}"
            )
            return
        newest = {
            row.site_id: row for row in SiteAssessment.objects.newest().order_by("site_id").select_related("site")
        }
        leads = dict(Lead.objects.open().values_list("site_id", "kind"))
        reminders: dict[int, str] = {}
        for reminder in Reminder.objects.filter(site__isnull=False).order_by("pk"):
            state = {ReminderState.SENT: "sent", ReminderState.DUE: "due"}.get(
                ReminderState(reminder.state), reminder.state
            )
            reminders[reminder.site_id or 0] = f"{reminder.get_kind_display().lower()} ({state})"
        self.stdout.write(
            COLUMNS.format(
                site="site",
                verdict="verdict",
                loss="soiling loss (90 %)",
                due="next clean due",
                lead="lead?",
                reminder="reminder?",
            )
        )
        for site in Site.objects.select_related("customer").order_by("customer__business", "customer__name", "name"):
            self.stdout.write(_line(site, newest.get(site.pk), leads, reminders))


def _line(site: Site, row: SiteAssessment | None, leads: dict[int, str], reminders: dict[int, str]) -> str:
    loss = due = "–"
    if (
        row
        and not row.silent
        and row.present_loss is not None
        and row.loss_low is not None
        and row.loss_high is not None
    ):
        loss = f"{percent(row.present_loss)} ({percent(row.loss_low)} to {percent(row.loss_high)})"
    if row and not row.old and row.clean_due:
        due = f"{row.clean_due} ({row.get_due_basis_display() or '–'})"
    kind = leads.get(site.pk)
    return COLUMNS.format(
        site=str(site)[:34],
        verdict=row.standing if row else "not assessed yet",
        loss=loss,
        due=due,
        lead={LeadKind.CLEANING: "lead", LeadKind.REFERRAL: "referral"}.get(LeadKind(kind), "") if kind else "no",
        reminder=reminders.get(site.pk, "no"),
    ).rstrip()
