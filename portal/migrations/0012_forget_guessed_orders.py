"""Meters forget an order of day and month that no file of theirs can have shown.

Before, an order was remembered also where every date of a file read both ways. A file shows it only with a day after the
12th; where none of a meter's files has one, the next file decides anew, or is asked about.
"""

from datetime import timedelta

from django.apps.registry import Apps
from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor


def forget(apps: Apps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    imports = apps.get_model("portal", "Import").objects
    for meter in apps.get_model("portal", "Meter").objects.filter(mapping__date_order__in=["dmy", "mdy"]).iterator():
        alike = imports.filter(meter=meter, state="done", mapping__date_order=meter.mapping["date_order"])
        days = alike.exclude(first_day=None).values_list("first_day", "last_day")
        if any(max(a.day, b.day) > 12 or b - a > timedelta(days=12) for a, b in days):
            continue
        meter.mapping["date_order"] = ""
        meter.save(update_fields=["mapping"])


class Migration(migrations.Migration):
    dependencies = [("portal", "0011_asks")]

    operations = [migrations.RunPython(forget, migrations.RunPython.noop)]
