from django.core.management import call_command
from django.db import migrations, models


def make_cache_table(apps, schema_editor):
    """What rate limits have counted lies in the database: they go on without the broker."""
    call_command("createcachetable", database=schema_editor.connection.alias, verbosity=0)


class Migration(migrations.Migration):

    dependencies = [
        ("portal", "0019_accent"),
    ]

    operations = [
        migrations.CreateModel(
            name="Heartbeat",
            fields=[
                ("queue", models.CharField(max_length=16, primary_key=True, serialize=False)),
                ("beaten_at", models.DateTimeField()),
            ],
        ),
        migrations.RunPython(make_cache_table, migrations.RunPython.noop),
    ]
