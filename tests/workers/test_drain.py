"""How fast a hundred thousand due reminders drain, and in how much memory. ``pytest -m benchmark tests/workers -s``."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone

from deploy.processes import Program, Supervisor, free_port
from portal.models import Business, Customer, Reminder, ReminderState, SendingRules, Site, SiteAssessment

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]
COUNT = int(os.environ.get("REMINDERS", "100000"))
SENDERS = 2
SEND = """
import resource
import django
django.setup()
from django.utils import timezone
from portal.actions.reminders.send import send_due
sent = 0
while (round := send_due(now=timezone.now())).sent:
    sent += round.sent
print("sent", sent, "peak MB", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, flush=True)
"""
SINK = """
import asyncio, sys

async def serve(reader, writer):
    writer.write(b"220 sink\\r\\n")
    while line := await reader.readline():
        verb = line[:4].upper()
        if verb == b"DATA":
            writer.write(b"354 go\\r\\n")
            await reader.readuntil(b"\\r\\n.\\r\\n")
        writer.write(b"250 ok\\r\\n")
        if verb == b"QUIT":
            break
    writer.close()

async def main():
    server = await asyncio.start_server(serve, "127.0.0.1", int(sys.argv[1]), limit=2**20)
    print("ready", flush=True)
    await server.serve_forever()

asyncio.run(main())
"""


def make_many(count: int) -> None:
    now = timezone.now()
    business = Business.objects.create(
        name="Washers", slug="many", email="office@washers.example", postal_address="1 Invented Street", tz="UTC"
    )
    SendingRules.objects.create(business=business, from_hour=0, until_hour=24, on_sundays=True)
    for first in range(0, count, 5000):
        numbers = range(first, min(first + 5000, count))
        customers = Customer.objects.bulk_create(
            Customer(business=business, name=f"Customer {n}", email=f"c{n}@homes.example", consented_on=now.date())
            for n in numbers
        )
        sites = Site.objects.bulk_create(
            Site(customer=customer, name="Home", address="1 Road", latitude=40, longitude=-105, tz="UTC", ac_kw=5)
            for customer in customers
        )
        SiteAssessment.objects.bulk_create(
            SiteAssessment(
                site=site,
                as_of=now.date(),
                is_newest=True,
                verdict="soiling",
                present_loss=0.08,
                loss_low=0.06,
                loss_high=0.1,
                value_lost_per_month=20,
                clean_due=now.date(),
                due_basis="readings",
            )
            for site in sites
        )
        Reminder.objects.bulk_create(
            Reminder(
                business=business,
                kind="due",
                customer=site.customer,
                site=site,
                key=f"due:{site.pk}:0:0",
                due_at=now - timedelta(minutes=1),
                stale_at=now + timedelta(days=9),
            )
            for site in sites
        )


def test_a_hundred_thousand_due_reminders_drain(
    supervisor: Supervisor, process_env: dict[str, str], tmp_path: Path
) -> None:
    make_many(COUNT)
    port = free_port()
    sink = supervisor.start(Program(f"sink-{tmp_path.name}", [sys.executable, "-c", SINK, str(port)]))
    supervisor.wait_until(lambda: "ready" in sink.log.read_text(), sink, 20)
    env = process_env | {
        "PORTAL_EMAIL_BACKEND": "portal.actions.mail.post.SmtpBackend",
        "PORTAL_SMTP_HOST": "127.0.0.1",
        "PORTAL_SMTP_PORT": str(port),
    }
    begun = time.monotonic()
    senders = [
        subprocess.Popen([sys.executable, "-c", SEND], env=env, stdout=subprocess.PIPE, text=True)
        for _ in range(SENDERS)
    ]
    said = [sender.communicate()[0] for sender in senders]
    seconds = time.monotonic() - begun
    supervisor.stop(sink)
    sent = [int(number) for one in said for number in re.findall(r"sent (\d+)", one)]
    peaks = ", ".join(re.findall(r"peak MB (\d+)", " ".join(said)))
    print(
        f"\n{COUNT} due reminders drained by {SENDERS} processes in {seconds:.0f} s: {COUNT / seconds:.0f} a second; "
        f"peak memory {peaks} MB each"
    )
    assert sum(sent) == COUNT == Reminder.objects.filter(state=ReminderState.SENT).count()
