"""An assessment carries the day of its last reading, and the planes as the readings show them."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("portal", "0006_reasons_as_codes")]

    operations = [
        migrations.AddField(
            "siteassessment",
            "readings_until",
            models.DateField(null=True, help_text="Last day with readings; not known of rows of before."),
        ),
        migrations.AddField(
            "siteassessment",
            "seen",
            models.JSONField(
                default=list,
                help_text="Where the readings show another slope or direction than told: each plane with its tilt and "
                "azimuth [degrees] as told and as seen.",
            ),
        ),
    ]
