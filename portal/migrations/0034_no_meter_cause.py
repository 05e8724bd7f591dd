from django.db import migrations, models


def name_none(apps, schema_editor):
    """Nothing has told this cause since a rise of the level is mentioned instead; an assessment from before may."""
    apps.get_model('portal', 'SiteAssessment').objects.filter(cause='meter').update(cause='unknown')


class Migration(migrations.Migration):

    dependencies = [
        ('portal', '0033_starts'),
    ]

    operations = [
        migrations.RunPython(name_none, migrations.RunPython.noop),
        migrations.AlterField(
            model_name='siteassessment',
            name='cause',
            field=models.CharField(blank=True, choices=[('string_loss', 'string_loss'), ('outage', 'outage'), ('shading', 'shading'), ('snow', 'snow'), ('degradation', 'degradation'), ('unknown', 'unknown')], max_length=20),
        ),
    ]
