import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('portal', '0006_visit_record'),
    ]

    operations = [
        migrations.AddField(
            model_name='dayreadings',
            name='created_by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='days_created', to='portal.import'),
        ),
    ]
