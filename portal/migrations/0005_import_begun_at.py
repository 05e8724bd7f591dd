from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('portal', '0004_rain'),
    ]

    operations = [
        migrations.AddField(
            model_name='import',
            name='begun_at',
            field=models.DateTimeField(blank=True, help_text='When the newest attempt began.', null=True),
        ),
    ]
