"""Why a wash is due becomes a list like the reasons: codes with figures. What was said before stays as its sentence."""

from django.apps.registry import Apps
from django.db import migrations, models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor


def keep_what_was_said(apps: Apps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    rows = apps.get_model("portal", "SiteAssessment").objects
    for pk, said in rows.exclude(due_reason="").values_list("pk", "due_reason").iterator():
        rows.filter(pk=pk).update(due_reasons=[said])


class Migration(migrations.Migration):
    dependencies = [("portal", "0005_verdict_unsure")]

    operations = [
        migrations.AddField(
            "siteassessment",
            "due_reasons",
            models.JSONField(default=list, help_text="As the reasons; said one after the other."),
        ),
        migrations.RunPython(keep_what_was_said, migrations.RunPython.noop),
        migrations.RemoveField("siteassessment", "due_reason"),
        migrations.AlterField(
            "siteassessment",
            "reasons",
            models.JSONField(
                default=list, help_text="Each a code with its figures (portal.pv.said); a sentence in rows of before."
            ),
        ),
    ]
