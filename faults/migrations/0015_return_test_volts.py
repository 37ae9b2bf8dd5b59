from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("faults", "0014_restore_unnumbered"),
    ]

    operations = [
        migrations.AddField(
            model_name="returntestleg",
            name="least_far_v",
            field=models.FloatField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="returntestleg",
            name="least_far_v_basis",
            field=models.CharField(blank=True, default="", max_length=20),
            preserve_default=False,
        ),
    ]
