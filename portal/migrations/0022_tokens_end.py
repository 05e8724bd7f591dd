"""The addresses of calendar feeds are kept as hashes, and tokens end: those made before in a year from now."""

import hashlib
from datetime import timedelta

from django.db import migrations, models
from django.utils import timezone


def hash_feeds(apps, schema_editor):
    for feed in apps.get_model("portal", "CalendarFeed").objects.all():
        feed.hashed = hashlib.sha256(feed.hashed.encode()).hexdigest()
        feed.save(update_fields=["hashed"])


def in_a_year():
    return timezone.now() + timedelta(days=365)


class Migration(migrations.Migration):
    dependencies = [("portal", "0021_mail_holds")]

    operations = [
        migrations.RenameField("calendarfeed", "token", "hashed"),
        migrations.RunPython(hash_feeds, migrations.RunPython.noop),
        migrations.AlterField(
            "calendarfeed", "hashed", models.CharField(editable=False, max_length=64, unique=True)
        ),
        migrations.AddField(
            "token",
            "scope",
            models.CharField(
                choices=[
                    ("send", "send readings and see what became of them"),
                    ("read", "read how roofs stand"),
                    ("both", "send and read"),
                ],
                default="both",
                max_length=4,
            ),
        ),
        migrations.AddField("token", "expires_at", models.DateTimeField(default=in_a_year), preserve_default=False),
    ]
