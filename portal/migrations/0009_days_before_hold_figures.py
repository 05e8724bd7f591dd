from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('portal', '0008_pack_smaller'),
    ]

    operations = [
        migrations.AlterField(
            model_name='daybefore',
            name='interval_minutes',
            field=models.PositiveSmallIntegerField(),
        ),
        migrations.AlterField(
            model_name='daybefore',
            name='packed',
            field=models.BinaryField(),
        ),
    ]
